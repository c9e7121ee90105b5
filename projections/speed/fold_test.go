//go:build !js

package speed_test

import (
	"crypto/sha256"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"countback/ledger/num"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/projections/book"
	"countback/projections/fold"
)

func open(tb testing.TB, path string) *sqlite.Store {
	tb.Helper()
	st, err := sqlite.Open(path, sqlite.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { st.Close() })
	return st
}

// BenchmarkFoldFromFile folds the whole ledger from its file, average cost and the cost of each order, beside a plain reading of the same file with a hash
// of each line. The heap is collected as the program has it.
func BenchmarkFoldFromFile(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(300))
	n := size()
	path := ledgerFile(b, n)
	st := open(b, path)
	var ours, plain time.Duration
	var peak int
	var cpu float64
	for b.Loop() {
		start := time.Now()
		var sum byte
		err := st.Scan(ctx, 0, func(r store.Row) error { sum ^= sha256.Sum256(r.Line)[0]; return nil })
		plain += time.Since(start)
		if err != nil {
			b.Fatal(err)
		}
		debug.FreeOSMemory()
		forgetPeak()
		before := cpuSeconds()
		start = time.Now()
		log, err := fold.Read(ctx, fold.Stored(st), fold.Choice{})
		if err != nil {
			b.Fatal(err)
		}
		read := time.Since(start)
		s := log.Run(fold.Run{})
		var cost num.Money
		for _, o := range s.Orders {
			cost = cost.Add(o.Cost()[book.Average])
		}
		took := time.Since(start)
		ours += took
		cpu += cpuSeconds() - before
		peak = max(peak, peakMB())
		b.Logf("read %v, all %v", read, took)
		if len(s.Orders) != n || cost.Sign() <= 0 {
			b.Fatal("the fold did not come out")
		}
	}
	b.ReportMetric(ours.Seconds()/float64(b.N), "s/fold")
	b.ReportMetric(cpu/float64(b.N), "cpu-s/fold")
	b.ReportMetric(float64(ours.Nanoseconds())/float64(b.N)/float64(n), "ns/order")
	b.ReportMetric(float64(ours)/float64(plain), "x-baseline")
	b.ReportMetric(float64(peak), "MB-peak")
}

// forgetPeak lets the system measure the peak of memory anew; only Linux can.
func forgetPeak() { _ = os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) }

// peakMB returns the highest resident memory of this process since then, 0 where the system doesn't say.
func peakMB() int {
	b, _ := os.ReadFile("/proc/self/status")
	_, rest, _ := strings.Cut(string(b), "VmHWM:")
	rest, _, _ = strings.Cut(rest, "kB")
	kb, _ := strconv.Atoi(strings.TrimSpace(rest))
	return kb / 1024
}

// cpuSeconds returns the time that this process has had a processor, which other programs of the machine lengthen less than the time of the clock; 0
// where the system doesn't say.
func cpuSeconds() float64 {
	b, _ := os.ReadFile("/proc/self/stat")
	_, rest, _ := strings.Cut(string(b), ") ")
	f := strings.Fields(rest)
	if len(f) < 13 {
		return 0
	}
	user, _ := strconv.Atoi(f[11])
	system, _ := strconv.Atoi(f[12])
	return float64(user+system) / 100
}
