package main

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// BenchmarkPlanCommand runs the whole command on the demo's year with 200 open orders more, from opening the file to the last line printed. Beside it says how
// many times the command stock that takes, in the same run.
func BenchmarkPlanCommand(b *testing.B) {
	dir := filepath.Join(b.TempDir(), "demo")
	now := time.Date(2026, 10, 31, 21, 0, 0, 0, time.UTC)
	run := func(stdin string, args ...string) {
		var errs strings.Builder
		m := &Main{
			Args: args, Stdin: strings.NewReader(stdin), Stdout: io.Discard, Stderr: &errs, Getenv: func(string) string { return "" },
			Now: func() time.Time { return now }, Entropy: rand.NewChaCha8([32]byte{}), Version: "test", Build: "bench", data: dir,
		}
		m.Args = append([]string{"--data", dir}, args...)
		if m.Run(context.Background()) != 0 {
			b.Fatal(errs.String())
		}
	}
	run("", "demo", "--keep", dir)
	goods := strings.Fields("card-tern card-harbour card-fern card-lantern stickers-birds stickers-tea print-coast print-moths bookmark-kelp tags-star notebook-dot set-five")
	var orders strings.Builder
	for i := range 200 {
		var lines []string
		for k := range 1 + i%3 {
			lines = append(lines, fmt.Sprintf(`{"item":%q,"qty":"%d"}`, goods[(i*5+k*7)%12], 1+i%2))
		}
		fmt.Fprintf(&orders, `{"kind":"order","time":"2026-10-30T1%d:00:00-03:00","data":{"order":"X-%d","zone":%q,"lines":[%s]}}`+"\n", i%10, i, []string{"CA", "US", "EU"}[i%3], strings.Join(lines, ","))
	}
	run(orders.String(), "record", "-")
	run("", "stock") // leaves a checkpoint, as any report before would
	for name, more := range map[string][]string{"": nil, "-no-checkpoint": {"--no-checkpoint"}} {
		began := time.Now()
		for range 5 {
			run("", append([]string{"stock"}, more...)...)
		}
		stock := time.Since(began) / 5
		b.Run("plan"+name, func(b *testing.B) {
			for b.Loop() {
				run("", append([]string{"plan"}, more...)...)
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/stock.Seconds(), "of-stock")
		})
	}
}
