// Package closing answers what a month's figures are once it is closed, and what a close would record.
//
// # What a close is
//
// A close names a period and how far it covers each log (upto). It holds no figures, only their digests. From the events that it covers, and from no
// others, anybody can work the figures out again, so nothing that arrives later can move them.
//
//   - The closing balance of a period P is the plain fold of only the events that P's close covers, up to P's last millisecond. What is not covered is not
//     there at all: neither facts nor reversals, decisions, restatements, definitions or revocations.
//   - A column of P is that fold's running total minus the totals closed before. So the whole effect of what came late, in quantity and value, falls into the
//     first period whose close covers it. Closed columns and open columns together are the plain fold, exactly.
//   - The plain fold ignores closes. Stock, order costs and every other report are the same with and without them.
//   - What a revocation makes void later still counts in the closed figures of a period whose close covered it before; the period whose close covers the
//     revocation takes it out again.
//
// # Which closes count
//
// Periods are months in the shop's zone, from the first existing instant of the first day to the last millisecond before the next month's. They are closed
// in turn and without gaps. The first that is closed is the month of the first movement of stock; a close that is the first says which month that was for
// good, so that a fact dated before it falls into the period that covers it, like any other late one.
//
// Only the keeper closes: a close counts if its device is the keeper by the events that it covers, which are all that its device held. It is void if that
// device was revoked before it, unless a later close that counts covers it. Closes are taken in turn: one that covers another comes after it, and where
// neither knew of the other the fold order decides. The first close of a period counts; a later one, one out of turn, and one that covers less than the
// close before it are void.
//
// A replica that lacks events that a close covers waits for them and shows no figures.
//
// # Digest
//
// SHA-256, in lower-case hexadecimal digits, over one line for each item in the order of ids (bytes): the id, then quantity and value of opening, opened,
// bought, credited, made, sold, packed, into_runs, given, own_use, lost, gained, adjusted and closing, separated by single spaces; each line ends with a
// newline. Quantities are without trailing zeros, values with 8 places. Items are all but prepared ones that are known to the fold of the period or to the
// one before. There is one digest for each costing.
//
// # Printed money
//
// Exact figures have 8 places, and with them everything ties. In minor units a table can't both round every figure to the nearest and add up in both
// directions. What is printed ties: every row (opening + in - out = closing), every column (rows add up to the total row), the total row itself, and one
// month's opening with the closing before it. For this each opening and closing is rounded by itself, halves up; the movements of a row are rounded so that
// they lead from the one to the other, each off by less than one minor unit, by largest remainder, ties to the earlier column; whole amounts stay as they
// are. The total row is the sum of what is printed, so it can differ from the rounded exact total by a few minor units; both are in the report.
//
// Material cost of a period is sold + packed + what print runs for orders took.
package closing
