package main

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"countback/ledger/event"
)

// reverseAll takes a definition back, so that a form can record the same one anew.
func (d *formDesk) sameAs(t *testing.T, name, want string, record func() answer) {
	t.Helper()
	was := d.events()
	a := record()
	if d.events() != was+1 {
		t.Errorf("%s: status %d at %s, %d new events\n%s", name, a.status, a.path, d.events()-was, mainOf(a.body))
		return
	}
	if got := says(t, d.last(1)[0]); got != want {
		t.Errorf("%s:\n form    %s\n command %s", name, got, want)
	}
}

// What is defined on a page is what the commands define: of a known item only what differs.
func TestSetupRecordsWhatCommandsDo(t *testing.T) {
	byCommand, byForm := newFormDesk(t, formSetup...), newFormDesk(t, formSetup...)
	spec := filepath.Join(t.TempDir(), "packing.json")
	file := func(text string) string {
		if err := os.WriteFile(spec, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return spec
	}
	for _, c := range []struct {
		name, command string
		path          string
		form          []string
	}{
		{"a new item", `item tape --name "Paper tape" --type supply --unit mm --pack roll="50 m" --measure strip="12 cm" --place bench --supplier "Pennifold Labels" --lead-days 8 --lead-days-max 10 --tolerance 2% --unit-cost 0.0002 --piece-weight "0.5 oz" --barcode 4006381333931 --at 2026-02-01`,
			"/setup/item", []string{"item=tape", "name=Paper tape", "type=supply", "unit=mm", "packs[0].name=roll", "packs[0].holds=50 m", "measures[0].name=strip", "measures[0].holds=12 cm", "place=bench",
				"supplier=Pennifold Labels", "lead_days=8", "lead_days_max=10", "tolerance=2 %", "unit_cost=0,0002", "piece_weight=0.5 oz", "barcode=4006381333931", "day=2026-02-01"}},
		{"a new place", `item board --place "cart 2" --at 2026-02-02`, "/setup/item?item=board", []string{"place=cart 2", "day=2026-02-02"}},
		{"another pack", `item board --pack crate=600 --drop-pack bag --at 2026-02-02`, "/setup/item?item=board", []string{"packs[2].name=crate", "packs[2].holds=600", "packs[0].drop=yes", "day=2026-02-02"}},
		{"no measures", `item board --drop-measure pair --at 2026-02-02`, "/setup/item?item=board", []string{"measures[0].drop=yes", "day=2026-02-02"}},
		{"a set", `item duo --name "Two cards" --type prepared --unit each --part fern-card=1 --part moss-card=1 --class card --points 2 --price 9 --at 2026-02-02`, "/setup/item",
			[]string{"item=duo", "name=Two cards", "type=prepared", "unit=each", "parts[0].item=fern-card", "parts[0].qty=1", "parts[1].item=moss-card", "parts[1].qty=1", "class=card", "points=2", "price=9", "day=2026-02-02"}},
		{"a packing spec", "packspec " + file(`{"lines":[{"item":"seal","qty":"1","per":"order","zones":["abroad"],"from":"2","to":"5"},{"item":"cord","qty":"1","measure":"wrap","per":"unit","good":"fern-card","every":"3","option":"gift wrap"}],
			"formats":[{"format":"flat","accepts":["card","print"],"holds":"4","lines":[{"item":"board","qty":"1","pack":"crate","per":"parcel","class":"card"}]},{"format":"box","lines":[{"item":"cord","qty":"200","per":"order"}]}]}`) + ` --at 2026-02-03 --note "the first"`,
			"/setup/packing", []string{
				"lines[0].item=seal", "lines[0].qty=1", "lines[0].per=order", "lines[0].zones=abroad", "lines[0].from=2", "lines[0].to=5",
				"lines[1].item=cord", "lines[1].qty=1", "lines[1].in=wrap", "lines[1].per=unit", "lines[1].good=Fern card", "lines[1].every=3", "lines[1].option=gift wrap",
				"formats[0].format=flat", "formats[0].accepts=card, print", "formats[0].holds=4", "formats[0].lines[0].item=board", "formats[0].lines[0].qty=1 crate", "formats[0].lines[0].per=parcel",
				"formats[0].lines[0].class=card", "formats[1].format=box", "formats[1].lines[0].item=cord", "formats[1].lines[0].qty=20 cm", "formats[1].lines[0].per=order", "day=2026-02-03", "note=the first"}},
		{"a make spec", `makespec ` + filepath.Join(t.TempDir(), "run.json") + ` --at 2026-02-04`, "/setup/making?item=fern-card",
			[]string{"pieces=4", "spoilage=2,5", "lines[0].item=board", "lines[0].qty=1", "lines[0].per=cycle", "lines[1].item=cord", "lines[1].qty=1 wrap", "lines[1].per=piece", "lines[1].every=10", "day=2026-02-04"}},
		{"the shop", `{"kind":"shop","time":"2026-02-05T00:00:00-04:00","data":{"name":"Fennimoor Prints","costing":"fifo"}}`, "/setup/shop", []string{"name=Fennimoor Prints", "costing=fifo", "day=2026-02-05"}},
	} {
		switch {
		case strings.HasPrefix(c.command, "{"):
			if o := byCommand.feed(c.command, "record", "-"); o.status != statusDone {
				t.Fatal(c.name, o.errors)
			}
		default:
			if path, ok := strings.CutPrefix(c.command, "makespec "); ok {
				path, _, _ = strings.Cut(path, " ")
				if err := os.WriteFile(path, []byte(`{"item":"fern-card","pieces":"4","lines":[{"item":"board","qty":"1","per":"cycle"},{"item":"cord","qty":"1","measure":"wrap","per":"piece","every":"10"}],"normal_spoilage":"0.025"}`), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			byCommand.command(c.command)
		}
		byForm.sameAs(t, c.name, says(t, byCommand.last(1)[0]), func() answer { return byForm.change(c.path, c.form...) })
	}
}

// change gets a page of setup and sends all that stands in it, with what a person changes.
func (d *formDesk) change(path string, pairs ...string) answer {
	d.t.Helper()
	page := mainOf(d.get(path).body)
	form := map[string]string{}
	if i := strings.Index(page, `<form class="entry"`); i >= 0 {
		page = page[i:]
		page = page[:strings.Index(page, "</form>")]
	}
	for _, m := range regexp.MustCompile(`<input[^>]* name="([^"]+)"[^>]*>`).FindAllStringSubmatch(page, -1) {
		if strings.Contains(m[0], `type="checkbox"`) && !strings.Contains(m[0], " checked") {
			continue
		}
		value := ""
		if v := regexp.MustCompile(` value="([^"]*)"`).FindStringSubmatch(m[0]); v != nil {
			value = unescape(v[1])
		}
		form[m[1]] = value
	}
	for _, m := range regexp.MustCompile(`(?s)<select id="[^"]*" name="([^"]+)".*?</select>`).FindAllStringSubmatch(page, -1) {
		chosen := regexp.MustCompile(`<option value="([^"]*)" selected`).FindStringSubmatch(m[0])
		if chosen == nil {
			chosen = regexp.MustCompile(`<option value="([^"]*)"`).FindStringSubmatch(m[0])
		}
		form[m[1]] = unescape(chosen[1])
	}
	for _, p := range pairs {
		name, value, _ := strings.Cut(p, "=")
		form[name] = value
	}
	var all []string
	for name, value := range form {
		all = append(all, name+"="+value)
	}
	path, _, _ = strings.Cut(path, "?")
	return d.post(path, all...)
}

func unescape(s string) string {
	return strings.NewReplacer("&amp;", "&", "&#34;", `"`, "&#39;", "'", "&lt;", "<", "&gt;", ">", "&#43;", "+").Replace(s)
}

// A page of setup that is sent as it came changes nothing and says so.
func TestSetupThatChangesNothing(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(`{"kind":"packspec","time":"2026-01-01T12:00:00-04:00","data":{"lines":[{"item":"cord","qty":"1.234","per":"order","zones":["home","abroad"]}],"formats":[{"format":"flat","accepts":["card"],"holds":"4","lines":[{"item":"board","qty":"1","pack":"box","per":"unit","every":"1000"}]}]}}
{"kind":"makespec","time":"2026-01-01T12:00:00-04:00","data":{"item":"fern-card","pieces":"4","lines":[{"item":"board","qty":"1","per":"piece"}],"normal_spoilage":"0.05"}}
{"kind":"item","time":"2026-01-01T12:00:00-04:00","data":{"item":"moss-card","points":"3","tolerance":"2%","lead_days":0,"unit_cost":"1.125","piece_weight":"12.345","price":"0"}}`)
	for _, path := range []string{"/setup/item?item=board", "/setup/item?item=cord", "/setup/item?item=moss-card", "/setup/packing", "/setup/making?item=fern-card", "/setup/shop"} {
		was := d.events()
		a := d.change(path)
		if a.status != 422 || d.events() != was || !strings.Contains(a.body, "Nothing here differs") {
			t.Errorf("%s: %d at %s\n%s", path, a.status, a.path, mainOf(a.body))
		}
	}
}

// What an item was called can't be taken out again; the field says so and keeps its neighbours.
func TestFieldsThatCantBeEmptied(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	a := d.change("/setup/item?item=board", "place=", "supplier=Tarnwick Board")
	if a.status != 422 || !strings.Contains(a.body, `id="place-fault"`) || !strings.Contains(a.body, `value="Tarnwick Board"`) {
		t.Errorf("%d\n%s", a.status, mainOf(a.body))
	}
}

// A definition that was wrong from the start is put right in its place.
func TestPuttingADefinitionRight(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	first := d.id(event.KindItem)
	page := d.get("/setup/item?item=board").body
	if !strings.Contains(page, "restates="+first) {
		t.Fatalf("the history doesn't lead to putting it right:\n%s", mainOf(page))
	}
	d.change("/setup/item?item=board&restates="+first, "packs[1].holds=152")
	got := d.last(1)[0].Data.(*event.Item)
	if got.Restates.String() != first || fmt.Sprint(got.Packs) != "map[bag:25 box:152]" || got.Name != "" {
		t.Errorf("%+v", got)
	}
}

// An edited packing spec is tried on the packs that were, in another order of the formats as well; nothing is recorded by that.
func TestPreviewOfAPackingSpec(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(`{"kind":"packspec","time":"2026-01-01T12:00:00-04:00","data":{"formats":[{"format":"flat","holds":"2","lines":[{"item":"board","qty":"1","per":"parcel"}]},{"format":"box","lines":[{"item":"board","qty":"4","per":"parcel"},{"item":"cord","qty":"1","measure":"wrap","per":"parcel"}]}]}}
{"kind":"pack","time":"2026-02-01T12:00:00-04:00","data":{"order":"1","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}}
{"kind":"pack","time":"2026-02-02T12:00:00-04:00","data":{"order":"2","zone":"home","lines":[{"item":"fern-card","qty":"3"}]}}
{"kind":"pack","time":"2026-02-03T12:00:00-04:00","data":{"order":"3","zone":"home","lines":[{"item":"moss-card","qty":"1"}]}}`)
	was := d.events()
	// Board costs 60 ÷ 300 = 0.20; cord 20 ÷ 50,000 = 0.0004 a mm. Now: flat, box, flat: 1 + 4 + 1 = 6 boards and 310 mm, 1.20 and 0.124.
	a := d.get("/setup/packing")
	for _, want := range []string{"the last 3 packs", `<td class="num">6</td><td class="num">6</td>`, "1.20", "0.4413 CAD a pack, as now", "1.32 in all"} {
		if !strings.Contains(a.body, want) {
			t.Errorf("the present spec's preview lacks %q:\n%s", want, previewOf(a.body))
		}
	}
	// One board in a box: 1 + 1 + 1 = 3 boards, 0.60 + 0.124.
	a = d.change("/setup/packing", "formats[1].lines[0].qty=1", "preview=yes")
	for _, want := range []string{`<td class="num">6</td><td class="num">3</td><td class="num">−3 `, "0.2413", "instead of 0.4413", "0.72 instead of 1.32", "1 of them differs", `<a href="/orders/2">2</a>`, "−0.60"} {
		if !strings.Contains(a.body, want) {
			t.Errorf("the preview lacks %q:\n%s", want, previewOf(a.body))
		}
	}
	// The box first: every order goes in one.
	a = d.change("/setup/packing", "up=1")
	if a.status != 200 || !regexp.MustCompile(`(?s)name="formats\[0\].format" value="box".*name="formats\[1\].format" value="flat"`).MatchString(a.body) {
		t.Errorf("the box doesn't come first:\n%s", mainOf(a.body))
	}
	a = d.change("/setup/packing", "formats[0].format=box", "formats[0].holds=", "formats[1].format=flat", "preview=yes")
	if !strings.Contains(a.body, "3 × box") && !strings.Contains(a.body, "<td>box</td>") {
		t.Errorf("%s", previewOf(a.body))
	}
	if d.events() != was {
		t.Error("a preview was recorded")
	}
	// A piece that nothing takes is said.
	a = d.change("/setup/packing", "formats[0].accepts=print", "formats[1].accepts=print", "preview=yes")
	if !strings.Contains(a.body, "No kind of parcel takes fern-card, moss-card") {
		t.Errorf("%s", previewOf(a.body))
	}
}

func previewOf(body string) string {
	if i := strings.Index(body, `id="preview"`); i >= 0 {
		return body[i:]
	}
	return body
}

func TestPreviewOfAMakeSpec(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	d.facts(`{"kind":"makespec","time":"2026-01-01T12:00:00-04:00","data":{"item":"fern-card","pieces":"4","lines":[{"item":"board","qty":"1","per":"cycle"}]}}
{"kind":"reprint","time":"2026-02-01T12:00:00-04:00","data":{"item":"fern-card","good":"46","spoiled":"2"}}
{"kind":"reprint","time":"2026-02-02T12:00:00-04:00","data":{"item":"fern-card","good":"9","spoiled":"0"}}`)
	// 48 ÷ 4 = 12 and 9 ÷ 4, begun ones too, = 3 boards; at 3 a pass 16 + 3.
	a := d.change("/setup/making?item=fern-card", "pieces=3", "preview=yes")
	for _, want := range []string{"the last 2 print runs", `<td class="num">15</td><td class="num">19</td><td class="num">&#43;4 `, "a piece instead of"} {
		if !strings.Contains(a.body, want) {
			t.Errorf("the preview lacks %q:\n%s", want, previewOf(a.body))
		}
	}
}

// What was recorded since a page was made is shown before what it says is recorded.
func TestAStaleSpecPage(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	page := d.get("/setup/item?item=board").body
	d.facts(`{"kind":"item","time":"2026-02-01T12:00:00-04:00","data":{"item":"board","place":"loft"}}`)
	was := d.events()
	hidden := func(name string) string {
		return regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page)[1]
	}
	a := d.post("/setup/item", "item=board", "name=Backing board", "place=cellar", "supplier=Quillmark Supply", "packs[0].name=box", "packs[0].holds=150", "packs[1].name=bag", "packs[1].holds=25",
		"measures[0].name=pair", "measures[0].holds=2", "once="+hidden("once"), "seen="+hidden("seen"))
	if a.status != 409 || d.events() != was || !strings.Contains(a.body, `id="meanwhile"`) || !strings.Contains(a.body, `value="cellar"`) {
		t.Fatalf("%d, %d new\n%s", a.status, d.events()-was, mainOf(a.body))
	}
}

// upload sends a file as the page does.
func (d *formDesk) upload(what, name, body, mapping string) answer {
	d.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	if err := w.WriteField("what", what); err != nil {
		d.t.Fatal(err)
	}
	for field, text := range map[string]string{"file": body, "map": mapping} {
		if text == "" {
			continue
		}
		part, err := w.CreateFormFile(field, name)
		if err != nil {
			d.t.Fatal(err)
		}
		if _, err := part.Write([]byte(text)); err != nil {
			d.t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		d.t.Fatal(err)
	}
	return d.read(d.http.Post(d.base+"/import", w.FormDataContentType(), &b))
}
