package oracle

import (
	"math/big"

	"countback/ledger/event"
)

// lot is a quantity with its value: stock that is there, or (in a book's short list) stock that was used before it came.
type lot struct {
	q, v *big.Rat
	from event.ID // the restock that it came with, else zero
}

// book is one item under one costing. Under the average, what comes in is mixed into the single lot that is there.
type book struct {
	fifo  bool
	lots  []lot // oldest first; each of more than 0
	short []lot // shortfalls, oldest first
	pair  *lot  // what the issue that last took stock to zero or below found: all of it, or what was left of the newest layer
}

func sum(lots []lot) (q, v *big.Rat) {
	q, v = zero(), zero()
	for _, l := range lots {
		q, v = add(q, l.q), add(v, l.v)
	}
	return q, v
}

func (b *book) onHand() (q, v *big.Rat) {
	q, v = sum(b.lots)
	sq, sv := sum(b.short)
	return sub(q, sq), sub(v, sv)
}

// provisional is the cost of n where no stock says what it is.
func (b *book) provisional(n, estimate *big.Rat) *big.Rat {
	switch {
	case b.pair != nil:
		return roundMoney(quo(mul(n, b.pair.v), b.pair.q))
	case estimate != nil:
		return roundMoney(mul(n, estimate))
	}
	return zero()
}

// issue takes n out, from the layers of the restock named first (if any), and says what it cost and whether a part of it is provisional.
func (b *book) issue(n *big.Rat, first event.ID, estimate *big.Rat) (cost *big.Rat, short bool) {
	cost = zero()
	have, _ := sum(b.lots)
	if have.Sign() > 0 && !less(n, have) {
		newest := b.lots[len(b.lots)-1]
		b.pair = &newest
	}
	if b.fifo && !first.IsZero() {
		n = b.take(n, cost, func(l lot) bool { return l.from == first })
	}
	n = b.take(n, cost, func(lot) bool { return true })
	if n.Sign() > 0 {
		c := b.provisional(n, estimate)
		b.short = append(b.short, lot{q: n, v: c})
		cost.Add(cost, c)
		short = true
	}
	return cost, short
}

// take takes up to n out of the lots that it may use, oldest first, adds what they cost to cost, and returns what is still to be taken.
func (b *book) take(n, cost *big.Rat, use func(lot) bool) *big.Rat {
	var left []lot
	for _, l := range b.lots {
		if n.Sign() == 0 || !use(l) {
			left = append(left, l)
			continue
		}
		k := smaller(n, l.q)
		c := l.v
		if less(k, l.q) {
			c = roundMoney(quo(mul(k, l.v), l.q))
			left = append(left, lot{sub(l.q, k), sub(l.v, c), l.from})
		}
		cost.Add(cost, c)
		n = sub(n, k)
	}
	b.lots = left
	return n
}

// release takes m off the shortfalls, oldest first, and returns their provisional cost.
func (b *book) release(m *big.Rat) *big.Rat {
	old := book{lots: b.short}
	cost := zero()
	old.take(m, cost, func(lot) bool { return true })
	b.short = old.lots
	return cost
}

// increase brings n (above 0) in at cost c and returns what is adjusted because it settled shortfalls.
func (b *book) increase(n, c *big.Rat, from event.ID) (adjusted *big.Rat) {
	adjusted = zero()
	owed, _ := sum(b.short)
	if m := smaller(n, owed); m.Sign() > 0 {
		settled := roundMoney(quo(mul(c, m), n))
		adjusted = sub(settled, b.release(m))
		n, c = sub(n, m), sub(c, settled)
	}
	b.put(n, c, from)
	return adjusted
}

// found brings in n that a count saw beyond the book and that has no cost of its own, and returns what it is worth.
func (b *book) found(n, estimate *big.Rat) *big.Rat {
	owed, _ := sum(b.short)
	m := smaller(n, owed)
	cost := b.release(m)
	rest := sub(n, m)
	if rest.Sign() == 0 {
		return cost
	}
	var c *big.Rat
	if len(b.lots) > 0 {
		newest := b.lots[len(b.lots)-1]
		c = roundMoney(quo(mul(rest, newest.v), newest.q))
	} else {
		c = b.provisional(rest, estimate)
	}
	b.put(rest, c, event.ID{})
	return add(cost, c)
}

func (b *book) put(n, c *big.Rat, from event.ID) {
	if n.Sign() == 0 {
		return
	}
	if !b.fifo && len(b.lots) > 0 {
		b.lots[0].q, b.lots[0].v = add(b.lots[0].q, n), add(b.lots[0].v, c)
		return
	}
	b.lots = append(b.lots, lot{n, c, from})
}

// cheapen takes the share of a supplier's credit that is still on hand off the value and returns it.
func (b *book) cheapen(amount, received *big.Rat, restock event.ID) (lost *big.Rat) {
	lost = zero()
	if received.Sign() == 0 {
		return lost
	}
	for i, l := range b.lots {
		if b.fifo && l.from != restock {
			continue
		}
		share := smaller(roundMoney(quo(mul(amount, smaller(l.q, received)), received)), l.v)
		b.lots[i].v = sub(l.v, share)
		lost = add(lost, share)
	}
	return lost
}
