package demo

import (
	"slices"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
)

// packBatch packs what was ordered before today and can go out.
func (y *year) packBatch() {
	var wait []*order
	var before *order // packed just before
	for _, o := range y.orders {
		if o.placed >= y.day {
			wait = append(wait, o)
			continue
		}
		lines := y.ready(o.left)
		if len(lines) < len(o.left) && (len(lines) == 0 || y.day-o.placed < 3) {
			wait = append(wait, o)
			continue
		}
		if len(lines) > 1 && !o.begun && y.dice.once(180) {
			lines = lines[:len(lines)-1] // the last one needs another day
		}
		y.packOrder(o, lines, before)
		before = o
		if len(o.left) > 0 {
			wait = append(wait, o)
		}
	}
	y.orders = wait
}

// ready returns the lines for which the goods are there. What the book has and the shelf lacks is found out here.
func (y *year) ready(lines []event.Goods) []event.Goods {
	var ready []event.Goods
	var taken amounts
	for _, l := range lines {
		there := true
		need := y.pieces([]event.Goods{l})
		for _, p := range need {
			if y.shelf[p.item] < taken.of(p.item)+p.n {
				there = false
				if y.book[p.item] != y.shelf[p.item] {
					y.find(p.item)
				}
			}
		}
		if there {
			ready = append(ready, l)
			for _, p := range need {
				taken.add(p.item, p.n)
			}
		}
	}
	return ready
}

// packOrder packs lines of an order, all that is left of it or a part.
func (y *year) packOrder(o *order, lines []event.Goods, before *order) {
	p := &event.Pack{Order: o.number}
	if len(lines) < len(o.lines) {
		p.Lines = lines
		if len(lines) < len(o.left) {
			p.Note = "the rest follows"
		}
	}
	zone, options := o.zone, o.options
	if p.Lines == nil && y.dice.once(160) {
		zone = map[string]string{home: states, states: home, europe: world, world: europe}[zone]
		p.Zone, p.Note = zone, "address put right by the customer"
	}
	if options == nil && y.dice.once(150) {
		options = []string{giftWrap}
		p.Options = options
	}
	boxes := y.split(y.spec(), y.units(lines))
	switch {
	case p.Lines == nil && zone == home && y.dice.once(220):
		p.Parcels, boxes = []event.Parcel{{Format: "none", Lines: lines}}, []parcel{{units: y.units(lines)}}
		p.Note = "picked up at the door"
	case p.Lines == nil && len(boxes) == 1 && boxes[0].format.Format == "flat mailer" && y.dice.once(120):
		p.Parcels, boxes = []event.Parcel{{Format: "box", Lines: lines}}, []parcel{{&y.spec().Formats[2], y.units(lines)}}
		p.Note = "went in a carton to be on the safe side"
	case before != nil && before.zone == zone && y.dice.once(200):
		p.Joined, boxes = before.number, nil
		p.Note = "same customer, one parcel"
	}
	use := y.packUse(y.spec(), lines, boxes, zone, options, !o.begun)
	use = y.change(p, use, boxes)
	use = y.runShort(p, use)
	p.Postage = postage(boxes, zone, p.Changes)
	o.left = without(o.left, lines)
	o.begun = true
	y.take(lines, use)
	t := y.now(140, 250)
	if y.forgets(o) {
		y.giveBack(lines, use)
		return
	}
	id := y.emit(t, p)
	y.afterwards(o, id, lines)
}

// without returns the lines of list that are not in gone.
func without(list, gone []event.Goods) []event.Goods {
	return slices.DeleteFunc(slices.Clone(list), func(l event.Goods) bool {
		return slices.ContainsFunc(gone, func(g event.Goods) bool { return g.Item == l.Item })
	})
}

// take moves goods and supplies off shelf and book.
func (y *year) take(lines []event.Goods, use amounts) {
	for _, p := range y.pieces(lines) {
		y.shelf[p.item] -= p.n
		y.book[p.item] -= p.n
	}
	for _, u := range use {
		y.spend(u.item, u.n)
	}
}

// forgets reports whether the entry of the pack just made is forgotten.
func (y *year) forgets(o *order) bool {
	at := [...]int{dayOf(2025, time.December, 11), dayOf(2025, time.December, 15), dayOf(2026, time.March, 19), dayOf(2026, time.September, 24)}
	if y.forgot == len(at) || y.day < at[y.forgot] || y.sec < hm(10, 0) || len(o.left) > 0 {
		return false
	}
	y.forgot++
	return true
}

// giveBack returns to the book what only the shelf has lost.
func (y *year) giveBack(lines []event.Goods, use amounts) {
	for _, p := range append(y.pieces(lines), use...) {
		y.book[p.item] += p.n
	}
}

// change notes now and then that something differed from the spec, and returns the use with it.
func (y *year) change(p *event.Pack, use amounts, boxes []parcel) amounts {
	set := func(item string, n milli) {
		i := y.index[item]
		use.add(i, n-use.of(i))
	}
	if !y.dice.once(24) {
		return use
	}
	switch y.dice.pick(40, 25, 20, 15) {
	case 0:
		p.Changes = []event.Change{{Item: "freebie", Qty: wholep(1)}}
		use.add(y.index["freebie"], one)
	case 1:
		p.Changes = []event.Change{{Item: "insert", Total: wholep(0)}}
		set("insert", 0)
	case 2:
		p.Changes = []event.Change{{Item: "wrap", Qty: wholep(1), Measure: "wrap"}}
		use.add(y.index["wrap"], 310*one)
	case 3:
		if len(boxes) == 1 && boxes[0].format != nil && boxes[0].format.Format == "letter" {
			p.Changes = []event.Change{{Item: "mailer-flat", Total: wholep(1), InsteadOf: "env-letter"}}
			set("env-letter", 0)
			use.add(y.index["mailer-flat"], one)
		}
	}
	return use
}

// runShort notes what a parcel had to go without because the shelf is empty.
func (y *year) runShort(p *event.Pack, use amounts) amounts {
	for k, u := range use {
		if u.n <= 0 || y.shelf[u.item] >= u.n {
			continue
		}
		y.find(u.item)
		there := y.shelf[u.item] - y.shelf[u.item]%one
		p.Changes = append(p.Changes, event.Change{Item: y.items[u.item].def.Item, Total: qtyp(there)})
		use[k].n = there
	}
	return use
}

// postage is the money paid at the counter for parcels that go without stamps, and for letters when the stamps have run out.
func postage(boxes []parcel, zone string, changes []event.Change) *num.Money {
	flat := map[string]int{home: 485, states: 895, europe: 1390, world: 1520}[zone]
	carton := map[string]int{home: 1290, states: 1785, europe: 2990, world: 3390}[zone]
	sum := 0
	for _, c := range changes {
		sum += map[string]int{"stamp-home": 124, "stamp-us": 175, "stamp-world": 297}[c.Item]
	}
	for _, b := range boxes {
		switch {
		case b.format == nil:
		case b.format.Format == "flat mailer":
			sum += flat
		case b.format.Format == "box":
			sum += carton
		}
	}
	if sum == 0 {
		return nil
	}
	return cents(sum)
}

// afterwards decides what happens to a packed order later: an entry made twice, a return, a lost parcel.
func (y *year) afterwards(o *order, id event.ID, lines []event.Goods) {
	switch {
	case y.dice.once(800):
		again := y.emit(clock(y.day, y.sec-20), &event.Pack{Order: o.number, Lines: lines})
		y.in(0, func() { y.undo(again, "entered twice") })
	case y.dice.below(1000) < 14:
		y.in(y.dice.between(9, 22), func() { y.comesBack(o, lines) })
	case len(lines) == len(o.lines) && y.dice.once(320):
		y.in(y.dice.between(12, 25), func() { y.resend(o) })
	}
}

func (y *year) comesBack(o *order, lines []event.Goods) {
	l := lines[y.dice.below(len(lines))]
	r := event.ReturnLine{Item: l.Item, Qty: whole(1), Condition: "saleable"}
	note := "changed their mind"
	if y.dice.below(100) < 35 {
		r.Condition, note = "scrap", "bent on the way"
	}
	y.emit(y.now(120, 240), &event.Return{Order: o.number, Lines: []event.ReturnLine{r}, Note: note})
	if r.Condition == "saleable" {
		for _, p := range y.pieces([]event.Goods{{Item: l.Item, Qty: whole(1)}}) {
			y.gain(p.item, p.n)
		}
	}
}

// resend packs an order once more; if the goods aren't there it is let be.
func (y *year) resend(o *order) {
	if len(y.ready(o.lines)) < len(o.lines) {
		return
	}
	p := &event.Pack{Order: o.number, Resend: yes(), Note: "lost on the way, sent again"}
	boxes := y.split(y.spec(), y.units(o.lines))
	use := y.runShort(p, y.packUse(y.spec(), o.lines, boxes, o.zone, o.options, false))
	p.Postage = postage(boxes, o.zone, p.Changes)
	y.take(o.lines, use)
	y.emit(y.now(140, 250), p)
}
