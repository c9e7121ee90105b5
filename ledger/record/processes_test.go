//go:build !js

package record_test

import (
	"math/rand"
	"path/filepath"
	"testing"

	"countback/ledger/event"
	"countback/ledger/store/sqlite"
)

func TestSeveralRecorders(t *testing.T) {
	dir := t.TempDir()
	st, err := sqlite.Create(filepath.Join(dir, "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	s := found(t, st)
	done := make(chan error)
	for range 3 {
		go func() {
			own, err := sqlite.Open(st.Path(), sqlite.Options{}) // as another process
			if err != nil {
				done <- err
				return
			}
			defer own.Close()
			r := *s.Recorder
			r.Store, r.Entropy = own, rand.New(rand.NewSource(2))
			for i := range 10 {
				if _, err = r.Record(ctx, []event.Fact{order(i), order(i)}, nil); err != nil {
					break
				}
			}
			done <- err
		}()
	}
	for range 3 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	es := all(t, st)
	if len(es) != 62 {
		t.Fatalf("%d events", len(es))
	}
	for i := 1; i < len(es); i++ {
		if es[i].ID.Compare(es[i-1].ID) <= 0 || es[i].Prev != es[i-1].Hash {
			t.Errorf("event %d doesn't follow", i+1)
		}
	}
}
