//go:build !js

package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"countback/cmd/countback/demo"
)

// some facts of a small shop.
const shopFacts = `{"kind":"item","time":"2026-01-05T09:00:00-04:00","data":{"item":"board","name":"Board stiffener","type":"supply","unit":"each","packs":{"box":"150"},"place":"A1"}}
{"kind":"item","time":"2026-01-05T09:00:00-04:00","data":{"item":"wrap","name":"Wrapping paper","type":"supply","unit":"mm","packs":{"roll":"10000"},"measures":{"wrap":"310"},"place":"A2"}}
{"kind":"item","time":"2026-01-05T09:00:00-04:00","data":{"item":"card","name":"Folded card","type":"good","unit":"each","points":"1","place":"B1"}}
{"kind":"packspec","time":"2026-01-05T09:00:00-04:00","data":{"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"wrap","qty":"1","measure":"wrap","per":"parcel"}]}]}}
{"kind":"count","time":"2026-01-06T09:00:00-04:00","data":{"item":"board","qty":"300","cost":"60.00"}}
{"kind":"count","time":"2026-01-06T09:00:00-04:00","data":{"item":"wrap","qty":"20000","cost":"18.00"}}
{"kind":"count","time":"2026-01-06T09:00:00-04:00","data":{"item":"card","qty":"500","cost":"100.00"}}
{"kind":"order","time":"2026-01-07T09:00:00-04:00","data":{"order":"W-1001","zone":"home","lines":[{"item":"card","qty":"3"}]}}
{"kind":"order","time":"2026-01-07T10:00:00-04:00","data":{"order":"W-1002","zone":"home","lines":[{"item":"card","qty":"5"}]}}
`

type posted struct {
	IDs    []string          `json:"ids"`
	Said   []string          `json:"said"`
	OnHand map[string]string `json:"on_hand"`
}

func TestPhoneAndDesk(t *testing.T) {
	b := browser(t)
	d := newDesk(t, shopFacts)
	d.serve()
	f := newFront(t, d)
	page := f.phone(b, "")
	join(t, d, page, "cart")

	var items []struct{ Item, Name, Place string }
	page.Do("return countback.items()", &items)
	if len(items) != 3 || items[0].Name != "Board stiffener" || items[0].Place != "A1" {
		t.Errorf("items: %v", items)
	}
	// At the cart without a network.
	f.setCut(true)
	var said posted
	page.Do(`return countback.record([{kind: "restock", data: {supplier: "Fennimoor", lines: [{item: "board", qty: "2", pack: "box", cost: "58.00"}]}}], {sure: false})`, &said)
	if len(said.IDs) != 1 || said.Said[0] != "Restock: 2 × box Board stiffener" || said.OnHand["board"] != "600" {
		t.Errorf("recorded: %+v", said)
	}
	page.Do(`return countback.record([{kind: "pack", data: {order: "W-1001"}}, {kind: "damage", data: {item: "card", qty: "4", reason: "damaged"}}], {})`, &said)
	if said.OnHand["card"] != "493" || said.OnHand["board"] != "599" || said.OnHand["wrap"] != "19690" {
		t.Errorf("on hand: %v", said.OnHand)
	}
	var taken posted
	page.Do(fmt.Sprintf(`return countback.takeBack(%q, "miscounted")`, said.IDs[1]), &taken)
	if taken.OnHand["card"] != "497" || len(taken.OnHand) != 1 {
		t.Errorf("taken back: %v", taken.OnHand)
	}
	var standing struct{ Kept, Sent, Safe int64 }
	page.Do("return countback.standing()", &standing)
	if standing.Kept != 4 || standing.Safe != 0 {
		t.Errorf("without a network: %+v", standing)
	}
	// Back in the network.
	f.setCut(false)
	page.Do(`await countback.retry(); await until("all is safe", async () => { const s = await countback.standing(); return s.safe === 4 && s.kept === 0 })`, nil)
	var stock struct {
		Items []struct {
			Item   string
			OnHand string `json:"on_hand"`
		}
	}
	if err := json.Unmarshal([]byte(d.run("", "stock", "--format", "json")), &stock); err != nil {
		t.Fatal(err)
	}
	for _, it := range stock.Items {
		if want := map[string]string{"board": "599", "card": "497", "wrap": "19690"}[it.Item]; it.OnHand != want {
			t.Errorf("the desk has %s of %s, want %s", it.OnHand, it.Item, want)
		}
	}
	// What the desk records comes to the phone.
	d.run("", "damage", "card", "7", "--reason", "sample")
	page.Do(`await until("it is here", async () => (await countback.stock("card")).items[0].on_hand === "490")`, nil)

	identical(t, d, page, "2026-12-31T12:00:00-04:00")
}

// A year of another shop comes in one download, and both sides say the same of it, to the last digit.
func TestAYearIsFoldedAlike(t *testing.T) {
	b := browser(t)
	var lines strings.Builder
	for _, fact := range demo.Facts() {
		line, err := fact.Line()
		if err != nil {
			t.Fatal(err)
		}
		lines.Write(append(line, '\n'))
	}
	d := newDesk(t, lines.String())
	d.serve()
	f := newFront(t, d)
	page := f.phone(b, "")
	join(t, d, page, "cart")
	page.Do(`await until("all is here", async () => { const s = await countback.standing(); return s.at_desk && !s.filling })`, nil)
	if n := f.asked("/handover"); n != 2 { // a challenge and its answer
		t.Errorf("the hand-over file was asked for %d times", n)
	}
	identical(t, d, page, demo.AsOf)
	// From a checkpoint the phone says what it says from the first event.
	var stock struct {
		Items []struct {
			Item   string
			OnHand string `json:"on_hand"`
		}
	}
	want := map[string]string{}
	if err := json.Unmarshal([]byte(d.run("", "stock", "--format", "json")), &stock); err != nil {
		t.Fatal(err)
	}
	for _, it := range stock.Items {
		want[it.Item] = it.OnHand
	}
	for range 3 {
		page.Do("return countback.stock()", &stock)
		for _, it := range stock.Items {
			if want[it.Item] != it.OnHand {
				t.Errorf("%s: the phone has %s, the desk %s", it.Item, it.OnHand, want[it.Item])
			}
		}
		page.Do(`return countback.record([{kind: "damage", data: {item: "stiffener", qty: "1", reason: "damaged"}}], {})`, nil)
		page.Do(`await until("all is safe", async () => { const s = await countback.standing(); return s.kept + s.sent === 0 })`, nil)
		if err := json.Unmarshal([]byte(d.run("", "stock", "--format", "json")), &stock); err != nil {
			t.Fatal(err)
		}
		for _, it := range stock.Items {
			want[it.Item] = it.OnHand
		}
		page.Go(f.URL + "/")
		page.Do("await ready", nil)
	}
}

// A phone whose clock is off says by how much, and that it isn't any more.
func TestClockOff(t *testing.T) {
	b := browser(t)
	d := newDesk(t, shopFacts)
	d.serve()
	f := newFront(t, d)
	page := f.phone(b, "")
	join(t, d, page, "cart")
	for _, c := range []struct{ query, holds string }{{"?ahead=600000", "Math.abs(s.clock_ahead_ms - 600000) < 60000"}, {"", "s.clock_ahead_ms === 0"}} {
		page.Go(f.URL + "/" + c.query)
		page.Do(`await ready;
			await countback.record([{kind: "damage", data: {item: "card", qty: "1", reason: "damaged"}}], {});
			await until("it knows how its clock stands", async () => { const s = await countback.standing(); return s.kept + s.sent === 0 && `+c.holds+` })`, nil)
	}
}

// identical compares the exact reports of desk and phone, byte by byte.
func identical(t *testing.T, d *desk, page interface{ Do(string, any) }, asOf string) {
	t.Helper()
	var reports struct{ Stock, Cost string }
	page.Do(fmt.Sprintf("return countback.verifyReports(%q)", asOf), &reports)
	for name, got := range map[string]string{"stock": reports.Stock, "cost": reports.Cost} {
		want := d.run("", name, "--format", "json", "--exact", "--as-of", asOf)
		if got != want {
			t.Errorf("%s differs between phone and desk:\n%s\n%s", name, clip(got), clip(want))
		}
		if len(want) < 100 || !strings.Contains(want, `"as_of"`) {
			t.Errorf("the desk's %s is no report: %s", name, want)
		}
	}
}

func clip(s string) string { return s[:min(len(s), 1500)] }
