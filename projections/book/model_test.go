package book_test

import (
	"math/big"
	"slices"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
)

// model is a slow account in plain fractions, written from the rules (figures, section 3) and not from the code: every cost is worked out as
// a fraction and rounded once, and sums are summed anew each time.
type model struct {
	qty, avg *big.Rat
	layers   []modelLayer
	queue    []modelShort
	pair     *[2][2]*big.Rat // value and quantity, average and first in first out
}

type modelLayer struct {
	qty, value *big.Rat
	source     event.ID
}

type modelShort struct {
	qty  *big.Rat
	cost [2]*big.Rat
}

func newModel() *model { return &model{qty: zero(), avg: zero()} }

// clone copies the model; its fractions are never changed in place.
func (m *model) clone() *model {
	c := *m
	c.layers, c.queue = slices.Clone(m.layers), slices.Clone(m.queue)
	return &c
}

func zero() *big.Rat              { return new(big.Rat) }
func sum(a, b *big.Rat) *big.Rat  { return new(big.Rat).Add(a, b) }
func less(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }
func lesser(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) < 0 {
		return a
	}
	return b
}

// share is v·n/of to 8 places, halves to the even neighbour.
func share(v, n, of *big.Rat) *big.Rat {
	x := new(big.Rat).Mul(v, n)
	x.Quo(x, of)
	x.Mul(x, big.NewRat(100_000_000, 1))
	down := new(big.Int).Div(x.Num(), x.Denom()) // the denominator is above 0: rounds down
	rest := new(big.Rat).Sub(x, new(big.Rat).SetInt(down))
	switch rest.Cmp(big.NewRat(1, 2)) {
	case 1:
		down.Add(down, big.NewInt(1))
	case 0:
		down.Add(down, new(big.Int).And(down, big.NewInt(1)))
	}
	return new(big.Rat).SetFrac(down, big.NewInt(100_000_000))
}

func (m *model) owed() modelShort {
	all := modelShort{zero(), [2]*big.Rat{zero(), zero()}}
	for _, s := range m.queue {
		all.qty = sum(all.qty, s.qty)
		all.cost = [2]*big.Rat{sum(all.cost[0], s.cost[0]), sum(all.cost[1], s.cost[1])}
	}
	return all
}

func (m *model) onHand() *big.Rat { return less(m.qty, m.owed().qty) }

func (m *model) layered() *big.Rat {
	v := zero()
	for _, l := range m.layers {
		v = sum(v, l.value)
	}
	return v
}

func (m *model) value() [2]*big.Rat {
	o := m.owed()
	return [2]*big.Rat{less(m.avg, o.cost[0]), less(m.layered(), o.cost[1])}
}

// settle takes up to n off the queue.
func (m *model) settle(n *big.Rat) (taken *big.Rat, cost [2]*big.Rat) {
	taken, cost = zero(), [2]*big.Rat{zero(), zero()}
	var rest []modelShort
	for _, s := range m.queue {
		k := lesser(s.qty, less(n, taken))
		if k.Sign() == 0 {
			rest = append(rest, s)
			continue
		}
		taken = sum(taken, k)
		left := modelShort{qty: less(s.qty, k)}
		for c := range 2 {
			part := share(s.cost[c], k, s.qty)
			cost[c] = sum(cost[c], part)
			left.cost[c] = less(s.cost[c], part)
		}
		if left.qty.Sign() > 0 {
			rest = append(rest, left)
		}
	}
	m.queue = rest
	return taken, cost
}

func (m *model) enter(n *big.Rat, cost [2]*big.Rat, source event.ID) {
	m.qty, m.avg = sum(m.qty, n), sum(m.avg, cost[0])
	m.layers = append(m.layers, modelLayer{n, cost[1], source})
}

func (m *model) receive(n, cost *big.Rat, source event.ID) (adjusted [2]*big.Rat) {
	taken, released := m.settle(n)
	part := share(cost, taken, n)
	if n.Cmp(taken) > 0 {
		m.enter(less(n, taken), [2]*big.Rat{less(cost, part), less(cost, part)}, source)
	}
	if taken.Sign() == 0 {
		return [2]*big.Rat{zero(), zero()}
	}
	return [2]*big.Rat{less(part, released[0]), less(part, released[1])}
}

// provisional is the cost of n that isn't there.
func (m *model) provisional(n, estimate *big.Rat) (cost [2]*big.Rat, known bool) {
	switch {
	case m.pair != nil:
		return [2]*big.Rat{share(m.pair[0][0], n, m.pair[0][1]), share(m.pair[1][0], n, m.pair[1][1])}, true
	case estimate != nil:
		c := share(estimate, n, big.NewRat(1, 1))
		return [2]*big.Rat{c, c}, true
	}
	return [2]*big.Rat{zero(), zero()}, false
}

// issue takes n; layers of source go first where there is one.
func (m *model) issue(n, estimate *big.Rat, source *event.ID) (cost [2]*big.Rat, provisional, noCost bool) {
	there := lesser(n, m.qty)
	cost = [2]*big.Rat{zero(), zero()}
	if n.Cmp(m.qty) >= 0 && m.qty.Sign() > 0 {
		newest := m.layers[len(m.layers)-1]
		m.pair = &[2][2]*big.Rat{{m.avg, m.qty}, {newest.value, newest.qty}}
	}
	if there.Sign() > 0 {
		cost[0] = share(m.avg, there, m.qty)
		cost[1] = m.takeLayers(there, source)
		m.qty, m.avg = less(m.qty, there), less(m.avg, cost[0])
	}
	if rest := less(n, there); rest.Sign() > 0 {
		more, known := m.provisional(rest, estimate)
		m.queue = append(m.queue, modelShort{rest, more})
		return [2]*big.Rat{sum(cost[0], more[0]), sum(cost[1], more[1])}, true, !known
	}
	return cost, false, false
}

func (m *model) takeLayers(n *big.Rat, source *event.ID) *big.Rat {
	cost := zero()
	take := func(only *event.ID) {
		for i := range m.layers {
			l := &m.layers[i]
			k := lesser(l.qty, n)
			if only != nil && l.source != *only || k.Sign() == 0 {
				continue
			}
			part := share(l.value, k, l.qty)
			cost, n = sum(cost, part), less(n, k)
			l.qty, l.value = less(l.qty, k), less(l.value, part)
		}
	}
	if source != nil {
		take(source)
	}
	take(nil)
	var rest []modelLayer
	for _, l := range m.layers {
		if l.qty.Sign() > 0 {
			rest = append(rest, l)
		}
	}
	m.layers = rest
	return cost
}

func (m *model) gain(n, estimate *big.Rat, source event.ID) (value [2]*big.Rat, known bool) {
	taken, value := m.settle(n)
	rest := less(n, taken)
	if rest.Sign() == 0 {
		return value, true
	}
	cost, known := m.provisional(rest, estimate)
	if m.qty.Sign() > 0 {
		newest := m.layers[len(m.layers)-1]
		cost, known = [2]*big.Rat{share(m.avg, rest, m.qty), share(newest.value, rest, newest.qty)}, true
	}
	m.enter(rest, cost, source)
	return [2]*big.Rat{sum(value[0], cost[0]), sum(value[1], cost[1])}, known
}

func (m *model) credit(amount, received *big.Rat, source event.ID) (lost [2]*big.Rat) {
	lost = [2]*big.Rat{zero(), zero()}
	if m.qty.Sign() == 0 {
		return lost
	}
	lost[0] = lesser(share(amount, lesser(m.qty, received), received), m.avg)
	m.avg = less(m.avg, lost[0])
	for i := range m.layers {
		if l := &m.layers[i]; l.source == source {
			part := lesser(share(amount, l.qty, received), l.value)
			l.value, lost[1] = less(l.value, part), sum(lost[1], part)
		}
	}
	return lost
}

func rat(t rapid.TB, text string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		t.Fatalf("%q is no number", text)
	}
	return r
}

func ratOf(t rapid.TB, n interface{ String() string }) *big.Rat { return rat(t, n.String()) }

func ratOrNil(t rapid.TB, m *num.Money) *big.Rat {
	if m == nil {
		return nil
	}
	return ratOf(t, *m)
}

// same compares an account's amounts with the model's.
func same(t rapid.TB, what string, got book.Amounts, want [2]*big.Rat) {
	t.Helper()
	for _, c := range book.Costings {
		if ratOf(t, got[c]).Cmp(want[c]) != 0 {
			t.Fatalf("%s by %s: %s, the model says %s", what, c, got[c], want[c].FloatString(8))
		}
	}
}
