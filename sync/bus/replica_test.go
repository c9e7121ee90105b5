//go:build !js

package bus_test

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
	"countback/sync/bus"
	"countback/sync/replicate"
)

// replica is a device with its store and its runner.
type replica struct {
	t      testing.TB
	log    *storetest.Log
	path   string // of the ledger's file
	st     *sqlite.Store
	runner *bus.Runner
	stop   context.CancelFunc
	ended  chan struct{}

	mu       sync.Mutex
	reports  []replicate.Report
	downs    []error
	observed func(*replicate.Machine)
}

// newReplica makes a device with a store that holds its first events.
func newReplica(t testing.TB, l *storetest.Log, first ...*event.Event) *replica {
	t.Helper()
	r := &replica{t: t, log: l, path: filepath.Join(t.TempDir(), "ledger.db")}
	var err error
	if r.st, err = sqlite.Create(r.path); err != nil {
		t.Fatal(err)
	}
	storetest.Put(t, r.st, first...)
	t.Cleanup(func() {
		r.halt()
		r.st.Close()
	})
	return r
}

// reopen opens the device's file anew, which may not grow beyond a number of bytes (0: as it likes).
func (r *replica) reopen(most int64) {
	r.t.Helper()
	r.halt()
	r.st.Close()
	var err error
	if r.st, err = sqlite.Open(r.path, sqlite.Options{MaxBytes: most}); err != nil {
		r.t.Fatal(err)
	}
}

// run lets the device live on a bus.
func (r *replica) run(shop string, desk bool, connect connector) {
	r.t.Helper()
	m, err := replicate.New(ctx, replicate.Config{Store: r.st, Key: r.log.Key, Shop: shop, Desk: desk, Build: "1"})
	if err != nil {
		r.t.Fatal(err)
	}
	r.runner = bus.NewRunner(bus.RunnerConfig{
		Machine: m, Version: r.st.DataVersion, Poll: 20 * time.Millisecond, Now: time.Now, After: time.After,
		Cursor: func(ctx context.Context, b string) (replicate.Cursor, error) {
			return replicate.ReadPlace(ctx, r.st, b)
		},
		Buses: []bus.Config{{Name: "bus", Shop: shop, Device: r.log.Key.Device(), Desk: desk, Connect: connect, After: time.After, Bytes: 512 << 20}},
		Report: func(x replicate.Report) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.reports = append(r.reports, x)
		},
		State: func(s bus.State) {
			r.mu.Lock()
			defer r.mu.Unlock()
			if s.Err != nil {
				r.downs = append(r.downs, s.Err)
			}
		},
		Changed: func(m *replicate.Machine) {
			if r.observed != nil {
				r.observed(m)
			}
		},
	})
	var ctx context.Context
	ctx, r.stop = context.WithCancel(context.Background())
	r.ended = make(chan struct{})
	go func() {
		defer close(r.ended)
		if err := r.runner.Run(ctx); err != nil {
			r.t.Error(err)
		}
	}()
}

// halt ends the device's runner.
func (r *replica) halt() {
	if r.stop != nil {
		r.stop()
		<-r.ended
		r.stop = nil
	}
}

// record adds n events of the device's own to its store.
func (r *replica) record(n int) {
	r.t.Helper()
	for range n {
		storetest.Put(r.t, r.st, r.log.Next(storetest.Order(fmt.Sprintf("W-%s-%d", r.log.Key.Device()[:4], r.log.Seq), 1)))
	}
}

// ends are how far the logs go, with the hashes of their last events, which stand for all before them.
func (r *replica) ends() string {
	heads, err := r.st.Heads(ctx)
	if err != nil {
		r.t.Fatal(err)
	}
	return fmt.Sprint(heads)
}

// why are the reasons for which the bus couldn't be used, for a test that has failed.
func (r *replica) why() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return fmt.Sprint(r.downs, r.reports)
}

func (r *replica) reported(what replicate.What) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := 0
	for _, x := range r.reports {
		if x.What == what {
			n++
		}
	}
	return n
}

// safe reports whether all that the device holds is known to be on another's disk.
func (r *replica) safe() (all bool) {
	if err := r.runner.Do(ctx, func(m *replicate.Machine) {
		list, err := m.Standings()
		all = err == nil
		for _, s := range list {
			all = all && s.Safe == s.Kept
		}
	}); err != nil {
		r.t.Fatal(err)
	}
	return all
}

// inStep waits until two devices are, and both know it.
func inStep(t testing.TB, when string, a, b *replica) {
	t.Helper()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("%s: %s\n%s\n%s\n%s", when, a.ends(), b.ends(), a.why(), b.why())
		}
	})
	eventually(t, when, func() bool { return a.ends() == b.ends() && a.safe() && b.safe() })
}

// eventually waits until something holds.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(40 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if holds() {
			return
		}
	}
	t.Fatalf("it never came about: %s", what)
}

// pairOf are two desks of one shop that know each other's membership.
func pairOf(t testing.TB) (a, b *replica) {
	desk := storetest.NewLog(1, "")
	second := storetest.NewLog(2, desk.Shop)
	first := desk.Next(desk.Device(nil, "desk"))
	a = newReplica(t, desk, first)
	b = newReplica(t, second, second.Next(second.Device(desk, "desk")))
	storetest.Put(t, b.st, first)
	return a, b
}
