// Package fold is the one engine behind every projection: it reads a ledger's events in the fold order and moves stock.
//
// The fold order is (time in whole milliseconds UTC, rank of the kind, id). Ranks: 0 setup and specs; 1 order, purchase; 2 restock,
// credit; 3 reprint; 4 pack, damage; 5 return; 6 count; 7 reverse, decide, close. There is one order for the whole ledger, since a print run hands the
// cost of its inputs on to what it makes. What acts by reference (reverse, decide, restates, spec) acts whatever its own time.
//
// A fold has two steps. [Read] takes the events of a ledger, in any order, and finds what stands: which are void, reversed,
// said twice, decided. [Log.Run] then goes through them once, in order, up to an instant. Results depend on the set of events alone,
// never on the order of arrival.
//
// # Columns
//
// For every item, interval and costing, exactly, in quantity and value:
//
//	closing = opening + opened + bought + made + gained
//	        - credited - sold - packed - into_runs - given - own_use - lost - adjusted
package fold
