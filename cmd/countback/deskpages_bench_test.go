package main

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"
	"time"

	"countback/cmd/countback/pages"
)

// busyDesk is the desk of pages over a year of 20,000 packed orders.
func busyDesk(tb testing.TB, n int) *deskPages {
	tb.Helper()
	data := filepath.Join(tb.TempDir(), "busy")
	now := time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC)
	var errs bytes.Buffer
	m := &Main{Stdout: &bytes.Buffer{}, Stderr: &errs, Getenv: func(string) string { return "" }, Now: func() time.Time { return now }, Entropy: zeros{}, Version: "test", Build: "test"}
	run := func(stdin []byte, args ...string) {
		c := *m
		c.Args, c.Stdin = append([]string{"--data", data}, args...), bytes.NewReader(stdin)
		if c.Run(context.Background()) != statusDone {
			tb.Fatal(errs.String())
		}
	}
	run(nil, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	file, _, err := factFile(busyYear(n))
	if err != nil {
		tb.Fatal(err)
	}
	run(file, "record", "-")
	k, err := readKey(data)
	if err != nil {
		tb.Fatal(err)
	}
	st, err := m.openStore(data)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := st.Close(); err != nil {
			tb.Error(err)
		}
	})
	return m.newDeskPages(data, st, k)
}

// BenchmarkLook takes looks at 20,000 packed orders, and works out what is on hand from one.
func BenchmarkLook(b *testing.B) {
	p := busyDesk(b, 20_000)
	b.Run("look", func(b *testing.B) {
		for b.Loop() {
			if _, _, err := p.takeLook(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	})
	look, _, err := p.takeLook(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	b.Run("state", func(b *testing.B) {
		for b.Loop() {
			look.Log.Run(look.Run)
		}
	})
	_ = pages.Options{}
}
