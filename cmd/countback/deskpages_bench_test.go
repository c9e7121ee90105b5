package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"net/http"
	"net/http/cookiejar"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/cmd/countback/pages"
)

// busyDesk is the desk of pages over a year of n packed orders, of which the last ones are still open.
func busyDesk(tb testing.TB, n int) *deskPages {
	tb.Helper()
	data := filepath.Join(tb.TempDir(), "busy")
	now := time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC)
	var errs bytes.Buffer
	m := &Main{Stdout: &bytes.Buffer{}, Stderr: &errs, Getenv: func(string) string { return "" }, Now: func() time.Time { return now }, Entropy: &counter{}, Version: "test", Build: "test"}
	run := func(stdin []byte, args ...string) {
		c := *m
		c.Args, c.Stdin = append([]string{"--data", data}, args...), bytes.NewReader(stdin)
		if c.Run(context.Background()) != statusDone {
			tb.Fatal(errs.String())
		}
	}
	run(nil, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	facts := busyYear(n)
	const open = 40
	kept := facts[:0]
	packs := 0
	for _, f := range facts {
		if f.Data.Kind() == "pack" {
			if packs++; packs > n-open {
				continue
			}
		}
		kept = append(kept, f)
	}
	file, _, err := factFile(kept)
	if err != nil {
		tb.Fatal(err)
	}
	run(file, "record", "-")
	for _, counted := range []string{"supply-00", "supply-01", "supply-02"} { // so that there is something to compare
		for _, day := range []string{"2025-06-30", "2025-09-30", "2025-12-31", "2026-02-28"} {
			run(nil, "count", counted, "100", "--at", day)
		}
	}
	run(nil, "stock") // leaves checkpoints
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

// BenchmarkLook takes looks at 20,000 packed orders, and works out from one what is on hand and how the shop stands.
func BenchmarkLook(b *testing.B) {
	p := busyDesk(b, 20_000)
	look, err := p.Look(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name string
		do   func() error
	}{
		{"look", func() error { _, _, err := p.takeLook(b.Context()); return err }},
		{"on-hand", func() error { look.Log.Run(look.Run); return nil }},
		{"changes", func() error { _, err := p.Changes(b.Context()); return err }},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if err := c.do(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/op")
		})
	}
}

// reader is a browser without a window.
type reader struct {
	base string
	http *http.Client
	site *pages.Site
}

// readerOf lets a browser in at a desk.
func readerOf(tb testing.TB, p *deskPages) *reader {
	tb.Helper()
	const port = "8746" // no listener is opened on it
	site, err := pages.New(p, pages.Options{Port: port, Entropy: &counter{}, Fault: func(err error) { tb.Error(err) }})
	if err != nil {
		tb.Fatal(err)
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		tb.Fatal(err)
	}
	r := &reader{"http://127.0.0.1:" + port, &http.Client{Jar: jar, Transport: handlerTransport{site.Handler()}}, site}
	address, err := site.Address()
	if err != nil {
		tb.Fatal(err)
	}
	if _, err := r.http.Get(address); err != nil {
		tb.Fatal(err)
	}
	return r
}

// get loads a page as a browser does; size is what goes over the wire.
func (r *reader) get(tb testing.TB, path string) (status, size int, body string) {
	tb.Helper()
	req, err := http.NewRequest(http.MethodGet, r.base+path, nil)
	if err != nil {
		tb.Fatal(err)
	}
	req.Header.Set("Accept-Encoding", "gzip")
	res, err := r.http.Do(req)
	if err != nil {
		tb.Fatal(err)
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	if err != nil {
		tb.Fatal(err)
	}
	size = len(raw)
	if res.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(bytes.NewReader(raw))
		if err != nil {
			tb.Fatal(err)
		}
		if raw, err = io.ReadAll(z); err != nil {
			tb.Fatal(err)
		}
	}
	return res.StatusCode, size, string(raw)
}

// BenchmarkPages loads every page of a ledger of 20,000 packed orders, from a look whose reports were asked for before. bytes/page is what goes over the wire.
func BenchmarkPages(b *testing.B) {
	p := busyDesk(b, 20_000)
	r := readerOf(b, p)
	look, err := p.Look(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	r.site.Warm(b.Context(), look)
	event := ""
	for _, path := range append(slices.Clone(deskPaths), "/orders/2026-00500", "/counting/enter", "/counting/sheet", "/counting/use", "/losses?item=stiffener", "/buying?budget=100", "/closing/2025-02") {
		path = strings.NewReplacer("stiffener", "supply-00").Replace(path)
		if path == "/event/EVENT" {
			if event == "" {
				d, err := p.open(b.Context())
				if err != nil {
					b.Fatal(err)
				}
				rows, err := d.store.ByOrder(b.Context(), "2026-00500")
				if err != nil || len(rows) == 0 {
					b.Fatal("no order", err)
				}
				event = idOf(b, rows[0].Line)
			}
			path = "/event/" + event
		}
		status, _, body := r.get(b, path)
		for range 600 { // what takes long is worked out beside the page
			if !strings.Contains(body, `http-equiv="refresh"`) {
				break
			}
			time.Sleep(50 * time.Millisecond)
			status, _, body = r.get(b, path)
		}
		if status == http.StatusNotFound { // only the demo has it
			continue
		}
		b.Run(path, func(b *testing.B) {
			size := 0
			for b.Loop() {
				var status int
				var body string
				if status, size, body = r.get(b, path); status != http.StatusOK {
					b.Fatal(status, mainOf(body))
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms/page")
			b.ReportMetric(float64(size), "bytes/page")
		})
	}
}
