package pages

import (
	"context"

	"countback/ledger/event"
)

// recordingPages are the forms that record facts.
var recordingPages []route

// Recording is what the forms ask of the ledger beside Record.
type Recording interface {
	// RecordAs is Record with the label of a person on each event; an empty one is the program's own.
	RecordAs(ctx context.Context, person string, facts []event.Fact, sure bool) (Recorded, error)
	// Since returns the events that have come in behind a look, in order of arrival.
	Since(ctx context.Context, version int64) ([]*event.Event, error)
	// Held returns the event of an id and whether it was reversed; nil where there is none.
	Held(ctx context.Context, id event.ID) (e *event.Event, reversed bool, err error)
}
