package pages

import (
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
)

// moved is what one event did to an item's stock.
type moved struct {
	event  event.ID
	kind   event.Kind
	ms     int64
	order  string
	column fold.Column // of its first movement
	qty    num.Qty     // signed: what it added to on hand
	onHand num.Qty     // after it
	value  num.Money   // signed, under the shop's costing
}

// moves are the movements of one item's stock, in fold order, one for each event; changes of value alone are left out. They are worked out once for each look.
func (l *Look) moves(item int) []moved {
	list, _ := once(l, "moves "+l.Catalog.Items[item].ID, func() ([]moved, error) {
		var list []moved
		run, costing := l.Run, l.State().Costing()
		run.Observe = func(m fold.Movement) {
			if m.Item != item || m.Qty.IsZero() {
				return
			}
			q, worth := m.Qty, m.Value[costing]
			if !m.Column.In() {
				q, worth = q.Neg(), worth.Neg()
			}
			if n := len(list); n > 0 && list[n-1].event == m.Event {
				x := &list[n-1]
				x.qty, x.value, x.onHand = x.qty.Add(q), x.value.Add(worth), m.OnHand
				return
			}
			list = append(list, moved{m.Event, m.Kind, m.Ms, m.Order, m.Column, q, m.OnHand, worth})
		}
		l.Log.Run(run)
		return list, nil
	})
	return list
}

// movers are the events that moved any of several items' stock. One run finds them, however many items there are; it is gone through once for each look.
func (l *Look) movers(items []*catalog.Item) map[event.ID]bool {
	among := make([]bool, len(l.Catalog.Items))
	for _, it := range items {
		among[it.Index] = true
	}
	var key strings.Builder
	key.WriteString("movers")
	for i, it := range l.Catalog.Items {
		if among[i] {
			key.WriteString("\n" + it.ID)
		}
	}
	set, _ := once(l, key.String(), func() (map[event.ID]bool, error) {
		set := map[event.ID]bool{}
		run := l.Run
		run.Observe = func(m fold.Movement) {
			if among[m.Item] && !m.Qty.IsZero() {
				set[m.Event] = true
			}
		}
		l.Log.Run(run)
		return set, nil
	})
	return set
}
