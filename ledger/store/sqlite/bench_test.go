//go:build !js

package sqlite_test

import (
	"crypto/rand"
	"fmt"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
)

func recorder(b *testing.B, st *sqlite.Store) *record.Recorder {
	b.Helper()
	l := storetest.NewLog(1, "")
	storetest.Put(b, st, storetest.Some(l, 2)...)
	return &record.Recorder{Store: st, Key: l.Key, Shop: l.Shop, Now: time.Now, Entropy: rand.Reader}
}

func fact(n int) event.Fact {
	return event.Fact{Time: event.TimeOf(time.Now()), Data: storetest.Order(fmt.Sprintf("W-%d", n), 3)}
}

// BenchmarkAppend sets one durable event, with building, hashing and signing, beside a bare insert of the same bytes on the same connection at the same
// settings. They take turns, so that both see the same machine.
func BenchmarkAppend(b *testing.B) {
	st := create(b)
	r := recorder(b, st)
	if err := st.Exec("CREATE TABLE bare (n INTEGER PRIMARY KEY, line BLOB NOT NULL)"); err != nil {
		b.Fatal(err)
	}
	var ours, bare time.Duration
	n := 0
	for b.Loop() {
		n++
		start := time.Now()
		res, err := r.Record(ctx, []event.Fact{fact(n)}, nil)
		ours += time.Since(start)
		if err != nil {
			b.Fatal(err)
		}
		rows, err := st.ByID(ctx, res.IDs[0])
		if err != nil {
			b.Fatal(err)
		}
		start = time.Now()
		if err := st.Raw(rows[0].Line); err != nil {
			b.Fatal(err)
		}
		bare += time.Since(start)
	}
	b.ReportMetric(float64(ours.Microseconds())/float64(n), "µs/event")
	b.ReportMetric(float64(bare.Microseconds())/float64(n), "µs/bare")
	b.ReportMetric(float64(ours)/float64(bare), "ratio")
}

// BenchmarkRecordFile records a file of 20,000 facts at once.
func BenchmarkRecordFile(b *testing.B) {
	const size = 20_000
	r := recorder(b, create(b))
	n := 0
	for b.Loop() {
		facts := make([]event.Fact, size)
		for i := range facts {
			n++
			facts[i] = fact(n)
		}
		if _, err := r.Record(ctx, facts, nil); err != nil {
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
