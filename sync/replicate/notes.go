package replicate

import (
	"bytes"
	"context"
	"fmt"
	"strings"

	"github.com/go-json-experiment/json"

	"countback/ledger/event"
	"countback/ledger/store"
)

// What survives stands in the store as notes, written in the same transaction as the events that it goes with. Their keys:
//
//	sync/bus/NAME               how far a bus was read (place)
//	sync/wait/DEVICE/SEQ/HASH   an event that waits for others or for its device's admission
//	sync/aside/DEVICE/SEQ/HASH  an event of a branch that isn't the log
//	sync/bad/HASH               a line that can't stand in any log
//	sync/held/DEVICE            the newest receipt of a device
//	sync/checked/DEVICE         up to where a log's signatures were checked
//	sync/build                  the program build that last tried the refused lines
const (
	noteBus   = "sync/bus/"
	noteWait  = "sync/wait/"
	noteAside = "sync/aside/"
	noteBad   = "sync/bad/"
	noteHeld  = "sync/held/"
	noteBuild = "sync/build"
)

// Regained reports whether a note may be lost in a power failure without harm, because the bus brings it again: how far a bus was read, and receipts of others. An
// own receipt isn't one of them, since its count must not come twice, nor is a line that waits or stands aside.
func Regained(key, own string) bool {
	return strings.HasPrefix(key, noteBus) || strings.HasPrefix(key, noteHeld) && key != noteHeld+own
}

// place is how far a bus's log stream was read.
type place struct {
	Created int64    `json:"created,omitzero"`
	Seq     uint64   `json:"seq,omitzero"`
	Mark    string   `json:"mark,omitzero"`  // of the message at Seq, so that a stream that lost its tail and went on is noticed
	Holes   []hole   `json:"holes,omitzero"` // what was left on the bus for lack of room
	Seen    []seen   `json:"seen,omitzero"`  // of each log, by device, how many events from the first on stand on the stream
	Left    bool     `json:"left,omitzero"`  // refused lines were left on the bus; a later build may read them
	Heads   []logTip `json:"heads,omitzero"` // of Machine.Place alone: what its store held
}

type hole struct {
	Device string `json:"device"`
	Seq    uint64 `json:"seq"`
}

type seen struct {
	Device string `json:"device"`
	Seq    int64  `json:"seq"`
}

type logTip struct {
	Device string `json:"device"`
	Seq    int64  `json:"seq"`
	Hash   string `json:"hash"`
}

// origin is what a note says of a line beside its bytes.
type origin struct {
	From   string   `json:"from,omitzero"`
	On     []string `json:"on,omitzero"`     // the buses whose streams have it
	Reason string   `json:"reason,omitzero"` // of refused lines
}

func (o origin) note(line []byte) ([]byte, error) {
	head, err := json.Marshal(o)
	if err != nil {
		return nil, fmt.Errorf("keep a line aside: %w", err)
	}
	return append(append(head, '\n'), line...), nil
}

func readNote(value []byte) (o origin, line []byte, err error) {
	head, line, ok := bytes.Cut(value, []byte("\n"))
	if !ok {
		return o, nil, fmt.Errorf("%w: a line that was kept aside has no origin", store.ErrDamaged)
	}
	if err := json.Unmarshal(head, &o); err != nil {
		return o, nil, fmt.Errorf("%w: %w", store.ErrDamaged, err)
	}
	return o, bytes.Clone(line), nil
}

func eventKey(prefix string, e *event.Event) string {
	return fmt.Sprintf("%s%s/%010d/%s", prefix, e.Device, e.Seq, e.Hash)
}

// Kept is a line that stands aside, waits or was refused.
type Kept struct {
	Line   []byte
	From   string // the device that sent it, "" for a file
	Reason string // of refused lines: why
}

// Aside returns the events of branches that aren't the log, by device and sequence. It may be called by another process than the machine's.
func Aside(ctx context.Context, st store.Store) ([]Kept, error) { return kept(ctx, st, noteAside) }

// Waiting returns the events that wait for others or for their device's admission, by device and sequence.
func Waiting(ctx context.Context, st store.Store) ([]Kept, error) { return kept(ctx, st, noteWait) }

// Refused returns the lines in quarantine, by hash.
func Refused(ctx context.Context, st store.Store) ([]Kept, error) { return kept(ctx, st, noteBad) }

func kept(ctx context.Context, st store.Store, prefix string) (out []Kept, err error) {
	err = st.Local(ctx, prefix, func(_ string, value []byte) error {
		o, line, err := readNote(value)
		if err == nil {
			out = append(out, Kept{line, o.From, o.Reason})
		}
		return err
	})
	return out, err
}

// EmptyRefused throws away all lines in quarantine. A running machine takes notice at the next Changed.
func EmptyRefused(ctx context.Context, st store.Store) error {
	var keys []string
	err := st.Local(ctx, noteBad, func(key string, _ []byte) error {
		keys = append(keys, key)
		return nil
	})
	if err != nil || len(keys) == 0 {
		return err
	}
	return st.Write(ctx, func(tx store.Tx) error {
		for _, k := range keys {
			if err := tx.SetLocal(k, nil); err != nil {
				return err
			}
		}
		return nil
	})
}

// Receipts returns the newest receipt of each device, by device, this device's own included. Their signatures were checked when they came.
func Receipts(ctx context.Context, st store.Store) (out []*Receipt, err error) {
	err = st.Local(ctx, noteHeld, func(key string, value []byte) error {
		r, err := ParseReceipt(bytes.Clone(value))
		if err != nil {
			return fmt.Errorf("receipt of device %s: %w: %w", strings.TrimPrefix(key, noteHeld), store.ErrDamaged, err)
		}
		out = append(out, r)
		return nil
	})
	return out, err
}

// Cursor says how far a bus was read, as it stands in a store.
type Cursor struct {
	Created int64  // of the stream
	Seq     uint64 // everything up to here is in the store, or refused for what it is
	Left    uint64 // but not what stands here and may stand behind: it was left on the bus for lack of room; 0: nothing was

	mark string
}

// ReadPlace returns how far a bus was read. It may be called by another process than the machine's.
func ReadPlace(ctx context.Context, st store.Store, bus string) (c Cursor, err error) {
	err = st.Local(ctx, noteBus+bus, func(key string, value []byte) error {
		var p place
		if err := json.Unmarshal(value, &p); err != nil || key != noteBus+bus {
			return err
		}
		c = Cursor{Created: p.Created, Seq: p.Seq, mark: p.Mark}
		for _, h := range p.Holes {
			if c.Left == 0 || h.Seq < c.Left {
				c.Left = h.Seq
			}
		}
		return nil
	})
	return c, err
}

// At reports whether a message is the one that the cursor stands at.
func (c Cursor) At(msg Message) bool { return mark(msg) == c.mark }
