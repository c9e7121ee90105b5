package store

import (
	"context"
	"errors"

	"countback/ledger/event"
)

// Row is one stored event.
type Row struct {
	N    int64 // number of arrival, rising, from 1
	Line []byte
}

// Head is the end of a log; an empty log has Seq 0 and Hash event.FirstPrev.
type Head struct {
	Seq  int64
	Hash string
}

// EmptyHead is the head of a log without events.
var EmptyHead = Head{Hash: event.FirstPrev}

// Tx is the inside of one Write. It sees what it has inserted itself. It is of no use after the function that was given it has returned.
type Tx interface {
	// Head returns the end of a device's log.
	Head(device string) (Head, error)
	// Has reports whether an event with the id is held, in whatever log. Nothing has the zero id.
	Has(id event.ID) (bool, error)
	// ByID returns the events with the id in order of arrival; the lines belong to the caller.
	ByID(id event.ID) ([]Row, error)
	// Insert adds an event, which must continue its log, and returns its number. The same bytes at a place that holds them already are not added again:
	// the number is the one that they have. Errors: ErrChain if the event doesn't continue its log, ErrFork if its place is taken by other bytes.
	// After one of these two errors the transaction can go on.
	Insert(e *event.Event) (n int64, err error)
	// Last returns the highest number so far, 0 in an empty store.
	Last() (int64, error)
	// Cut takes the events of a log from a sequence on out of it and returns their lines in order; they belong to the caller, who keeps them aside. It is for a
	// fork alone, where another branch is the log: unless the log's next event is inserted in the same Write, the Write fails with ErrChain. Numbers that were
	// given once are never given again, and checkpoints of before are gone, also those that are saved afterwards.
	Cut(device string, seq int64) ([][]byte, error)
	// SetLocal keeps a value under a key, with this transaction or not at all; nil removes it. Such values are this replica's own notes, such as how far it
	// has read a bus: never truth. They are in a backup, because what stands aside may be facts that stand nowhere else.
	SetLocal(key string, value []byte) error
}

// Store keeps a ledger. It may be used by several goroutines; a Write waits for the one before it, reads don't wait.
type Store interface {
	// Write runs fn in one transaction that excludes every other writer. If fn returns an error nothing is written, and that error is returned. fn must
	// not call Write; it may read, and then sees what stood before the transaction.
	Write(ctx context.Context, fn func(Tx) error) error

	// Scan hands over all events after a number, in order of arrival. Line is valid during the call only. An error of fn ends the scan and is returned.
	Scan(ctx context.Context, after int64, fn func(Row) error) error
	// ScanKinds is Scan for the events of some kinds, of whatever version.
	ScanKinds(ctx context.Context, kinds []event.Kind, after int64, fn func(Row) error) error
	// ScanSince is Scan for the events whose time is at or after an instant (ms), by time and then in order of arrival. Where a time can't be read it counts
	// as 0. It is quick for the end of a ledger once a checkpoint has been saved.
	ScanSince(ctx context.Context, ms int64, fn func(Row) error) error
	// ByID returns the events with an id in order of arrival, none for an unknown one.
	ByID(ctx context.Context, id event.ID) ([]Row, error)
	// ByOrder returns the events whose data has the order number in its field "order", in order of arrival: order, pack, return, reprint, damage.
	ByOrder(ctx context.Context, order string) ([]Row, error)
	// At returns the event at a place of a log, or ErrNotFound.
	At(ctx context.Context, device string, seq int64) (Row, error)
	// Heads returns the end of every log that has events.
	Heads(ctx context.Context) (map[string]Head, error)
	// Last returns the highest number, 0 in an empty store.
	Last(ctx context.Context) (int64, error)
	// Doubled returns, in order, the ids that stand at more than one place: in several logs, or (by a faulty program) twice in one.
	Doubled(ctx context.Context) ([]event.ID, error)
	// DoubledAfter is Doubled for the ids of the events after a number, whenever the others with such an id arrived.
	DoubledAfter(ctx context.Context, after int64) ([]event.ID, error)

	// Local hands over what SetLocal has kept, of the keys that begin with prefix, in the order of the keys' bytes. The value is valid during the call only.
	Local(ctx context.Context, prefix string, fn func(key string, value []byte) error) error

	// SaveCheckpoint keeps c, unless at its key and position one with a higher arrival number stands already: two processes may save at once, and the one
	// that knew more wins. Of one key only the MaxCheckpoints highest positions are kept, and beside c's key only the MaxKeys-1 with
	// the highest arrival numbers. One that knew only
	// numbers of before the last Cut is passed over.
	SaveCheckpoint(ctx context.Context, c Checkpoint) error
	// Checkpoints returns where a key's checkpoints are, highest position first, without their states: those are large, and whoever folds needs one.
	Checkpoints(ctx context.Context, key string) ([]Checkpoint, error)
	// CheckpointState returns the state of one of Checkpoints. The error is ErrNotFound if it isn't there any more, another took its place, or its checksum
	// fails; it can always be folded again.
	CheckpointState(ctx context.Context, c Checkpoint) ([]byte, error)
	// DropCheckpoints removes a key's checkpoints behind a position.
	DropCheckpoints(ctx context.Context, key string, after Position) error

	// Close lets the store go. Every later call fails.
	Close() error
}

// Looker is implemented by transactions that can look into a log themselves, which is quicker than Store.At and sees what they have inserted.
type Looker interface {
	// At returns the event at a place of a log, or ErrNotFound.
	At(device string, seq int64) (Row, error)
}

// Reader is implemented by stores that can read a part of a log at once.
type Reader interface {
	// Log hands over the events of a log from one sequence to another, in order, as far as there are any. Line is valid during the call only.
	Log(ctx context.Context, device string, from, to int64, fn func(Row) error) error
}

// Log hands over the events of a log from one sequence to another, as Reader does, of any store. An error of fn ends it and is returned.
func Log(ctx context.Context, s Store, device string, from, to int64, fn func(Row) error) error {
	if r, ok := s.(Reader); ok {
		return r.Log(ctx, device, from, to, fn)
	}
	for seq := max(from, 1); seq <= to; seq++ {
		row, err := s.At(ctx, device, seq)
		if errors.Is(err, ErrNotFound) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := fn(row); err != nil {
			return err
		}
	}
	return nil
}

// Checker is implemented by stores that have something of their own to check, such as a file.
type Checker interface {
	// Check returns what is wrong, one sentence each with its remedy, and an error only where it could not look.
	Check(ctx context.Context) ([]string, error)
}

// OrderOf returns the order number that an event's data names in its field "order", "" if none. For kinds and versions that this program doesn't know it
// reads the field alone, so that a later program finds the same events.
func OrderOf(e *event.Event) string {
	if e.Data == nil && e.Fault == nil && !e.Understood() {
		return orderMember(e.Raw)
	}
	return event.OrderOf(e.Data)
}
