package demo

import (
	"cmp"
	"slices"

	"countback/ledger/event"
)

// parcel is a format (nil: handed over without one) and the units in it, by their index in the catalog.
type parcel struct {
	format *event.Format
	units  []int
}

// amount is a quantity of an item.
type amount struct {
	item int
	n    milli
}

// amounts keeps its items in the order in which they came.
type amounts []amount

func (a *amounts) add(item int, n milli) {
	if n == 0 {
		return
	}
	for i := range *a {
		if (*a)[i].item == item {
			(*a)[i].n += n
			return
		}
	}
	*a = append(*a, amount{item, n})
}

func (a amounts) of(item int) milli {
	for _, x := range a {
		if x.item == item {
			return x.n
		}
	}
	return 0
}

// units lists the pieces of an order's lines, largest first, then by id.
func (y *year) units(lines []event.Goods) []int {
	var list []int
	for _, l := range lines {
		n, _ := l.Qty.Int()
		for range n {
			list = append(list, y.index[l.Item])
		}
	}
	slices.SortStableFunc(list, func(a, b int) int {
		da, db := y.items[a].def, y.items[b].def
		return cmp.Or(cmp.Compare(millis(*db.Points), millis(*da.Points)), cmp.Compare(da.Item, db.Item))
	})
	return list
}

// split is the parcel rule (see projections/parcel) for specs under which every unit fits some format, read anew: the demo is a test of the engine.
func (y *year) split(spec *event.PackSpec, units []int) []parcel {
	var list []parcel
	for left := units; len(left) > 0; {
		f := y.takesAll(spec, left)
		if f == nil {
			f = y.roomiest(spec, left[0])
		}
		p, rest, room := parcel{format: f}, []int(nil), holds(f)
		for _, u := range left {
			if pts := millis(*y.items[u].def.Points); y.accepts(f, u) && pts <= room {
				p.units, room = append(p.units, u), room-pts
			} else {
				rest = append(rest, u)
			}
		}
		list, left = append(list, p), rest
	}
	return list
}

func holds(f *event.Format) milli { return millis(*f.Holds) }

func (y *year) accepts(f *event.Format, u int) bool {
	return f.Accepts == nil || slices.Contains(f.Accepts, y.items[u].def.Class)
}

func (y *year) takesAll(spec *event.PackSpec, units []int) *event.Format {
	for i := range spec.Formats {
		f, sum := &spec.Formats[i], milli(0)
		for _, u := range units {
			if !y.accepts(f, u) {
				sum = holds(f) + 1
				break
			}
			sum += millis(*y.items[u].def.Points)
		}
		if sum <= holds(f) {
			return f
		}
	}
	return nil
}

func (y *year) roomiest(spec *event.PackSpec, u int) *event.Format {
	var best *event.Format
	for i := range spec.Formats {
		f := &spec.Formats[i]
		if y.accepts(f, u) && millis(*y.items[u].def.Points) <= holds(f) && (best == nil || holds(f) > holds(best)) {
			best = f
		}
	}
	return best
}

// packUse returns what the spec says a pack uses. A pack that isn't its order's first, or is a resend, leaves the order's own lines out.
func (y *year) packUse(spec *event.PackSpec, lines []event.Goods, boxes []parcel, zone string, options []string, first bool) amounts {
	var use amounts
	all := y.units(lines)
	for i := range spec.Lines {
		if l := &spec.Lines[i]; first || l.Per != "order" {
			use.add(y.index[l.Item], y.lineUse(l, all, zone, options))
		}
	}
	for _, p := range boxes {
		if p.format == nil {
			continue
		}
		for i := range p.format.Lines {
			l := &p.format.Lines[i]
			use.add(y.index[l.Item], y.lineUse(l, p.units, zone, options))
		}
	}
	return use
}

// lineUse is one line's use for a parcel's or a pack's units.
func (y *year) lineUse(l *event.Line, units []int, zone string, options []string) milli {
	n, such := milli(len(units))*one, milli(0)
	for _, u := range units {
		if l.Class == "" || y.items[u].def.Class == l.Class {
			such++
		}
	}
	switch {
	case such == 0,
		l.From != nil && n < millis(*l.From), l.To != nil && n > millis(*l.To),
		l.Zones != nil && !slices.Contains(l.Zones, zone),
		l.Option != "" && !slices.Contains(options, l.Option):
		return 0
	}
	times := milli(1)
	if l.Every != nil {
		times = (such*one + millis(*l.Every) - 1) / millis(*l.Every)
	} else if l.Per == "unit" {
		times = such
	}
	return times * y.inBase(l.Item, l.Qty, l.Measure)
}

// inBase turns a quantity of a measure into thousandths of the base unit.
func (y *year) inBase(item string, q interface{ Scaled() (int64, bool) }, measure string) milli {
	n, _ := q.Scaled()
	n /= 1000
	if measure == "" {
		return n
	}
	return n * millis(y.items[y.index[item]].def.Measures[measure]) / one
}
