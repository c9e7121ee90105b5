package sheet

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
)

// order builds the fact of one order from its kept entries.
func (r *reader) order(g *group, kept []entry) {
	rows := rowsOf(kept)
	before := len(r.out.Problems)
	at := r.when(g, rows)
	d := &event.Order{Order: g.number, Zone: r.zoneOf(rows), Options: r.optionsOf(rows), Lines: sumGoods(kept)}
	d.Value = r.valueOf(rows)
	d.Shipping = r.agreed(rows, &r.m.shipping)
	if len(r.out.Problems) > before {
		return
	}
	f := event.Fact{ID: factID(at, r.ctx.ShopID, event.KindOrder, g.number), Time: event.TimeOf(at), Data: d}
	if why := checkFact(f); why != "" {
		r.problem(rows[0], nil, "", fmt.Sprintf("order %s %s", clip(g.number), why))
		return
	}
	r.out.add(f, r.t.Number[rows[0]])
}

func rowsOf(list []entry) []int {
	var rows []int
	for _, e := range list {
		if len(rows) == 0 || rows[len(rows)-1] != e.row {
			rows = append(rows, e.row)
		}
	}
	return rows
}

// sumGoods adds up entries of one item. Lines stand by item, so that a file sorted in another way says the same.
func sumGoods(list []entry) []event.Goods {
	sum := map[string]num.Qty{}
	for _, e := range list {
		sum[e.item] = sum[e.item].Add(e.qty)
	}
	var out []event.Goods
	for _, item := range slices.Sorted(maps.Keys(sum)) {
		out = append(out, event.Goods{Item: item, Qty: sum[item]})
	}
	return out
}

// when is the earliest time on the rows; rows without a date take the others'.
func (r *reader) when(g *group, rows []int) (first time.Time) {
	dated := false
	for _, i := range rows {
		if r.cell(i, &r.m.date) == "" {
			continue
		}
		dated = true
		if t, ok := r.date(i, &r.m.date); ok && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	if !dated {
		r.problem(rows[0], &r.m.date, "", fmt.Sprintf("order %s has no date; fill it in", clip(g.number)))
	}
	return first
}

// same goes through the cells of an order-wide column that are filled in, and lists a second, different value.
func (r *reader) same(rows []int, f *field, use func(i int, text string) (key string, ok bool)) {
	first, at := "", -1
	for _, i := range rows {
		text := r.cell(i, f)
		if text == "" {
			continue
		}
		key, ok := use(i, text)
		if !ok {
			continue
		}
		if at < 0 {
			first, at = key, i
		} else if key != first {
			r.problem(i, f, text, fmt.Sprintf("differs from row %d of the same order, %q; one order has one", r.t.Number[at], clip(r.cell(at, f))))
		}
	}
}

func (r *reader) zoneOf(rows []int) (zone string) {
	missing := true
	r.same(rows, &r.m.zone, func(i int, text string) (string, bool) {
		missing = false
		z, ok := text, true
		if r.m.zone.fixed == "" {
			z, ok = r.zoneName(i, text)
		}
		if ok && zone == "" {
			zone = z
		}
		return z, ok
	})
	if missing {
		if zone = r.m.otherZone; zone == "" {
			r.problem(rows[0], &r.m.zone, "", "has no zone; fill it in, or say any other zone in the map")
		}
	}
	return zone
}

// zoneName gives a destination the shop's name: by the map's table, else the map's name for all others, else, where the map has no table,
// as it stands.
func (r *reader) zoneName(i int, text string) (string, bool) {
	if z, ok := r.m.zones[text]; ok {
		return z, true
	}
	if r.m.otherZone != "" {
		return r.m.otherZone, true
	}
	if len(r.m.zones) > 0 {
		r.problem(i, &r.m.zone, text, fmt.Sprintf("is not in the map; add zone %s = its name here, or any other zone", clip(text)))
		return "", false
	}
	if err := checkName(text); err != nil {
		r.problem(i, &r.m.zone, "", err.Error())
		return "", false
	}
	return text, true
}

func (r *reader) optionsOf(rows []int) []string {
	set := map[string]bool{}
	for _, i := range rows {
		for _, o := range strings.Split(r.cell(i, &r.m.options), r.m.optionSeparator) {
			if o = strings.TrimSpace(o); o == "" {
				continue
			}
			if err := checkName(o); err != nil {
				r.problem(i, &r.m.options, "", err.Error())
				continue
			}
			set[o] = true
		}
	}
	return slices.Sorted(maps.Keys(set))
}

// agreed is an amount of the whole order, rounded once to the currency's digits.
func (r *reader) agreed(rows []int, f *field) (amount *num.Money) {
	r.same(rows, f, func(i int, text string) (string, bool) {
		v, ok := r.amount(i, f, text)
		if ok && amount == nil {
			rounded := v.Round(r.ctx.Digits)
			amount = &rounded
		}
		return v.String(), ok
	})
	return amount
}

func (r *reader) amount(i int, f *field, text string) (num.Money, bool) {
	v, err := r.money.money(text)
	if err == nil && v.Sign() < 0 {
		err = fmt.Errorf("is below zero; an order's amounts are 0 or more, so correct it or leave the column out of the map")
	}
	if err != nil {
		r.problem(i, f, text, err.Error())
		return num.Money{}, false
	}
	return v, true
}

// valueOf is the order's value as its own column gives it, else the sum of its lines.
func (r *reader) valueOf(rows []int) *num.Money {
	if r.m.orderValue.given() {
		return r.agreed(rows, &r.m.orderValue)
	}
	f := &r.m.unitPrice
	if !f.given() {
		f = &r.m.lineValue
	}
	if !f.given() {
		return nil
	}
	var sum num.Money
	for _, i := range rows {
		text := r.cell(i, f)
		v, ok := r.amount(i, f, text)
		if !ok {
			continue
		}
		if f == &r.m.unitPrice {
			v = v.Times(r.pieces(i))
		}
		sum = sum.Add(v)
	}
	sum = sum.Round(r.ctx.Digits)
	return &sum
}

// pieces is the quantity of a row that goods has read already.
func (r *reader) pieces(i int) num.Qty {
	n := r.n
	if r.m.quantity.fixed != "" {
		n = numbers{decimal: '.'}
	}
	q, _ := n.pieces(r.cell(i, &r.m.quantity))
	return q.Abs()
}

// calledOff notes an order that is left out whole.
func (r *reader) calledOff(g *group, rows []int) {
	c := Cancelled{Order: g.number}
	var first time.Time
	for _, i := range rows {
		c.Rows = append(c.Rows, r.t.Number[i])
		// What is left out need not be readable.
		if t, _, err := r.readDate(i, &r.m.date); err == nil && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	if !first.IsZero() {
		c.ID = factID(first, r.ctx.ShopID, event.KindOrder, g.number)
	}
	r.out.Cancelled = append(r.out.Cancelled, c)
}
