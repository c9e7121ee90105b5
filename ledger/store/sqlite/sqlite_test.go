//go:build !js

package sqlite_test

import (
	"path/filepath"
	"testing"

	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
)

func create(t testing.TB) *sqlite.Store {
	t.Helper()
	st, err := sqlite.Create(filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	return st
}

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T) store.Store { return create(t) })
}
