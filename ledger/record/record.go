package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
)

// Recorder records as one device. Its fields stay unchanged while it is used; then several goroutines may record, one after the other.
type Recorder struct {
	Store   store.Store
	Key     *key.Key
	Shop    string // shop id
	Now     func() time.Time
	Entropy io.Reader // for ids; read inside the transaction
	Person  string    // label on each event, may be empty

	// Progress is told now and then, and at the end, how many of the new facts are signed and inserted, in one transaction that may still fail. May be nil.
	Progress func(done, of int)
}

// Result says what became of the facts.
type Result struct {
	IDs      []event.ID // of each fact, skipped ones included
	Recorded int
	Skipped  int        // facts whose id the ledger held, or that stood before in the same list
	Differ   []event.ID // of the skipped: where what is held says something else (kind, time or data)
	Last     int64      // the store's last number afterwards
}

// FactError says which fact could not be recorded. Nothing was.
type FactError struct {
	Index int // from 0
	Err   error
}

func (e *FactError) Error() string { return fmt.Sprintf("fact %d: %v", e.Index+1, e.Err) }

// Unwrap returns the error itself.
func (e *FactError) Unwrap() error { return e.Err }

// ErrNoLog is wrapped where this device has no log in the ledger yet.
var ErrNoLog = errors.New("this device is not part of the shop yet")

// ErrKind is wrapped where a fact is of a kind that isn't recorded this way.
var ErrKind = errors.New("a device event only begins a log")

// Record records facts in their order, all or none. check, if given, runs inside the transaction before anything is inserted, unless every fact is
// skipped; its error is returned as it is. A fact whose id the ledger holds is skipped, and so is the second of one id in the list.
//
// After a failure without a clear answer (a crash, a lost connection to the disk) record the same facts with the same ids again.
func (r *Recorder) Record(ctx context.Context, facts []event.Fact, check func(tx store.Tx) error) (Result, error) {
	var res Result
	err := r.Store.Write(ctx, func(tx store.Tx) (err error) {
		res, err = r.record(ctx, tx, facts, check)
		return err
	})
	if err != nil {
		return Result{}, err
	}
	return res, nil
}

func (r *Recorder) record(ctx context.Context, tx store.Tx, facts []event.Fact, check func(store.Tx) error) (Result, error) {
	res := Result{IDs: make([]event.ID, len(facts))}
	head, err := tx.Head(r.Key.Device())
	if err != nil {
		return res, err
	}
	if head.Seq == 0 {
		return res, fmt.Errorf("%w: pair it, or start a ledger with init", ErrNoLog)
	}
	fresh, err := r.sift(tx, facts, &res)
	if err != nil {
		return res, err
	}
	if len(fresh) > 0 && check != nil {
		if err := check(tx); err != nil {
			return res, err
		}
	}
	if err := r.insert(ctx, tx, head, facts, fresh, &res); err != nil {
		return res, err
	}
	res.Last, err = tx.Last()
	return res, err
}

// sift returns the indexes of the facts that are new.
func (r *Recorder) sift(tx store.Tx, facts []event.Fact, res *Result) (fresh []int, err error) {
	now := r.Now()
	first := map[event.ID]int{}
	for i, f := range facts {
		if f.Data == nil || f.Data.Kind() == event.KindDevice {
			return nil, &FactError{i, fmt.Errorf("%w; record a fact", ErrKind)}
		}
		if f.ID.IsZero() {
			fresh = append(fresh, i)
			continue
		}
		res.IDs[i] = f.ID
		if at, ok := first[f.ID]; ok {
			if err := res.skip(f, facts[at].Data, facts[at].Time); err != nil {
				return nil, &FactError{i, err}
			}
			continue
		}
		first[f.ID] = i
		held, err := tx.Has(f.ID)
		if err != nil {
			return nil, err
		}
		if !held {
			if err := checkGiven(f.ID, now); err != nil {
				return nil, &FactError{i, err}
			}
			fresh = append(fresh, i)
			continue
		}
		if err := r.skipHeld(tx, f, res); err != nil {
			return nil, err
		}
	}
	return fresh, nil
}

// skipHeld counts a fact as skipped, comparing it with the event that counts among those with its id: the one of the smallest source.
func (r *Recorder) skipHeld(tx store.Tx, f event.Fact, res *Result) error {
	rows, err := tx.ByID(f.ID)
	if err != nil {
		return err
	}
	var best *event.Event
	for _, row := range rows {
		e, err := event.ParseLine(row.Line)
		if err != nil {
			return store.Fail("record", "event "+f.ID.String(), store.ErrDamaged, err)
		}
		if best == nil || e.Device < best.Device {
			best = e
		}
	}
	return res.skip(f, best.Data, best.Time)
}

func (res *Result) skip(f event.Fact, held event.Data, at event.Time) error {
	res.Skipped++
	same := held != nil && held.Kind() == f.Data.Kind() && at.String() == f.Time.String()
	if same {
		a, err := event.EncodeData(held)
		if err != nil {
			return err
		}
		b, err := event.EncodeData(f.Data)
		if err != nil {
			return err
		}
		same = bytes.Equal(a, b)
	}
	if !same {
		res.Differ = append(res.Differ, f.ID)
	}
	return nil
}

// progressStep is the number of facts between two tellings of progress: some hundredths of a second's work.
const progressStep = 500

func (r *Recorder) insert(ctx context.Context, tx store.Tx, head store.Head, facts []event.Fact, fresh []int, res *Result) error {
	var gen *ids
	start := head // the store's reads see nothing behind it yet
	for _, i := range fresh {
		f := facts[i]
		if f.ID.IsZero() {
			var err error
			if gen == nil {
				if gen, err = newIDs(ctx, r, tx, start); err != nil {
					return err
				}
			}
			if f.ID, err = gen.next(); err != nil {
				return err
			}
			res.IDs[i] = f.ID
		}
		next, err := r.append(tx, head, f)
		if err != nil {
			return factError(i, err)
		}
		head = next
		res.Recorded++
		if r.Progress != nil && (res.Recorded%progressStep == 0 || res.Recorded == len(fresh)) {
			r.Progress(res.Recorded, len(fresh))
		}
	}
	return nil
}

// factError blames a fact for what is wrong with it, and not for a failure of the store or the context.
func factError(i int, err error) error {
	var s *store.Error
	if errors.As(err, &s) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return &FactError{i, err}
}

// append builds, signs and inserts one event behind head and returns the new head.
func (r *Recorder) append(tx store.Tx, head store.Head, f event.Fact) (store.Head, error) {
	u := event.Unsigned{
		ID: f.ID, Shop: r.Shop, Device: r.Key.Device(), Time: f.Time, Seq: head.Seq + 1, Prev: head.Hash, Person: r.Person, Data: f.Data,
	}
	e, err := u.Make(func(line []byte) (string, error) { return r.Key.Sign(key.Event, line) })
	if err != nil {
		return head, err
	}
	if _, err := tx.Insert(e); err != nil {
		return head, err
	}
	return store.Head{Seq: e.Seq, Hash: e.Hash}, nil
}
