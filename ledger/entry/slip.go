package entry

import (
	"maps"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// sumKey is what one assertion of a count is about: an item of a session, or of one fact.
type sumKey struct {
	session string
	alone   int // the fact's place, -1 in a session
	item    int
}

// sum adds up the figures that stand of one item; a later figure of one place and form replaces the earlier.
type sum struct {
	item    *catalog.Item
	figures []figure
	rough   bool // something was weighed or measured
	at      event.Time
}

// figure is one entry's share in a sum.
type figure struct {
	index int
	slot  string
	qty   num.Qty // base units
	slips []slip
}

// slip is what an entry would be with one slip undone.
type slip struct {
	why   string
	field string
	entry *num.Qty // as it would have been entered; nil where that says nothing
	qty   num.Qty  // base units
}

// figure adds a count to its sum.
func (a *asker) figure(i int, d *event.Count) {
	it, ok := a.book.Catalog.Find(d.Item)
	if !ok {
		return
	}
	qty, ok := a.inBase(it, d)
	if !ok {
		return
	}
	slot := d.Place + "\x00" + d.Measure + "\x00" + d.Pack
	if it.Prepared() { // it stands for its parts, whose own figures are the ones to ask about
		a.view.Parts(it.Index, qty, func(n int, q num.Qty) {
			a.add(i, d.Session, n, figure{index: i, slot: slot + "\x00" + d.Item, qty: q}, false)
		})
		return
	}
	rough := d.Qty == nil || d.Measure != ""
	a.add(i, d.Session, it.Index, figure{index: i, slot: slot, qty: qty, slips: a.slips(it, d, qty)}, rough)
}

func (a *asker) add(i int, session string, item int, f figure, rough bool) {
	k := sumKey{session, -1, item}
	if session == "" {
		k.alone = i
	}
	s := a.sums[k]
	if s == nil {
		s = &sum{item: a.book.Catalog.Items[item]}
		a.sums[k] = s
		a.order = append(a.order, s)
	}
	s.at = a.facts[i].Time
	s.rough = s.rough || rough
	for n := range s.figures {
		if s.figures[n].slot == f.slot {
			s.figures[n] = f
			return
		}
	}
	s.figures = append(s.figures, f)
}

// inBase returns a count in base units.
func (a *asker) inBase(it *catalog.Item, d *event.Count) (num.Qty, bool) {
	if d.Qty != nil {
		return a.view.Units(it.Index, *d.Qty, d.Measure, d.Pack)
	}
	weight := a.view.Def(it.Index).PieceWeight
	if it.Unit() == "g" {
		one := num.Whole(1)
		weight = &one
	}
	if weight == nil {
		return num.Qty{}, false
	}
	q, err := unit.Pieces(*d.Gross, *d.Tare, d.WeightUnit, *weight, it.Unit() == "each")
	return q, err == nil
}

// slips lists what a count may have meant.
func (a *asker) slips(it *catalog.Item, d *event.Count, qty num.Qty) []slip {
	var out []slip
	typed, field := d.Qty, "qty"
	if typed == nil {
		typed, field = d.Gross, "gross"
	}
	for _, m := range mistyped(*typed) {
		meant := *d
		if d.Qty != nil {
			meant.Qty = &m.entry
		} else {
			meant.Gross = &m.entry
		}
		if q, ok := a.inBase(it, &meant); ok {
			out = append(out, slip{m.why, field, &m.entry, q})
		}
	}
	if d.Qty == nil || d.Measure != "" {
		return out
	}
	if d.Pack != "" {
		out = append(out, slip{"loose " + it.Unit() + " may have been entered as " + d.Pack, "pack", d.Qty, *d.Qty})
	}
	packs := a.view.Def(it.Index).Packs
	for _, name := range slices.Sorted(maps.Keys(packs)) {
		size := packs[name]
		if name != d.Pack {
			out = append(out, slip{"it may have been counted in " + name, "pack", d.Qty, d.Qty.Times(size)})
		}
		out = append(out,
			slip{"one " + name + " may have been missed", "qty", nil, qty.Add(size)},
			slip{"one " + name + " may have been counted twice", "qty", nil, qty.Sub(size)})
	}
	return out
}

type typo struct {
	why   string
	entry num.Qty
}

// mistyped lists the numbers that n may have been meant to be, one slip of the fingers away.
func mistyped(n num.Qty) []typo {
	out := []typo{
		{"a nought may be missing", n.Times(num.Whole(10))},
		{"there may be a nought too many", n.Part(num.Whole(1), num.Whole(10))},
	}
	text := n.String()
	whole, rest, point := strings.Cut(text, ".")
	if point {
		rest = "." + rest
	}
	try := func(why, digits string) {
		if digits == "" || len(digits) > 1 && digits[0] == '0' {
			return
		}
		if q, err := num.ParseQty(digits + rest); err == nil {
			out = append(out, typo{why, q})
		}
	}
	for i := range whole {
		if i > 0 && whole[i] != whole[i-1] {
			try("two digits may be swapped", whole[:i-1]+whole[i:i+1]+whole[i-1:i]+whole[i+1:])
		}
		if i > 0 && whole[i] == whole[i-1] {
			try("a digit may be doubled", whole[:i]+whole[i+1:])
		}
	}
	for i := 0; i <= len(whole); i++ {
		for digit := '0'; digit <= '9'; digit++ {
			try("a digit may be missing", whole[:i]+string(digit)+whole[i:])
		}
	}
	return out
}

// compare asks about a sum that is away from the book, if undoing one slip brings it there. Of several the one that comes nearest is named.
func (a *asker) compare(s *sum) {
	book, ok := a.book.OnHand(s.item.ID, s.at)
	if !ok || book.Sign() <= 0 {
		return
	}
	var total num.Qty
	for _, f := range s.figures {
		total = total.Add(f.qty)
	}
	noise := a.noise(s, book)
	if !noise.Times(num.Whole(3)).Less(total.Sub(book).Abs()) {
		return
	}
	var best *slip
	var at int
	least := noise
	for n := range s.figures {
		f := &s.figures[n]
		for k := range f.slips {
			m := &f.slips[k]
			away := total.Sub(f.qty).Add(m.qty).Sub(book).Abs()
			if away.Less(least) || best == nil && away.Cmp(least) == 0 {
				best, at, least = m, f.index, away
			}
		}
	}
	if best == nil {
		return
	}
	a.out = append(a.out, Question{Index: at, Item: s.item.ID, Field: best.field,
		Why:    "the count of " + s.item.ID + " is far from the book: " + best.why,
		Hint:   "look again, and record it as it is",
		Likely: best.entry})
}

// noise is the half-width that holds 95 % of counts: the item's tolerance, else half a unit or 0.5 % by number, 2 % by weight or measure, of the book.
func (a *asker) noise(s *sum, book num.Qty) num.Qty {
	hundred := num.Whole(100)
	least := num.Max(num.MustQty("0.5"), book.Part(num.MustQty("0.5"), hundred))
	if s.rough {
		least = book.Part(num.Whole(2), hundred)
	}
	tol := a.view.Def(s.item.Index).Tolerance
	switch {
	case tol == nil:
		return least
	case tol.Percent:
		return num.Max(least, book.Part(tol.Value, hundred))
	}
	return tol.Value
}
