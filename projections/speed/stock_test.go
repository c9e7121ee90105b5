//go:build !js

package speed_test

import (
	"testing"
	"time"

	"countback/ledger/entry"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/projections/fold"
	"countback/projections/report"
	"countback/projections/resume"
	"countback/projections/stock"
)

const hour = 3_600_000

// BenchmarkStock answers what is on hand as a command does that was just started: it opens the file, reads the definitions, folds from a checkpoint that is
// an hour of orders old, and reports. The baseline opens the file and asks it for its last event. x-whole is how many times longer the fold from the first
// event took.
func BenchmarkStock(b *testing.B) {
	n := size()
	path := ledgerFile(b, n)
	end := begin + int64(n+packLag)*20_000
	whole := leaveCheckpoint(b, path, end-hour)
	var ours, plain time.Duration
	for b.Loop() {
		start := time.Now()
		st, err := sqlite.Open(path, sqlite.Options{})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := st.Last(ctx); err != nil {
			b.Fatal(err)
		}
		plain += time.Since(start)
		st.Close()

		start = time.Now()
		if st, err = sqlite.Open(path, sqlite.Options{}); err != nil {
			b.Fatal(err)
		}
		if _, _, err := entry.NewHeld(ctx, st).Catalog(); err != nil {
			b.Fatal(err)
		}
		r, err := resume.Job{Store: st, Build: build, Now: end, Run: fold.Run{AsOf: end}}.Fold(ctx)
		if err != nil {
			b.Fatal(err)
		}
		items := stock.Of(r.State, report.Style{Zone: time.UTC}, "").Items
		ours += time.Since(start)
		if !r.Resumed || len(items) != goods+supplies {
			b.Fatalf("resumed %v, %d items", r.Resumed, len(items))
		}
		st.Close()
	}
	b.ReportMetric(float64(ours.Microseconds())/1000/float64(b.N), "ms/stock")
	b.ReportMetric(float64(plain.Microseconds())/1000/float64(b.N), "ms/open")
	b.ReportMetric(float64(ours)/float64(plain), "x-baseline")
	b.ReportMetric(float64(whole)*float64(b.N)/float64(ours), "x-whole")
}

const build = "speed"

// leaveCheckpoint folds a ledger up to an instant as this code does now, and leaves that as its only checkpoint.
func leaveCheckpoint(b *testing.B, path string, asOf int64) time.Duration {
	b.Helper()
	st := open(b, path)
	defer st.Close()
	if err := st.DropCheckpoints(ctx, resume.Key(build), store.Position{Ms: -1 << 63}); err != nil {
		b.Fatal(err)
	}
	start := time.Now()
	r, err := resume.Job{Store: st, Build: build, Now: asOf, Run: fold.Run{AsOf: asOf}}.Fold(ctx)
	if err != nil {
		b.Fatal(err)
	}
	took := time.Since(start)
	if err := r.Leave(ctx); err != nil {
		b.Fatal(err)
	}
	return took
}
