// Package purchases answers what is on order at suppliers.
package purchases

import (
	"cmp"
	"slices"

	"countback/ledger/event"
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
	final := map[event.ID]bool{}
	l.Events(func(e *event.Event, reversed bool) {
		if reversed || asOf != 0 && e.Time.Ms() > asOf {
			return
		}
		view.To(e.Key())
		switch d := e.Data.(type) {
		case *event.Purchase:
			var own []Line
			for _, p := range d.Lines {
				it, ok := l.Catalog.Find(p.Item)
				if !ok || it.Prepared() {
					return // void
				}
				q, ok := view.Units(it.Index, p.Qty, "", p.Pack)
				if !ok {
					return
				}
				k := slices.IndexFunc(own, func(x Line) bool { return x.Item == it.Index })
				if k < 0 {
					k = len(own)
					own = append(own, Line{Purchase: e.ID, Supplier: d.Supplier, Ref: d.Ref, Due: d.Due, Item: it.Index})
				}
				own[k].Ordered = own[k].Ordered.Add(q)
			}
			lines = append(lines, own...)
		case *event.Restock:
			if d.Purchase.IsZero() || l.IsVoid(e.ID) {
				return
			}
			if d.Final != nil {
				final[d.Purchase] = true
			}
			for _, r := range d.Lines {
				it, ok := l.Catalog.Find(r.Item)
				if !ok {
					return
				}
				q, _ := view.Units(it.Index, *r.Qty, "", r.Pack)
				for i := range lines {
					if x := &lines[i]; x.Purchase == d.Purchase && x.Item == it.Index {
						x.Received = x.Received.Add(q)
					}
				}
			}
		}
	})
	for i := range lines {
		if x := &lines[i]; !final[x.Purchase] {
			x.OnOrder = num.Max(num.Qty{}, x.Ordered.Sub(x.Received))
		}
	}
	slices.SortStableFunc(lines, func(a, b Line) int { return cmp.Compare(a.Item, b.Item) })
	return lines
}

// OnOrder sums the open lines by item.
func OnOrder(lines []Line) map[int]num.Qty {
	sum := map[int]num.Qty{}
	for _, x := range lines {
		sum[x.Item] = sum[x.Item].Add(x.OnOrder)
	}
	return sum
}
