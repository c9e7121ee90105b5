package main

import (
	"encoding/json"
	"fmt"
	"html"
	"maps"
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

// listed are the ids of all events that a search lists, on all its pages.
func (d *formDesk) listed(path string) (ids []string) {
	d.t.Helper()
	for path != "" {
		a := d.whole(path)
		for _, m := range eventLink.FindAllStringSubmatch(mainOf(a.body), -1) {
			ids = append(ids, m[1])
		}
		path = ""
		if m := regexp.MustCompile(`href="([^"]*)" rel="next"`).FindStringSubmatch(a.body); m != nil {
			path = html.UnescapeString(m[1])
		}
	}
	return ids
}

// groupLink is the address that a group of a page of losses leads to.
func groupLink(t *testing.T, body, name string) string {
	t.Helper()
	m := regexp.MustCompile(`<th scope="row"><a href="(/ledger\?[^"]*)">` + regexp.QuoteMeta(html.EscapeString(name)) + `</a>`).FindStringSubmatch(body)
	if m == nil {
		t.Fatalf("no group %q leads anywhere:\n%s", name, mainOf(body))
	}
	return html.UnescapeString(m[1])
}

// A group of what went missing leads to the entries of just its items, whatever they are called and however many they are, by one run through the ledger.
func TestLossGroupsLeadToTheirEntries(t *testing.T) {
	d := newFormDesk(t)
	places := map[string]string{"paper A3, 120 g": "Regal", "tape": "Regal", "paper A3": "attic", "120 g": "attic"}
	for i := range 150 {
		places[fmt.Sprintf("открытка с папоротником, большая, %d", i)] = "полка у окна"
	}
	var facts strings.Builder
	for _, id := range slices.Sorted(maps.Keys(places)) {
		fmt.Fprintf(&facts, `{"kind":"item","time":"2026-01-01T12:00:00-04:00","data":{"item":%q,"name":%q,"type":"supply","unit":"each","place":%q}}`+"\n", id, id, places[id])
		fmt.Fprintf(&facts, `{"kind":"restock","time":"2026-01-02T12:00:00-04:00","data":{"lines":[{"item":%q,"qty":"50","cost":"5"}]}}`+"\n", id)
		for i, day := range []string{"01-05", "01-20", "02-03", "02-10", "02-17"} {
			fmt.Fprintf(&facts, `{"kind":"count","time":"2026-%sT12:00:00-04:00","data":{"item":%q,"qty":"%d"}}`+"\n", day, id, 49-i)
		}
	}
	d.facts(facts.String())
	losses := d.whole("/losses").body
	look, err := d.desk.Look(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	runs := 0
	look.Run.Progress = func(done, _ int) {
		if done == 0 {
			runs++
		}
	}
	for _, c := range []struct{ place, heading string }{
		{"Regal", "What was recorded of 2 items kept at Regal"}, {"attic", "What was recorded of 2 items kept at attic"}, {"полка у окна", "What was recorded of 150 items kept at полка у окна"},
	} {
		link := groupLink(t, losses, c.place)
		if len(link) > 1000 {
			t.Errorf("%s: the address has %d bytes", c.place, len(link))
		}
		runs = 0
		body := d.whole(link).body
		contains(t, body, "<h1>"+c.heading+"</h1>", `<a href="/losses">What went missing</a>`, `name="losses" value="place:`+c.place+`"`)
		got := d.listed(link)
		if runs != 1 {
			t.Errorf("%s: the ledger was run through %d times", c.place, runs)
		}
		from := "from=2026-01-20&to=2026-02-17"
		contains(t, link, "from=2026-01-20", "to=2026-02-17")
		var want []string
		for id, place := range places {
			if place == c.place {
				want = append(want, d.listed("/ledger?item="+url.QueryEscape(id)+"&"+from)...)
			}
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, slices.Compact(want)) || len(got) == 0 {
			t.Errorf("%s: %d entries, those of its items alone are %d", c.place, len(got), len(want))
		}
		if n := len(d.listed(link + "&kind=restock")); n != 0 {
			t.Errorf("%s: a narrower search finds %d", c.place, n)
		}
	}
	contains(t, d.whole(groupLink(t, losses, "attic")+"&item=tape").body, `<h1>What was recorded of <a href="/item/tape">tape</a></h1>`)
	// A group of a chosen time is found again with that time.
	january := groupLink(t, d.whole("/losses?from=2026-01-10&to=2026-01-31").body, "2026-01")
	a := d.whole(january)
	contains(t, a.body, "<h1>What was recorded of 154 items counted in January 2026</h1>", `href="/losses?from=2026-01-10&amp;to=2026-01-31"`, `name="losses_from" value="2026-01-10"`)
	if n := len(d.listed(january)); n != 2*154 {
		t.Errorf("%d entries in January", n)
	}
	for query, want := range map[string]string{
		"losses=month:2026-01":  "What went missing has no group of items counted in January 2026 any more; choose another one there.",
		"losses=place:":         "What went missing has no group of items without a place any more; choose another one there.",
		"losses=colour:crimson": "What went missing has no such group; choose one there.",
	} {
		if body := d.whole("/ledger?" + query).body; !strings.Contains(body, `role="alert">`+want+`</p>`) || eventLink.MatchString(body) {
			t.Errorf("%s: %s", query, textOf(mainOf(body)))
		}
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
