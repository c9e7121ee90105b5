package book

import (
	"countback/ledger/event"
	"countback/ledger/num"
)

// Costing indexes a pair of amounts.
type Costing int

// The two costings.
const (
	Average Costing = iota
	FIFO
)

// Costings lists them in order.
var Costings = [2]Costing{Average, FIFO}

// ParseCosting reads the word of a shop event; everything but "fifo" is the average.
func ParseCosting(s string) Costing {
	if s == "fifo" {
		return FIFO
	}
	return Average
}

func (c Costing) String() string {
	if c == FIFO {
		return "fifo"
	}
	return "average"
}

// Amounts is one amount under each costing.
type Amounts [2]num.Money

// Same returns the pair that has m under both costings.
func Same(m num.Money) Amounts { return Amounts{m, m} }

// Add returns a + b.
func (a Amounts) Add(b Amounts) Amounts { return Amounts{a[0].Add(b[0]), a[1].Add(b[1])} }

// Raise adds by to a. It does what Add does, for the innermost loops: the compiler hands pairs over through memory.
func (a *Amounts) Raise(by *Amounts) { a[0], a[1] = a[0].Add(by[0]), a[1].Add(by[1]) }

// Sub returns a - b.
func (a Amounts) Sub(b Amounts) Amounts { return Amounts{a[0].Sub(b[0]), a[1].Sub(b[1])} }

// Neg returns -a.
func (a Amounts) Neg() Amounts { return Amounts{a[0].Neg(), a[1].Neg()} }

// Part returns a·n/of, each rounded once.
func (a Amounts) Part(n, of num.Qty) Amounts { return Amounts{a[0].Part(n, of), a[1].Part(n, of)} }

// IsZero reports whether both are 0.
func (a Amounts) IsZero() bool { return a[0].IsZero() && a[1].IsZero() }

// Layer is what is left of one increase.
type Layer struct {
	Qty    num.Qty
	Value  num.Money
	Source event.ID // the event that brought it
}

// Shortfall is what left before it came, at a provisional cost.
type Shortfall struct {
	Qty  num.Qty
	Cost Amounts
}

// pair is a value and the quantity that it stood for: a unit cost that is never rounded by itself.
type pair struct {
	Value num.Money
	Qty   num.Qty
}

// Account is the stock of one item. The zero Account is empty.
type Account struct {
	qty    num.Qty // on hand, 0 while there are shortfalls
	avg    num.Money
	fifo   num.Money // the layers' sum
	layers []Layer
	short  []Shortfall
	owed   Shortfall // the queue's sum: it may be long, and every report asks for it
	last   [2]pair   // before the issue that last took stock to zero or below
}

// OnHand returns the quantity, below 0 where there are shortfalls.
func (a *Account) OnHand() num.Qty {
	return a.qty.Sub(a.owed.Qty)
}

// Value returns what is on hand at cost, or minus the provisional cost of the shortfalls.
func (a *Account) Value() Amounts {
	return Amounts{a.avg, a.fifo}.Sub(a.owed.Cost)
}

// Layers returns the first-in first-out layers, oldest first. They are the account's own: read them only.
func (a *Account) Layers() []Layer { return a.layers }

// Shortfalls returns the queue, oldest first. It is the account's own: read it only.
func (a *Account) Shortfalls() []Shortfall { return a.short }

// Receive adds n, above 0, at a known cost, after it has settled shortfalls. It returns what is adjusted: the cost
// of the settled part minus the provisional cost that it releases.
func (a *Account) Receive(n num.Qty, cost Amounts, source event.ID) (adjusted Amounts) {
	settled, released := a.settle(n)
	if settled.IsZero() {
		a.enter(n, cost, source)
		return Amounts{}
	}
	part := cost
	if settled.Cmp(n) < 0 {
		part = cost.Part(settled, n)
		a.enter(n.Sub(settled), cost.Sub(part), source)
	}
	return part.Sub(released)
}

func (a *Account) enter(n num.Qty, cost Amounts, source event.ID) {
	a.qty = a.qty.Add(n)
	a.avg = a.avg.Add(cost[Average])
	a.fifo = a.fifo.Add(cost[FIFO])
	a.layers = append(a.layers, Layer{n, cost[FIFO], source})
}

// settle takes up to n from the queue, and returns how much and at which provisional cost it had left.
func (a *Account) settle(n num.Qty) (settled num.Qty, released Amounts) {
	for len(a.short) > 0 && settled.Less(n) {
		s := &a.short[0]
		rest := n.Sub(settled)
		if s.Qty.Cmp(rest) <= 0 {
			settled = settled.Add(s.Qty)
			released = released.Add(s.Cost)
			a.short = a.short[1:]
			continue
		}
		part := s.Cost.Part(rest, s.Qty)
		s.Qty = s.Qty.Sub(rest)
		s.Cost = s.Cost.Sub(part)
		settled = n
		released = released.Add(part)
	}
	a.owed.Qty = a.owed.Qty.Sub(settled)
	a.owed.Cost = a.owed.Cost.Sub(released)
	return settled, released
}

// Issued is what an issue took.
type Issued struct {
	Cost        Amounts
	Provisional bool // some of it left before it came
	NoCost      bool // and no cost is known for that
}

// Issue takes n, above 0. What is not on hand becomes a shortfall at the provisional unit cost; estimate is the item's
// own unit cost, if it has one.
func (a *Account) Issue(n num.Qty, estimate *num.Money) Issued {
	return a.issue(n, estimate, event.ID{}, false)
}

// GiveBack is an issue that takes the layers of source first: goods that go back to the supplier.
func (a *Account) GiveBack(n num.Qty, estimate *num.Money, source event.ID) Issued {
	return a.issue(n, estimate, source, true)
}

// Take is Issue where n is less than what is on hand, which is nearly always, and sets the cost; it returns false, and nothing is taken, where it isn't.
func (a *Account) Take(n num.Qty, cost *Amounts) bool {
	if !n.Less(a.qty) {
		return false
	}
	cost[Average], cost[FIFO] = a.avg.Part(n, a.qty), a.takeOldest(n)
	a.lower(n, cost)
	return true
}

func (a *Account) lower(n num.Qty, cost *Amounts) {
	a.qty = a.qty.Sub(n)
	a.avg = a.avg.Sub(cost[Average])
	a.fifo = a.fifo.Sub(cost[FIFO])
}

func (a *Account) issue(n num.Qty, estimate *num.Money, source event.ID, sourceFirst bool) Issued {
	if n.Less(a.qty) {
		cost := Amounts{a.avg.Part(n, a.qty)}
		if sourceFirst {
			cost[FIFO] = a.takeSource(n, source)
		} else {
			cost[FIFO] = a.takeOldest(n)
		}
		a.lower(n, &cost)
		return Issued{Cost: cost}
	}
	var out Issued
	rest := n.Sub(a.qty)
	if a.qty.Sign() > 0 {
		newest := a.layers[len(a.layers)-1]
		a.last = [2]pair{{a.avg, a.qty}, {newest.Value, newest.Qty}}
		out.Cost = Amounts{a.avg, a.fifo}
		a.qty, a.avg, a.fifo = num.Qty{}, num.Money{}, num.Money{}
		a.layers = a.layers[:0]
	}
	if rest.Sign() > 0 {
		cost, known := a.provisional(rest, estimate)
		out.Cost = out.Cost.Add(cost)
		out.Provisional, out.NoCost = true, !known
		a.short = append(a.short, Shortfall{rest, cost})
		a.owed = Shortfall{a.owed.Qty.Add(rest), a.owed.Cost.Add(cost)}
	}
	return out
}

// takeOldest takes n, less than what is on hand, from the layers, oldest first.
func (a *Account) takeOldest(n num.Qty) (cost num.Money) {
	for {
		l := &a.layers[0]
		if n.Cmp(l.Qty) < 0 {
			return cost.Add(l.take(n))
		}
		cost = cost.Add(l.Value)
		n = n.Sub(l.Qty)
		a.layers = a.layers[1:]
		if n.IsZero() {
			return cost
		}
	}
}

func (l *Layer) take(n num.Qty) num.Money {
	c := l.Value.Part(n, l.Qty)
	l.Qty = l.Qty.Sub(n)
	l.Value = l.Value.Sub(c)
	return c
}

// takeSource takes n, less than what is on hand, from the layers of source, oldest first, then from the others.
func (a *Account) takeSource(n num.Qty, source event.ID) (cost num.Money) {
	kept := make([]Layer, 0, len(a.layers))
	for _, l := range a.layers {
		if l.Source == source && n.Sign() > 0 {
			if l.Qty.Cmp(n) <= 0 {
				cost = cost.Add(l.Value)
				n = n.Sub(l.Qty)
				continue
			}
			cost = cost.Add(l.take(n))
			n = num.Qty{}
		}
		kept = append(kept, l)
	}
	a.layers = kept
	if n.Sign() > 0 {
		cost = cost.Add(a.takeOldest(n))
	}
	return cost
}

// provisional is the cost of n at the provisional unit cost, and whether any is known.
func (a *Account) provisional(n num.Qty, estimate *num.Money) (Amounts, bool) {
	switch {
	case a.last[0].Qty.Sign() > 0:
		return Amounts{
			a.last[Average].Value.Part(n, a.last[Average].Qty),
			a.last[FIFO].Value.Part(n, a.last[FIFO].Qty),
		}, true
	case estimate != nil:
		return Same(estimate.Times(n)), true
	}
	return Amounts{}, false
}

// UnitCost returns value ÷ on hand rounded once, or at and below zero the provisional unit cost; false if none is known.
func (a *Account) UnitCost(estimate *num.Money) (Amounts, bool) {
	one := num.Whole(1)
	if a.qty.Sign() > 0 {
		return Amounts{a.avg.Part(one, a.qty), a.fifo.Part(one, a.qty)}, true
	}
	return a.provisional(one, estimate)
}

// Gain adds n, above 0, that a count found, at the unit cost in force; shortfalls are settled at their own provisional cost, so
// nothing is adjusted. It returns the value gained, and false where no cost was known for some of it.
func (a *Account) Gain(n num.Qty, estimate *num.Money, source event.ID) (value Amounts, known bool) {
	known = true
	settled, value := a.settle(n)
	if n = n.Sub(settled); n.Sign() > 0 {
		var cost Amounts
		if a.qty.Sign() > 0 {
			newest := a.layers[len(a.layers)-1]
			cost = Amounts{a.avg.Part(n, a.qty), newest.Value.Part(n, newest.Qty)}
		} else {
			cost, known = a.provisional(n, estimate)
		}
		a.enter(n, cost, source)
		value = value.Add(cost)
	}
	return value, known
}

// Credit lowers the value of what is still on hand of a receipt by its share of amount (negative: raises it) and returns by how
// much: by average amount·min(1, on hand/received), first in first out amount·left/received for each of the
// receipt's layers; never more than the value there is.
func (a *Account) Credit(amount num.Money, received num.Qty, source event.ID) (lost Amounts) {
	if a.qty.Sign() <= 0 || received.Sign() <= 0 {
		return Amounts{}
	}
	lost[Average] = num.Min(amount.Part(num.Min(a.qty, received), received), a.avg)
	a.avg = a.avg.Sub(lost[Average])
	for i := range a.layers {
		l := &a.layers[i]
		if l.Source != source {
			continue
		}
		part := num.Min(amount.Part(l.Qty, received), l.Value)
		l.Value = l.Value.Sub(part)
		lost[FIFO] = lost[FIFO].Add(part)
	}
	a.fifo = a.fifo.Sub(lost[FIFO])
	return lost
}
