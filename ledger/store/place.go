package store

import (
	"bytes"
	"fmt"

	"countback/ledger/event"
)

// Verdict is what CheckPlace found.
type Verdict uint8

// The verdicts without error.
const (
	Continues Verdict = iota // the event is the next of its log
	Held                     // the same bytes stand at its place
)

// CheckPlace decides whether an event may be inserted, the same way in every store. at returns the line that stands at a place of the event's log.
func CheckPlace(e *event.Event, head Head, at func(seq int64) ([]byte, error)) (Verdict, error) {
	name := EventName(e)
	switch {
	case len(e.Line) == 0 || e.Seq < 1:
		return 0, Fail("store", name, ErrChain, fmt.Errorf("it has no line or no sequence"))
	case e.Seq > head.Seq+1:
		return 0, Fail("store", name, ErrChain, fmt.Errorf("the log ends at %d", head.Seq))
	case e.Seq <= head.Seq:
		line, err := at(e.Seq)
		if err != nil {
			return 0, err
		}
		if !bytes.Equal(line, e.Line) {
			return 0, Fail("store", name, ErrFork, nil)
		}
		return Held, nil
	case e.Prev != head.Hash:
		return 0, Fail("store", name, ErrChain, fmt.Errorf("its prevhash isn't the hash of event %d", head.Seq))
	}
	return Continues, nil
}

// EventName names an event in errors.
func EventName(e *event.Event) string {
	if e.ID.IsZero() {
		return fmt.Sprintf("event %d of device %s", e.Seq, e.Device)
	}
	return fmt.Sprintf("event %s (%d of device %s)", e.ID, e.Seq, e.Device)
}

// NoEvent is the error of Store.At for a place that holds nothing.
func NoEvent(device string, seq int64) error {
	e := Fail("look up", fmt.Sprintf("event %d of device %s", seq, device), ErrNotFound, nil)
	e.Hint = "it may come with the next sync; verify shows how far each log goes"
	return e
}

// NoCheckpoint is the error of Store.CheckpointState for one that isn't there as it was listed.
func NoCheckpoint(c Checkpoint) error { return Fail("read a checkpoint", c.Key, ErrNotFound, nil) }

// CutEnds is the error of a Write that cut a log and put nothing in the place of what it took out.
func CutEnds(device string, seq int64) error {
	e := Fail("cut the log", fmt.Sprintf("event %d of device %s", seq, device), ErrChain, fmt.Errorf("no other branch took its place"))
	e.Hint = "this is a fault of the program; nothing was changed"
	return e
}
