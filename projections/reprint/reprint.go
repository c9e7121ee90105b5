package reprint

import (
	"slices"

	"countback/ledger/catalog"
	"countback/ledger/num"
	"countback/projections/parcel"
)

// Able is what could be printed of one item.
type Able struct {
	Pieces num.Qty // run off, spoiled ones included; whole
	Good   num.Qty // of these, after normal spoilage, rounded down to whole ones
	Cycles num.Qty
	Free   bool    // nothing limits it: the spec uses nothing
	Limits []Limit // what a run of one piece more would lack, by item id; empty if Free
	First  []Run   // what a run of Pieces needs made before it, in the order of making
}

// Limit is a supply that isn't enough for one piece more.
type Limit struct {
	Item       int
	Have, Need num.Qty // in base units
}

// Run is a number of pieces of one item.
type Run struct {
	Item   int
	Pieces num.Qty
}

// Circle is the error of make specs that come back to where they began.
type Circle struct{ Items []int } // each is made with the next, and the last with the first

// Error names no items, since an index says nothing to a reader; [Circle.Names] does.
func (*Circle) Error() string { return "the make specs go in a circle" }

// Names are the items' ids, the first one again at the end.
func (c *Circle) Names(from *catalog.Catalog) []string {
	var out []string
	for _, n := range append(slices.Clone(c.Items), c.Items[0]) {
		out = append(out, from.Items[n].ID)
	}
	return out
}

// mostPieces is where counting ends: far above what any stock gives.
const mostPieces = 1_000_000_000_000

// Of says how many pieces of an item could be printed. have is what is there of each item, in base units; below 0 counts as 0. It fails where the item has no make
// spec (false), where specs go in a circle (*Circle), and where a spec names what isn't defined.
func Of(c *catalog.Catalog, v *catalog.View, item int, have func(item int) num.Qty) (able Able, ok bool, err error) {
	if v.Make(item) == nil {
		return Able{}, false, nil
	}
	p := plan{c: c, v: v, have: have, root: item}
	if p.order, err = downwards(c, v, item); err != nil {
		return Able{}, true, err
	}
	lacks, err := p.run(1)
	if err != nil {
		return Able{}, true, err
	}
	n := int64(0)
	if len(lacks) == 0 {
		low, high := int64(1), int64(2)
		for ; high < mostPieces; low, high = high, high*2 {
			if lacks, err = p.run(high); err != nil {
				return Able{}, true, err
			}
			if len(lacks) > 0 {
				break
			}
		}
		if high >= mostPieces {
			return Able{Free: true}, true, nil
		}
		for high-low > 1 {
			mid := low + (high-low)/2
			if lacks, err = p.run(mid); err != nil {
				return Able{}, true, err
			}
			if len(lacks) == 0 {
				low = mid
			} else {
				high = mid
			}
		}
		n = low
	}
	if able.Limits, err = p.run(n + 1); err != nil {
		return Able{}, true, err
	}
	if _, err = p.run(n); err != nil {
		return Able{}, true, err
	}
	spec := v.Make(item).Data
	able.Pieces, able.First = num.Whole(n), p.first()
	able.Cycles = able.Pieces.Ceil(spec.Pieces)
	able.Good = good(able.Pieces, spec.NormalSpoilage)
	return able, true, nil
}

// good is what normal spoilage leaves of n pieces.
func good(n num.Qty, spoilage *num.Qty) num.Qty {
	if spoilage == nil {
		return n
	}
	whole, _ := n.Sub(n.Times(*spoilage)).Int()
	return num.Whole(int64(whole))
}

// plan works a run out.
type plan struct {
	c     *catalog.Catalog
	v     *catalog.View
	have  func(int) num.Qty
	root  int
	order []int // the item, then whatever it is made with, each before its own inputs
	need  map[int]num.Qty
	made  map[int]num.Qty
}

// run works out what n pieces need, and returns what they lack of the items that can't be made here, by item id.
func (p *plan) run(n int64) (lacks []Limit, err error) {
	p.need, p.made = map[int]num.Qty{}, map[int]num.Qty{}
	for _, item := range p.order {
		pieces := num.Whole(n)
		spec := p.v.Make(item)
		if item != p.root {
			missing := p.need[item].Sub(num.Max(num.Qty{}, p.have(item)))
			if missing.Sign() <= 0 {
				continue
			}
			comes := num.Whole(1)
			if spec != nil && spec.Data.NormalSpoilage != nil {
				comes = comes.Sub(*spec.Data.NormalSpoilage)
			}
			if spec == nil || comes.Sign() <= 0 {
				lacks = append(lacks, Limit{item, p.have(item), p.need[item]})
				continue
			}
			pieces = missing.Ceil(comes)
		}
		p.made[item] = pieces
		use, err := inputs(p.c, p.v, spec, pieces)
		if err != nil {
			return nil, err
		}
		for _, u := range use {
			p.need[u.Item] = p.need[u.Item].Add(u.Qty)
		}
	}
	slices.SortFunc(lacks, func(a, b Limit) int { return a.Item - b.Item })
	return lacks, nil
}

// first lists what is made before the item itself, inputs before what they go into.
func (p *plan) first() (out []Run) {
	for _, item := range slices.Backward(p.order) {
		if q, ok := p.made[item]; ok && item != p.root {
			out = append(out, Run{item, q})
		}
	}
	return out
}

func inputs(c *catalog.Catalog, v *catalog.View, spec *catalog.Make, n num.Qty) ([]parcel.Use, error) {
	use, err := parcel.Run(c, v, spec.Data, n, nil, nil)
	if err != nil {
		return nil, err
	}
	return parcel.Parts(c, v, use)
}

// downwards lists an item and everything that it is made with, each before its own inputs.
func downwards(c *catalog.Catalog, v *catalog.View, item int) ([]int, error) {
	var out, path []int
	done := map[int]bool{}
	var visit func(int) error
	visit = func(n int) error {
		if at := slices.Index(path, n); at >= 0 {
			return &Circle{slices.Clone(path[at:])}
		}
		if done[n] {
			return nil
		}
		path = append(path, n)
		if spec := v.Make(n); spec != nil {
			use, err := inputs(c, v, spec, spec.Data.Pieces)
			if err != nil {
				return err
			}
			for _, u := range use {
				if err := visit(u.Item); err != nil {
					return err
				}
			}
		}
		path = path[:len(path)-1]
		done[n] = true
		out = append(out, n)
		return nil
	}
	if err := visit(item); err != nil {
		return nil, err
	}
	slices.Reverse(out)
	return out, nil
}
