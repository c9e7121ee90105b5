package oracle

import (
	"math/big"

	"countback/ledger/event"
)

// checkFacts voids the facts that refer to what isn't there. Orders are checked even where they are reversed, since packs still know them.
func (l *ledger) checkFacts() {
	for _, e := range l.all {
		if e.Kind == event.KindRestock || e.Kind == event.KindPurchase { // others refer to these
			l.checkFact(e)
		}
	}
	for _, e := range l.all {
		if e.Kind != event.KindRestock && e.Kind != event.KindPurchase {
			l.checkFact(e)
		}
	}
}

func (l *ledger) checkFact(e *event.Event) {
	if e.Data == nil || l.void[e.ID] != "" || l.gone[e.ID] && e.Kind != event.KindOrder && e.Kind != event.KindPurchase {
		return
	}
	why := ""
	switch d := e.Data.(type) {
	case *event.Order:
		why = l.checkGoods(d.Lines, e)
	case *event.Pack:
		why = l.checkPack(d, e)
	case *event.Return:
		for _, n := range d.Lines {
			why = first(why, l.checkNamed(n.Item, e))
		}
	case *event.Purchase:
		for _, n := range d.Lines {
			why = first(why, l.checkStocked(n.Item, n.Pack, e))
		}
	case *event.Restock:
		why = l.checkRestock(d, e)
	case *event.Credit:
		why = l.checkCredit(d)
	case *event.Reprint:
		why = l.checkStocked(d.Item, "", e)
		why = first(why, l.checkChanges(d.Changes, e))
		if !l.namedOK(event.KindMakeSpec, d.Item, d.Spec) {
			why = first(why, "its spec isn't there")
		}
		if why == "" {
			if _, ok := l.inputs(e, d); !ok {
				why = "parts in a circle"
			}
		}
	case *event.Damage:
		why = l.checkNamed(d.Item, e)
		if _, ok := l.unitsOf(d.Item, d.Measure, "", e); !ok {
			why = first(why, "unknown measure")
		}
	case *event.Count:
		why = l.checkNamed(d.Item, e)
		if why == "" && l.figure(d, e) == nil {
			why = "can't be converted"
		}
	case *event.Decide:
		if l.find(d.Event) == nil {
			why = "its event isn't there"
		}
	}
	if why != "" {
		l.void[e.ID] = why
	}
}

func first(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// checkNamed wants an item that is there and whose parts, if it has any, can be found.
func (l *ledger) checkNamed(item string, at *event.Event) string {
	if l.first(item) == nil {
		return "unknown item"
	}
	if _, ok := l.leaves(item, whole(1), at); !ok {
		return "parts in a circle"
	}
	return ""
}

func (l *ledger) checkStocked(item, pack string, at *event.Event) string {
	if !l.stocked(item) {
		return "unknown or prepared item"
	}
	if _, ok := l.unitsOf(item, "", pack, at); !ok {
		return "unknown pack"
	}
	return ""
}

func (l *ledger) checkGoods(lines []event.Goods, at *event.Event) string {
	why := ""
	for _, n := range lines {
		why = first(why, l.checkNamed(n.Item, at))
	}
	return why
}

func (l *ledger) checkChanges(changes []event.Change, at *event.Event) string {
	why := ""
	for _, c := range changes {
		why = first(why, l.checkNamed(c.Item, at))
		if _, ok := l.unitsOf(c.Item, c.Measure, "", at); !ok {
			why = first(why, "unknown measure")
		}
		if c.InsteadOf != "" && l.first(c.InsteadOf) == nil {
			why = first(why, "unknown item")
		}
	}
	return why
}

func (l *ledger) checkPack(d *event.Pack, e *event.Event) string {
	why := first(l.checkGoods(d.Lines, e), l.checkChanges(d.Changes, e))
	for _, p := range d.Parcels {
		why = first(why, l.checkGoods(p.Lines, e))
	}
	if !l.namedOK(event.KindPackSpec, "", d.Spec) {
		why = first(why, "its spec isn't there")
	}
	return why
}

func (l *ledger) checkRestock(d *event.Restock, e *event.Event) string {
	why := ""
	for _, n := range d.Lines {
		why = first(why, l.checkStocked(n.Item, n.Pack, e))
	}
	if !d.Purchase.IsZero() {
		p := l.find(d.Purchase)
		if p == nil || p.Data == nil || p.Kind != event.KindPurchase {
			why = first(why, "its purchase isn't there")
		}
	}
	if _, ok := l.landed(d); !ok {
		why = first(why, "a discount above the lines' costs")
	}
	return why
}

func (l *ledger) checkCredit(d *event.Credit) string {
	r := l.find(d.Restock)
	if r == nil || r.Kind != event.KindRestock || !l.valid(r) {
		return "its restock isn't there"
	}
	for _, n := range d.Lines {
		if _, ok := l.receivedOf(r)[n.Item]; !ok {
			return "an item that the restock doesn't have"
		}
	}
	return ""
}

// receivedOf returns what a restock brought, in base units, by item.
func (l *ledger) receivedOf(r *event.Event) map[string]*big.Rat {
	got := map[string]*big.Rat{}
	for _, n := range r.Data.(*event.Restock).Lines {
		plus(got, n.Item, l.base(rat(*n.Qty), n.Item, "", n.Pack, r))
	}
	return got
}

// landed returns each line's landed cost. It fails if the discount is above the lines' costs.
func (l *ledger) landed(d *event.Restock) ([]*big.Rat, bool) {
	minor := func(m *big.Rat) *big.Rat {
		if d.Rate != nil {
			m = mul(m, rat(*d.Rate))
		}
		return round(m, l.in.Digits)
	}
	total := zero()
	lines := make([]*big.Rat, len(d.Lines))
	for i, n := range d.Lines {
		lines[i] = rat(*n.Cost)
		if d.Rate != nil {
			lines[i] = minor(lines[i])
		}
		total = add(total, lines[i])
	}
	landed := append([]*big.Rat{}, lines...)
	if d.Freight != nil {
		landed = l.charge(landed, lines, minor(rat(*d.Freight)), add)
	}
	if d.Duty != nil {
		landed = l.charge(landed, lines, minor(rat(*d.Duty)), add)
	}
	if d.Tax != nil {
		landed = l.charge(landed, lines, minor(rat(*d.Tax)), add)
	}
	if d.Discount != nil {
		off := minor(rat(*d.Discount))
		if less(total, off) {
			return nil, false
		}
		landed = l.charge(landed, lines, off, sub)
	}
	return landed, true
}

func (l *ledger) charge(landed, lines []*big.Rat, amount *big.Rat, op func(a, b *big.Rat) *big.Rat) []*big.Rat {
	shares := spread(amount, lines, l.in.Digits)
	out := make([]*big.Rat, len(landed))
	for i := range landed {
		out[i] = op(landed[i], shares[i])
	}
	return out
}
