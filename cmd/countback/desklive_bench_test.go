package main

import (
	"bufio"
	"context"
	"net/http"
	"net/http/cookiejar"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/cmd/countback/pages"
	"countback/ledger/event"
	"countback/ledger/num"
)

// BenchmarkLive records an entry beside an open page of a ledger of 20,000 packed orders, as one that arrives from a phone is stored, and waits until the page has heard what it
// says, what is on hand after it, and that all figures are there.
func BenchmarkLive(b *testing.B) {
	p := busyDesk(b, 20_000)
	p.m.Now = time.Now
	door, err := openPages(context.Background(), p, "0", pages.Options{Fault: func(err error) { b.Error(err) }})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(door.close)
	jar, err := cookiejar.New(nil)
	if err != nil {
		b.Fatal(err)
	}
	browser := &http.Client{Jar: jar}
	address, err := door.site.Address()
	if err != nil {
		b.Fatal(err)
	}
	if _, err := browser.Get(address); err != nil {
		b.Fatal(err)
	}
	res, err := browser.Get(door.base(b) + "/live")
	if err != nil {
		b.Fatal(err)
	}
	defer res.Body.Close()
	type said struct {
		what string
		at   time.Time
	}
	heard := make(chan said, 64)
	go func() {
		lines := bufio.NewScanner(res.Body)
		for lines.Scan() {
			what, ok := strings.CutPrefix(lines.Text(), "event: ")
			if ok && lines.Scan() {
				if what == "arrived" && strings.Contains(lines.Text(), "on_hand") {
					what = "on hand"
				}
				heard <- said{what, time.Now()}
			}
		}
	}()
	d, err := p.open(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	look, err := p.Look(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	door.site.Warm(b.Context(), look)
	took := map[string][]time.Duration{}
	for b.Loop() {
		for { // quiet again
			select {
			case <-heard:
				continue
			case <-time.After(time.Second):
			}
			break
		}
		qty := num.Whole(1)
		_, err := d.recorder().Record(b.Context(), []event.Fact{{Time: event.TimeOf(time.Now()), Data: &event.Damage{Item: "supply-50", Qty: qty, Reason: "sample"}}}, nil)
		if err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		open := map[string]bool{"arrived": true, "on hand": true, "look": true}
		for len(open) > 0 {
			select {
			case s := <-heard:
				if open[s.what] {
					delete(open, s.what)
					took[s.what] = append(took[s.what], s.at.Sub(began))
				}
			case <-time.After(time.Minute):
				b.Fatalf("nothing heard of %v", open)
			}
		}
	}
	for what, list := range took {
		slices.Sort(list)
		b.ReportMetric(float64(list[len(list)/2].Microseconds())/1000, "ms-"+strings.ReplaceAll(what, " ", "-"))
	}
}
