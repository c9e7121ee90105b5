package oracle

import (
	"math/big"

	"countback/ledger/event"
)

// order is what has happened to one order number so far.
type order struct {
	placed   *placed // what holds since the first pack that moved
	moved    []moved
	runs     int
	parcels  int
	supplied map[string]*big.Rat // pieces of its runs that no pack has used yet
	taken    []taken
	goods    Cost
	packing  Cost
	postage  *big.Rat
	zone     string
	lines    map[string]*OrderLine
}

// placed is an order as its packs see it.
type placed struct {
	zone    string
	lines   map[string]*big.Rat
	options []string
}

// moved is a pack that moved stock.
type moved struct {
	e      *event.Event
	lines  map[string]*big.Rat
	resend bool
}

// taken is what one pack took from stock of one item as goods, less what came back.
type taken struct {
	item string
	q    *big.Rat
	cost Cost
}

func (l *ledger) order(number string) *order {
	o := l.orders[number]
	if o == nil {
		o = &order{supplied: map[string]*big.Rat{}, goods: none(), packing: none(), postage: zero(), lines: map[string]*OrderLine{}}
		l.orders[number] = o
	}
	return o
}

func (o *order) line(item string, q *big.Rat, c Cost, provisional bool) {
	n := o.lines[item]
	if n == nil {
		n = &OrderLine{Item: item, Qty: zero(), Average: zero(), FIFO: zero()}
		o.lines[item] = n
	}
	n.Qty, n.Average, n.FIFO = add(n.Qty, q), add(n.Average, c.Average), add(n.FIFO, c.FIFO)
	n.Provisional = n.Provisional || provisional
}

// run takes in a run that was made for the order.
func (o *order) run(item string, good *big.Rat, c Cost, provisional bool) {
	o.runs++
	plus(o.supplied, item, good)
	o.goods = o.goods.plus(c)
	o.line(item, good, c, provisional)
}

func (o *order) out(number string) Order {
	r := Order{Order: number, Zone: o.zone, Parcels: o.parcels, Goods: o.goods, Packing: o.packing, Postage: same(o.postage)}
	if len(o.moved) > 0 {
		r.Packed = o.moved[0].e.Time.Ms()
	}
	for _, item := range keys(o.lines) {
		r.Lines = append(r.Lines, *o.lines[item])
	}
	return r
}

// placedFor returns the order that holds for a pack: known whatever its time, and even if it was reversed. It returns nil where none is known.
func (l *ledger) placedFor(number string, o *order, e *event.Event) *placed {
	if o.placed != nil {
		return o.placed
	}
	var holds *event.Event
	for _, reversed := range []bool{false, true} {
		for _, k := range l.all {
			if d, ok := k.Data.(*event.Order); ok && d.Order == number && l.void[k.ID] == "" && l.gone[k.ID] == reversed && (holds == nil || before(k, e)) {
				holds = k
			}
		}
		if holds != nil {
			break
		}
	}
	if holds == nil {
		return nil
	}
	d := holds.Data.(*event.Order)
	return &placed{d.Zone, goodsOf(d.Lines), d.Options}
}

func goodsOf(lines []event.Goods) map[string]*big.Rat {
	m := map[string]*big.Rat{}
	for _, n := range lines {
		plus(m, n.Item, rat(n.Qty))
	}
	return m
}

func equal(a, b map[string]*big.Rat) bool {
	if len(a) != len(b) {
		return false
	}
	for k, q := range a {
		if b[k] == nil || b[k].Cmp(q) != 0 {
			return false
		}
	}
	return true
}

// decision returns the last decision about a pack, nil without one.
func (l *ledger) decision(pack event.ID) *bool {
	var keep *bool
	for _, e := range l.all {
		if d, ok := e.Data.(*event.Decide); ok && l.valid(e) && d.Event == pack {
			keep = d.Keep
		}
	}
	return keep
}

// moves reports whether a pack moves stock, and if not, whether it is pending.
func (l *ledger) moves(o *order, p *placed, m moved) (moves, pending bool) {
	keep := l.decision(m.e.ID)
	switch {
	case keep != nil:
		return *keep, false
	case m.resend:
		return true, false
	}
	used := map[string]*big.Rat{}
	for _, earlier := range o.moved {
		for item, q := range earlier.lines {
			if !earlier.resend {
				plus(used, item, q)
			}
		}
		if equal(earlier.lines, m.lines) && earlier.e.Device != m.e.Device && m.e.Time.Ms()-earlier.e.Time.Ms() <= day {
			return false, true
		}
	}
	for item, q := range m.lines {
		if less(at0(p.lines, item), add(at0(used, item), q)) {
			return false, true
		}
	}
	return true, false
}

func (l *ledger) pack(e *event.Event, d *event.Pack) {
	o := l.orders[d.Order]
	if o == nil {
		o = &order{supplied: map[string]*big.Rat{}}
	}
	m := moved{e: e, lines: goodsOf(d.Lines), resend: d.Resend != nil}
	p := l.placedFor(d.Order, o, e)
	switch {
	case d.Lines == nil && p == nil:
		l.void[e.ID] = "neither lines nor an order"
		return
	case d.Lines == nil:
		m.lines = p.lines
	case p == nil:
		p = &placed{d.Zone, m.lines, d.Options}
	}
	spec, _ := l.specAt(event.KindPackSpec, "", d.Spec, e).(*event.PackSpec)
	if spec == nil {
		spec = &event.PackSpec{}
	}
	units := l.unitsIn(m.lines, e)
	parcels, ok := l.parcels(d, m.lines, units, spec, e)
	if !ok {
		l.void[e.ID] = "parcels that aren't the pack's lines, or a format that isn't the spec's"
		return
	}
	use := l.packing(o, d, p, spec, units, parcels, e)
	packing, ok := l.used(use, d.Changes, e)
	if !ok {
		l.void[e.ID] = "parts in a circle"
		return
	}
	moves, pending := l.moves(o, p, m)
	if pending {
		l.pending = append(l.pending, e.ID)
	}
	if moves {
		l.move(l.order(d.Order), d, p, m, packing, parcels, e)
	}
}

// move takes a pack's goods and packing out of stock, each item once.
func (l *ledger) move(o *order, d *event.Pack, p *placed, m moved, packing map[string]*big.Rat, parcels []parcel, e *event.Event) {
	goods := map[string]*big.Rat{}
	for _, name := range keys(m.lines) {
		parts, _ := l.leaves(name, m.lines[name], e)
		for item, q := range parts {
			plus(goods, item, q)
		}
	}
	items := map[string]bool{}
	for item := range goods {
		made := smaller(goods[item], at0(o.supplied, item))
		plus(o.supplied, item, sub(zero(), made))
		goods[item] = sub(goods[item], made)
		items[item] = true
	}
	for item := range packing {
		items[item] = true
	}
	for _, item := range keys(items) {
		g, k := at0(goods, item), at0(packing, item)
		n := add(g, k)
		if n.Sign() == 0 {
			continue
		}
		c, short := l.issue(item, n, event.ID{}, e)
		cg := c
		if k.Sign() > 0 {
			cg = c.share(g, n)
		}
		ck := c.minus(cg)
		l.stocks[item].note(Sold, g, cg)
		l.stocks[item].note(Packed, k, ck)
		o.goods, o.packing = o.goods.plus(cg), o.packing.plus(ck)
		o.line(item, n, c, short)
		if g.Sign() > 0 {
			o.taken = append(o.taken, taken{item, g, cg})
		}
	}
	o.placed = p
	o.moved = append(o.moved, m)
	o.parcels += len(parcels)
	if d.Postage != nil {
		o.postage = add(o.postage, rat(*d.Postage))
	}
	o.zone = zoneOf(d, p)
}

func zoneOf(d *event.Pack, p *placed) string {
	if d.Zone != "" {
		return d.Zone
	}
	return p.zone
}

// giveBack brings saleable goods back at the cost with which the order's packs took them, last packed first.
func (l *ledger) giveBack(e *event.Event, d *event.Return) {
	back := map[string]*big.Rat{}
	for _, n := range d.Lines {
		if n.Condition != "saleable" {
			continue
		}
		parts, _ := l.leaves(n.Item, rat(n.Qty), e)
		for item, q := range parts {
			plus(back, item, q)
		}
	}
	o := l.orders[d.Order]
	if o == nil {
		return
	}
	for _, item := range keys(back) {
		left, q, cost := back[item], zero(), none()
		for i := len(o.taken) - 1; i >= 0 && left.Sign() > 0; i-- {
			t := &o.taken[i]
			if t.item != item || t.q.Sign() == 0 {
				continue
			}
			k := smaller(left, t.q)
			c := t.cost.share(k, t.q)
			t.q, t.cost = sub(t.q, k), t.cost.minus(c)
			left, q, cost = sub(left, k), add(q, k), cost.plus(c)
		}
		if q.Sign() == 0 {
			continue
		}
		l.stocks[item].note(Sold, sub(zero(), q), none().minus(cost))
		l.stocks[item].increase(q, cost, event.ID{})
		o.goods = o.goods.minus(cost)
		o.line(item, sub(zero(), q), none().minus(cost), false)
	}
}
