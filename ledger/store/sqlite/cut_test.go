//go:build !js

package sqlite_test

import (
	"context"
	"path/filepath"
	"testing"

	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
)

// A cut changes the file's triggers for a moment. Another connection, with statements that it prepared before, goes on as if nothing had been, and the guard
// against deletion stands again.
func TestCutBesideAnotherConnection(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "ledger.db")
	a, err := sqlite.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	b, err := sqlite.Open(path, sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	l := storetest.NewLog(1, "")
	es := storetest.Some(l, 3)
	branch := l.Copy()
	old := l.Next(storetest.Order("W-1", 1))
	storetest.Put(t, b, append(es, old)...)
	err = a.Write(ctx, func(tx store.Tx) error {
		if _, err := tx.Cut(l.Key.Device(), 4); err != nil {
			return err
		}
		_, err := tx.Insert(branch.NextID(l.IDAt(90), storetest.Order("W-2", 1)))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	storetest.Put(t, b, branch.Next(storetest.Order("W-3", 1)))
	if lines := storetest.Lines(t, b); len(lines) != 5 {
		t.Errorf("%d lines", len(lines))
	}
	for _, st := range []*sqlite.Store{a, b} {
		if list, err := st.Check(ctx); err != nil || len(list) > 0 {
			t.Errorf("%v %v", list, err)
		}
	}
	for _, st := range []*sqlite.Store{a, b} {
		if err := st.Exec("DELETE FROM events"); err == nil {
			t.Error("events can be deleted after a cut")
		}
	}
}
