// Package reorder answers what runs out when, by which day to order it, how much to buy, and what a budget buys first.
//
// Run-outs come from package outlook. The rest is said here:
//
//   - The last day to order (order_by) is the last one on which an order still comes in time in the asked share of cases (the service level, 95 % unless said
//     otherwise): P(stock is gone before the day on which the goods come) ≤ 1 - service. The goods come lead_days after the order at the earliest, and
//     most often; each further day up to lead_days_max is less likely than the one before, in even steps. Where an item names no lead time, that of its
//     supplier's past deliveries stands for it (median and longest, from purchase to first delivery), else the one that a person assumes; else there is no such day.
//   - What is printed here takes a day, and a run is for four weeks at most, but no smaller than runs used to be.
//   - To buy is what the mean use until the goods come (lead_days_max) and for so many days of cover after it (eight weeks unless said otherwise) asks for
//     beyond what is on hand, not promised, and on order, in whole packs, rounded up. Where the cost of an order and of holding are given, it is at least the
//     economic order quantity, to the whole pack that costs less in a year.
//   - The pack is the one last bought; costs are the last landed cost of a base unit.
//   - A budget buys for what has the fewest days of cover (the median run-out) first, as many of the packs asked for as it pays, then goes on to the next.
//
// This is a package of estimates; only money and packs are exact.
package reorder
