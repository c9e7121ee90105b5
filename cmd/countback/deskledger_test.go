package main

import (
	"encoding/json"
	"fmt"
	"html"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/projections/history"
	"countback/projections/stock"
)

// ledgerDesk is a small shop in which something of each sort happened.
func ledgerDesk(t *testing.T) *formDesk {
	t.Helper()
	d := newFormDesk(t, formSetup...)
	if o := d.feed(`{"kind":"packspec","time":"2026-01-01T12:00:00-04:00","data":{"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}}
{"kind":"order","time":"2026-02-01T12:00:00-04:00","data":{"order":"2041","zone":"home","lines":[{"item":"fern-card","qty":"2"},{"item":"moss-card","qty":"1"}],"note":"for a Heron"}}
{"kind":"order","time":"2026-02-01T12:30:00-04:00","data":{"order":"2042","zone":"home","lines":[{"item":"moss-card","qty":"1"}]}}
{"kind":"pack","time":"2026-02-02T12:00:00-04:00","data":{"order":"2041"}}
{"kind":"damage","time":"2026-02-03T12:00:00-04:00","data":{"item":"board","qty":"3","reason":"spoiled","note":"<script>alert(1)</script>"}}
{"kind":"count","time":"2026-02-28T23:00:00-04:00","data":{"item":"board","qty":"290"}}`, "record", "-"); o.status != statusDone {
		t.Fatal(o.errors)
	}
	return d
}

var eventLink = regexp.MustCompile(`<a href="/event/([0-9A-Z]{26})">`)

// found are the kinds of the events that a search lists, in its order.
func (d *formDesk) found(query string) (kinds []string, body string) {
	d.t.Helper()
	a := d.get("/ledger?" + query)
	if a.status != 200 {
		d.t.Fatalf("%s: %d\n%s", query, a.status, mainOf(a.body))
	}
	byID := map[string]event.Kind{}
	for _, e := range d.last(d.events()) {
		byID[e.ID.String()] = e.Kind
	}
	for _, m := range eventLink.FindAllStringSubmatch(mainOf(a.body), -1) {
		kinds = append(kinds, string(byID[m[1]]))
	}
	return kinds, a.body
}

func TestLedgerSearch(t *testing.T) {
	d := ledgerDesk(t)
	device := d.last(1)[0].Device
	for _, c := range []struct{ query, want string }{
		{"order=2041", "pack order"},
		{"order=nobody", ""},
		{"kind=restock", "restock restock restock restock"},
		{"kind=restock&item=board", "restock"},
		{"item=board&from=2026-02-01", "item count purchase damage pack"},
		{"item=board&from=2026-02-02&to=2026-02-03", "damage pack"},
		{"from=2026-02-02&to=2026-02-02", "pack"},
		{"q=HERON", ""}, // of orders their number is searched, not their note
		{"q=2042", "order"},
		{"q=script", "damage"},
		{"q=gold+seal", "item"},
		{"q=moss-card&kind=order", "order order"},
		{"device=" + device + "&kind=count", "count"},
		{"device=elsewhere", ""},
		{"q=" + d.id(event.KindDamage), "damage"},
	} {
		kinds, body := d.found(c.query)
		if got := strings.Join(kinds, " "); got != c.want {
			t.Errorf("%s: %q, want %q", c.query, got, c.want)
		}
		if strings.Contains(body, "<script>alert") {
			t.Errorf("%s: a note's markup gets into the page", c.query)
		}
		q, err := url.ParseQuery(c.query)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"q", "item", "order", "from", "to"} {
			if v := q.Get(name); v != "" && !strings.Contains(body, `name="`+name+`" value="`+html.EscapeString(v)+`"`) {
				t.Errorf("%s: the form doesn't keep %s", c.query, name)
			}
		}
	}
	for _, c := range []struct{ query, want string }{{"from=yesterday", "neither a day nor a time"}, {"item=bored", "there is no item"}} {
		if _, body := d.found(c.query); !strings.Contains(html.UnescapeString(body), c.want) {
			t.Errorf("%s: the page lacks %q", c.query, c.want)
		}
	}
}

// The pages of a long list are divided without a gap or a double, and a new event comes first.
func TestLedgerPages(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	var facts strings.Builder
	for i := range 150 {
		fmt.Fprintf(&facts, `{"kind":"damage","time":"2026-02-01T12:%02d:%02d-04:00","data":{"item":"board","qty":"1","reason":"sample","note":"n%d"}}`+"\n", i/60, i%60, i)
	}
	if o := d.feed(facts.String(), "record", "-"); o.status != statusDone {
		t.Fatal(o.errors)
	}
	var ids []string
	path := "/ledger?kind=damage"
	pages := 0
	for path != "" {
		a := d.get(path)
		pages++
		for _, m := range eventLink.FindAllStringSubmatch(mainOf(a.body), -1) {
			ids = append(ids, m[1])
		}
		path = ""
		if m := regexp.MustCompile(`href="([^"]*)" rel="next"`).FindStringSubmatch(a.body); m != nil {
			path = html.UnescapeString(m[1])
		}
	}
	unique := slices.Compact(slices.Sorted(slices.Values(ids)))
	if len(ids) != 150 || len(unique) != 150 || pages != 3 {
		t.Errorf("%d rows, %d of them different, on %d pages", len(ids), len(unique), pages)
	}
	if a := d.get("/ledger?kind=damage&page=99"); !strings.Contains(a.body, "these are 121 to 150") {
		t.Error("a page behind the last one isn't the last one")
	}
	o := d.feed(`{"kind":"damage","time":"2026-02-02T12:00:00-04:00","data":{"item":"board","qty":"1","reason":"gift"}}`, "record", "-")
	if o.status != statusDone {
		t.Fatal(o.errors)
	}
	newest := d.last(1)[0].ID.String()
	d.desk.want(int64(d.events()))
	if a := d.get("/ledger?kind=damage"); eventLink.FindStringSubmatch(mainOf(a.body))[1] != newest {
		t.Error("what came last isn't the first row")
	}
}

// Of any figure of the stock it takes two clicks to its events: the figure, and a row.
func TestFiguresLeadToTheirEvents(t *testing.T) {
	d := ledgerDesk(t)
	var r stock.Report
	if err := json.Unmarshal([]byte(d.must("stock", "--json")), &r); err != nil {
		t.Fatal(err)
	}
	a := d.get("/items")
	contains(t, a.body, `Worth `+r.Total+` `+r.Currency)
	for _, it := range r.Items {
		contains(t, a.body, `data-value="`+it.OnHand+`"><a class="fig" href="/ledger?item=`+it.Item+`"`, `data-value="`+it.Value+`"`, `data-value="`+it.UnitCost+`"`)
		var h history.Report
		if err := json.Unmarshal([]byte(d.must("history", it.Item, "--json")), &h); err != nil {
			t.Fatal(err)
		}
		list := d.get("/ledger?item=" + it.Item).body
		for _, e := range h.Entries {
			if !strings.Contains(list, `href="/event/`+e.Event+`"`) {
				t.Errorf("%s: the list lacks %s %s", it.Item, e.Kind, e.Event)
			}
			page := d.get("/event/" + e.Event).body
			on := regexp.MustCompile(`<a href="/item/` + it.Item + `">` + it.Item + `</a></th><td>` + strings.ReplaceAll(e.Column, "_", " ") + `</td><td class="num">([^<]*)</td><td class="num">([^<]*)</td><td class="num">([^<]*)<`).FindStringSubmatch(page)
			if on == nil {
				t.Errorf("the page of %s says nothing of %s:\n%s", e.Event, it.Item, mainOf(page))
				continue
			}
			plain := strings.NewReplacer("−", "-", "+", "", ",", "", " mm", "")
			for i, want := range []string{e.Qty, e.Value, e.OnHand} {
				if got := plain.Replace(html.UnescapeString(on[i+1])); got != want {
					t.Errorf("%s, %s: %s, history says %s", e.Event, it.Item, got, want)
				}
			}
		}
	}
}

// An event's page shows its bytes, hash, place and signature, and says what doesn't fit.
func TestProofOfAnEvent(t *testing.T) {
	d := ledgerDesk(t)
	damage := d.id(event.KindDamage)
	page := d.get("/event/" + damage).body
	var e *event.Event
	var next *event.Event
	for _, x := range d.last(d.events()) {
		if x.ID.String() == damage {
			e = x
		} else if e != nil && next == nil {
			next = x
		}
	}
	contains(t, html.UnescapeString(page), "Nothing about it was changed", string(e.Line), event.HashLine(e.Line), e.Prev, "/event/"+next.ID.String(), "number "+fmt.Sprint(e.Seq)+" in the log of desk", "fits</span> the key of its device")
	contains(t, page, "&lt;script&gt;")
	if a := d.get("/event/01KXXXXXXXXXXXXXXXXXXXXXXX"); a.status != 404 {
		t.Errorf("an id that nobody gave: %d", a.status)
	}
	if a := d.get("/event/nonsense"); a.status != 404 {
		t.Errorf("no id: %d", a.status)
	}
	// One byte of what was recorded is changed.
	tamper(t, d.data, `"qty":"3","reason":"spoiled"`, `"qty":"2","reason":"spoiled"`)
	page = d.get("/event/" + damage).body
	contains(t, page, "Something is wrong with it", "isn&#39;t signed by its device", "the event after it names another hash")
	page = d.get("/event/" + next.ID.String()).body
	contains(t, page, "Something is wrong with it", "name the event before it")
	d.command("reverse " + d.id(event.KindCount) + " --reason slip")
	d.desk.want(int64(d.events()))
	contains(t, d.get("/event/"+d.id(event.KindCount)).body, "It was taken back", "taken back by")
}
