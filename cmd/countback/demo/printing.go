package demo

import (
	"time"

	"countback/ledger/event"
)

// print makes what is low, at most three runs a day.
func (y *year) print() {
	if onHoliday(y.day) || weekday(y.day) == time.Sunday {
		return
	}
	done := 0
	for i, e := range y.items {
		if e.run == 0 || done == 3 || y.book[i] >= milli(y.low(i))*one {
			continue
		}
		if y.printRun(i) {
			done++
		}
	}
}

// low is the stock below which an item is bought or printed today. Winter cards are let run down after Christmas.
func (y *year) low(i int) int {
	e := y.items[i]
	low := e.low
	if e.def.Item == "card-snow" && y.day > dayOf(2025, time.December, 15) && y.day < dayOf(2026, time.September, 20) {
		return low / 5
	}
	if busy(y.day) {
		low *= 2
	}
	return low
}

// printRun prints one run of an item and reports whether its inputs were there.
func (y *year) printRun(i int) bool {
	e, spec := y.items[i], y.makeSpec(y.items[i].def.Item)
	n := e.run
	switch {
	case e.def.Item == "card-snow" && y.low(i) < e.low:
		n /= 2
	case busy(y.day) && e.def.Type == "good":
		n += n / 2
	}
	use := y.runUse(spec, n)
	for _, u := range use {
		if y.shelf[u.item] < u.n+u.n/10 {
			if y.book[u.item] >= u.n {
				y.find(u.item)
			}
			return false
		}
	}
	spoiled, note := n*y.dice.between(0, 60)/1000, ""
	if y.dice.once(14) {
		spoiled, note = n*y.dice.between(110, 190)/1000, "the feed slipped, a stack came out crooked"
	}
	r := &event.Reprint{Item: e.def.Item, Good: wholep(n - spoiled), Spoiled: wholep(spoiled), Note: note}
	if y.dice.once(9) {
		r.Changes = []event.Change{{Item: "ink", Qty: wholep(12)}}
		use.add(y.index["ink"], 12*one)
		if note == "" {
			r.Note = "cleaned the heads first"
		}
	}
	y.record(r)
	for _, u := range use {
		y.spend(u.item, u.n)
	}
	y.gain(i, milli(n-spoiled)*one)
	return true
}

// record enters a run; twice in the year good and spoiled change places and the entry is put right the next day.
func (y *year) record(r *event.Reprint) {
	y.runs++
	t := y.now(2400, 4200)
	if y.runs != 23 && y.runs != 71 {
		y.emit(t, r)
		return
	}
	wrong := *r
	wrong.Good, wrong.Spoiled = r.Spoiled, r.Good
	id := y.emit(t, &wrong)
	y.in(1, func() {
		at := y.undo(id, "good and spoiled were swapped")
		y.emitLate(t.Add(time.Minute), at.Add(time.Minute), r)
	})
}

// runUse is what a make spec's lines say for n pieces.
func (y *year) runUse(spec *event.MakeSpec, n int) amounts {
	var use amounts
	per := int(millis(spec.Pieces) / one)
	cycles := (n + per - 1) / per
	for _, l := range spec.Lines {
		times := n
		if l.Per == "cycle" {
			times = cycles
		}
		use.add(y.index[l.Item], milli(times)*y.inBase(l.Item, l.Qty, l.Measure))
	}
	return use
}
