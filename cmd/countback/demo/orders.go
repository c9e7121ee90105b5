package demo

import (
	"strconv"

	"countback/ledger/event"
)

// order is an order as the generator follows it.
type order struct {
	id      event.ID
	number  string
	zone    string
	lines   []event.Goods // as placed
	left    []event.Goods // not packed yet
	options []string
	placed  int  // day
	begun   bool // a part has gone out
}

// placeOrders records a day's orders: many small chances, each at its own time of the day, so that their number is nearly Poisson's.
func (y *year) placeOrders() {
	const chances = 256
	from, to := hm(7, 0), hm(23, 0)
	if y.day == 0 {
		from = hm(11, 0)
	}
	if y.day == yearDays-1 {
		to = hm(17, 59)
	}
	for range chances {
		hit := y.dice.below(chances*10000) < ordersPerDay(y.day)
		s := y.dice.between(hm(7, 0), hm(23, 0)-1)
		if hit && s >= from && s < to {
			y.placeOrder(s)
		}
	}
}

func (y *year) placeOrder(s int) {
	y.number++
	o := &order{number: strconv.Itoa(y.number), placed: y.day}
	o.zone = []string{home, states, europe, world}[y.dice.pick(70, 20, 6, 4)]
	o.lines = y.basket()
	o.left = o.lines
	if y.dice.below(100) < 8 {
		o.options = []string{giftWrap}
	}
	value := 0
	for _, l := range o.lines {
		n, _ := l.Qty.Int()
		price, _ := y.items[y.index[l.Item]].def.Price.Scaled()
		value += n * int(price/1_000_000)
	}
	ship := map[string]int{home: 350, states: 590, europe: 890, world: 990}[o.zone]
	if value >= 4500 {
		ship *= 2
	}
	if len(o.options) > 0 {
		value += 300
	}
	o.id = y.emit(clock(y.day, s), &event.Order{Order: o.number, Zone: o.zone, Lines: o.lines, Options: o.options, Value: cents(value), Shipping: cents(ship)})
	if y.dice.once(320) {
		y.in(1, func() { y.undo(o.id, "called off by the customer before it was packed") })
		return
	}
	y.orders = append(y.orders, o)
}

// basket draws one to four different goods.
func (y *year) basket() []event.Goods {
	late := date(y.day).Month() >= 11
	weights := make([]int, len(y.items))
	for i, e := range y.items {
		weights[i] = e.weight
		if late {
			weights[i] = e.winter
		}
	}
	var lines []event.Goods
	for range 1 + y.dice.pick(54, 29, 12, 5) {
		i := y.dice.pick(weights...)
		weights[i] = 0
		n := 1 + y.dice.pick(88, 10, 2)
		if y.items[i].def.Class == "card" {
			n = 1 + y.dice.pick(60, 23, 10, 5, 2)
		}
		lines = append(lines, event.Goods{Item: y.items[i].def.Item, Qty: whole(n)})
	}
	return lines
}

// pieces returns the stock that lines of goods take: a set takes its cards.
func (y *year) pieces(lines []event.Goods) amounts {
	var list amounts
	for _, l := range lines {
		def := y.items[y.index[l.Item]].def
		if def.Parts == nil {
			list.add(y.index[l.Item], millis(l.Qty))
		}
		for _, p := range def.Parts {
			list.add(y.index[p.Item], millis(p.Qty.Times(l.Qty)))
		}
	}
	return list
}
