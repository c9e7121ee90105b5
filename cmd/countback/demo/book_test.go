package demo

import (
	"testing"
	"time"

	"countback/ledger/event"
)

// ledger is a plain reading of the facts alone: quantities only, one pass, as known at the end of the year. It borrows the catalog's
// conversions and the parcel rule from the generator (which TestParcelRule checks against worked cases), and nothing of its stocks.
type ledger struct {
	*year
	reversed map[event.ID]bool
	orders   map[string]*event.Order
	begun    map[string]bool
	packing  []dated[*event.PackSpec]
	makes    map[string][]dated[*event.MakeSpec]

	stock, used []milli
	lowest      []milli
	session     map[string]figure
	counts      []counted
}

type dated[T any] struct {
	ms   int64
	id   event.ID
	spec T
}

type figure struct{ before, sum milli }

// counted is what a count says of an item.
type counted struct {
	item            int
	at              time.Time
	session         string
	book, seen, use milli // use since the count before
}

func read(facts []event.Fact) *ledger {
	l := &ledger{year: newYear(nil), reversed: map[event.ID]bool{}, orders: map[string]*event.Order{}, begun: map[string]bool{},
		makes: map[string][]dated[*event.MakeSpec]{}, session: map[string]figure{}}
	n := len(l.items)
	l.stock, l.used, l.lowest = make([]milli, n), make([]milli, n), make([]milli, n)
	for _, f := range facts {
		switch d := f.Data.(type) {
		case *event.Reverse:
			l.reversed[d.Event] = true
		case *event.Order:
			l.orders[d.Order] = d
		case *event.MakeSpec:
			l.makes[d.Item] = append(l.makes[d.Item], dated[*event.MakeSpec]{f.Time.Ms(), f.ID, d})
		case *event.PackSpec:
			if d.Restates.IsZero() {
				l.packing = append(l.packing, dated[*event.PackSpec]{f.Time.Ms(), f.ID, d})
			}
			for i := range l.packing {
				if l.packing[i].id == d.Restates {
					l.packing[i].spec = d
				}
			}
		}
	}
	for _, f := range facts {
		if !l.reversed[f.ID] {
			l.fact(f)
		}
	}
	return l
}

func inForce[T any](list []dated[T], ms int64) T {
	spec := list[0].spec
	for _, d := range list {
		if d.ms <= ms {
			spec = d.spec
		}
	}
	return spec
}

func (l *ledger) move(item int, n milli) {
	l.stock[item] += n
	l.lowest[item] = min(l.lowest[item], l.stock[item])
	if n < 0 {
		l.used[item] -= n
	}
}

func (l *ledger) fact(f event.Fact) {
	switch d := f.Data.(type) {
	case *event.Pack:
		l.packed(d, inForce(l.packing, f.Time.Ms()))
	case *event.Reprint:
		use := l.runUse(inForce(l.makes[d.Item], f.Time.Ms()), int((millis(*d.Good)+millis(*d.Spoiled))/one))
		for _, c := range d.Changes {
			use.add(l.index[c.Item], millis(*c.Qty))
		}
		for _, u := range use {
			l.move(u.item, -u.n)
		}
		l.move(l.index[d.Item], millis(*d.Good))
	case *event.Return:
		for _, r := range d.Lines {
			if r.Condition == "saleable" {
				for _, p := range l.pieces([]event.Goods{{Item: r.Item, Qty: r.Qty}}) {
					l.move(p.item, p.n)
				}
			}
		}
	case *event.Restock:
		for _, r := range d.Lines {
			l.move(l.index[r.Item], millis(*r.Qty)*milli(l.items[l.index[r.Item]].size))
		}
	case *event.Credit:
		for _, c := range d.Lines {
			if c.Qty != nil {
				l.move(l.index[c.Item], -millis(*c.Qty))
			}
		}
	case *event.Damage:
		l.move(l.index[d.Item], -l.inBase(d.Item, d.Qty, d.Measure))
	case *event.Count:
		l.seen(f, d)
	}
}

func (l *ledger) packed(d *event.Pack, spec *event.PackSpec) {
	o := l.orders[d.Order]
	lines, zone := d.Lines, d.Zone
	if lines == nil {
		lines = o.Lines
	}
	if zone == "" {
		zone = o.Zone
	}
	var boxes []parcel
	switch {
	case d.Joined != "":
	case d.Parcels != nil:
		for _, p := range d.Parcels {
			b := parcel{units: l.units(p.Lines)}
			for i := range spec.Formats {
				if spec.Formats[i].Format == p.Format {
					b.format = &spec.Formats[i]
				}
			}
			boxes = append(boxes, b)
		}
	default:
		boxes = l.split(spec, l.units(lines))
	}
	use := l.packUse(spec, lines, boxes, zone, append(append([]string(nil), o.Options...), d.Options...), !l.begun[d.Order])
	l.begun[d.Order] = true
	for _, c := range d.Changes {
		i := l.index[c.Item]
		switch {
		case c.InsteadOf != "":
			use.add(l.index[c.InsteadOf], -use.of(l.index[c.InsteadOf]))
			use.add(i, millis(*c.Total))
		case c.Total != nil:
			use.add(i, millis(*c.Total)-use.of(i))
		default:
			use.add(i, l.inBase(c.Item, *c.Qty, c.Measure))
		}
	}
	for _, p := range append(l.pieces(lines), use...) {
		l.move(p.item, -p.n)
	}
}

// seen takes a figure: those of one session add up, a ready set is its cards.
func (l *ledger) seen(f event.Fact, d *event.Count) {
	type piece struct {
		item int
		n    milli
	}
	var list []piece
	i := l.index[d.Item]
	switch e := l.items[i]; {
	case d.Gross != nil:
		net := (millis(*d.Gross) - millis(*d.Tare)) * 1_000_000
		each := int64(1_000_000)
		if e.def.PieceWeight != nil {
			each, _ = e.def.PieceWeight.Scaled()
		}
		n := net / each
		if e.def.Unit == "each" {
			n = (n + one/2) / one * one
		}
		list = append(list, piece{i, n})
	case d.Pack != "":
		list = append(list, piece{i, millis(*d.Qty) * milli(e.size)})
	case e.def.Parts != nil:
		for _, p := range e.def.Parts {
			list = append(list, piece{l.index[p.Item], millis(*d.Qty) * millis(p.Qty) / one})
		}
	default:
		list = append(list, piece{i, millis(*d.Qty)})
	}
	for _, p := range list {
		l.assert(f, d.Session, p.item, p.n)
	}
}

func (l *ledger) assert(f event.Fact, session string, item int, n milli) {
	key := session + "|" + l.items[item].def.Item
	if session == "" {
		key = f.ID.String()
	}
	s, again := l.session[key]
	if !again {
		s.before = l.stock[item]
	}
	s.sum += n
	l.session[key] = s
	l.stock[item] = s.sum
	if again {
		for i := range l.counts {
			if c := &l.counts[i]; c.item == item && c.session == session {
				c.seen = s.sum
			}
		}
		return
	}
	l.counts = append(l.counts, counted{item, time.UnixMilli(f.Time.Ms()).UTC(), session, s.before, s.sum, l.used[item]})
	l.used[item] = 0
}

// The book that the generator kept while it played is what the facts say.
func TestFactsSayWhatTheGeneratorBelieved(t *testing.T) {
	y := theYear()
	l := read(y.play())
	for i, e := range y.items {
		if d := l.stock[i] - y.book[i]; d < -one/2 || d > one/2 {
			t.Errorf("%s: the facts come to %d thousandths, the generator's book to %d", e.def.Item, l.stock[i], y.book[i])
		}
		if l.lowest[i] < -12*one {
			t.Errorf("%s: goes down to %d thousandths; nothing should be far below zero", e.def.Item, l.lowest[i])
		}
	}
}

// What counts find missing is small everywhere, and as large as the spec's use where two stiffeners went for one.
func TestUnknownLossesAreAsPlanted(t *testing.T) {
	l := read(facts())
	drift := 0
	for _, c := range l.counts {
		id := l.items[c.item].def.Item
		unknown := c.book - c.seen
		if c.session == "opening" {
			continue
		}
		if id == "stiffener" && c.at.After(clock(thinBoard+1, 0)) {
			if off := unknown - c.use; off < -4*one-c.use/20 || off > 4*one+c.use/20 {
				t.Errorf("stiffener at %s: %d thousandths unknown beside %d used by the spec; they should be nearly the same", c.at.Format(time.DateOnly), unknown, c.use)
			}
			drift++
			continue
		}
		most := 6*one + c.use*4/100 + c.seen*2/100 // base units, use, and the noise of two counts
		if unknown > most || unknown < -most {
			t.Errorf("%s at %s: book %d, counted %d, used %d thousandths: the difference is too large to be usual waste and counting noise", id, c.at.Format(time.DateOnly), c.book, c.seen, c.use)
		}
	}
	if drift < 5 {
		t.Errorf("%d counts of stiffener show the drift; want at least 5", drift)
	}
}

// Board stiffener is gone early in September 2026, once in the year, and the owner had no reason to expect it.
func TestStiffenerRunsOutInSeptember(t *testing.T) {
	l := read(facts())
	var out []counted
	for _, c := range l.counts {
		if l.items[c.item].def.Item == "stiffener" && c.seen == 0 {
			out = append(out, c)
		}
	}
	if len(out) != 1 {
		t.Fatalf("stiffener is counted as gone %d times; want once", len(out))
	}
	if at := out[0].at; at.Before(clock(dayOf(2026, time.September, 1), 0)) || at.After(clock(dayOf(2026, time.September, 13), 0)) {
		t.Errorf("stiffener is gone at %s; want early in September", at)
	}
	if out[0].book < 8*one {
		t.Errorf("the book still has %d thousandths when the last one is gone; want a surprise", out[0].book)
	}
}

// At the end of the year a few supplies are nearly gone and the rest is well stocked.
func TestSomeSuppliesAreShortAtTheEnd(t *testing.T) {
	l := read(facts())
	var short []string
	for i, e := range l.items {
		if e.def.Type == "supply" && e.lot > 0 && l.stock[i] < milli(e.low)*one*3/4 {
			short = append(short, e.def.Item)
		}
	}
	if len(short) < 2 || len(short) > 4 {
		t.Errorf("%d supplies are short at the end: %v; want two to four", len(short), short)
	}
}
