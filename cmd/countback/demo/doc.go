// Package demo holds a year of an invented shop as a list of facts, the same bytes at every call and on every machine.
//
// The generator plays the year day by day. It keeps two stocks of every item: the shelf, which is what is really there, and the book, which is
// what a reader of the facts would believe (specs, changes, restocks, runs and counts, and nothing else). People buy, print and decide by the book; packing
// takes from the shelf; counts are taken from the shelf with a little counting noise and set the book right. Nothing but integers decides
// a figure: quantities are thousandths of a base unit, money is cents.
//
// # The truth behind the year
//
// What an audit should find, and what stands in no fact:
//
//   - Board stiffener runs out in September 2026, months before its time. The packing spec says one piece for each flat mailer. The board
//     delivered at the end of May is thinner, and from 1 June 2026 on two pieces go into every flat mailer, to the end of the year. The
//     spec was never changed. The cause is spec drift (ratio 2), beginning 1 June; the deliveries were complete.
//   - Usual waste: about one supply use in seventy spoils another piece (a miscut label, a torn seal) that nobody writes down; lengths and ink
//     vary a few per cent from use to use.
//   - Now and then one to three pieces of something vanish.
//   - Four orders were packed and never entered. They stay open in the facts.
//
// Everything else that went wrong in the year is on record: short deliveries, reversed entries, lost parcels, returns, damage.
package demo

// About says what the demo shop is, for the head of its reports.
const About = `Fennimoor Paper is an invented one-person shop that prints and sells cards, stickers, prints, bookmarks, gift tags and notebooks from a spare room.
These are its facts of one year, November 2025 to October 2026: about 2,500 orders, packed in batches two or three times a week, with restocks, print runs, monthly counts and the mistakes of a busy person.
In September its board stiffeners ran out months before they should have, and the records hold the reason.`

// AsOf is the demo's now: the last evening of its year.
const AsOf = "2026-10-31T18:00:00-03:00"

// Settings are what a new ledger asks for.
type Settings struct {
	Name     string
	Currency string // ISO 4217
	Zone     string // IANA time zone
	Costing  string // average or fifo
}

// Shop is the demo shop. Its first fact says the same.
var Shop = Settings{Name: "Fennimoor Paper", Currency: "CAD", Zone: "America/Halifax", Costing: "average"}
