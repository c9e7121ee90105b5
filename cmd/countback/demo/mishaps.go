package demo

import (
	"time"

	"countback/ledger/event"
)

// mishap is a kind of write-off.
type mishap struct {
	item, qty, measure, reason, note string
}

var mishapList = []mishap{
	{"mailer-flat", "2", "", "damaged", "trodden on"},
	{"env-letter", "4", "", "damaged", "damp"},
	{"env-c6", "6", "", "damaged", "coffee"},
	{"label-address", "5", "", "spoiled", "printed askew"},
	{"label-post", "2", "", "spoiled", "printer jam"},
	{"cardstock", "4", "", "spoiled", "test prints"},
	{"paper-sticker", "2", "", "spoiled", "cut on the wrong line"},
	{"wrap", "2", "wrap", "damaged", "torn"},
	{"tape", "3", "strip", "spoiled", "stuck to itself"},
	{"insert", "6", "", "gift", "left on a cafe table with leave"},
	{"freebie", "10", "", "gift", "for a school fair"},
	{"box-small", "1", "", "own_use", "used for storage"},
	{"glue", "8", "", "expired", "skin on the tub"},
	{"ink", "10", "", "spoiled", "purged a line"},
	{"card-tern", "1", "", "sample", "for a shop window"},
	{"card-harbour", "1", "", "damaged", "bent corner"},
	{"card-fern", "2", "", "own_use", "birthday post"},
	{"card-lantern", "1", "", "damaged", "ink mark"},
	{"card-snow", "2", "", "own_use", "winter post"},
	{"stickers-birds", "1", "", "sample", "sent with an enquiry"},
	{"stickers-tea", "1", "", "sample", "sent with an enquiry"},
	{"print-coast", "1", "", "damaged", "crease"},
	{"print-moths", "1", "", "damaged", "crease"},
	{"bookmark-kelp", "2", "", "gift", "for the library desk"},
	{"tags-star", "1", "", "other", "string missing"},
	{"notebook-dot", "1", "", "own_use", "bench notebook"},
	{"stamp-home", "1", "", "spoiled", "torn off badly"},
}

// mishaps records a write-off every third day or so, and lets something vanish without a record every 25 days.
func (y *year) mishaps() {
	if onHoliday(y.day) || y.day == 0 {
		return
	}
	if y.dice.below(100) < 31 {
		y.writeOff(mishapList[y.dice.below(len(mishapList))])
	}
	if y.dice.once(25) {
		i := y.dice.below(len(y.items))
		if e := y.items[i].def; e.Unit == "each" && e.Type != "prepared" && e.Item != "stiffener" {
			y.shelf[i] = max(0, y.shelf[i]-milli(y.dice.between(1, 3))*one)
		}
	}
}

func (y *year) writeOff(m mishap) {
	i := y.index[m.item]
	n := y.inBase(m.item, dec(m.qty), m.measure)
	if y.shelf[i] < n*5 {
		return
	}
	d := &event.Damage{Item: m.item, Qty: dec(m.qty), Measure: m.measure, Reason: m.reason, Note: m.note}
	t := y.now(60, 200)
	y.gain(i, -n)
	if (m.item == "card-harbour" || m.item == "print-coast") && y.dice.once(2) {
		wrong := *d
		wrong.Item = map[string]string{"card-harbour": "card-fern", "print-coast": "print-moths"}[m.item]
		id := y.emit(t, &wrong)
		y.in(1, func() {
			at := y.undo(id, "it was the other design")
			y.emitLate(t.Add(time.Minute), at.Add(time.Minute), d)
		})
		return
	}
	y.emit(t, d)
}
