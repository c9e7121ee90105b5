package use

import (
	"fmt"

	"countback/ledger/event"
	"countback/projections/fold"
)

// TooEarly says that a proposal can't hold from an instant, because the spec that it would change begins only later.
type TooEarly struct {
	Begins int64 // ms
}

func (e *TooEarly) Error() string {
	return fmt.Sprintf("the spec in force begins only at %d ms; a proposal can hold from a later instant, or put the spec right from its start", e.Begins)
}

// Apply returns the specs that proposals ask for: as specs that were wrong from the start, which restate those in force, or, with an instant since which they hold, as new
// revisions. The error is *TooEarly where a spec in force begins at that instant or later.
func Apply(l *fold.Log, s *fold.State, list []*Proposal, since *event.Time) ([]event.Data, error) {
	specs := Changed(list)
	for _, data := range specs {
		var id, by event.ID
		switch d := data.(type) {
		case *event.MakeSpec:
			it, ok := s.Catalog.Find(d.Item)
			if !ok {
				return nil, fmt.Errorf("there is no item %q", d.Item)
			}
			now := s.View.Make(it.Index)
			id, by = now.Event, now.By
			if since == nil {
				d.Restates = by
			}
		case *event.PackSpec:
			now := s.View.Spec()
			id, by = now.Event, now.By
			if since == nil {
				d.Restates = by
			}
		}
		if since == nil {
			continue
		}
		if e, ok := l.Event(id); ok && since.Ms() <= e.Time.Ms() {
			return nil, &TooEarly{e.Time.Ms()}
		}
	}
	return specs, nil
}
