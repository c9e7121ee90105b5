package fold

import (
	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/parcel"
)

// Single is what was used at a time, and how often: one parcel's line, one cycle or piece of a run, one good of a parcel. It is for estimates of how far use
// may vary; what moved is the movement's quantity.
type Single struct {
	Item  int
	Qty   num.Qty // of one use, in base units
	Times num.Qty
	Line  Line
}

// Line names the line of a spec that asked for a use. It is zero for goods, and for what a change added.
type Line struct {
	Pack   *event.PackSpec // the packing spec as it stands after restatements …
	Make   *event.MakeSpec // … or the make spec
	Format int             // index of the format, -1 for the spec's own lines
	Index  int
}

// Manner is how a figure of a count came about.
type Manner uint8

// The manners. Packs are unopened ones.
const (
	ByNumber Manner = iota
	ByPack
	ByMeasure // lengths and volumes
	ByWeight
)

// Figure is one figure of a count, in base units.
type Figure struct {
	Qty       num.Qty
	Manner    Manner
	Tolerance *event.Tolerance // its own; nil where the count named none
}

// Counted tells of a count that asserts the whole of an item, before it moves anything.
type Counted struct {
	Event   event.ID
	Ms      int64
	Item    int
	Begun   bool         // a session's first figure of the item: nothing is asserted yet, and the fields below are empty
	Figure  num.Qty      // what there is
	Figures []Figure     // what it was added up from
	Session string       // empty for a count that stands alone
	Opens   bool         // nothing of the item had come in or been counted before
	Def     *catalog.Def // of the item, in force; to be read at once
}

// singles gathers what a pack's or run's lines use at a time.
type singles struct {
	c    *catalog.Catalog
	v    *catalog.View
	list []Single // by item, prepared ones as their parts
}

// tell returns what a parcel calls for each line of a spec.
func (g *singles) tell(line Line) func(parcel.Single) {
	return func(s parcel.Single) {
		at := line
		at.Format, at.Index = s.Format, s.Line
		g.add(s.Item, s.Qty, s.Times, at)
	}
}

func (g *singles) add(item int, qty, times num.Qty, line Line) {
	if qty.Sign() <= 0 || times.Sign() <= 0 {
		return
	}
	g.v.Parts(item, qty, func(part int, n num.Qty) { g.list = append(g.list, Single{part, n, times, line}) })
}

// of returns an item's single uses, fitted to the quantity that was used in the end: what changes added is one more use, what they took away is taken from each.
func (g *singles) of(item int, used num.Qty, goods bool) []Single {
	var out []Single
	var sum num.Qty
	for _, s := range g.list {
		if s.Item == item && goods == (s.Line.Pack == nil && s.Line.Make == nil) {
			out = append(out, s)
			sum = sum.Add(s.Qty.Times(s.Times))
		}
	}
	switch used.Cmp(sum) {
	case 1:
		out = append(out, Single{Item: item, Qty: used.Sub(sum), Times: num.Whole(1)})
	case -1:
		for i := range out {
			out[i].Qty = out[i].Qty.Part(used, sum)
		}
	}
	return out
}
