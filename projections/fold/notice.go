package fold

import (
	"cmp"
	"slices"

	"countback/ledger/event"
)

// Notice is something that a person should know or decide, found on the way.
type Notice struct {
	Event   event.ID
	Topic   string // void, doubled, waiting, pending, below_zero, no_parcel, …
	About   string // the kind, item or order
	Why     string
	Choices []string // what to do, as a person would type or say it

	from int64 // ms from which it stands, 0: always
}

func (l *Log) notice(id event.ID, topic, about, why string, choices ...string) {
	l.notices = append(l.notices, Notice{Event: id, Topic: topic, About: about, Why: why, Choices: choices})
}

// sortNotices puts notices in one order whatever the order of arrival was, and drops repetitions.
func sortNotices(list []Notice) []Notice {
	slices.SortFunc(list, func(a, b Notice) int {
		return cmp.Or(a.Event.Compare(b.Event), cmp.Compare(a.Topic, b.Topic), cmp.Compare(a.About, b.About), cmp.Compare(a.Why, b.Why))
	})
	return slices.CompactFunc(list, func(a, b Notice) bool {
		return a.Event == b.Event && a.Topic == b.Topic && a.About == b.About && a.Why == b.Why
	})
}
