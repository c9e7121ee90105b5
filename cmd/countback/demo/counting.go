package demo

import (
	"countback/ledger/event"
)

// countAll is the monthly count: every item, in the order of the places.
func (y *year) countAll() {
	session := date(y.day).Format("2006-01") + " count"
	sets := 0
	if m := date(y.day).Month(); m%3 == 0 { // sets made up and standing ready
		sets = 3
	}
	for i, e := range y.items {
		if e.def.Type == "prepared" {
			continue
		}
		c := event.Count{Item: e.def.Item, Place: e.def.Place, Session: session}
		ready := milli(0)
		for _, p := range y.pieces([]event.Goods{{Item: "set-five", Qty: whole(1)}}) {
			if p.item == i {
				ready = p.n * milli(sets)
			}
		}
		if ready > y.shelf[i] {
			sets, ready = 0, 0 // not enough cards left for ready sets
		}
		y.count(i, c, ready)
	}
	if sets > 0 {
		y.emit(y.now(20, 40), &event.Count{Item: "set-five", Qty: wholep(sets), Place: "05 goods shelf", Session: session, Note: "ready sets"})
	}
}

// count records one item's figures and sets the book to them; ready is what stands in made-up sets and is counted there.
func (y *year) count(i int, c event.Count, ready milli) {
	e, there := y.items[i], y.shelf[i]-ready
	total := ready
	figure := func(c event.Count) { y.figure(&c) }
	switch e.count {
	case byMeasure: // to the nearest 100 mm or 5 ml
		step := milli(100) * one
		if e.def.Unit == "ml" {
			step = 5 * one
		}
		seen := (there + there*milli(y.dice.around(10))/1000 + step/2) / step * step
		c.Qty = qtyp(seen)
		total += seen
	case byWeight:
		total += y.weigh(&c, e, there)
	case byPacks:
		size := milli(e.size) * one
		if full := (there - 1) / size; full > 0 { // one pack is always open
			packs := c
			packs.Qty, packs.Pack = wholep(int(full)), e.pack
			figure(packs)
			total, there = total+full*size, there-full*size
		}
		fallthrough
	default:
		seen := max(0, there+milli(y.slip(int(there/one)))*one)
		c.Qty = qtyp(seen)
		total += seen
	}
	figure(c)
	y.book[i] = total
}

// slip is how many pieces a count by number is off: seldom, and by at most half a per cent.
func (y *year) slip(n int) int {
	if n < 25 || !y.dice.once(5) {
		return 0
	}
	return y.dice.around(max(1, n/200))
}

// weigh fills in a count on the scale, which shows whole grams (tenths for cord and glue), and returns what it comes to.
func (y *year) weigh(c *event.Count, e entry, there milli) milli {
	step := one
	if e.def.Unit != "each" {
		step = one / 10
	}
	each := one * one // millionths of a gram per base unit
	if e.def.PieceWeight != nil {
		each, _ = e.def.PieceWeight.Scaled()
	}
	net := there * each / (one * one) // thousandths of a gram
	net += net * milli(y.dice.around(4)) / 1000
	net = (net + step/2) / step * step
	c.Gross, c.Tare, c.WeightUnit = qtyp(net+milli(e.tare)*one), wholep(e.tare), "g"
	seen := net * one * one / each
	if e.def.Unit == "each" {
		seen = (seen + one/2) / one * one
	}
	return seen
}

// figure records a count; twice in the year two digits are swapped, seen at once and put right.
func (y *year) figure(c *event.Count) {
	t := y.now(25, 70)
	slip := c.Item == "label-address" && c.Session == "2026-02 count" || c.Item == "card-fern" && c.Session == "2026-07 count"
	if !slip || c.Qty == nil {
		y.emit(t, c)
		return
	}
	wrong := *c
	n, _ := c.Qty.Int()
	wrong.Qty = wholep(n/100*100 + n%10*10 + n/10%10)
	id := y.emit(t, &wrong)
	y.undo(id, "two digits swapped")
	y.emit(y.now(25, 70), c)
}
