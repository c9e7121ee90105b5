package tally

import (
	"cmp"
	"slices"

	"countback/ledger/event"
	"countback/projections/fold"
)

// Session is a count of many items that belong together.
type Session struct {
	Name   string
	From   int64 // ms of its first figure
	To     int64 // and of its last
	Items  []string
	Events []event.ID // its figures, in the order of the ledger
}

// lasts is how long after its first figure a session goes on under its name, in milliseconds.
const lasts = 24 * 60 * 60 * 1000

// Sessions lists the sessions that stand up to an instant in milliseconds, the latest first. A name that is used again a day later is another session.
func Sessions(l *fold.Log, asOf int64) []Session {
	open := map[string]int{} // by name: the place of the last one in list
	var list []Session
	l.Events(func(e *event.Event, reversed bool) {
		c, ok := e.Data.(*event.Count)
		if !ok || reversed || c.Session == "" || e.Time.Ms() > asOf {
			return
		}
		k, ok := open[c.Session]
		if !ok || e.Time.Ms() > list[k].From+lasts {
			k = len(list)
			open[c.Session] = k
			list = append(list, Session{Name: c.Session, From: e.Time.Ms()})
		}
		s := &list[k]
		s.To = e.Time.Ms()
		s.Events = append(s.Events, e.ID)
		if !slices.Contains(s.Items, c.Item) {
			s.Items = append(s.Items, c.Item)
		}
	})
	slices.SortStableFunc(list, func(a, b Session) int { return cmp.Compare(b.From, a.From) })
	return list
}
