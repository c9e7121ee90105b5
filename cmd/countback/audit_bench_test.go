package main

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/audit"
	"countback/projections/bridge"
	"countback/projections/fold"
)

// countedYear is a busy year whose items are counted each month and come in every other one.
func countedYear(n int) []event.Fact {
	facts := busyYear(n)
	start := time.Date(2025, 3, 1, 8, 0, 0, 0, time.UTC)
	cost := num.MustMoney("250")
	for month := range 12 {
		at := start.AddDate(0, month, 27)
		for i := range 100 {
			id := fmt.Sprintf("supply-%02d", i)
			q := num.Whole(int64(5000 + (i*37+month*113)%200))
			facts = append(facts, event.Fact{Time: event.TimeOf(at), Data: &event.Count{Item: id, Qty: &q, Session: fmt.Sprint("month ", month)}})
			if month%2 == 1 {
				box := num.Whole(4)
				facts = append(facts, event.Fact{Time: event.TimeOf(at.AddDate(0, 0, 2)), Data: &event.Restock{Supplier: "Quillmark Supply",
					Lines: []event.RestockLine{{Item: id, Qty: &box, Pack: "box", Cost: &cost}}}})
			}
		}
	}
	return facts
}

// BenchmarkAudit audits one item, and all, of a year of 20,000 packed orders and 150 items, from the file on; as the baseline of the same run it asks for the
// stock, which reads and folds the same events once.
func BenchmarkAudit(b *testing.B) {
	const n = 20_000
	data := b.TempDir()
	now := time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC)
	program := func(stdin []byte, args ...string) (*Main, *bytes.Buffer, *bytes.Buffer) {
		var out, errs bytes.Buffer
		return &Main{Args: append([]string{"--data", data}, args...), Stdin: bytes.NewReader(stdin), Stdout: &out, Stderr: &errs,
			Getenv: func(string) string { return "" }, Now: func() time.Time { return now }, Entropy: zeros{}, Version: "test"}, &out, &errs
	}
	run := func(stdin []byte, args ...string) string {
		m, out, errs := program(stdin, args...)
		if m.Run(context.Background()) != statusDone {
			b.Fatal(errs.String())
		}
		return out.String()
	}
	run(nil, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	file, _, err := factFile(countedYear(n))
	if err != nil {
		b.Fatal(err)
	}
	run(file, "record", "-")
	report := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/report")
	}
	b.Run("stock", func(b *testing.B) {
		for b.Loop() {
			run(nil, "stock", "--no-checkpoint")
		}
		report(b)
	})
	b.Run("one item", func(b *testing.B) {
		for b.Loop() {
			if out := run(nil, "audit", "supply-03"); len(out) < 300 {
				b.Fatal(out)
			}
		}
		report(b)
	})
	b.Run("all items", func(b *testing.B) {
		for b.Loop() {
			m, _, _ := program(nil)
			m.data = data
			d, err := m.openDesk(context.Background())
			if err != nil {
				b.Fatal(err)
			}
			log, err := d.log(0)
			if err != nil {
				b.Fatal(err)
			}
			shop := audit.Read(log, fold.Run{AsOf: now.UnixMilli()})
			for _, it := range log.Catalog.Items {
				w, err := shop.Record.Window(it.Index, bridge.Ask{})
				if err != nil {
					continue
				}
				shop.Of(d.style(), []bridge.Bridge{shop.Record.Of(it.Index, w, d.zone)})
			}
			d.close(&err)
		}
		report(b)
	})
}
