package main

import (
	"net/http"
	"regexp"
	"strings"
	"testing"

	"countback/ledger/event"
)

// packSetup is a shop with three open orders, one of which can't go out complete.
const packSetup = `{"kind":"packspec","time":"2026-01-01T12:00:00-04:00","data":{"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"cord","qty":"1","measure":"wrap","per":"parcel"}]}]}}
{"kind":"order","time":"2026-02-01T12:00:00-04:00","data":{"order":"2041","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}}
{"kind":"order","time":"2026-02-02T12:00:00-04:00","data":{"order":"2042","zone":"home","lines":[{"item":"moss-card","qty":"1"}]}}
{"kind":"order","time":"2026-02-03T12:00:00-04:00","data":{"order":"2043","zone":"abroad","lines":[{"item":"moss-card","qty":"500"}]}}`

// packs are the packs that a ledger holds, by order, as they were recorded but for their ids.
func (d *formDesk) packs() map[string]string {
	out := map[string]string{}
	for _, e := range d.last(d.events()) {
		if p, ok := e.Data.(*event.Pack); ok {
			out[p.Order] += says(d.t, e)
		}
	}
	return out
}

// The packing page records what pack --open records with the same exceptions, once, however often the form comes.
func TestPackingPageRecordsWhatPackOpenDoes(t *testing.T) {
	d, c := newFormDesk(t, formSetup...), newFormDesk(t, formSetup...)
	d.facts(packSetup)
	c.facts(packSetup)
	c.command(`pack --open --except 2043 --but '2042 --with cord="20 cm" --without board --postage 4.85 --note late' --at 2026-02-10`)

	page := d.whole("/packing")
	contains(t, page.body, "2 of 3 orders can go out complete", `name="packs[0].packed" id="packs[0].order" value="yes" checked`, `name="packs[2].packed" id="packs[2].order" value="yes">`, "lacks Moss card")
	form := []string{"once=" + hidden(t, page.body, "once"), "seen=" + hidden(t, page.body, "seen"), "day=2026-02-10",
		"packs[0].order=2041", "packs[0].packed=yes", "packs[1].order=2042", "packs[1].packed=yes", "packs[1].postage=4,85", "packs[1].note=late",
		"packs[1].changes[0].item=cord", "packs[1].changes[0].qty=20 cm", "packs[1].changes[1].item=board", "packs[1].changes[1].what=without", "packs[2].order=2043"}
	was := d.events()
	a := d.post("/packing", form...)
	if a.status != http.StatusOK || d.events() != was+2 {
		t.Fatalf("%d: %d new\n%s", a.status, d.events()-was, mainOf(a.body))
	}
	contains(t, a.body, "Recorded", "order 2041", "order 2042")
	got, want := d.packs(), c.packs()
	if len(got) != 2 || got["2041"] != want["2041"] || got["2042"] != want["2042"] {
		t.Errorf("recorded\n%s\nwant\n%s", got, want)
	}
	again := d.post("/packing", form...)
	if d.events() != was+2 {
		t.Errorf("the form came twice, and %d more were recorded", d.events()-was-2)
	}
	contains(t, again.body, "This was recorded already")
}

// What is wrong stands with its order, keeps what was typed, and nothing is recorded of the others either.
func TestPackingPageRefusesWhole(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(packSetup)
	was := d.events()
	page := d.whole("/packing")
	seen := "seen=" + hidden(t, page.body, "seen")
	a := d.post("/packing", seen, "packs[0].order=2041", "packs[0].packed=yes", "packs[1].order=2042", "packs[1].packed=yes", "packs[1].changes[0].item=kord", "packs[1].changes[0].qty=3")
	if a.status != http.StatusUnprocessableEntity || d.events() != was {
		t.Fatalf("%d, %d new", a.status, d.events()-was)
	}
	contains(t, a.body, "Order 2042</a>: there is no item &#34;kord&#34;", `value="kord"`)
	a = d.post("/packing", seen, "packs[0].order=2041")
	contains(t, a.body, "no order is ticked")
	a = d.post("/packing", seen, "packs[0].order=9999", "packs[0].packed=yes")
	contains(t, a.body, "order 9999 isn&#39;t open any more")
	// Meanwhile somebody packs one of them.
	d.command(`pack 2041 --at 2026-02-09`)
	a = d.post("/packing", seen, "day=2026-02-10", "packs[0].order=2041", "packs[0].packed=yes", "packs[1].order=2042", "packs[1].packed=yes")
	contains(t, a.body, "order 2041 isn&#39;t open any more")
	if d.events() != was+1 {
		t.Errorf("%d new", d.events()-was)
	}
}

// A count goes place by place, says nothing of what the book has, asks about what is odd without telling, and its result tells what is missing.
func TestACountByThePages(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.command(`count board 300 --at 2026-01-31`)
	d.command(`damage board 3 --reason damaged --at 2026-02-01`)
	page := d.whole("/counting/enter?session=feb")
	row := func(body, key string) string {
		m := regexp.MustCompile(`name="(rows\[\d+\])\.key" value="` + regexp.QuoteMeta(key) + `"`).FindStringSubmatch(body)
		if m == nil {
			t.Fatalf("no row %s in\n%s", key, mainOf(body))
		}
		return m[1]
	}
	box, loose := row(page.body, "board|box|shelf"), row(page.body, "board||shelf")
	if strings.Contains(mainOf(page.body), "297") {
		t.Error("the page tells what the book has")
	}
	fill := func(qty string, more ...string) answer {
		fields := []string{"session=feb", "day=2026-02-28", box + ".key=board|box|shelf", box + ".qty=1", loose + ".key=board||shelf", loose + ".qty=" + qty, "seen=" + hidden(t, page.body, "seen"), "once=" + hidden(t, page.body, "once")}
		return d.post("/counting/enter", append(fields, more...)...)
	}
	was := d.events()
	a := fill("abc")
	if a.status != http.StatusUnprocessableEntity || d.events() != was {
		t.Fatalf("%d, %d new", a.status, d.events()-was)
	}
	contains(t, a.body, `value="abc"`, "is not a number")
	a = fill("1470")
	if a.status != http.StatusUnprocessableEntity || d.events() != was {
		t.Fatalf("%d, %d new: it isn't asked about\n%s", a.status, d.events()-was, mainOf(a.body))
	}
	contains(t, a.body, "Look again at what is marked", "look again</span>", `name="sure"`)
	if strings.Contains(mainOf(a.body), "297") {
		t.Error("the question tells what the book has")
	}
	a = fill("140")
	if a.status != http.StatusOK || d.events() != was+2 {
		t.Fatalf("%d, %d new\n%s", a.status, d.events()-was, mainOf(a.body))
	}
	contains(t, a.body, "2 figures are recorded", "In this count so far")
	for i, want := range []string{`{"item":"board","qty":"1","pack":"box","place":"shelf","session":"feb"}`, `{"item":"board","qty":"140","place":"shelf","session":"feb"}`} {
		if got := says(t, d.last(2)[i]); !strings.HasSuffix(got, want) || !strings.Contains(got, "2026-02-28T23:59:59.999-04:00") {
			t.Errorf("%s, want %s", got, want)
		}
	}
	rows := tableRows(d.whole("/counting/result?session=feb").body)
	hasRow(t, rows, "Backing board", "297", "290", "7", "1.40")
	if fill("140"); d.events() != was+2 {
		t.Errorf("a doubled form recorded %d more", d.events()-was-2)
	}
}

// The count sheet for print has a line for each form, and what the book has only where it was asked for.
func TestCountSheetPage(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	body := d.whole("/counting/sheet").body
	contains(t, body, "box of 150", "bag of 25", "spool of 50,000 mm", "mm, opened")
	if strings.Contains(textOf(mainOf(body)), "300") {
		t.Error("it tells what the book has")
	}
	hasRow(t, tableRows(d.whole("/counting/sheet?book=yes&place=shelf").body), "Backing board", "300")
	if a := d.whole("/counting/sheet?place=shelf"); strings.Contains(a.body, "Cotton cord</a>") {
		t.Error("it lists other places")
	}
}

// A month is closed from its page as the page showed it: open questions have to be accepted, what came meanwhile is shown first, and a second form changes nothing.
func TestAMonthIsClosedByItsPage(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(packSetup)
	d.command(`count board 300 --at 2026-01-31`)
	a := d.whole("/closing")
	contains(t, a.body, `href="/closing/2026-01"`, "licensed accountant")
	page := d.whole("/closing/2026-01")
	contains(t, page.body, "Not closed", "Close January 2026", "licensed accountant")
	seen := hidden(t, page.body, "seen")
	d.command(`damage board 1 --reason damaged --at 2026-01-20`)
	was := d.events()
	a = d.post("/closing/2026-01", "seen="+seen)
	if a.status != http.StatusConflict || d.events() != was {
		t.Fatalf("%d, %d new", a.status, d.events()-was)
	}
	contains(t, a.body, "Something was recorded since this page was made")
	fields := []string{"seen=" + hidden(t, a.body, "seen")}
	if strings.Contains(a.body, `name="accept"`) {
		if refused := d.post("/closing/2026-01", fields...); refused.status == http.StatusOK || d.events() != was {
			t.Fatalf("%d: closed though questions are open", refused.status)
		}
		fields = append(fields, "accept=yes")
	}
	a = d.post("/closing/2026-01", fields...)
	if a.status != http.StatusOK || d.events() != was+1 {
		t.Fatalf("%d, %d new\n%s", a.status, d.events()-was, mainOf(a.body))
	}
	contains(t, a.body, "January 2026 is closed")
	if a = d.post("/closing/2026-01", fields...); d.events() != was+1 || a.status != http.StatusOK {
		t.Errorf("%d, a second form recorded %d more", a.status, d.events()-was-1)
	}
	contains(t, d.whole("/closing").body, "January 2026", "2026-02")
	contains(t, d.whole("/closing/year/2026").body, "1 closed month")
	csv := d.whole("/closing/closes.csv")
	if o := d.command("export closes"); csv.body != o.out {
		t.Errorf("the page's file differs from the command's:\n%s\n%s", csv.body, o.out)
	}
	if a := d.get("/closing/2026-05"); a.status != http.StatusNotFound {
		t.Errorf("%d for a month out of turn", a.status)
	}
	contains(t, d.get("/closing/2026-05").body, `href="/closing/2026-02"`)
}

// A proposed spec is recorded by its page as use --apply records it.
func TestAProposalIsAppliedByItsPage(t *testing.T) {
	d, c := demoPages(t), demoPages(t)
	page := d.whole("/counting/use?item=stiffener&since=2026-05-31")
	contains(t, page.body, "1 → 2", `value="since" checked`, `value="2026-05-31"`)
	was := d.events()
	a := d.post("/counting/use", "item=stiffener", "how=since", "since=2025-01-01", "once="+hidden(t, page.body, "once"), "seen="+hidden(t, page.body, "seen"))
	if a.status != http.StatusUnprocessableEntity || d.events() != was {
		t.Fatalf("%d, %d new", a.status, d.events()-was)
	}
	contains(t, a.body, "the spec in force begins only on")
	fields := []string{"item=stiffener", "how=since", "since=2026-05-31", "once=" + hidden(t, page.body, "once"), "seen=" + hidden(t, page.body, "seen")}
	if a = d.post("/counting/use", fields...); a.status != http.StatusOK || d.events() != was+1 {
		t.Fatalf("%d, %d new\n%s", a.status, d.events()-was, mainOf(a.body))
	}
	c.command("use stiffener --apply --since 2026-05-31")
	if got, want := says(t, d.last(1)[0]), says(t, c.last(1)[0]); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// Pages that are asked for what isn't there say so, and never fail.
func TestReportPagesOfNothing(t *testing.T) {
	d := newFormDesk(t)
	for _, path := range []string{"/packing", "/orders", "/counting", "/counting/sheet", "/counting/enter", "/counting/use", "/losses", "/why", "/buying", "/closing", "/decide"} {
		d.whole(path)
	}
	for path, status := range map[string]int{
		"/orders/77": 404, "/packing?order=77": 404, "/why/none": 404, "/losses?item=none": 404, "/counting/result?session=x": 404, "/closing/2026-13": 404, "/closing/2026-01": 404, "/closing/year/20": 404,
	} {
		if a := d.get(path); a.status != status {
			t.Errorf("%s: %d, want %d\n%s", path, a.status, status, mainOf(a.body))
		}
	}
}
