// Package schema holds the published statement of what countback stores: JSON Schema files (draft 2020-12), one for the data of each kind of event
// in its first version (KIND.v1.json), one for the envelope around it (envelope.json) and one for a line of a fact file (fact.json).
// They are for other programs, editors and readers. The program itself checks by hand-written code in ledger/event; a property test there
// proves that both accept and refuse the same.
//
// A released file is frozen: a new member is a new version of its kind, in a file of its own.
//
// # What the files state
//
// Which fields there are, which are needed, which exclude each other, and what each may hold: units, ranges, lengths in characters, and the text
// form of every number. Quantities, money, rates and shares are text in quotes; only days and sequence numbers are JSON numbers.
// Patterns use no more than what ECMA-262, Go's regexp and Python's re have in common. A pattern stands beside every format, since validators may take
// a format for a remark.
//
// # What they cannot state
//
//   - Bytes. An event has one spelling: no white space outside strings, the envelope's members in the order of the file, one way to escape a
//     character, whole numbers as plain digits (a schema takes 3.0 and 3e0 for 3), no name twice, valid UTF-8, at most 65,536 bytes. So a line may agree
//     with its schema and still be refused.
//   - The calendar. The patterns of times and days take 30 February; a validator that asserts formats refuses it, as the program does.
//     No leap second is taken.
//   - References. That an event, item, pack, measure or order is there, and of the right kind, is looked up when figures are made.
//   - Chain and trust. Whether prevhash, sig, a device's key and its endorsement are true is arithmetic over other bytes.
//   - Order between two numbers, such as a line's from and to.
package schema
