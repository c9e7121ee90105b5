package demo

import (
	"fmt"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
)

// purchase is something on order.
type purchase struct {
	id     event.ID
	from   int // supplier
	due    int // day it arrives
	lines  []buyLine
	second bool // what a first delivery lacked
}

type buyLine struct {
	item  int
	packs int
}

// board are the purchases of board stiffener, which is bought by the calendar and not by its stock.
var board = []struct{ day, bundles int }{
	{dayOf(2025, time.November, 18), 3},
	{dayOf(2026, time.January, 12), 2},
	{dayOf(2026, time.May, 19), 4},
	{dayOf(2026, time.September, 8), 4},
}

// lastBought are items that nobody thought of buying in autumn; they are ordered in the last days of the year, too late for it.
var lastBought = []struct {
	item string
	from int // day
}{
	{"seal", dayOf(2026, time.August, 20)},
	{"label-bend", dayOf(2026, time.September, 20)},
	{"stamp-us", dayOf(2026, time.October, 8)},
}

var remembered = dayOf(2026, time.October, 29)

func (y *year) forgotten(item string) bool {
	for _, l := range lastBought {
		if l.item == item && y.day >= l.from && y.day < remembered {
			return true
		}
	}
	return false
}

// buy orders from every supplier that has nothing on the way and of whose items one is low.
func (y *year) buy() {
	if onHoliday(y.day) || weekday(y.day) == time.Sunday || weekday(y.day) == time.Saturday {
		return
	}
	y.buyStamps()
	for s := range suppliers {
		if y.onOrder(s) && y.day != remembered {
			continue
		}
		if lines := y.shoppingList(suppliers[s].name); lines != nil {
			y.order(s, lines)
		}
	}
}

func (y *year) onOrder(s int) bool {
	for _, p := range y.buying {
		if p.from == s {
			return true
		}
	}
	return false
}

// coming reports whether an item is on order.
func (y *year) coming(item int) bool {
	for _, p := range y.buying {
		for _, l := range p.lines {
			if l.item == item {
				return true
			}
		}
	}
	return false
}

// shoppingList is nil unless something is low; then it holds what is nearly low too.
func (y *year) shoppingList(from string) []buyLine {
	if from == boardMill {
		for _, b := range board {
			if b.day == y.day {
				return []buyLine{{y.index["stiffener"], b.bundles}}
			}
		}
		return nil
	}
	var list []buyLine
	pressing := false
	for i, e := range y.items {
		low := milli(y.low(i)) * one
		if e.def.Supplier != from || e.lot == 0 || y.book[i] >= low*3/2 || y.forgotten(e.def.Item) || y.coming(i) {
			continue
		}
		pressing = pressing || y.book[i] < low
		lot := e.lot
		if busy(y.day) && e.def.Type == "supply" {
			lot += (lot + 1) / 2
		}
		list = append(list, buyLine{i, lot})
	}
	if !pressing {
		return nil
	}
	return list
}

func (y *year) order(s int, lines []buyLine) {
	y.bought++
	sup := suppliers[s]
	p := &event.Purchase{Supplier: sup.name, Ref: fmt.Sprintf("P-%03d", y.bought), Due: event.Date(date(y.day + sup.lead).Format("2006-01-02"))}
	for _, l := range lines {
		e := y.items[l.item]
		line := event.PurchaseLine{Item: e.def.Item, Qty: whole(l.packs), Pack: e.pack}
		if sup.currency == "" {
			line.Cost = cents(y.costOf(l))
		}
		p.Lines = append(p.Lines, line)
	}
	due := y.day + y.dice.between(sup.lead, sup.most)
	y.buying = append(y.buying, &purchase{id: y.emit(y.now(90, 200), p), from: s, due: atHome(due), lines: lines})
}

// atHome moves a delivery to a day on which somebody opens the door.
func atHome(day int) int {
	for weekday(day) == time.Sunday || onHoliday(day) {
		day++
	}
	return day
}

// costOf is a line's cost in cents; prices rose by four per cent in March.
func (y *year) costOf(l buyLine) int {
	c := y.items[l.item].price * l.packs
	if y.day >= dayOf(2026, time.March, 2) {
		c += c * 4 / 100
	}
	return c
}

// buyStamps records stamps bought over the counter, without a purchase before.
func (y *year) buyStamps() {
	for i, e := range y.items {
		if e.def.Supplier != counter || y.book[i] >= milli(y.low(i))*one || y.forgotten(e.def.Item) || y.day >= remembered {
			continue
		}
		l := buyLine{i, e.lot}
		if busy(y.day) {
			l.packs *= 2
		}
		n := wholep(l.packs)
		y.emit(y.now(60, 120), &event.Restock{Supplier: counter, Lines: []event.RestockLine{{Item: e.def.Item, Qty: n, Pack: e.pack, Cost: cents(y.costOf(l))}}})
		y.gain(i, milli(l.packs*e.size)*one)
	}
}

// receive takes in the deliveries of the day.
func (y *year) receive() {
	var left, more []*purchase
	for _, p := range y.buying {
		if p.due > y.day {
			left = append(left, p)
		} else if rest := y.deliver(p); rest != nil {
			more = append(more, rest)
		}
	}
	y.buying = append(left, more...)
}

// comesShort reports whether the next delivery of two packs or more lacks one: three times in the year.
func (y *year) comesShort() bool {
	at := [...]int{8, 19, 30}
	if y.short == len(at) || y.arrived < at[y.short] {
		return false
	}
	y.short++
	return true
}

// deliver records a delivery. Where a pack is missing it comes a few days later.
func (y *year) deliver(p *purchase) (rest *purchase) {
	y.arrived++
	sup := suppliers[p.from]
	r := &event.Restock{Supplier: sup.name, Ref: fmt.Sprintf("D-%04d", 2100+17*y.arrived), Purchase: p.id}
	goods := 0
	for k, l := range p.lines {
		e := y.items[l.item]
		line := event.RestockLine{Item: e.def.Item, Pack: e.pack}
		if k == 0 && l.packs > 1 && !p.second && sup.name != boardMill && y.comesShort() {
			line.Expected = wholep(l.packs)
			rest = &purchase{id: p.id, from: p.from, due: atHome(y.day + 5), lines: []buyLine{{l.item, 1}}, second: true}
			l.packs--
		}
		line.Qty = wholep(l.packs)
		cost := y.costOf(l)
		goods += cost
		line.Cost = cents(cost)
		r.Lines = append(r.Lines, line)
		y.gain(l.item, milli(l.packs*e.size)*one)
	}
	if rest == nil {
		r.Final = yes()
	}
	y.charges(r, sup, goods, p.second)
	y.enter(r)
	return rest
}

// charges adds freight, now and then a discount, and what a parcel from abroad costs.
func (y *year) charges(r *event.Restock, sup supplier, goods int, second bool) {
	if goods < sup.free && !second {
		r.Freight = cents(sup.freight)
	}
	if goods > 12000 && y.dice.once(6) {
		r.Discount = cents(goods / 20)
	}
	if sup.currency != "" {
		r.Currency = sup.currency
		rate, err := num.ParseRate(sup.rates[y.arrived%len(sup.rates)])
		if err != nil {
			panic(err) // a constant of this package
		}
		r.Rate = &rate
		r.Duty = cents(goods * 3 / 100)
	}
	if sup.name == boardMill && y.day > dayOf(2026, time.May, 1) && y.day < thinBoard+5 {
		r.Note = "this board feels thinner than the last"
	}
}

// enter records a delivery: mostly at once, sometimes a day or two late, twice with a slip that is put right.
func (y *year) enter(r *event.Restock) {
	t := y.now(300, 600)
	switch {
	case y.arrived == 11 || y.arrived == 28:
		wrong := *r
		wrong.Lines = append([]event.RestockLine(nil), r.Lines...)
		n, _ := r.Lines[0].Qty.Int()
		wrong.Lines[0].Qty = wholep(n * 10)
		id := y.emit(t, &wrong)
		y.in(2, func() {
			at := y.undo(id, "a nought too many")
			y.emitLate(t.Add(time.Minute), at.Add(time.Minute), r)
		})
	case y.dice.once(18):
		late := t.Add(time.Duration(y.dice.between(20, 50)) * time.Hour)
		y.emitLate(t, late, r)
	default:
		y.claim(y.emit(t, r), r)
	}
}

// claim asks a supplier for money back after some deliveries, or gets a later bill.
func (y *year) claim(id event.ID, r *event.Restock) {
	l := r.Lines[0]
	cost, _ := l.Cost.Scaled()
	whole := int(cost / 1_000_000)
	c := &event.Credit{Restock: id, Currency: r.Currency, Rate: r.Rate}
	switch y.arrived {
	case 6, 33:
		c.Reason = "corners crushed in transit"
		c.Lines = []event.CreditLine{{Item: l.Item, Amount: cents(whole / 10)}}
	case 17:
		c.Reason = "freight billed afterwards"
		c.Lines = []event.CreditLine{{Item: l.Item, Amount: cents(-850)}}
	case 24:
		n, _ := l.Qty.Int()
		c.Reason = "one pack too many, sent back"
		size := y.items[y.index[l.Item]].size
		c.Lines = []event.CreditLine{{Item: l.Item, Qty: wholep(size), Amount: cents(whole / n)}}
		y.in(4, func() { y.gain(y.index[l.Item], -milli(size)*one) })
	default:
		return
	}
	y.in(4, func() { y.emit(y.now(60, 120), c) })
}
