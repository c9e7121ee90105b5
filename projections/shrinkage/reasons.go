package shrinkage

import (
	"cmp"
	"slices"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
	"countback/projections/report"
)

// Reason is what was written off or given away for one reason, by the shop's costing. Every entry of the time stands in it, whether its item has been counted since or not.
type Reason struct {
	Name    string `json:"name"`
	Items   int    `json:"items"`
	Entries int    `json:"entries"`
	Value   string `json:"value"`
}

// ReasonsOf adds up write-offs by reason, the dearest first. Of what, only the times are asked.
func ReasonsOf(l *fold.Log, run fold.Run, st report.Style, what What) []Reason {
	out := []Reason{}
	reasons := map[event.ID]string{}
	l.Events(func(e *event.Event, reversed bool) {
		d, ok := e.Data.(*event.Damage)
		if ok && !reversed && e.Time.Ms() >= what.From && (what.To == 0 || e.Time.Ms() <= what.To) {
			reasons[e.ID] = d.Reason
		}
	})
	if len(reasons) == 0 {
		return out
	}
	type sum struct {
		name    string
		items   []int
		entries []event.ID
		value   book.Amounts
	}
	var list []*sum
	run.Observe = func(m fold.Movement) {
		name, ok := reasons[m.Event]
		if !ok || m.Kind != event.KindDamage {
			return
		}
		k := slices.IndexFunc(list, func(x *sum) bool { return x.name == name })
		if k < 0 {
			k = len(list)
			list = append(list, &sum{name: name})
		}
		x := list[k]
		if !slices.Contains(x.items, m.Item) {
			x.items = append(x.items, m.Item)
		}
		if n := len(x.entries); n == 0 || x.entries[n-1] != m.Event {
			x.entries = append(x.entries, m.Event)
		}
		x.value = x.value.Add(m.Value)
	}
	s := l.Run(run)
	c := s.Costing()
	slices.SortFunc(list, func(a, b *sum) int { return cmp.Or(b.value[c].Cmp(a.value[c]), cmp.Compare(a.name, b.name)) })
	values := make([]num.Money, len(list))
	for i, x := range list {
		values[i] = x.value[c]
	}
	written, _ := st.Lines(values, s.Digits())
	for i, x := range list {
		out = append(out, Reason{x.name, len(x.items), len(x.entries), written[i]})
	}
	return out
}
