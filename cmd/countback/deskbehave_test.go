package main

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"countback/ledger/event"
)

// hidden is a hidden field of a page.
func hidden(t *testing.T, body, name string) string {
	t.Helper()
	m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(body)
	if m == nil {
		t.Fatalf("no field %s", name)
	}
	return m[1]
}

func contains(t *testing.T, body string, wants ...string) {
	t.Helper()
	for _, w := range wants {
		if !strings.Contains(body, w) {
			t.Errorf("the page lacks %q:\n%s", w, mainOf(body))
		}
	}
}

// A form with faults keeps what was typed, says at each field what is wrong, and records nothing.
func TestFaultsKeepWhatWasTyped(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	was := d.events()
	a := d.fill("/record/restock", "lines[0].item=bord", "lines[0].qty=1,234", "lines[0].in=box", "lines[0].cost=12", "lines[1].item=cord", "lines[1].qty=3 spool", "supplier=Tarnwick <Board>", "freight=abc", "note=tea & cake", "person=Ada")
	if a.status != 422 || d.events() != was {
		t.Fatalf("%d, %d new", a.status, d.events()-was)
	}
	contains(t, a.body, `value="bord"`, `value="1,234"`, `value="3 spool"`, `value="Tarnwick &lt;Board&gt;"`, `value="abc"`, `value="tea &amp; cake"`, `value="Ada"`, `<option value="box" selected>`,
		`id="lines[0].item-fault"`, `id="lines[0].qty-fault"`, `id="lines[1].cost-fault"`, `id="freight-fault"`, `aria-invalid="true"`, "4 fields need another look", `<details class="block " open><summary>Freight`)
	// What the ledger refuses stands at its field as well.
	a = d.fill("/record/restock", "lines[0].item=board", "lines[0].qty=2", "lines[0].cost=10", "discount=11", "day=2026-02-02")
	contains(t, a.body, `id="discount-fault"`)
	a = d.fill("/record/restock", "lines[0].item=board", "lines[0].qty=2", "lines[0].cost=10", "day=2026-12-02")
	contains(t, a.body, `id="day-fault"`)
	a = d.fill("/record/damage", "lines[0].item=board", "lines[0].qty=2", "lines[1].item=board", "lines[1].qty=0", "reason=damaged")
	contains(t, a.body, `id="lines[1].qty-fault"`)
	a = d.fill("/record/count", "lines[0].item=board", "lines[0].qty=2", "weights[0].item=cord", "weights[0].gross=5", "day=2026-02-02")
	contains(t, a.body, `id="weights[0].`)
	if d.events() != was {
		t.Errorf("%d events were recorded", d.events()-was)
	}
}

// A form that is sent twice, at once or one after the other, is recorded once; the second answer says so.
func TestADoubledSubmit(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	page := d.get("/record/damage").body
	form := []string{"lines[0].item=board", "lines[0].qty=1", "lines[1].item=cord", "lines[1].qty=2 wrap", "reason=sample", "once=" + hidden(t, page, "once"), "seen=" + hidden(t, page, "seen")}
	was := d.events()
	var work sync.WaitGroup
	answers := make([]answer, 4)
	for i := range answers {
		work.Go(func() { answers[i] = d.post("/record/damage", form...) })
	}
	work.Wait()
	if d.events() != was+2 {
		t.Fatalf("%d events", d.events()-was)
	}
	a := d.post("/record/damage", form...)
	contains(t, a.body, "This was recorded already")
	form[1] = "lines[0].qty=5" // the back button, and another figure
	a = d.post("/record/damage", form...)
	contains(t, a.body, "This was recorded already", "1 × board, sample")
	if d.events() != was+2 {
		t.Errorf("%d events", d.events()-was)
	}
}

// What looks like a slip is asked about, and recorded as it is when the person says so.
func TestOddEntriesAreAskedAbout(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.command("count board 300 --at 2026-02-01")
	was := d.events()
	form := []string{"lines[0].item=board", "lines[0].qty=30", "day=2026-02-02"}
	a := d.fill("/record/count", form...)
	if a.status != 422 || d.events() != was {
		t.Fatalf("%d, %d new\n%s", a.status, d.events()-was, mainOf(a.body))
	}
	contains(t, a.body, `id="questions"`, `name="sure" value="yes">Record it as it is`, `value="30"`)
	if strings.Contains(mainOf(a.body), "300") {
		t.Error("counting is blind, and the page tells what the book says")
	}
	a = d.post("/record/count", append(form, "sure=yes", "once="+hidden(t, a.body, "once"), "seen="+hidden(t, a.body, "seen"))...)
	contains(t, a.body, "Recorded", "−270")
	if d.events() != was+1 {
		t.Errorf("%d new", d.events()-was)
	}
	// Ten times the last cost.
	a = d.fill("/record/restock", "lines[0].item=board", "lines[0].qty=1", "lines[0].in=box", "lines[0].cost=300", "day=2026-02-03")
	contains(t, a.body, `id="questions"`, "Record it as it is")
}

// After recording the page says what moved, and takes all of it back with one press.
func TestTakingBack(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	a := d.fill("/record/damage", "lines[0].item=board", "lines[0].qty=3", "lines[1].item=fern-card", "lines[1].qty=2", "reason=gift", "day=2026-02-02", "person=Ada Fenn")
	contains(t, a.body, "3 × board, gift", "<strong>297</strong>", "<strong>98</strong>", "Backing board", `action="/record/back"`, `value="Ada Fenn"`)
	if p := d.last(1)[0].Person; p != "Ada Fenn" {
		t.Errorf("recorded by %q", p)
	}
	var events []string
	for _, m := range regexp.MustCompile(`name="event" value="([^"]*)"`).FindAllStringSubmatch(a.body, -1) {
		events = append(events, "event="+m[1])
	}
	back := a.body[strings.Index(a.body, `action="/record/back"`):]
	a = d.post("/record/back", append(events, "reason=wrong drawer", "kind=damage", "once="+hidden(t, back, "once"))...)
	contains(t, a.body, "Taken back: 3 × board, gift", "<strong>300</strong>", "<strong>100</strong>")
	for i, e := range d.last(2) {
		r, ok := e.Data.(*event.Reverse)
		if !ok || "event="+r.Event.String() != events[i] || r.Reason != "wrong drawer" || e.Person != "Ada Fenn" {
			t.Errorf("%+v by %q", e.Data, e.Person)
		}
	}
}

// More lines are shown, and nothing is recorded or called wrong by that.
func TestMoreLines(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	was := d.events()
	a := d.post("/record/restock", "lines[0].item=board", "lines[0].qty=x", "more=lines")
	if a.status != 200 || d.events() != was || strings.Contains(a.body, `id="faults"`) {
		t.Errorf("%d\n%s", a.status, mainOf(a.body))
	}
	contains(t, a.body, `name="lines[6].item"`, `value="x"`, `<option value="box">box of 150</option>`)
}

// What comes in between is shown once; the same form sent again from that page is recorded.
func TestAStaleForm(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(`{"kind":"order","time":"2026-02-01T12:00:00-04:00","data":{"order":"2041","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}}`)
	page := d.get("/record/pack?order=2041").body
	contains(t, page, `name="order" value="2041"`)
	form := []string{"order=2041", "once=" + hidden(t, page, "once"), "seen=" + hidden(t, page, "seen")}
	d.command("pack 2041 --at 2026-02-02")
	d.command("damage board 1 --reason sample") // that doesn't concern it
	was := d.events()
	a := d.post("/record/pack", form...)
	if a.status != 409 || d.events() != was {
		t.Fatalf("%d, %d new\n%s", a.status, d.events()-was, mainOf(a.body))
	}
	contains(t, a.body, `id="meanwhile"`, "Packed: order 2041")
	if strings.Contains(a.body, "1 × board, sample") {
		t.Error("what doesn't concern the form is shown")
	}
	form[2] = "seen=" + hidden(t, a.body, "seen")
	if d.post("/record/pack", form...); d.events() != was+1 {
		t.Errorf("%d new", d.events()-was)
	}
}

// Links to forms bring what they are about.
func TestFormsAreFilledFromWhatTheyReferTo(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(`{"kind":"order","time":"2026-02-01T12:00:00-04:00","data":{"order":"2041","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}}`)
	contains(t, d.get("/record/restock?purchase="+d.id(event.KindPurchase)).body, `value="board"`, `value="1"`, `<option value="box" selected>`, `value="Quillmark Supply"`)
	contains(t, d.get("/record/credit?restock="+d.id(event.KindRestock)).body, `value="board"`, "Restock: 2 box of board")
	contains(t, d.get("/record/return?order=2041").body, `value="fern-card"`)
	contains(t, d.get("/record/count?item=board&in=box").body, `value="board"`, `<option value="box" selected>`)
	contains(t, d.get("/record/reverse?event="+d.id(event.KindRestock)).body, "Restock: 2 box of board")
	for _, path := range []string{"/record", "/setup", "/setup/items", "/setup/items?q=BOARD", "/setup/item", "/setup/making", "/setup/cut", "/import", "/import?what=counts"} {
		if a := d.get(path); a.status != 200 {
			t.Errorf("%s: %d", path, a.status)
		}
	}
	for _, path := range []string{"/record/nothing", "/import/01KJPY44E05Z6ZDV51TBGFGRY9", "/record/close"} {
		if a := d.get(path); a.status != 404 {
			t.Errorf("%s: %d", path, a.status)
		}
	}
}

// The arithmetic of cutting is that of the command, and leads to the item with what was worked out.
func TestCuttingPage(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	for _, c := range []struct{ query, want, link string }{
		{"what=sheet&from=210x297mm&piece=100x140mm&gap=2 mm&margin=5mm&item=board", "2 pieces", "pack=sheet%3A2"},
		{"what=sheet&from=A3&piece=A6&item=board&name=big sheet", "8 pieces", "pack=big&#43;sheet%3A8"},
		{"what=roll&from=50m&piece=310mm&item=cord", "161 pieces", "measure=piece%3A310"},
		{"what=roll&from=600mmx50m&piece=140x310mm&blade=1mm&item=cord", "640 pieces", "measure=piece%3A77.75"},
	} {
		q, _ := url.ParseQuery(c.query)
		a := d.get("/setup/cut?" + q.Encode())
		if !strings.Contains(a.body, c.want) || !strings.Contains(a.body, c.link) {
			t.Errorf("%s: no %q or no link %q:\n%s", c.query, c.want, c.link, mainOf(a.body))
		}
	}
	a := d.get("/setup/cut?what=sheet&from=A9&piece=A4")
	contains(t, a.body, "fit a sheet")
	a = d.get("/setup/cut?what=sheet&from=big&piece=A4")
	contains(t, a.body, `id="from-fault"`)
	contains(t, d.get("/setup/item?item=cord&measure=piece%3A77.75").body, `value="piece"`, `value="77.75"`)
}

// The sheet of labels is the command's, byte for byte; what is wrong stands at its field.
func TestLabelsPage(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	contains(t, d.get("/setup/labels").body, `href="/setup"`, `name="size"`, `name="place"`, `name="start" value="1"`)
	byCommand := d.must("labels", "board", "cord", "--size", "52x30", "--start", "3", "--copies", "2", "--pdf", "-")
	a := d.get("/setup/labels.pdf?size=52x30&start=3&copies=2&items=Backing+board,+cord")
	made := regexp.MustCompile(`(Creation|Mod)Date \([^)]*\)`) // the clock of a test goes on
	if a.status != 200 || made.ReplaceAllString(a.body, "") != made.ReplaceAllString(byCommand, "") {
		t.Errorf("%d, %d bytes; by command %d", a.status, len(a.body), len(byCommand))
	}
	for query, want := range map[string]string{
		"items=bord": `id="items-fault"`, "start=0": `id="start-fault"`, "copies=many": `id="copies-fault"`, "sheet=A4": `id="sheet-fault"`, "place=attic": `id="place-fault"`,
	} {
		a := d.get("/setup/labels.pdf?" + query)
		contains(t, a.body, want)
	}
}

const ordersCSV = "Number;Placed;Code;Pieces;Price;Land\n" +
	"5001;02.03.2026 09:30;FERN;2;3,50;Canada\n" +
	"5001;02.03.2026 09:30;MOSS;1;4,00;Canada\n" +
	"5002;02.03.2026 10:15;FERN;1;3,50;Iceland\n" +
	"5003;02.03.2026 11:00;POST;1;9,00;Canada\n" +
	"5003;02.03.2026 11:00;MOSS;3;4,00;Canada\n"

// A file of orders is looked at, its columns are named, it is tried and recorded: the same events as by command, with the map that the form made.
func TestImportOfOrders(t *testing.T) {
	byForm, byCommand := newFormDesk(t, formSetup...), newFormDesk(t, formSetup...)
	d := byForm
	was := d.events()
	a := d.upload("orders", "shop.csv", ordersCSV, "")
	if a.status != 200 || !strings.HasPrefix(a.path, "/import/") {
		t.Fatalf("%d at %s\n%s", a.status, a.path, mainOf(a.body))
	}
	contains(t, a.body, "5002", "02.03.2026 10:15", `<option value="Code" selected>`, `name="date_layout" value="DD.MM.YYYY hh:mm"`) // suggested
	path := a.path
	// The land isn't found by itself.
	a = d.change(path, "try=yes", "order=", "zone=")
	if a.status != 422 {
		t.Errorf("%d", a.status)
	}
	contains(t, a.body, `id="order-fault"`)
	columns := []string{"order=Number", "date=Placed", "item=Code", "quantity=Pieces", "unit_price=Price", "zone=Land", "zones[0].of=Canada", "zones[0].value=home", "any_other_zone=abroad"}
	a = d.change(path, append(columns, "try=yes")...)
	contains(t, a.body, "5 rows can", "<strong>FERN</strong>, in 2 rows; near it: fern-card", "Define it as an item", `name="aliases[2].of" value="POST"`)
	columns = append(columns, "aliases[0].of=FERN", "aliases[0].value=fern-card", "aliases[1].of=MOSS", "aliases[1].value=moss-card", "no_goods=POST")
	a = d.change(path, append(columns, "try=yes")...)
	contains(t, a.body, "A try, nothing was recorded yet: 3 facts would be", `name="record" value="yes"`)
	if d.events() != was {
		t.Fatal("a try was recorded")
	}
	mapping := d.get(path + "/map").body
	for _, line := range []string{"zone Canada = home", "item FERN = fern-card", "no goods = POST", "order = Number"} {
		if !strings.Contains(mapping, line+"\n") {
			t.Errorf("the map lacks %q:\n%s", line, mapping)
		}
	}
	a = d.change(path, append(columns, "record=yes", "person=Ada")...)
	contains(t, a.body, "3 facts were recorded", "Keep the map")
	// The kept map does for the next file, and for the command.
	for name, text := range map[string]string{"shop.csv": ordersCSV, "shop.map": mapping} {
		if err := os.WriteFile(filepath.Join(byCommand.dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	byCommand.command("import orders " + byCommand.dir + "/shop.csv --map " + byCommand.dir + "/shop.map")
	for i, e := range byForm.last(3) {
		if e.Kind != event.KindOrder || e.Person != "Ada" || says(t, e) != says(t, byCommand.last(3)[i]) {
			t.Errorf("form %s\ncommand %s", says(t, e), says(t, byCommand.last(3)[i]))
		}
	}
	a = d.upload("orders", "shop.csv", ordersCSV, mapping)
	a = d.change(a.path, "try=yes")
	contains(t, a.body, "nothing that isn't here already")
	// A header that the file hasn't, and a file that is none.
	a = d.upload("orders", "shop.csv", strings.Replace(ordersCSV, "Pieces", "Stück", 1), mapping)
	a = d.change(a.path, "try=yes")
	contains(t, a.body, `id="quantity-fault"`)
	if a = d.upload("orders", "empty.csv", "", ""); a.status != 422 {
		t.Errorf("an empty file: %d", a.status)
	}
	if a = d.upload("orders", "shop.csv", ordersCSV, "no map at all"); a.status != 422 {
		t.Errorf("a map that is none: %d", a.status)
	}
}

func TestImportOfItemsAndCounts(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	a := d.upload("catalog", "items.csv", "item,name,type,unit,packs\nglue,Glue,supply,g,tub=250\nboard,Backing board,supply,each,\nbad item,,supply,,\n", "")
	path := a.path
	contains(t, a.body, "tub=250")
	a = d.post(path, "try=yes")
	contains(t, a.body, "Nothing was recorded", "bad item")
	a = d.upload("catalog", "items.csv", "item,name,type,unit,packs\nglue,Glue,supply,g,tub=250\nboard,Backing board,supply,each,\n", "")
	a = d.post(a.path, "record=yes", "day=2026-02-01")
	contains(t, a.body, "1 fact was recorded")
	if got := says(t, d.last(1)[0]); got != `item 2026-02-01T00:00:00-04:00 {"item":"glue","name":"Glue","type":"supply","unit":"g","packs":{"tub":"250"}}` {
		t.Error(got)
	}
	d.command("count board 300 --at 2026-01-20")
	a = d.upload("counts", "counts.csv", "item,counted,unit\nboard,30,\ncord,1,spool\n", "")
	path = a.path
	a = d.post(path, "try=yes", "day=2026-02-02")
	contains(t, a.body, "2 facts would be")
	was := d.events()
	a = d.post(path, "record=yes", "day=2026-02-02")
	contains(t, a.body, `id="questions"`, "Record it as it is")
	if d.events() != was {
		t.Fatal("what was asked about is recorded")
	}
	a = d.post(path, "sure=yes", "day=2026-02-02")
	contains(t, a.body, "2 facts were recorded", "−270")
	if got := fmt.Sprint(d.last(1)[0].Time); !strings.HasSuffix(got, "T23:59:59.999-04:00") {
		t.Error(got)
	}
}

// The form of a pack says what the order is for and what the spec makes of it.
func TestWhatAPackHolds(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(`{"kind":"packspec","time":"2026-01-01T12:00:00-04:00","data":{"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"cord","qty":"1","measure":"wrap","per":"parcel"}]}]}}
{"kind":"order","time":"2026-02-01T12:00:00-04:00","data":{"order":"2041","zone":"home","lines":[{"item":"fern-card","qty":"2"}],"options":["gift wrap"]}}`)
	contains(t, d.get("/record/pack?order=2041").body, "To home: 2 × Fern card; with gift wrap", "By the packing spec: flat; 1 × Backing board, 310 mm of Cotton cord")
	contains(t, d.get("/record/pack?order=7").body, "No order 7 is known here")
	d.command("pack 2041 --at 2026-02-02")
	contains(t, d.get("/record/pack?order=2041").body, "Nothing of order 2041 is left to pack")
	d.command("pack 2041 --at 2026-02-03")
	contains(t, d.get("/record/pack?order=2041").body, "waits for a decision")
}

// What should have come is in the measure that the line is counted in, as what came is; a delivery's fact holds base units.
func TestExpectedInAMeasure(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.fill("/record/restock", "lines[0].item=cord", "lines[0].qty=10", "lines[0].in=wrap", "lines[0].expected=12", "lines[0].cost=2", "day=2026-02-02")
	if got := says(t, d.last(1)[0]); got != `restock 2026-02-02T00:00:00-04:00 {"lines":[{"item":"cord","qty":"3100","expected":"3720","cost":"2"}]}` {
		t.Error(got)
	}
}
