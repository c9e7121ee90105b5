// Package history tells what happened to an item or an order, event by event, oldest first, with the balance after each.
package history

import (
	"countback/ledger/event"
	"countback/projections/fold"
	"countback/projections/report"
)

// Entry is what one event did to one column of one item.
type Entry struct {
	Event  string `json:"event"`
	Time   string `json:"time"`
	Kind   string `json:"kind"`
	Item   string `json:"item"`
	Order  string `json:"order,omitempty"`
	Column string `json:"column"`
	Qty    string `json:"qty"` // signed: what it added to on hand
	Value  string `json:"value"`
	OnHand string `json:"on_hand"` // after it
	Worth  string `json:"worth"`   // value on hand after it
}

// Report is the history of what was asked for.
type Report struct {
	report.Head
	About    string  `json:"about"`
	Unit     string  `json:"unit,omitempty"`
	Currency string  `json:"currency"`
	Costing  string  `json:"costing"`
	Entries  []Entry `json:"entries"`
}

// What chooses the movements: those of an item, of an order, or of an event. Fields that are zero choose nothing.
type What struct {
	Item  string
	Order string
	Event event.ID
}

// Of runs the log and keeps the movements asked for.
func Of(l *fold.Log, run fold.Run, st report.Style, what What) (Report, *fold.State) {
	item := -1
	if it, ok := l.Catalog.Find(what.Item); ok {
		item = it.Index
	}
	var kept []fold.Movement
	run.Observe = func(m fold.Movement) {
		if m.Item == item && what.Item != "" || what.Order != "" && m.Order == what.Order || !what.Event.IsZero() && m.Event == what.Event {
			kept = append(kept, m)
		}
	}
	s := l.Run(run)
	c, d := s.Costing(), s.Digits()
	r := Report{Head: report.HeadOf(s, st), Currency: s.Catalog.Shop.Currency, Costing: c.String(), Entries: []Entry{}}
	switch {
	case what.Item != "":
		r.About = what.Item
		if item >= 0 {
			r.Unit = s.Catalog.Items[item].Unit()
		}
	case what.Order != "":
		r.About = what.Order
	default:
		r.About = what.Event.String()
	}
	for _, m := range kept {
		qty, value := m.Qty, m.Value[c]
		if !m.Column.In() {
			qty, value = qty.Neg(), value.Neg()
		}
		r.Entries = append(r.Entries, Entry{
			Event: m.Event.String(), Time: st.Time(m.Ms), Kind: string(m.Kind), Item: s.Catalog.Items[m.Item].ID, Order: m.Order,
			Column: m.Column.String(), Qty: qty.String(), Value: st.Money(value, d),
			OnHand: m.OnHand.String(), Worth: st.Money(m.Balance[c], d),
		})
	}
	return r, s
}
