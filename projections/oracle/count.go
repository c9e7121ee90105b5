package oracle

import (
	"math/big"

	"countback/ledger/event"
)

// day is 24 hours in milliseconds.
const day = 24 * 60 * 60 * 1000

// assertion says that on hand of an item is qty; cost is nil where no figure says what it cost.
type assertion struct {
	item string
	qty  *big.Rat
	cost *big.Rat
}

// grams of the weight units (avoirdupois, exact: NIST SP 811).
var grams = map[string]string{"g": "1", "kg": "1000", "oz": "28.349523125", "lb": "453.59237"}

// figure returns what a count saw, in base units of the item that it names, or nil where that can't be said.
func (l *ledger) figure(d *event.Count, e *event.Event) *big.Rat {
	if d.Qty != nil {
		if _, ok := l.unitsOf(d.Item, d.Measure, d.Pack, e); !ok {
			return nil
		}
		return l.base(rat(*d.Qty), d.Item, d.Measure, d.Pack, e)
	}
	def := l.def(d.Item, e)
	piece := whole(1)
	if def.PieceWeight != nil {
		piece = rat(*def.PieceWeight)
	} else if def.Unit != "g" {
		return nil
	}
	unit, _ := new(big.Rat).SetString(grams[d.WeightUnit])
	n := quo(mul(sub(rat(*d.Gross), rat(*d.Tare)), unit), piece)
	if n.Sign() < 0 {
		return nil
	}
	if def.Unit == "each" {
		return round(n, 0)
	}
	return roundQty(n)
}

// assertions works out which count says what, at its own place in the order.
func (l *ledger) assertions() map[event.ID][]assertion {
	says := map[event.ID][]assertion{}
	sessions := map[string][]*event.Event{}
	for _, e := range l.all {
		d, ok := e.Data.(*event.Count)
		switch {
		case !ok || !l.counts(e):
		case d.Session == "":
			l.alone(says, e, d)
		default:
			sessions[d.Session] = append(sessions[d.Session], e)
		}
	}
	for _, name := range keys(sessions) {
		l.session(says, sessions[name])
	}
	return says
}

// alone is a count that is the whole of its item.
func (l *ledger) alone(says map[event.ID][]assertion, e *event.Event, d *event.Count) {
	if !l.stocked(d.Item) {
		l.void[e.ID] = "a prepared piece outside a session"
		return
	}
	a := assertion{item: d.Item, qty: l.figure(d, e)}
	a.cost = costOf(d, a.qty)
	says[e.ID] = append(says[e.ID], a)
}

func costOf(d *event.Count, figure *big.Rat) *big.Rat {
	if d.Cost == nil || figure.Sign() == 0 {
		return nil
	}
	return rat(*d.Cost)
}

// session takes the figures of one name in fold order.
func (l *ledger) session(says map[event.ID][]assertion, figures []*event.Event) {
	// A void figure starts no session, so the first that isn't void is looked for.
	var in []*event.Event
	for len(figures) > 0 {
		end := figures[0].Time.Ms() + day
		in = nil
		for _, e := range figures {
			if e.Time.Ms() <= end {
				in = append(in, e)
			}
		}
		if l.partsCounted(figures[0], in) {
			break
		}
		l.void[figures[0].ID] = "a prepared piece whose parts weren't counted"
		figures = figures[1:]
	}
	var standing []*event.Event
	items := map[string]bool{}
	for i, e := range figures {
		d := e.Data.(*event.Count)
		switch {
		case i >= len(in):
			l.alone(says, e, d)
		case !l.partsCounted(e, in):
			l.void[e.ID] = "a prepared piece whose parts weren't counted"
		default:
			standing = append(without(standing, d), e)
		}
	}
	parts := map[event.ID]map[string]*big.Rat{}
	for _, e := range standing {
		d := e.Data.(*event.Count)
		parts[e.ID], _ = l.leaves(d.Item, l.figure(d, e), e)
		for item := range parts[e.ID] {
			items[item] = true
		}
	}
	for _, item := range keys(items) {
		a := assertion{item: item, qty: zero()}
		var last *event.Event
		for _, e := range standing {
			q, ok := parts[e.ID][item]
			if !ok {
				continue
			}
			last, a.qty = e, add(a.qty, q)
			if d := e.Data.(*event.Count); d.Item == item {
				if c := costOf(d, q); c != nil {
					if a.cost == nil {
						a.cost = zero()
					}
					a.cost = add(a.cost, c)
				}
			}
		}
		says[last.ID] = append(says[last.ID], a)
	}
}

// without leaves out the figure that d replaces: same item, place and form.
func without(figures []*event.Event, d *event.Count) []*event.Event {
	var left []*event.Event
	for _, e := range figures {
		o := e.Data.(*event.Count)
		if o.Item != d.Item || o.Place != d.Place || o.Measure != d.Measure || o.Pack != d.Pack {
			left = append(left, e)
		}
	}
	return left
}

// partsCounted reports whether each item that a prepared piece stands for has a figure of its own among the session's figures.
func (l *ledger) partsCounted(e *event.Event, session []*event.Event) bool {
	d := e.Data.(*event.Count)
	if l.stocked(d.Item) {
		return true
	}
	parts, _ := l.leaves(d.Item, whole(1), e)
	for part := range parts {
		found := false
		for _, o := range session {
			found = found || o.Data.(*event.Count).Item == part
		}
		if !found {
			return false
		}
	}
	return true
}

// assert makes on hand what was counted.
func (l *ledger) assert(e *event.Event, a assertion) {
	s := l.stocks[a.item]
	opens := !s.stands
	s.stands = true
	q, _ := s.average.onHand()
	diff := sub(a.qty, q)
	est := l.estimate(a.item, e)
	switch {
	case diff.Sign() < 0:
		c, _ := l.issue(a.item, sub(zero(), diff), event.ID{}, e)
		s.note(Lost, sub(zero(), diff), c)
	case diff.Sign() == 0:
	case opens && a.cost != nil:
		c := same(roundMoney(quo(mul(diff, a.cost), a.qty)))
		s.note(Opened, diff, c)
		s.increase(diff, c, event.ID{})
	default:
		column := Gained
		if opens {
			column = Opened
		}
		s.note(column, diff, Cost{s.average.found(diff, est), s.fifo.found(diff, est)})
	}
}
