//go:build !js

package report_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/sqlite"
)

// Every exact report has the same bytes, whatever the order in which events arrived, in whatever batches and in whatever store they lie, under both
// costings.
func TestReportsKnowNoOrderOfArrival(t *testing.T) {
	dir, n := t.TempDir(), 0
	rapid.Check(t, func(t *rapid.T) {
		events := drawn(t)
		a := asked{asOf: later}
		if rapid.Bool().Draw(t, "cut") {
			a.asOf = rapid.SampledFrom(events).Draw(t, "as of").Time.Ms()
		}
		for _, costing := range costings {
			logs := chained(withShop(events, costing))
			want := mustExact(t, all(logs), a)
			compare := func(how string, got string) {
				if got != want {
					t.Errorf("%s, %s: %s", costing, how, parts(want, got))
				}
			}
			compare("lines in any order", mustExact(t, source(rapid.Permutation(all(logs)).Draw(t, "order")), a))
			mem := memory.New()
			arrive(t, mem, logs)
			compare("a store in memory", mustExact(t, stored{mem}, a))
			if rapid.IntRange(0, 4).Draw(t, "file") < 4 {
				continue
			}
			n++
			file, err := sqlite.Create(filepath.Join(dir, fmt.Sprint(n, ".db")))
			if err != nil {
				t.Fatal(err)
			}
			arrive(t, file, logs)
			compare("a store in a file", mustExact(t, stored{file}, a))
			if err := file.Close(); err != nil {
				t.Error(err)
			}
		}
	})
}

// arrive puts logs into a store as devices hand them over: each log in its own order, any number of events at a time.
func arrive(t *rapid.T, s store.Store, logs [][]*event.Event) {
	left := append([][]*event.Event{}, logs...)
	for len(left) > 0 {
		err := s.Write(context.Background(), func(tx store.Tx) error {
			for range rapid.IntRange(1, 9).Draw(t, "batch") {
				i := rapid.IntRange(0, len(left)-1).Draw(t, "log")
				if _, err := tx.Insert(left[i][0]); err != nil {
					return err
				}
				if left[i] = left[i][1:]; len(left[i]) == 0 {
					left = append(left[:i:i], left[i+1:]...)
				}
				if len(left) == 0 {
					break
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// stored is a store as the source of a fold.
type stored struct{ s store.Store }

// Lines implements fold.Source.
func (s stored) Lines(ctx context.Context, fn func([]byte) error) error {
	return s.s.Scan(ctx, 0, func(r store.Row) error { return fn(r.Line) })
}
