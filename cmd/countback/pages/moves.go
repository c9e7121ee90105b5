package pages

import (
	"fmt"

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

// movers are the events that moved the stock of any of some items, found in one run and once for each look.
func (l *Look) movers(items []*catalog.Item) map[event.ID]bool {
	asked := make([]bool, len(l.Catalog.Items))
	key := "movers"
	for _, it := range items {
		asked[it.Index] = true
		key += fmt.Sprint(" ", it.Index)
	}
	found, _ := once(l, key, func() (map[event.ID]bool, error) {
		found := map[event.ID]bool{}
		run := l.Run
		run.Observe = func(m fold.Movement) {
			if asked[m.Item] && !m.Qty.IsZero() {
				found[m.Event] = true
			}
		}
		l.Log.Run(run)
		return found, nil
	})
	return found
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
