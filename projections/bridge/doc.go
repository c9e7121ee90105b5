// Package bridge leads from what was expected to be on hand of an item to what was, over a window of time, in parts that add up to the last unit. Everything is
// exact.
//
// # Window
//
// It ends (to) with the last event after which on hand was 0 or less, or by a count less than the smallest line of the specs in force; without one with the last
// count, else with the end of the fold. It is about one box: the last restock before its end, R, of near-identical ones (same item, pack, quantity and cost within
// three days) the first. It begins (from) just after the last count before R, without one just before R. An item that is only made takes its last print run
// for R; one that never came in begins with its first count.
//
// # Expectation
//
// The baseline are the 90 days before the window, or all history if that is shorter. N is the number of orders first packed; M is those orders as they were
// (goods, zone, options, and how the person split them), pack by pack; S says what a pack takes. S0 are the specs in force where the window begins, with only those
// restatements that had been made by then; S1 those that each pack really went by. U(M, S) is what all packs of M take under S, divided by N. So a spec
// that was found wrong later shows as a change of spec, also where a history was recorded in one go. Then
//
//	expected_out = N0·U(M0, S0) + what print runs took a day in the baseline × the window's days
//	expected     = opening + what R should have brought + what purchases should have brought by their due days - expected_out
//
// N0 being the baseline's orders a day times the window's days. U(M0, S1) weights each revision by its share of the window's packs. With less than 14 days or 20
// orders before the window nothing is expected, and the bridge leads from what was there at its beginning.
//
// # Parts
//
// The step from (N0, M0, S0) to (N1, M1, S1) is divided into order_volume, order_mix and spec_change by the mean over the six orders in which the three can be
// changed one after the other (L. S. Shapley, A value for n-person games, Contributions to the Theory of Games II, 1953, 307–317; from memory). The other parts
// are what the records hold: receipts, returns, packing_changes, print_runs, write_offs, and unknown, which is what counts found missing, below 0. Each is rounded
// once to 6 places, and what rounding leaves goes to order_volume, so that the parts add up to actual - expected exactly. In money each part is its quantity at the
// unit cost where the window begins, and price is the rest of the difference in value.
package bridge
