package fold

import (
	"slices"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/book"
)

// purchase moves nothing; what is on order is worked out apart. It is void like any other event.
func (s *State) purchase(d *event.Purchase) error {
	for _, l := range d.Lines {
		item, err := s.stocked(l.Item)
		if err != nil {
			return err
		}
		if _, ok := s.View.Units(item, l.Qty, "", l.Pack); !ok {
			return voidf("item %s has no pack %s", l.Item, l.Pack)
		}
	}
	return nil
}

// delivery is a restock worked out, by the definitions in force at it.
type delivery struct {
	items []int
	qtys  []num.Qty
	costs []num.Money
}

// deliver works a restock out, or says why it is void. A purchase that was reversed, or is void itself, leaves the goods where they are.
func (s *State) deliver(v *catalog.View, d *event.Restock) (delivery, error) {
	if !d.Purchase.IsZero() {
		if p, ok := s.log.other[d.Purchase]; !ok || p.Kind != event.KindPurchase {
			return delivery{}, voidf("purchase %s isn't there", d.Purchase)
		}
	}
	out := delivery{make([]int, len(d.Lines)), make([]num.Qty, len(d.Lines)), nil}
	for i, l := range d.Lines {
		item, err := s.stocked(l.Item)
		if err != nil {
			return delivery{}, err
		}
		qty, ok := v.Units(item, *l.Qty, "", l.Pack)
		if !ok {
			return delivery{}, voidf("item %s has no pack %s", l.Item, l.Pack)
		}
		out.items[i], out.qtys[i] = item, qty
	}
	var ok bool
	if out.costs, ok = landed.Costs(d, s.digits); !ok {
		return delivery{}, voidf("the discount is above the sum of the lines")
	}
	return out, nil
}

func (s *State) restock(d *event.Restock) error {
	in, err := s.deliver(s.View, d)
	if err != nil {
		return err
	}
	items, qtys, costs := in.items, in.qtys, in.costs
	for i, item := range items {
		cost := book.Same(costs[i])
		if qtys[i].IsZero() {
			if !cost.IsZero() {
				s.move(item, Bought, num.Qty{}, cost, "")
				s.adjust(item, cost, "")
				id := s.Catalog.Items[item].ID
				s.note("cost_without_goods", id, "a delivery charged "+costs[i].StringFixed(s.digits)+" for "+id+" but none came", "record a credit once it is refunded")
			}
			continue
		}
		it := &s.Items[item]
		adjusted := it.Account.Receive(qtys[i], cost, s.cur.key.ID)
		it.opened = true
		s.move(item, Bought, qtys[i], cost, "")
		s.adjust(item, adjusted, "")
	}
	return nil
}

func (s *State) credit(d *event.Credit) error {
	e, ok := s.log.other[d.Restock]
	var r *event.Restock
	if ok {
		r, ok = e.Data.(*event.Restock)
	}
	if !ok || s.log.reversed[d.Restock] {
		return voidf("restock %s isn't there", d.Restock)
	}
	in, err := s.deliver(s.Catalog.At(e.Key()), r)
	if err != nil {
		return voidf("restock %s is void", d.Restock)
	}
	received := map[int]num.Qty{}
	for i, item := range in.items {
		received[item] = received[item].Add(in.qtys[i])
	}
	type sums struct {
		item        int
		share, back num.Money
		qty         num.Qty
		shared      bool
	}
	var list []sums
	for _, l := range d.Lines {
		item, err := s.stocked(l.Item)
		if err != nil {
			return err
		}
		if _, ok := received[item]; !ok {
			return voidf("restock %s has no line of %s", d.Restock, l.Item)
		}
		k := slices.IndexFunc(list, func(x sums) bool { return x.item == item })
		if k < 0 {
			k = len(list)
			list = append(list, sums{item: item})
		}
		amount := *l.Amount
		if d.Rate != nil {
			amount = num.Convert(amount, *d.Rate, s.digits)
		}
		if l.Qty == nil {
			list[k].share, list[k].shared = list[k].share.Add(amount), true
		} else {
			list[k].back, list[k].qty = list[k].back.Add(amount), list[k].qty.Add(*l.Qty)
		}
	}
	for _, l := range list {
		acc := &s.Items[l.item].Account
		if l.shared {
			lost := acc.Credit(l.share, received[l.item], d.Restock)
			s.move(l.item, Credited, num.Qty{}, book.Same(l.share), "")
			s.adjust(l.item, lost.Sub(book.Same(l.share)), "")
		}
		if l.qty.Sign() > 0 {
			out := acc.GiveBack(l.qty, s.estimate(l.item), d.Restock)
			if out.NoCost {
				s.noCost(l.item)
			}
			s.move(l.item, Credited, l.qty, book.Same(l.back), "")
			s.adjust(l.item, out.Cost.Sub(book.Same(l.back)), "")
		}
	}
	return nil
}

// shareAbove returns cost·a/n with a = max(0, spoiled - normal·n), where a is not rounded: everything is scaled so that one
// rounding remains.
func shareAbove(cost book.Amounts, spoiled, normal, n num.Qty) book.Amounts {
	// a/n = (spoiled·10^6 - normal·10^6·n)/(n·10^6): with a normal fraction of 6 places both are whole multiples of 10^-6 of a unit.
	million := num.Whole(1_000_000)
	a := spoiled.Times(million).Sub(n.Times(normal.Times(million)))
	if a.Sign() <= 0 {
		return book.Amounts{}
	}
	return cost.Part(a, n.Times(million))
}
