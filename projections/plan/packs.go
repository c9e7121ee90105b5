package plan

import (
	"cmp"
	"slices"
	"strings"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
)

// Packing is an open order with the pack that would finish it.
type Packing struct {
	Order    string
	Zone     string
	PlacedMs int64
	Pieces   num.Qty    // that are left to pack
	Waits    event.ID   // a pack of it about which somebody has to decide first; zero: none
	Pack     event.Pack // without lines it is the whole order as placed
}

// Packs parts the orders placed by an instant, in milliseconds, into those that can be recorded as packed and those that wait for a decision first; each the oldest first.
func Packs(s *fold.State, at int64) (ready, waiting []Packing) {
	for number, o := range s.Orders {
		left := o.Remaining()
		if len(left) == 0 || o.PlacedMs > at {
			continue
		}
		p := Packing{Order: number, Zone: o.Rest().Zone, PlacedMs: o.PlacedMs, Pack: event.Pack{Order: number}}
		for _, l := range left {
			p.Pieces = p.Pieces.Add(l.Qty)
			if o.Packs > 0 {
				p.Pack.Lines = append(p.Pack.Lines, event.Goods{Item: s.Catalog.Items[l.Item].ID, Qty: l.Qty})
			}
		}
		if len(o.Pending) > 0 {
			p.Waits = o.Pending[0]
			waiting = append(waiting, p)
			continue
		}
		ready = append(ready, p)
	}
	for _, list := range [][]Packing{ready, waiting} {
		slices.SortFunc(list, func(a, b Packing) int {
			return cmp.Or(cmp.Compare(a.PlacedMs, b.PlacedMs), strings.Compare(a.Order, b.Order))
		})
	}
	return ready, waiting
}
