//go:build !js

package sqlite_test

import (
	"crypto/rand"
	"fmt"
	"slices"
	"testing"
	"time"

	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
)

// recorder founds a shop of 26 items with a packing spec.
func recorder(b *testing.B, st *sqlite.Store) *record.Recorder {
	b.Helper()
	l := storetest.NewLog(1, "")
	storetest.Put(b, st, storetest.Some(l, 2)...)
	r := &record.Recorder{Store: st, Key: l.Key, Shop: l.Shop, Now: time.Now, Entropy: rand.Reader}
	setup := []event.Data{&event.Item{Item: "card-a6", Name: "Card, A6", Type: "good", Unit: "each"}}
	spec := &event.PackSpec{Formats: []event.Format{{Format: "flat"}}}
	for i := range 25 {
		id, each := fmt.Sprintf("supply-%d", i), num.Whole(1)
		setup = append(setup, &event.Item{Item: id, Name: "Supply", Type: "supply", Unit: "each"})
		if i < 12 {
			spec.Formats[0].Lines = append(spec.Formats[0].Lines, event.Line{Item: id, Qty: each, Per: "parcel"})
		}
	}
	var facts []event.Fact
	for _, d := range append(setup, spec) {
		facts = append(facts, event.Fact{Time: event.TimeOf(time.Now()), Data: d})
	}
	if _, err := r.Record(ctx, facts, check(r, entry.NewHeld(ctx, st), facts)); err != nil {
		b.Fatal(err)
	}
	return r
}

// check is the check of entry, as a process asks for it that goes on recording.
func check(r *record.Recorder, held *entry.Held, facts []event.Fact) func(store.Tx) error {
	return func(tx store.Tx) error {
		return held.Within(tx, r.Key.Device(), func() error {
			return entry.Check(facts, held, time.Now(), func(string) error { return nil })
		})
	}
}

func fact(n int) event.Fact {
	return event.Fact{Time: event.TimeOf(time.Now()), Data: storetest.Order(fmt.Sprintf("W-%d", n), 3)}
}

// BenchmarkAppend sets one durable event, with the check of entry, building, hashing and signing, beside two prepared inserts of the same bytes on the same
// connection, so with the same journal and the same sync: a bare one into a table of a number and the line (x-baseline), and one into a table with the
// ledger's own columns and four indexes (x-indexed). They take turns, so that all see the same machine. The file is as it is after its first checkpoint, which
// brings the index by time.
func BenchmarkAppend(b *testing.B) {
	st := create(b)
	r := recorder(b, st)
	if err := st.SaveCheckpoint(ctx, store.Checkpoint{Key: "stock"}); err != nil {
		b.Fatal(err)
	}
	bare, indexed, err := st.Bare()
	if err != nil {
		b.Fatal(err)
	}
	held := entry.NewHeld(ctx, st)
	var took [3][]time.Duration
	measure := func(i int, do func() error) {
		start := time.Now()
		err := do()
		took[i] = append(took[i], time.Since(start))
		if err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		var id event.ID
		measure(0, func() error {
			facts := []event.Fact{fact(len(took[0]))}
			res, err := r.Record(ctx, facts, check(r, held, facts))
			if err == nil {
				id = res.IDs[0]
			}
			return err
		})
		rows, err := st.ByID(ctx, id)
		if err != nil {
			b.Fatal(err)
		}
		e, err := event.ParseLine(rows[0].Line)
		if err != nil {
			b.Fatal(err)
		}
		measure(1, func() error { return bare(e) })
		measure(2, func() error { return indexed(e) })
	}
	ours := micros(took[0])
	b.ReportMetric(ours, "µs/event")
	b.ReportMetric(micros(took[1]), "µs/bare")
	b.ReportMetric(ours/micros(took[1]), "x-baseline")
	b.ReportMetric(ours/micros(took[2]), "x-indexed")
}

// micros is the median in microseconds: the disk's worst moments meet either of the two.
func micros(list []time.Duration) float64 {
	slices.Sort(list)
	return float64(list[len(list)/2].Nanoseconds()) / 1000
}

// BenchmarkRecordFile records a file of 20,000 facts at once, checked like one.
func BenchmarkRecordFile(b *testing.B) {
	const size = 20_000
	st := create(b)
	r, held := recorder(b, st), entry.NewHeld(ctx, st)
	n := 0
	for b.Loop() {
		facts := make([]event.Fact, size)
		for i := range facts {
			n++
			facts[i] = fact(n)
		}
		if _, err := r.Record(ctx, facts, check(r, held, facts)); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "facts/s")
}

// BenchmarkBulk inserts events that are made already, 1,000 in a write, as when a log is taken in.
func BenchmarkBulk(b *testing.B) {
	st := create(b)
	l := storetest.NewLog(1, "")
	n := 0
	for b.Loop() {
		b.StopTimer()
		es := storetest.Some(l, 1000)
		b.StartTimer()
		storetest.Put(b, st, es...)
		n += len(es)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkScan reads 50,000 rows.
func BenchmarkScan(b *testing.B) {
	st := create(b)
	storetest.Put(b, st, storetest.Some(storetest.NewLog(1, ""), 50_000)...)
	n := 0
	for b.Loop() {
		if err := st.Scan(ctx, 0, func(store.Row) error { n++; return nil }); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "rows/s")
}
