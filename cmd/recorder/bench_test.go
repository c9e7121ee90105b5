//go:build !js

package main

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// year is a shop's year as facts: items, a spec, deliveries and counts, and a number of orders that were packed.
func year(orders int) string {
	const supplies, goods, perOrder = 60, 30, 4
	var b strings.Builder
	start := time.Date(2025, 1, 2, 9, 0, 0, 0, time.FixedZone("", -4*3600))
	fact := func(at time.Time, kind, data string, args ...any) {
		fmt.Fprintf(&b, `{"kind":%q,"time":%q,"data":%s}`+"\n", kind, at.Format(time.RFC3339), fmt.Sprintf(data, args...))
	}
	lines := []string{}
	for i := range supplies {
		fact(start, "item", `{"item":"s%02d","name":"Supply %02d","type":"supply","unit":"each","packs":{"box":"150"},"place":"A%d"}`, i, i, i%9)
		if i < 12 {
			lines = append(lines, fmt.Sprintf(`{"item":"s%02d","qty":"1","per":"parcel"}`, i))
		}
	}
	for i := range goods {
		fact(start, "item", `{"item":"g%02d","name":"Card %02d","type":"good","unit":"each","points":"1","place":"B%d"}`, i, i, i%9)
	}
	fact(start, "packspec", `{"formats":[{"format":"flat","lines":[%s]}]}`, strings.Join(lines, ","))
	fact(start, "count", `{"item":"s00","qty":"0"}`)
	for i := range supplies {
		fact(start.Add(time.Hour), "restock", `{"supplier":"Fennimoor","lines":[{"item":"s%02d","qty":"%d","pack":"box","cost":"%d.50"}]}`, i, orders/100+1, 20+i)
	}
	for i := range goods {
		fact(start.Add(time.Hour), "restock", `{"supplier":"Fennimoor","lines":[{"item":"g%02d","qty":"%d","cost":"%d.00"}]}`, i, orders*2+10, orders)
	}
	step := 350 * 24 * time.Hour / time.Duration(orders+1)
	for n := range orders {
		at := start.Add(2*time.Hour + time.Duration(n)*step).Truncate(time.Second)
		var g []string
		for k := range perOrder {
			g = append(g, fmt.Sprintf(`{"item":"g%02d","qty":"%d"}`, (n*7+k*11)%goods, 1+(n+k)%2))
		}
		fact(at, "order", `{"order":"W-%06d","zone":"home","lines":[%s]}`, n, strings.Join(g, ","))
		fact(at.Add(time.Minute), "pack", `{"order":"W-%06d"}`, n)
	}
	return b.String()
}

// yearAtDesk is a desk with a year of orders, of which the last ones are still open.
func yearAtDesk(tb testing.TB, orders int) *desk {
	tb.Helper()
	return newDesk(tb, year(orders))
}

func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}

// BenchmarkPhone measures what the phone promises: tap-ms, from the call to a durable answer with what is on hand, of an entry every two seconds, and bare-ms, one strict write of the same browser beside it; start-ms,
// from the navigation to a list of items, of a warm start with the processor slowed four times; figures-ms, from there to what is on hand; and MiB of linear
// memory of both modules, and of the page's after a fold from the first event (whole-MiB). COUNTBACK_FULL=1 takes 100,000 events instead of the year of 5,000 orders.
func BenchmarkPhone(b *testing.B) {
	orders := 5000
	if os.Getenv("COUNTBACK_FULL") != "" {
		orders = 49_800
	}
	d := yearAtDesk(b, orders)
	d.serve()
	f := newFront(b, d)
	browser := browser(b)
	page := f.phone(browser, "")
	began := time.Now()
	join(b, d, page, "cart")
	page.Do(`await until("all is here", async () => { const s = await countback.standing(); return s.at_desk && !s.filling })`, nil)
	filled := time.Since(began)
	page.Do(`return countback.stock()`, nil) // the first fold leaves checkpoints
	var whole float64
	page.Do("return memory()", &whole)
	time.Sleep(3 * time.Second)

	var taps, bare, starts, figures []float64
	for b.Loop() {
		var t []float64
		page.Do(`const out = [];
			for (let n = 0; n < 15; n++) {
				const at = performance.now();
				await countback.record([{kind: "damage", data: {item: "s" + String(n).padStart(2, "0"), qty: "1", reason: "damaged"}}], {});
				out.push(performance.now() - at);
				await new Promise((done) => setTimeout(done, 2000));
			}
			return out`, &t)
		taps = append(taps, t...)
		page.Do(`const db = await new Promise((done) => { const r = indexedDB.open("bare", 1); r.onupgradeneeded = () => r.result.createObjectStore("s"); r.onsuccess = () => done(r.result) });
			const out = [];
			for (let n = 0; n < 30; n++) {
				const at = performance.now();
				await new Promise((done) => { const tx = db.transaction("s", "readwrite", {durability: "strict"}); tx.objectStore("s").put("x".repeat(600), n); tx.oncomplete = done });
				out.push(performance.now() - at);
			}
			db.close();
			return out`, &t)
		bare = append(bare, t...)
		for range 5 {
			page.Throttle(4)
			page.Go(f.URL + "/")
			var usable, known float64
			page.Do("await ready; return usable", &usable)
			page.Do("await countback.stock(); return performance.now()", &known)
			page.Throttle(1)
			starts, figures = append(starts, usable), append(figures, known-usable)
		}
		page.Do(`await until("the carrier is there", async () => (await countback.standing()).at_desk)`, nil)
	}
	var memory, worker float64
	page.Do("return memory()", &memory)
	page.Do("return new Promise((done) => { carrier.onmessage = (e) => done(e.data); carrier.postMessage(0) })", &worker)
	b.ReportMetric(median(taps), "tap-ms")
	b.ReportMetric(median(bare), "bare-ms")
	b.ReportMetric(median(starts), "start-ms")
	b.ReportMetric(median(figures), "figures-ms")
	b.ReportMetric(whole/(1<<20), "whole-MiB")
	b.ReportMetric(memory/(1<<20), "MiB")
	b.ReportMetric(worker/(1<<20), "carrier-MiB")
	b.ReportMetric(filled.Seconds(), "fill-s")
	b.ReportMetric(0, "ns/op")
}
