package bridge

import (
	"math/big"

	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
)

// money values the parts at the unit cost where the window begins; the rest is price.
func (b *builder) money() {
	value := b.valuer()
	b.ExpectedValue = value(b.Expected)
	left := b.ActualValue.Sub(b.ExpectedValue)
	for i := range b.Parts {
		b.Parts[i].Value = value(b.Parts[i].Qty)
		left = left.Sub(b.Parts[i].Value)
	}
	b.Price = left
}

// valuer returns the unit cost where the window begins: what was on hand there at its value, without rounding a unit cost first, or the provisional one.
func (b *builder) valuer() func(num.Qty) book.Amounts {
	list := b.r.moves[b.item]
	if i := b.r.lastBy(b.item, b.From); i >= 0 && list[i].OnHand.Sign() > 0 {
		q, v := list[i].OnHand, list[i].Balance
		b.UnitCost = v.Part(num.Whole(1), q)
		return func(n num.Qty) book.Amounts { return v.Part(n, q) }
	}
	s := b.r.Log.Run(fold.Run{AsOf: b.FromMs - 1})
	b.UnitCost, _ = s.Items[b.item].Account.UnitCost(s.View.Def(b.item).UnitCost)
	unit := b.UnitCost
	return func(n num.Qty) book.Amounts { return book.Amounts{unit[0].Times(n), unit[1].Times(n)} }
}

// early works out by how many days it ran out before it should have, at the expected use a day: above 0 is early.
func (b *builder) early() {
	if b.Why != "" || !b.RanOut || b.ExpectedOut.Sign() <= 0 || b.length() <= 0 {
		return
	}
	days := big.NewRat(b.length(), day)
	lasts := new(big.Rat).Quo(ratOf(b.Opening.Add(b.ExpectedIn)), ratOf(b.ExpectedOut))
	lasts.Mul(lasts, days)
	b.Early = lasts.Sub(lasts, days)
}

// CostOf returns what a restock's lines of an item cost, landed, and how much it was; false where it is void.
func (r *Record) CostOf(item int, e *event.Event) (cost num.Money, qty num.Qty, ok bool) {
	d, is := e.Data.(*event.Restock)
	if !is {
		return cost, qty, false
	}
	costs, ok := landed.Costs(d, r.Log.Digits())
	if !ok {
		return cost, qty, false
	}
	v := r.Log.Catalog.At(e.Key())
	for i, l := range d.Lines {
		if l.Item != r.Log.Catalog.Items[item].ID {
			continue
		}
		if q, ok := v.Units(item, *l.Qty, "", l.Pack); ok {
			qty, cost = qty.Add(q), cost.Add(costs[i])
		}
	}
	return cost, qty, qty.Sign() > 0
}
