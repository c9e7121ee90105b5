package storetest

import (
	"context"
	"errors"
	"testing"

	"countback/ledger/event"
	"countback/ledger/store"
)

// ErrPlanted is the cause of every failure of a Faulty store.
var ErrPlanted = errors.New("planted failure")

// Faulty wraps a store and fails its n-th operation (from 1); the ones before and behind it work. Each call of a Tx counts, and the end of each
// Write; there the transaction is undone, or, with Unsure, done although an error is returned, as when power fails between disk and answer.
type Faulty struct {
	store.Store
	FailAt int
	Unsure bool
	done   int
}

func (f *Faulty) step(op string) error {
	if f.done++; f.done == f.FailAt {
		return store.Fail(op, "", store.ErrDisk, ErrPlanted)
	}
	return nil
}

// Failed reports whether the failure has happened.
func (f *Faulty) Failed() bool { return f.done >= f.FailAt }

// Write implements store.Store.
func (f *Faulty) Write(ctx context.Context, fn func(store.Tx) error) error {
	if err := f.step("begin"); err != nil {
		return err
	}
	var late error
	err := f.Store.Write(ctx, func(tx store.Tx) error {
		if err := fn(&faultyTx{tx, f}); err != nil {
			return err
		}
		if late = f.step("commit"); f.Unsure {
			return nil
		}
		return late
	})
	return cmpErr(err, late)
}

func cmpErr(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// Scan implements store.Store.
func (f *Faulty) Scan(ctx context.Context, after int64, fn func(store.Row) error) error {
	return f.Store.Scan(ctx, after, func(r store.Row) error {
		if err := f.step("scan"); err != nil {
			return err
		}
		return fn(r)
	})
}

// At implements store.Store.
func (f *Faulty) At(ctx context.Context, device string, seq int64) (store.Row, error) {
	if err := f.step("look up"); err != nil {
		return store.Row{}, err
	}
	return f.Store.At(ctx, device, seq)
}

type faultyTx struct {
	store.Tx
	f *Faulty
}

func (t *faultyTx) Head(device string) (store.Head, error) {
	if err := t.f.step("head"); err != nil {
		return store.Head{}, err
	}
	return t.Tx.Head(device)
}

func (t *faultyTx) Has(id event.ID) (bool, error) {
	if err := t.f.step("has"); err != nil {
		return false, err
	}
	return t.Tx.Has(id)
}

func (t *faultyTx) ByID(id event.ID) ([]store.Row, error) {
	if err := t.f.step("by id"); err != nil {
		return nil, err
	}
	return t.Tx.ByID(id)
}

func (t *faultyTx) Insert(e *event.Event) (int64, error) {
	if err := t.f.step("insert"); err != nil {
		return 0, err
	}
	return t.Tx.Insert(e)
}

func (t *faultyTx) Last() (int64, error) {
	if err := t.f.step("last"); err != nil {
		return 0, err
	}
	return t.Tx.Last()
}

// faultLoop fails the first, second, third … operation of a job of three writes until the job gets through, and repeats the job each time. Every time the
// store must hold whole writes only, and in the end each event once.
func faultLoop(t *testing.T, st store.Store) {
	job := func(st store.Store, es []*event.Event) error {
		for i := 0; i < len(es); i += 3 {
			err := st.Write(ctx, func(tx store.Tx) error {
				for _, e := range es[i : i+3] {
					if _, err := tx.Insert(e); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		return nil
	}
	var want []*event.Event
	for n := 1; ; n++ {
		es := Some(NewLog(byte(n), ""), 9)
		want = append(want, es...)
		f := &Faulty{Store: st, FailAt: n, Unsure: n%2 == 0}
		before := len(Lines(t, st))
		err := job(f, es)
		if f.Failed() != errors.Is(err, ErrPlanted) {
			t.Fatalf("failure %d: %v", n, err)
		}
		if added := len(Lines(t, st)) - before; added%3 != 0 {
			t.Errorf("failure %d left %d of 9 events", n, added)
		}
		if err == nil {
			break
		}
		if err := job(st, es); err != nil {
			t.Errorf("repeated after failure %d: %v", n, err)
		}
	}
	wantLines(t, Lines(t, st), want...)
}
