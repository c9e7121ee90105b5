//go:build js

package indexeddb_test

import (
	"context"
	"errors"
	"fmt"
	"syscall/js"
	"testing"

	"countback/ledger/store"
	"countback/ledger/store/indexeddb"
	"countback/ledger/store/paged"
	"countback/ledger/store/storetest"
)

var ctx = context.Background()

// needBrowser leaves a test out where there is no database, as under Node. cmd/recorder runs all of them in Chromium.
func needBrowser(t *testing.T) {
	if !js.Global().Get("indexedDB").Truthy() {
		t.Skip("there is no browser here")
	}
}

var made int

func open(t *testing.T) store.Store {
	made++
	name := fmt.Sprintf("test %d", made)
	d, err := indexeddb.Open(ctx, name, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := paged.Open(ctx, d)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(s.Close(), indexeddb.Delete(ctx, name)); err != nil {
			t.Error(err)
		}
	})
	return s
}

func TestStore(t *testing.T) {
	needBrowser(t)
	storetest.Run(t, open)
}

// Two connections to one database, as a page and a worker have them, write in turn and lose nothing.
func TestTwoConnections(t *testing.T) {
	needBrowser(t)
	told := make(chan struct{}, 100)
	var list [2]*paged.Store
	for i := range list {
		d, err := indexeddb.Open(ctx, "shared", func() { told <- struct{}{} })
		if err != nil {
			t.Fatal(err)
		}
		if list[i], err = paged.Open(ctx, d); err != nil {
			t.Fatal(err)
		}
	}
	es := storetest.Some(storetest.NewLog(1, ""), 20)
	for i, e := range es {
		storetest.Put(t, list[i%2], e)
	}
	<-told // each hears of the other
	for _, s := range list {
		if got := storetest.Lines(t, s); len(got) < len(es)-1 { // of the very last one it may not have heard yet
			t.Errorf("%d lines", len(got))
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	if err := indexeddb.Delete(ctx, "shared"); err != nil {
		t.Error(err)
	}
}

func TestBox(t *testing.T) {
	needBrowser(t)
	d, err := indexeddb.Open(ctx, "box", nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"", "a ‹text›", "another", ""} {
		if err := d.Put(ctx, "key", want); err != nil {
			t.Fatal(err)
		}
		if got, err := d.Take(ctx, "key"); err != nil || got != want {
			t.Errorf("%q %v, want %q", got, err, want)
		}
	}
	if err := errors.Join(d.Close(), indexeddb.Delete(ctx, "box")); err != nil {
		t.Error(err)
	}
}

// A lock that is held keeps others out until it is let go, and one that is given up is left.
func TestLock(t *testing.T) {
	needBrowser(t)
	release, ok, err := indexeddb.Lock(ctx, "test", false)
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	if again, _, err := indexeddb.Lock(ctx, "test", true); err != nil || again != nil {
		t.Error("it is held twice", err)
	}
	done, cancel := context.WithCancel(ctx)
	cancel()
	if _, _, err := indexeddb.Lock(done, "test", false); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	release()
	release, _, err = indexeddb.Lock(ctx, "test", false)
	if err != nil {
		t.Fatal(err)
	}
	release()
}
