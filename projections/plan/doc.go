// Package plan prepares a packing day: which open orders go out in which parcels, what to pull from where, what to cut and make up beforehand, what falls short
// and which orders can still go out complete.
//
// # What an order needs
//
// All that is left of it (packages fold and parcel): its goods, sets as their parts, less what print runs for the order supplied; and what the packing spec in
// force uses for it, prepared pieces as their parts. An order that waits for a decision about one of its packs is listed and needs nothing, since nobody knows
// yet whether it is packed.
//
// What is retired is out of the plan: specs that still use it neither ask for it nor hold an order back. A retired good that was ordered is pulled all the same,
// and a note says so.
//
// need is the sum over the orders of the plan; short is what on hand lacks of it, max(0, need − on hand).
//
// # Which orders are ready
//
// An order is ready if it can go out complete together with all others that are ready. Of all sets of orders for which everything is there, the one with the most
// orders is taken; of several with as many, the one that holds the oldest order, then the next oldest, and so on. Orders that take nothing of what is short are
// in it without question; those that lack something all by themselves, and those that hold a piece that no parcel format takes, are not. The rest are contested. They
// fall into groups that share nothing short; a group of up to 25 is settled exactly, by branch and bound, a larger one greedily: those that take the smallest
// share of what is left of something first, and the better of that and "oldest first". The report says which.
//
// Oldest first, if asked for, goes through the orders by age and sends each that what is left still suffices for. An order's age is the time at which it was
// placed, then its number.
//
// # Preparation
//
// A spec's line in a measure is a number of pieces of that measure, as long as its quantity is whole; a line in plain millimetres is a number of pieces of that
// length. Pieces of one item are cut from its smallest pack that holds the longest of them, longest first (package cut). The figures "now" and all about zones and options are for
// the orders that are ready; need and pieces are for all orders of the plan.
package plan
