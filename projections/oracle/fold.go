package oracle

import (
	"math/big"
	"slices"

	"countback/ledger/event"
)

// stock is one item: a book for each costing, and the columns.
type stock struct {
	average, fifo book
	columns       map[Column]Amount
	stands        bool // a receipt, make or count stands: no count opens the item any more
}

func newStock() *stock {
	s := &stock{fifo: book{fifo: true}, columns: map[Column]Amount{}}
	for _, c := range Columns {
		s.columns[c] = Amount{zero(), zero(), zero()}
	}
	return s
}

func (s *stock) note(c Column, q *big.Rat, cost Cost) {
	a := s.columns[c]
	s.columns[c] = Amount{add(a.Qty, q), add(a.Average, cost.Average), add(a.FIFO, cost.FIFO)}
}

func (s *stock) increase(q *big.Rat, c Cost, from event.ID) {
	s.note(Adjusted, zero(), Cost{s.average.increase(q, c.Average, from), s.fifo.increase(q, c.FIFO, from)})
}

func (s *stock) out(id string) Item {
	q, a := s.average.onHand()
	qf, f := s.fifo.onHand()
	if q.Cmp(qf) != 0 {
		panic("oracle: the two costings disagree about the quantity of " + id)
	}
	return Item{ID: id, OnHand: q, Average: a, FIFO: f, Columns: s.columns,
		Layers: layers(s.fifo.lots), ShortAverage: layers(s.average.short), ShortFIFO: layers(s.fifo.short)}
}

func layers(lots []lot) []Layer {
	var list []Layer
	for _, l := range lots {
		list = append(list, Layer{l.q, l.v})
	}
	return list
}

func same(c *big.Rat) Cost { return Cost{c, c} }

func none() Cost { return Cost{zero(), zero()} }

func (c Cost) plus(d Cost) Cost { return Cost{add(c.Average, d.Average), add(c.FIFO, d.FIFO)} }

func (c Cost) minus(d Cost) Cost { return Cost{sub(c.Average, d.Average), sub(c.FIFO, d.FIFO)} }

// share returns c·n/of under each costing, rounded once.
func (c Cost) share(n, of *big.Rat) Cost {
	return Cost{roundMoney(quo(mul(c.Average, n), of)), roundMoney(quo(mul(c.FIFO, n), of))}
}

func (l *ledger) fold(e *event.Event, asserts map[event.ID][]assertion) {
	switch d := e.Data.(type) {
	case *event.Restock:
		l.restock(e, d)
	case *event.Credit:
		l.credit(e, d)
	case *event.Reprint:
		l.reprint(e, d)
	case *event.Pack:
		l.pack(e, d)
	case *event.Return:
		l.giveBack(e, d)
	case *event.Damage:
		l.damage(e, d)
	case *event.Count:
		for _, a := range asserts[e.ID] {
			l.assert(e, a)
		}
	}
}

// estimate returns the item's cost estimate in force, or nil.
func (l *ledger) estimate(item string, at *event.Event) *big.Rat {
	if c := l.def(item, at).UnitCost; c != nil {
		return rat(*c)
	}
	return nil
}

// issue takes q of an item out of both books.
func (l *ledger) issue(item string, q *big.Rat, restock event.ID, at *event.Event) (Cost, bool) {
	s, est := l.stocks[item], l.estimate(item, at)
	a, short := s.average.issue(q, restock, est)
	f, _ := s.fifo.issue(q, restock, est)
	return Cost{a, f}, short
}

func (l *ledger) restock(e *event.Event, d *event.Restock) {
	landed, _ := l.landed(d)
	for i, n := range d.Lines {
		s := l.stocks[n.Item]
		q, c := l.base(rat(*n.Qty), n.Item, "", n.Pack, e), same(landed[i])
		s.note(Bought, q, c)
		if q.Sign() == 0 {
			s.note(Adjusted, zero(), c)
			continue
		}
		s.stands = true
		s.increase(q, c, e.ID)
	}
}

func (l *ledger) credit(e *event.Event, d *event.Credit) {
	received := l.receivedOf(l.find(d.Restock))
	plain, back, goods := map[string]*big.Rat{}, map[string]*big.Rat{}, map[string]*big.Rat{}
	for _, n := range d.Lines {
		amount := rat(*n.Amount)
		if d.Rate != nil {
			amount = round(mul(amount, rat(*d.Rate)), l.in.Digits)
		}
		if n.Qty == nil {
			plus(plain, n.Item, amount)
		} else {
			plus(back, n.Item, amount)
			plus(goods, n.Item, rat(*n.Qty))
		}
	}
	for _, item := range keys(plain) {
		s, amount := l.stocks[item], plain[item]
		lost := Cost{s.average.cheapen(amount, received[item], d.Restock), s.fifo.cheapen(amount, received[item], d.Restock)}
		s.note(Credited, zero(), same(amount))
		s.note(Adjusted, zero(), lost.minus(same(amount)))
	}
	for _, item := range keys(back) {
		lost, _ := l.issue(item, goods[item], d.Restock, e)
		l.stocks[item].note(Credited, goods[item], same(back[item]))
		l.stocks[item].note(Adjusted, zero(), lost.minus(same(back[item])))
	}
}

// inputs returns what a run takes, by item with stock. It fails where parts go in a circle.
func (l *ledger) inputs(e *event.Event, d *event.Reprint) (map[string]*big.Rat, bool) {
	pieces := add(rat(*d.Good), rat(*d.Spoiled))
	use := map[string]*big.Rat{}
	if spec, ok := l.specAt(event.KindMakeSpec, d.Item, d.Spec, e).(*event.MakeSpec); ok {
		cycles := ceil(quo(pieces, rat(spec.Pieces)))
		if d.Cycles != nil {
			cycles = rat(*d.Cycles)
		}
		for _, n := range spec.Lines {
			times := map[string]*big.Rat{"cycle": cycles, "piece": pieces}[n.Per]
			if n.Every != nil {
				times = ceil(quo(times, rat(*n.Every)))
			}
			plus(use, n.Item, roundQty(mul(l.base(rat(n.Qty), n.Item, n.Measure, n.Pack, e), times)))
		}
	}
	return l.used(use, d.Changes, e)
}

// used applies the changes to what specs use, by the names that stand in the specs, and turns names into items with stock.
func (l *ledger) used(use map[string]*big.Rat, changes []event.Change, e *event.Event) (map[string]*big.Rat, bool) {
	qty := func(q *big.Rat, c event.Change) *big.Rat { return l.base(q, c.Item, c.Measure, "", e) }
	for _, c := range changes {
		if c.Total != nil && c.InsteadOf != "" {
			use[c.InsteadOf] = zero()
			plus(use, c.Item, qty(rat(*c.Total), c))
		}
	}
	for _, c := range changes {
		if c.Total != nil && c.InsteadOf == "" {
			use[c.Item] = qty(rat(*c.Total), c)
		}
	}
	for _, c := range changes {
		if c.Qty != nil {
			plus(use, c.Item, qty(rat(*c.Qty), c))
		}
	}
	items := map[string]*big.Rat{}
	for _, name := range keys(use) {
		if use[name].Sign() <= 0 {
			continue
		}
		parts, ok := l.leaves(name, use[name], e)
		if !ok {
			return nil, false
		}
		for _, item := range keys(parts) {
			plus(items, item, parts[item])
		}
	}
	return items, true
}

func (l *ledger) reprint(e *event.Event, d *event.Reprint) {
	inputs, _ := l.inputs(e, d)
	total, provisional := none(), false
	for _, item := range keys(inputs) {
		c, short := l.issue(item, inputs[item], event.ID{}, e)
		l.stocks[item].note(IntoRuns, inputs[item], c)
		total, provisional = total.plus(c), provisional || short
	}
	good, spoiled := rat(*d.Good), rat(*d.Spoiled)
	if d.Order != "" {
		l.order(d.Order).run(d.Item, good, total, provisional)
		return
	}
	normal := zero()
	if spec, ok := l.specAt(event.KindMakeSpec, d.Item, d.Spec, e).(*event.MakeSpec); ok && spec.NormalSpoilage != nil {
		normal = rat(*spec.NormalSpoilage)
	}
	loss := total
	if good.Sign() > 0 {
		n := add(good, spoiled)
		abnormal := sub(spoiled, mul(normal, n))
		if abnormal.Sign() < 0 {
			abnormal = zero()
		}
		loss = total.share(abnormal, n)
	}
	s := l.stocks[d.Item]
	s.note(Made, good, total)
	s.note(Lost, zero(), loss)
	if good.Sign() > 0 {
		s.stands = true
		s.increase(good, total.minus(loss), event.ID{})
	}
}

func (l *ledger) damage(e *event.Event, d *event.Damage) {
	column := Lost
	switch d.Reason {
	case "sample", "gift":
		column = Given
	case "own_use":
		column = OwnUse
	}
	parts, _ := l.leaves(d.Item, l.base(rat(d.Qty), d.Item, d.Measure, "", e), e)
	for _, item := range keys(parts) {
		if parts[item].Sign() == 0 {
			continue
		}
		c, _ := l.issue(item, parts[item], event.ID{}, e)
		l.stocks[item].note(column, parts[item], c)
	}
}

// onOrder sums what purchases are still waiting for.
func (l *ledger) onOrder() map[string]*big.Rat {
	open := map[string]*big.Rat{}
	for _, e := range l.all {
		d, ok := e.Data.(*event.Purchase)
		if !ok || !l.counts(e) {
			continue
		}
		ordered, got, final := map[string]*big.Rat{}, map[string]*big.Rat{}, false
		for _, n := range d.Lines {
			plus(ordered, n.Item, l.base(rat(n.Qty), n.Item, "", n.Pack, e))
		}
		for _, r := range l.all {
			if rd, ok := r.Data.(*event.Restock); ok && l.counts(r) && rd.Purchase == e.ID {
				final = final || rd.Final != nil
				for item, q := range l.receivedOf(r) {
					plus(got, item, q)
				}
			}
		}
		for item, q := range ordered {
			if due := sub(q, at0(got, item)); !final && due.Sign() > 0 {
				plus(open, item, due)
			}
		}
	}
	return open
}

// named reports whether list holds s.
func named(list []string, s string) bool { return slices.Contains(list, s) }
