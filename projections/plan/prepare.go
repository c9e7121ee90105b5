package plan

import (
	"cmp"
	"slices"

	"countback/ledger/num"
	"countback/projections/cut"
	"countback/projections/parcel"
)

// sum is the pieces of one item, measure and size over all orders.
type sum struct {
	piece // n: for all orders
	now   num.Qty
}

// prepare lists what is made ready beforehand.
func (p *planner) prepare() []Prepare {
	return append(p.makeUp(), p.cuts()...)
}

// makeUp lists prepared pieces, inner ones before those that they go into.
func (p *planner) makeUp() []Prepare {
	var all, now []parcel.Use
	for _, w := range p.works {
		for _, u := range w.makeUp {
			all = addUse(all, u.Item, u.Qty)
			if w.ready {
				now = addUse(now, u.Item, u.Qty)
			}
		}
	}
	slices.SortFunc(all, func(a, b parcel.Use) int {
		return cmp.Or(cmp.Compare(p.depth(a.Item), p.depth(b.Item)), p.walk(a.Item, b.Item))
	})
	out := []Prepare{}
	for _, u := range all {
		var n num.Qty
		for _, x := range now {
			if x.Item == u.Item {
				n = x.Qty
			}
		}
		out = append(out, Prepare{Item: p.id(u.Item), Name: p.def(u.Item).Name, Unit: p.s.Catalog.Items[u.Item].Unit(), Place: p.def(u.Item).Place, Pieces: u.Qty.String(), Now: n.String(), Work: MakeUp})
	}
	return out
}

// depth is how many layers of prepared pieces lie inside one.
func (p *planner) depth(item int) (n int) {
	if !p.s.Catalog.Items[item].Prepared() {
		return 0
	}
	for _, part := range p.def(item).Parts {
		if it, ok := p.s.Catalog.Find(part.Item); ok {
			n = max(n, p.depth(it.Index))
		}
	}
	return n + 1
}

func (p *planner) cuts() (out []Prepare) {
	var sums []*sum
	for _, w := range p.works {
		for _, c := range w.cuts {
			k := slices.IndexFunc(sums, func(s *sum) bool { return s.item == c.item && s.measure == c.measure && s.size.Cmp(c.size) == 0 })
			if k < 0 {
				k = len(sums)
				sums = append(sums, &sum{piece: piece{item: c.item, measure: c.measure, size: c.size}})
			}
			sums[k].n = sums[k].n.Add(c.n)
			if w.ready {
				sums[k].now = sums[k].now.Add(c.n)
			}
		}
	}
	slices.SortFunc(sums, func(a, b *sum) int {
		return cmp.Or(p.walk(a.item, b.item), b.size.Cmp(a.size), cmp.Compare(a.measure, b.measure))
	})
	for len(sums) > 0 {
		n := 1
		for n < len(sums) && sums[n].item == sums[0].item {
			n++
		}
		out = append(out, p.cutsOf(sums[:n])...)
		sums = sums[n:]
	}
	return out
}

// cutsOf lists the pieces of one item, longest first, and says from how many packs they come.
func (p *planner) cutsOf(sums []*sum) []Prepare {
	item := sums[0].item
	unit := p.s.Catalog.Items[item].Unit()
	work := map[string]string{"g": Weigh, "ml": Pour}[unit]
	pack, holds := p.smallestPack(item, sums[0].size)
	var bench *cut.Bench
	if work == "" {
		work = Cut
		if pack != "" {
			bench = cut.NewBench(holds)
		}
	}
	var out []Prepare
	var takes num.Qty
	for _, s := range sums {
		takes = takes.Add(s.now.Times(s.size))
		row := Prepare{
			Item: p.id(item), Name: p.def(item).Name, Unit: unit, Place: p.def(item).Place, Measure: s.measure, Pieces: s.n.String(), Now: s.now.String(), Work: work,
			Size: s.size.String(), Takes: s.now.Times(s.size).String(),
		}
		if bench != nil {
			before := bench.Opened()
			bench.Cut(cut.Floor(s.now, num.Whole(1)), s.size)
			row.Pack, row.Packs = pack, bench.Opened()-before
		}
		out = append(out, row)
	}
	if bench != nil && bench.Opened() > 0 {
		left := bench.Left()
		if there := p.onHand(item).Sub(takes); there.Less(left) { // the pack at hand is begun: not more is left than there was
			left = num.Max(there, num.Qty{})
		}
		out[len(out)-1].Offcut = left.String()
	}
	return out
}

// smallestPack is the smallest pack of an item that holds a length; of equal ones the first by name.
func (p *planner) smallestPack(item int, size num.Qty) (name string, holds num.Qty) {
	for n, q := range p.def(item).Packs {
		if q.Less(size) {
			continue
		}
		if c := q.Cmp(holds); name == "" || c < 0 || c == 0 && n < name {
			name, holds = n, q
		}
	}
	return name, holds
}
