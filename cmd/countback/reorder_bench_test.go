package main

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
)

// busyYear is a year of a shop of 150 items with n packed orders: 50 goods, ten of them printed there, and 100 supplies, of which twelve go into each parcel.
func busyYear(n int) []event.Fact {
	var facts []event.Fact
	start := time.Date(2025, 3, 1, 8, 0, 0, 0, time.UTC)
	emit := func(at time.Time, d event.Data) {
		facts = append(facts, event.Fact{Time: event.TimeOf(at), Data: d})
	}
	qty := func(n int64) *num.Qty { q := num.Whole(n); return &q }
	good := func(i int) string { return fmt.Sprintf("good-%02d", i) }
	supply := func(i int) string { return fmt.Sprintf("supply-%02d", i) }
	lead, most := 5, 9
	cost := num.MustMoney("250")
	var lines []event.Line
	var stock []event.RestockLine
	item := func(id, kind string) {
		emit(start, &event.Item{Item: id, Name: id, Type: kind, Unit: "each", Packs: map[string]num.Qty{"box": num.Whole(500)}, Supplier: "Quillmark Supply", LeadDays: &lead, LeadDaysMax: &most})
		stock = append(stock, event.RestockLine{Item: id, Qty: qty(int64(n) / 8), Cost: &cost})
	}
	for i := range 50 {
		item(good(i), "good")
	}
	for i := range 100 {
		item(supply(i), "supply")
		l := event.Line{Item: supply(i), Qty: num.Whole(1), Per: "parcel"}
		if i >= 12 {
			l.Per, l.Good = "unit", good(i%50)
		}
		lines = append(lines, l)
	}
	emit(start, &event.PackSpec{Formats: []event.Format{{Format: "flat", Lines: lines}}})
	for i := range 10 {
		emit(start, &event.MakeSpec{Item: good(i), Pieces: num.Whole(2), Lines: []event.Line{{Item: supply(90 + i%5), Qty: num.Whole(1), Per: "cycle"}}})
	}
	emit(start.Add(time.Hour), &event.Restock{Supplier: "Quillmark Supply", Lines: stock})
	for i := range n {
		number := fmt.Sprintf("2026-%05d", i)
		at := start.Add(2*time.Hour + time.Duration(i)*365*24*time.Hour/time.Duration(n))
		o := &event.Order{Order: number, Zone: []string{"home", "near", "far"}[i%3]}
		for k := range 1 + i%3 {
			o.Lines = append(o.Lines, event.Goods{Item: good((i*7 + i/11*3 + k*13) % 50), Qty: num.Whole(int64(1 + (i+k)%2))})
		}
		emit(at, o)
		emit(at.Add(20*time.Minute), &event.Pack{Order: number})
	}
	return facts
}

// BenchmarkReorder asks for the reorder report of 150 items over a year of 20,000 packed orders, from the file on, and, as the baseline of the same run, for the stock,
// which reads and folds the same events once.
func BenchmarkReorder(b *testing.B) {
	const n = 20_000
	data := b.TempDir()
	now := time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC)
	run := func(stdin []byte, args ...string) string {
		var out, errs bytes.Buffer
		m := &Main{Args: append([]string{"--data", data}, args...), Stdin: bytes.NewReader(stdin), Stdout: &out, Stderr: &errs,
			Getenv: func(string) string { return "" }, Now: func() time.Time { return now }, Entropy: zeros{}, Version: "test"}
		if m.Run(context.Background()) != statusDone {
			b.Fatal(errs.String())
		}
		return out.String()
	}
	run(nil, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	file, _, err := factFile(busyYear(n))
	if err != nil {
		b.Fatal(err)
	}
	run(file, "record", "-")
	for _, c := range []struct {
		name string
		args []string
	}{
		{"stock", []string{"stock", "--no-checkpoint"}},
		{"reorder", []string{"reorder"}},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if out := run(nil, c.args...); len(out) < 1000 {
					b.Fatal(out)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/report")
		})
	}
}

// zeros is no chance at all: a benchmark's keys guard nothing.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}
