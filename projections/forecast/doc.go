// Package forecast says how an item's use will go on and when its stock will run out, from what a shop's past orders took. It knows no ledger: days are whole
// numbers, quantities are base units. This is a package of estimates: floats, the same on one build and alike to four digits on another.
//
// # The model
//
// Orders come day by day (Arrivals): a weekday's share, a level of late, a trend that fades within days, a variance beyond chance, and gaps, days without an
// order where many were to be expected (holidays). Gaps count as closed, not as days without demand, and others like them may come.
//
// An item is taken by some of the orders (Demand). How many take it on a day is Poisson around a level; how much each takes is drawn from what past ones took.
// The level is the share of orders smoothed over days, in every day, with or without an order of the item: what Teunter, Syntetos and Babai's method
// (TSB) does for slow goods, and the same for quick ones, since its half-life of two weeks proved best for both. Beside the late days stands a little of
// the item's long-run mean. The level isn't known exactly (a gamma distribution with as many events as were seen, the conjugate of the Poisson's), it
// drifts from week to week, and a good may fall asleep: nobody asks for it any more, or it can't be had.
//
// A run-out is found by simulation on discrete days with generators seeded by item and window (Simulate). The plainer published estimates for slow goods
// stand in intermittent.go: Croston, SBA, TSB.
//
// The three numbers of a Tuning were chosen by back-tests on one fifth of the goods of a real shop; BACKTEST.md, written by the test, says how the other four
// fifths came out. They are no law of nature: another shop's may be better.
package forecast

// Goods is the tuning for what customers choose.
var Goods = Tuning{HalfLife: 14, Drift: 0.04, Rest: 0.02}

// Supplies is the tuning for what many orders use, whatever they hold. It moves with the number of orders alone: over eight weeks the log of the orders a week
// of the real shop had a standard deviation of about 0.3 around the eight weeks before.
var Supplies = Tuning{HalfLife: 21, Drift: 0.012}
