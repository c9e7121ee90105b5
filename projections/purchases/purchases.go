// Package purchases answers what is on order at suppliers.
package purchases

import (
	"cmp"
	"slices"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/fold"
)

// Line is what one purchase still owes of one item, in base units.
type Line struct {
	Purchase event.ID
	Supplier string
	Ref      string
	Due      event.Date
	Item     int
	Ordered  num.Qty
	Received num.Qty
	OnOrder  num.Qty // max(0, ordered - received), 0 after a final delivery
}

// Open lists the lines of purchases that aren't reversed, by item and then in fold order. Events after asOf (ms, 0: none) are left out.
func Open(l *fold.Log, asOf int64) []Line {
	view := l.Catalog.Start()
	var lines []Line
	type delivery struct {
		purchase event.ID
		item     int
	}
	final, received := map[event.ID]bool{}, map[delivery]num.Qty{}
	l.Events(func(e *event.Event, reversed bool) {
		if reversed || asOf != 0 && e.Time.Ms() > asOf {
			return
		}
		view.To(e.Key())
		switch d := e.Data.(type) {
		case *event.Purchase:
			own, ok := ordered(l, view, e.ID, d)
			if ok {
				lines = append(lines, own...)
			}
		case *event.Restock:
			if d.Purchase.IsZero() {
				return
			}
			came := make([]num.Qty, len(d.Lines))
			items := make([]int, len(d.Lines))
			for i, r := range d.Lines {
				var ok bool
				if items[i], came[i], ok = units(l, view, r.Item, *r.Qty, r.Pack); !ok {
					return // void as a whole
				}
			}
			if _, ok := landed.Costs(d, l.Digits()); !ok {
				return
			}
			for i := range came {
				k := delivery{d.Purchase, items[i]}
				received[k] = received[k].Add(came[i])
			}
			final[d.Purchase] = final[d.Purchase] || d.Final != nil
		}
	})
	for i := range lines {
		x := &lines[i]
		x.Received = received[delivery{x.Purchase, x.Item}]
		if !final[x.Purchase] {
			x.OnOrder = num.Max(num.Qty{}, x.Ordered.Sub(x.Received))
		}
	}
	slices.SortStableFunc(lines, func(a, b Line) int { return cmp.Compare(a.Item, b.Item) })
	return lines
}

// ordered returns a purchase's lines summed by item, or false if it is void.
func ordered(l *fold.Log, view *catalog.View, id event.ID, d *event.Purchase) ([]Line, bool) {
	var own []Line
	for _, p := range d.Lines {
		item, q, ok := units(l, view, p.Item, p.Qty, p.Pack)
		if !ok {
			return nil, false
		}
		k := slices.IndexFunc(own, func(x Line) bool { return x.Item == item })
		if k < 0 {
			k = len(own)
			own = append(own, Line{Purchase: id, Supplier: d.Supplier, Ref: d.Ref, Due: d.Due, Item: item})
		}
		own[k].Ordered = own[k].Ordered.Add(q)
	}
	return own, true
}

func units(l *fold.Log, view *catalog.View, id string, qty num.Qty, pack string) (item int, base num.Qty, ok bool) {
	it, ok := l.Catalog.Find(id)
	if !ok || it.Prepared() {
		return 0, num.Qty{}, false
	}
	base, ok = view.Units(it.Index, qty, "", pack)
	return it.Index, base, ok
}

// OnOrder sums the open lines by item.
func OnOrder(lines []Line) map[int]num.Qty {
	sum := map[int]num.Qty{}
	for _, x := range lines {
		sum[x.Item] = sum[x.Item].Add(x.OnOrder)
	}
	return sum
}
