package simulate

import (
	"bytes"
	"context"
	"errors"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/memory"
)

// crash is what a Disk panics with.
type crash struct{}

var errCrash = errors.New("crashed")

// Disk is a store that can crash the program that writes, just before or just after a write is durable, and that can be full.
type Disk struct {
	store.Store
	CrashIn int  // the write that crashes, from 1; 0: none
	After   bool // the write is durable, and nobody is told
	Full    int  // this many writes fail
}

// Write implements store.Store.
func (d *Disk) Write(ctx context.Context, fn func(store.Tx) error) error {
	if d.Full > 0 {
		d.Full--
		return d.Store.Write(ctx, func(tx store.Tx) error { // it is full when all is to be written
			if err := fn(tx); err != nil {
				return err
			}
			return store.Fail("record", "", store.ErrFull, nil)
		})
	}
	if d.CrashIn > 0 {
		if d.CrashIn--; d.CrashIn == 0 {
			d.Store.Write(ctx, func(tx store.Tx) error {
				if err := fn(tx); err != nil {
					return err
				}
				if d.After {
					return nil
				}
				return errCrash
			})
			panic(crash{})
		}
	}
	return d.Store.Write(ctx, fn)
}

// Copy returns a store that holds what another does, notes included.
func Copy(ctx context.Context, st store.Store) (*memory.Store, error) {
	out := memory.New()
	err := out.Write(ctx, func(tx store.Tx) error {
		err := st.Scan(ctx, 0, func(r store.Row) error {
			e, err := event.ParseLine(bytes.Clone(r.Line))
			if err == nil {
				_, err = tx.Insert(e)
			}
			return err
		})
		if err != nil {
			return err
		}
		return st.Local(ctx, "", func(key string, value []byte) error { return tx.SetLocal(key, value) })
	})
	return out, err
}
