package oracle

import (
	"math/big"
	"sort"

	"countback/ledger/event"
)

// unit is one piece of an ordered item, as named in the line.
type unit struct {
	item, class string
	points      *big.Rat
}

// parcel is one parcel with what is in it.
type parcel struct {
	format *event.Format
	units  []unit
}

// unitsIn lists the pieces of a pack's lines, largest first, then by item id.
func (l *ledger) unitsIn(lines map[string]*big.Rat, e *event.Event) []unit {
	var list []unit
	for _, item := range keys(lines) {
		d := l.def(item, e)
		u := unit{item, d.Class, whole(1)}
		if d.Points != nil {
			u.points = rat(*d.Points)
		}
		for n := zero(); less(n, lines[item]); n = add(n, whole(1)) {
			list = append(list, u)
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return less(list[j].points, list[i].points) })
	return list
}

// parcels splits a pack, or takes the split that a person gave; it fails where that isn't a split of the pack's lines.
func (l *ledger) parcels(d *event.Pack, lines map[string]*big.Rat, units []unit, spec *event.PackSpec, e *event.Event) ([]parcel, bool) {
	if d.Parcels == nil {
		if d.Joined != "" {
			return nil, true
		}
		return split(units, spec), true
	}
	all := map[string]*big.Rat{}
	var list []parcel
	for _, given := range d.Parcels {
		in := goodsOf(given.Lines)
		for item, q := range in {
			plus(all, item, q)
		}
		if given.Format == "none" {
			continue
		}
		f := formatOf(spec, given.Format)
		if f == nil {
			return nil, false
		}
		list = append(list, parcel{f, l.unitsIn(in, e)})
	}
	return list, equal(all, lines)
}

func formatOf(spec *event.PackSpec, name string) *event.Format {
	for i := range spec.Formats {
		if spec.Formats[i].Format == name {
			return &spec.Formats[i]
		}
	}
	return nil
}

// split is the parcel rule.
func split(units []unit, spec *event.PackSpec) []parcel {
	var parcels []parcel
next:
	for len(units) > 0 {
		for i := range spec.Formats {
			if f := &spec.Formats[i]; fits(f, units) {
				return append(parcels, parcel{f, units})
			}
		}
		var best *event.Format
		for i := range spec.Formats {
			if f := &spec.Formats[i]; fits(f, units[:1]) && (best == nil || holdsMore(f, best)) {
				best = f
			}
		}
		if best == nil {
			units = units[1:] // no format takes it
			continue next
		}
		p := parcel{best, nil}
		var left []unit
		for _, u := range units {
			if more := append(append([]unit{}, p.units...), u); fits(best, more) {
				p.units = more
			} else {
				left = append(left, u)
			}
		}
		parcels, units = append(parcels, p), left
	}
	return parcels
}

// fits reports whether a format accepts all units and holds their points.
func fits(f *event.Format, units []unit) bool {
	points := zero()
	for _, u := range units {
		if f.Accepts != nil && !named(f.Accepts, u.class) {
			return false
		}
		points = add(points, u.points)
	}
	return f.Holds == nil || !less(rat(*f.Holds), points)
}

func holdsMore(f, g *event.Format) bool {
	if g.Holds == nil {
		return false
	}
	return f.Holds == nil || less(rat(*g.Holds), rat(*f.Holds))
}

// packing returns what specs use for a pack, by the names that stand in them.
func (l *ledger) packing(o *order, d *event.Pack, p *placed, spec *event.PackSpec, units []unit, parcels []parcel, e *event.Event) map[string]*big.Rat {
	use := map[string]*big.Rat{}
	apply := func(n event.Line, units []unit) {
		if times := l.times(n, d, p, units); times.Sign() > 0 {
			plus(use, n.Item, roundQty(mul(l.base(rat(n.Qty), n.Item, n.Measure, n.Pack, e), times)))
		}
	}
	first := len(o.moved) == 0
	for _, n := range spec.Lines {
		if n.Per == "unit" || first {
			apply(n, units)
		}
	}
	for i, b := range parcels {
		for _, n := range b.format.Lines {
			switch {
			case n.Per != "order":
				apply(n, b.units)
			case i == 0 && o.parcels == 0 && (d.Resend == nil || first):
				apply(n, units)
			}
		}
	}
	return use
}

// times returns how often a line applies to a parcel or a pack with these units.
func (l *ledger) times(n event.Line, d *event.Pack, p *placed, units []unit) *big.Rat {
	all, matching := whole(int64(len(units))), zero()
	for _, u := range units {
		if (n.Class == "" || n.Class == u.class) && (n.Good == "" || n.Good == u.item) {
			matching = add(matching, whole(1))
		}
	}
	switch {
	case n.From != nil && less(all, rat(*n.From)),
		n.To != nil && less(rat(*n.To), all),
		n.Zones != nil && !named(n.Zones, zoneOf(d, p)),
		n.Option != "" && !named(d.Options, n.Option) && !named(p.options, n.Option),
		(n.Class != "" || n.Good != "") && matching.Sign() == 0:
		return zero()
	case n.Every != nil:
		return ceil(quo(matching, rat(*n.Every)))
	case n.Per == "unit":
		return matching
	}
	return whole(1)
}
