package oracle

import (
	"fmt"

	"countback/ledger/event"
	"countback/ledger/num"
)

// line is a line of a spec with some of the conditions.
func (g *gen) line(per ...string) event.Line {
	n := event.Line{Item: g.item(useNames), Qty: g.qty(3), Per: pick(g, per)}
	switch g.n(0, 19) {
	case 16, 17, 18:
		n.Measure = pick(g, []string{"wrap", "wrap", "strip"})
	case 19:
		n.Pack = "pack"
	}
	if g.in(25) {
		n.Every = ptr(g.whole(1, 4))
	}
	return n
}

func (g *gen) packLine(per ...string) event.Line {
	n := g.line(per...)
	if g.in(15) {
		n.Class = pick(g, classNames)
	}
	if g.in(15) {
		n.Good = g.item(goodsNames)
	}
	if g.in(15) {
		n.Zones = some(g, zoneNames, 60)
	}
	if g.in(15) {
		n.From = ptr(g.whole(1, 4))
	}
	if g.in(15) {
		n.To = ptr(g.whole(1, 5))
	}
	if g.in(15) {
		n.Option = pick(g, optionNames)
	}
	return n
}

func (g *gen) packSpec() *event.PackSpec {
	d := &event.PackSpec{}
	for range g.n(0, 3) {
		d.Lines = append(d.Lines, g.packLine("order", "unit"))
	}
	for _, name := range formatNames[:g.n(1, 3)] {
		f := event.Format{Format: name}
		if g.in(50) {
			f.Accepts = some(g, classNames, 60)
		}
		if g.in(60) {
			f.Holds = pick(g, []*num.Qty{ptr(num.Whole(1)), ptr(num.Whole(2)), ptr(num.Whole(4)), ptr(num.MustQty("2.5"))})
		}
		for range g.n(0, 2) {
			f.Lines = append(f.Lines, g.packLine("parcel", "unit", "order"))
		}
		d.Formats = append(d.Formats, f)
	}
	if g.in(25) {
		d.Restates = g.of(event.KindPackSpec)
	}
	return d
}

func (g *gen) makeSpec(item string) *event.MakeSpec {
	d := &event.MakeSpec{Item: item, Pieces: g.whole(1, 6)}
	for range g.n(1, 3) {
		d.Lines = append(d.Lines, g.line("cycle", "piece"))
	}
	if g.in(50) {
		d.NormalSpoilage = pick(g, []*num.Qty{ptr(num.MustQty("0.05")), ptr(num.MustQty("0.1")), ptr(num.MustQty("0.333333"))})
	}
	if g.in(30) {
		d.Restates = g.specOf(item)
	}
	return d
}

// specOf picks a make spec of the item, now and then of any.
func (g *gen) specOf(item string) event.ID {
	var ids []event.ID
	for _, e := range g.events {
		if d, ok := e.Data.(*event.MakeSpec); ok && (d.Item == item || g.n(0, 49) == 49) {
			ids = append(ids, e.ID)
		}
	}
	if len(ids) == 0 {
		return event.ID{}
	}
	return pick(g, ids)
}

// scene adds one fact or a few that belong together.
func (g *gen) scene() {
	at := g.at()
	switch g.n(0, 13) {
	case 0, 1:
		g.add(at, g.restock())
	case 2:
		g.add(at, g.credit())
	case 3, 4, 5:
		g.orderScene(at)
	case 6:
		g.add(at, g.pack(pick(g, orderNames)))
	case 7:
		g.add(at, g.giveBack(pick(g, orderNames)))
	case 8:
		g.add(at, g.purchase())
	case 9:
		g.add(at, g.reprint())
	case 10:
		d := &event.Damage{Item: g.item(allNames), Qty: g.qty(4), Reason: pick(g, []string{"damaged", "spoiled", "expired", "sample", "gift", "own_use", "other"})}
		if g.in(20) {
			d.Measure = pick(g, []string{"wrap", "strip"})
		}
		g.add(at, d)
	case 11:
		g.add(at, g.count())
	case 12:
		g.sessionScene(at)
	case 13:
		switch g.n(0, 4) {
		case 0:
			g.changeItem()
		case 1:
			g.add(at, g.packSpec())
		case 2:
			g.add(at, g.makeSpec(pick(g, []string{"card", "print", "mailer"})))
		case 3:
			g.add(at, &event.Retire{Item: g.item(allNames)})
		case 4:
			g.add(at, &event.Shop{Name: "Test shop"})
		}
	}
}

func (g *gen) goods(most int) []event.Goods {
	var list []event.Goods
	for range g.n(1, most) {
		list = append(list, event.Goods{Item: g.item(goodsNames), Qty: g.whole(1, 3)})
	}
	return list
}

// orderScene places an order and packs it in one of the ways that happen: whole, in parts, twice, over, again.
func (g *gen) orderScene(at int64) {
	number := pick(g, orderNames)
	o := &event.Order{Order: number, Zone: pick(g, zoneNames), Lines: g.goods(3), Options: some(g, optionNames, 30)}
	if g.n(0, 4) != 4 {
		g.add(at, o)
	}
	if g.in(30) {
		r := g.reprint()
		r.Order = number
		r.Item = pick(g, []string{"card", "print"})
		r.Spec = event.ID{}
		g.add(at+g.gap(), r)
	}
	for range g.n(0, 3) {
		p := g.pack(number)
		switch g.n(0, 3) {
		case 0:
			p.Lines, p.Parcels = nil, nil
		case 1:
			p.Lines, p.Parcels = o.Lines, nil
		case 2:
			p.Lines, p.Parcels = o.Lines[:1], nil
		}
		if g.in(20) && p.Lines != nil && p.Joined == "" {
			p.Parcels = g.parcels(p.Lines)
		}
		id := g.add(at+g.gap(), p)
		if g.in(25) {
			g.add(g.at(), &event.Decide{Event: id, Keep: ptr(g.in(60))})
		}
	}
	if g.in(30) {
		g.add(at+3*day+g.gap(), g.giveBack(number))
	}
}

// parcels splits lines as a person would, mostly right.
func (g *gen) parcels(lines []event.Goods) []event.Parcel {
	var list []event.Parcel
	for i, n := range lines {
		if i > 0 && g.in(50) {
			last := &list[len(list)-1]
			last.Lines = append(last.Lines, n)
			continue
		}
		list = append(list, event.Parcel{Format: pick(g, []string{"envelope", "envelope", "box", "none"}), Lines: []event.Goods{n}})
	}
	if n := &list[0].Lines[0]; g.in(20) {
		n.Qty = num.Whole(1)
	}
	return list
}

func (g *gen) pack(number string) *event.Pack {
	d := &event.Pack{Order: number}
	if g.in(70) {
		d.Lines = g.goods(2)
	}
	if g.in(15) {
		d.Zone = pick(g, zoneNames)
	}
	if g.in(20) {
		d.Options = some(g, optionNames, 50)
	}
	if d.Lines != nil && g.in(15) {
		d.Parcels = g.parcels(d.Lines)
	} else if g.in(8) {
		d.Joined = pick(g, orderNames)
	}
	if g.in(35) {
		d.Changes = g.changes()
	}
	if g.in(20) {
		d.Postage = ptr(g.money(9))
	}
	if g.in(15) {
		d.Resend = yes()
	}
	if g.in(10) {
		d.Spec = g.of(event.KindPackSpec)
	}
	return d
}

func (g *gen) changes() []event.Change {
	var list []event.Change
	for range g.n(1, 4) {
		c := event.Change{Item: g.item(useNames)}
		switch g.n(0, 3) {
		case 0:
			c.Qty = ptr(g.qty(3))
		case 1:
			c.Qty = ptr(g.qty(5).Neg())
		case 2:
			c.Total = ptr(g.whole(0, 3))
		case 3:
			c.Total, c.InsteadOf = ptr(g.qty(3)), g.item(useNames)
		}
		if g.in(15) {
			c.Measure = pick(g, []string{"wrap", "strip"})
		}
		list = append(list, c)
	}
	return list
}

func (g *gen) giveBack(number string) *event.Return {
	d := &event.Return{Order: number}
	for range g.n(1, 2) {
		d.Lines = append(d.Lines, event.ReturnLine{Item: g.item(goodsNames), Qty: g.whole(1, 3), Condition: pick(g, []string{"saleable", "saleable", "scrap"})})
	}
	return d
}

func (g *gen) purchase() *event.Purchase {
	d := &event.Purchase{Supplier: "The mill"}
	for range g.n(1, 2) {
		n := event.PurchaseLine{Item: g.item(stockedNames), Qty: g.qty(9)}
		if g.in(25) {
			n.Pack = pick(g, []string{"pack", "carton"})
		}
		d.Lines = append(d.Lines, n)
	}
	return d
}

func (g *gen) restock() *event.Restock {
	d := &event.Restock{}
	for range g.n(1, 3) {
		n := event.RestockLine{Item: g.item(stockedNames), Qty: ptr(g.qty(20)), Cost: ptr(g.money(30))}
		if g.in(25) {
			n.Pack = pick(g, []string{"pack", "carton"})
		}
		if g.in(15) {
			n.Expected = ptr(g.qty(20))
			if g.in(40) {
				n.Qty = new(num.Qty)
			}
		}
		d.Lines = append(d.Lines, n)
	}
	if g.n(0, 149) == 149 {
		d.Lines[0].Item = "set"
	}
	for _, charge := range []**num.Money{&d.Freight, &d.Duty, &d.Tax, &d.Discount} {
		if g.in(20) {
			*charge = ptr(g.money(6))
		}
	}
	if g.in(20) {
		rate, err := num.ParseRate(pick(g, []string{"1.3725", "0.74", "0.0091234567"}))
		if err != nil {
			panic(err)
		}
		d.Currency, d.Rate = "XTS", &rate
	}
	if g.in(40) {
		d.Purchase = g.of(event.KindPurchase)
		if g.in(20) {
			d.Final = yes()
		}
	}
	return d
}

func (g *gen) credit() *event.Credit {
	d := &event.Credit{Restock: g.of(event.KindRestock)}
	items := stockedNames
	for _, e := range g.events {
		if r, ok := e.Data.(*event.Restock); ok && e.ID == d.Restock && g.n(0, 19) != 19 {
			items = nil
			for _, n := range r.Lines {
				items = append(items, n.Item)
			}
		}
	}
	for range g.n(1, 2) {
		n := event.CreditLine{Item: pick(g, items), Amount: ptr(g.money(12))}
		if g.in(25) {
			n.Amount = ptr(n.Amount.Neg())
		}
		if g.in(40) {
			n.Qty = ptr(g.qty(6))
		}
		d.Lines = append(d.Lines, n)
	}
	if g.in(10) {
		rate, _ := num.ParseRate("1.3725")
		d.Currency, d.Rate = "XTS", &rate
	}
	return d
}

func (g *gen) reprint() *event.Reprint {
	d := &event.Reprint{Item: g.item([]string{"card", "print", "mailer"}), Good: ptr(g.whole(0, 9)), Spoiled: ptr(g.whole(0, 2))}
	if g.in(10) {
		d.Good = ptr(g.qty(9))
	}
	if g.in(15) {
		d.Cycles = ptr(g.whole(1, 4))
	}
	if g.in(25) {
		d.Changes = g.changes()
	}
	if g.in(15) {
		d.Order = pick(g, orderNames)
	}
	if g.in(15) {
		d.Spec = g.specOf(d.Item)
	}
	return d
}

// count is a figure of a stocked item; sessions also count prepared pieces.
func (g *gen) count() *event.Count {
	d := &event.Count{Item: g.item(stockedNames)}
	switch g.n(0, 6) {
	case 5:
		d.Gross, d.Tare, d.WeightUnit = ptr(g.qty(60)), ptr(g.whole(0, 2)), pick(g, []string{"g", "g", "oz", "lb", "kg"})
	case 6:
		d.Pack = pick(g, []string{"pack", "carton"})
		d.Qty = ptr(g.whole(0, 3))
	case 4:
		d.Measure = pick(g, []string{"wrap", "strip"})
		d.Qty = ptr(g.whole(0, 6))
	default:
		d.Qty = ptr(g.whole(0, 15))
	}
	if g.in(25) {
		d.Cost = ptr(g.money(20))
	}
	if g.in(20) {
		d.Place = pick(g, placeNames)
	}
	return d
}

// sessionScene counts several figures under one name around an instant.
func (g *gen) sessionScene(at int64) {
	name := pick(g, sessionNames)
	if g.in(70) {
		name = fmt.Sprintf("day %d", (at-Start)/day)
	}
	for range g.n(1, 5) {
		d := g.count()
		if g.in(25) {
			d.Item = g.item([]string{"set", "kit", "ready"})
		}
		d.Session, d.Place = name, pick(g, placeNames)
		g.add(at+g.gap(), d)
	}
}

// care reverses and decides, and refers to what isn't there.
func (g *gen) care(size int) {
	for range g.n(0, 1+size/8) {
		at := g.at()
		if g.in(25) {
			g.add(at, &event.Decide{Event: g.of(event.KindPack), Keep: ptr(g.in(50))})
			continue
		}
		kinds := pick(g, [][]event.Kind{reversible, reversible, {event.KindPackSpec, event.KindMakeSpec}, {event.KindOrder}, {event.KindPack}, {event.KindReverse, event.KindItem, event.KindDecide}})
		g.add(at, &event.Reverse{Event: g.of(kinds...), Reason: "mistake"})
	}
}
