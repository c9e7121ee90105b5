package bridge

import (
	"math/big"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
)

// expect works out what was expected to be there at the end.
func (b *builder) expect(zone *time.Location) {
	b.baseRuns = new(big.Rat)
	for i := range b.baseKinds {
		b.baseKinds[i] = new(big.Rat)
	}
	if b.Why != "" {
		b.Expected = b.Opening
		return
	}
	b.receiptsExpected(zone)
	per := big.NewRat(1, b.BaselineMs)
	for i := range b.base {
		if m := &b.base[i]; m.Column == fold.IntoRuns {
			for k, x := range b.r.kindsOf(m) {
				b.baseKinds[k].Add(b.baseKinds[k], x.Mul(x, per))
			}
		}
	}
	for _, x := range b.baseKinds {
		b.baseRuns.Add(b.baseRuns, x)
	}
	n0, u := b.n0(), b.mean(b.before, b.BaselineOrders, b.s0)
	out := new(big.Rat).Mul(n0, u)
	out.Add(out, new(big.Rat).Mul(b.baseRuns, big.NewRat(b.length(), 1)))
	b.ExpectedOut = rounded(out)
	b.Expected = rounded(out.Sub(ratOf(b.Opening.Add(b.ExpectedIn)), out))
}

// n0 is how many orders would have been packed in the window at the baseline's rate.
func (b *builder) n0() *big.Rat {
	n := big.NewRat(int64(b.BaselineOrders), b.BaselineMs)
	return n.Mul(n, big.NewRat(b.length(), 1))
}

// total adds up what packs take of the item under one revision; nil stands for the one that each went by.
func (b *builder) total(packs []pack, rev *revision) num.Qty {
	var sum num.Qty
	for i := range packs {
		by := rev
		if by == nil {
			by = b.r.was(&packs[i])
		}
		sum = sum.Add(b.r.of(&packs[i], by, b.item))
	}
	return sum
}

func (b *builder) mean(packs []pack, orders int, rev *revision) *big.Rat {
	x := ratOf(b.total(packs, rev))
	return x.Quo(x, big.NewRat(int64(orders), 1))
}

// receiptsExpected adds what R should have brought and what was due.
func (b *builder) receiptsExpected(zone *time.Location) {
	view := b.r.Log.Catalog.Start()
	name := b.r.Log.Catalog.Items[b.item].ID
	if !b.Box.IsZero() {
		e, ok := b.r.Log.Event(b.Box)
		if d, is := e.Data.(*event.Restock); ok && is {
			view.To(e.Key())
			for _, l := range d.Lines {
				if l.Item != name {
					continue
				}
				n := *l.Qty
				if l.Expected != nil {
					n = *l.Expected
				}
				if q, ok := view.Units(b.item, n, "", l.Pack); ok {
					b.ExpectedIn = b.ExpectedIn.Add(q)
				}
			}
		} else { // a print run
			for _, m := range b.in {
				if m.Event == b.Box && m.Column == fold.Made {
					b.ExpectedIn = b.ExpectedIn.Add(m.Qty)
				}
			}
		}
	}
	for _, p := range b.r.due(b.item, b.Window, zone) {
		b.ExpectedIn = b.ExpectedIn.Add(p.rest)
		b.due = append(b.due, p.id)
	}
}

// owed is what a purchase still had to bring when the window began, R left out.
type owed struct {
	id   event.ID
	rest num.Qty
}

// due lists the purchases whose day lies in a window.
func (r *Record) due(item int, w Window, zone *time.Location) []owed {
	view := r.Log.Catalog.Start()
	name := r.Log.Catalog.Items[item].ID
	var list []owed
	at := map[event.ID]int{}
	find := func(id event.ID) *owed {
		if i, ok := at[id]; ok {
			return &list[i]
		}
		return nil
	}
	r.Log.Events(func(e *event.Event, reversed bool) {
		if reversed || r.State.AsOf != 0 && e.Time.Ms() > r.State.AsOf {
			return
		}
		switch d := e.Data.(type) {
		case *event.Purchase:
			if d.Due == "" {
				return
			}
			t, err := time.ParseInLocation("2006-01-02", string(d.Due), zone)
			if err != nil || t.UnixMilli() < w.FromMs || t.UnixMilli() > w.ToMs {
				return
			}
			view.To(e.Key())
			o := owed{id: e.ID}
			for _, l := range d.Lines {
				if l.Item != name {
					continue
				}
				if q, ok := view.Units(item, l.Qty, "", l.Pack); ok {
					o.rest = o.rest.Add(q)
				}
			}
			if o.rest.Sign() > 0 {
				at[e.ID] = len(list)
				list = append(list, o)
			}
		case *event.Restock:
			o := find(d.Purchase)
			if o == nil || e.ID != w.Box && w.From.Before(e.Key()) {
				return
			}
			view.To(e.Key())
			for _, l := range d.Lines {
				if l.Item != name {
					continue
				}
				n := *l.Qty
				if e.ID == w.Box && l.Expected != nil {
					n = *l.Expected
				}
				if q, ok := view.Units(item, n, "", l.Pack); ok {
					o.rest = num.Max(num.Qty{}, o.rest.Sub(q))
				}
			}
			if d.Final != nil {
				o.rest = num.Qty{}
			}
		}
	})
	return slices.DeleteFunc(list, func(o owed) bool { return o.rest.Sign() <= 0 })
}
