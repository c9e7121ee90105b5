package pages

import (
	"context"
	"maps"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/report"
)

// formLook is a look at a small shop.
func formLook(t testing.TB) *Look {
	t.Helper()
	log, err := fold.Read(context.Background(), foldtest.Facts(`
shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax","costing":"average"}
#B item 2026-01-01 {"item":"board","name":"Backing board","type":"supply","unit":"each","packs":{"box":"150"},"measures":{"pair":"2"},"supplier":"Quillmark Supply"}
item 2026-01-01 {"item":"cord","name":"Cotton cord","type":"supply","unit":"mm","packs":{"spool":"50000"},"measures":{"wrap":"310"}}
item 2026-01-01 {"item":"fern-card","name":"Fern card","type":"good","unit":"each","class":"card"}
packspec 2026-01-01 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}
#R restock 2026-01-05 {"lines":[{"item":"board","qty":"2","pack":"box","cost":"60"}]}
order 2026-01-06T12:00:00Z {"order":"2041","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}
`), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	zone := time.FixedZone("", -4*3600)
	return &Look{Log: log, Catalog: log.Catalog, View: log.Catalog.End(), Shop: log.Catalog.Shop, Zone: zone, Style: report.Style{Zone: zone}, Now: formNow, Version: 7}
}

var formNow = time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC)

// Rows that nobody filled in are gone, and the others keep their order and what they say.
func TestRowsAreNumberedAnew(t *testing.T) {
	got := compact(url.Values{
		"lines[0].item": {" "}, "lines[0].per": {"order"}, "lines[3].item": {" board "}, "lines[3].qty": {"2"}, "lines[7].item": {"cord"},
		"formats[1].format": {""}, "formats[1].lines[0].per": {"parcel"}, "formats[4].format": {"flat"}, "formats[4].lines[5].item": {"seal"},
		"formats[5].format": {"box"}, "formats[5].drop": {"yes"}, "formats[5].lines[0].item": {"tape"},
		"note": {"  tea  "}, "lines[1000].item": {"far"}, "lines[x].item": {"odd"}, "lines[01].item": {"odd"}, "lines[0]": {"odd"}, "Lines[0].item": {"odd"}, "": {"odd"}, "a.b": {"odd"},
	})
	want := url.Values{
		"lines[0].item": {"board"}, "lines[0].qty": {"2"}, "lines[1].item": {"cord"}, "formats[0].format": {"flat"}, "formats[0].lines[0].item": {"seal"}, "note": {"tea"},
	}
	if !maps.EqualFunc(got, want, slices.Equal) {
		t.Errorf("%v\nwant %v", got, want)
	}
	if n := rowsOf(got, "lines"); n != 2 {
		t.Errorf("%d rows", n)
	}
}

// Numbering anew is done once: what it makes stays as it is, whatever somebody sends.
func TestCompactIsStable(t *testing.T) {
	key := rapid.Custom(func(t *rapid.T) string {
		path := rapid.SampledFrom([]string{"lines", "formats", "changes"}).Draw(t, "list")
		for range rapid.IntRange(0, 2).Draw(t, "deep") {
			path += "[" + rapid.StringMatching(`[0-9]{1,2}`).Draw(t, "index") + "]." + rapid.SampledFrom([]string{"lines", "item", "qty", "per", "drop"}).Draw(t, "field")
		}
		return path
	})
	rapid.Check(t, func(t *rapid.T) {
		values := url.Values{}
		for range rapid.IntRange(0, 12).Draw(t, "fields") {
			values.Set(key.Draw(t, "key"), rapid.SampledFrom([]string{"", " ", "a", "order"}).Draw(t, "value"))
		}
		one := compact(values)
		if two := compact(one); !maps.EqualFunc(one, two, slices.Equal) {
			t.Fatalf("%v became %v", one, two)
		}
		for list := range map[string]bool{"lines": true, "formats": true} {
			for i := range rowsOf(one, list) {
				if !slices.ContainsFunc(slices.Collect(maps.Keys(one)), func(k string) bool { return strings.HasPrefix(k, rowName(list, i)+".") }) {
					t.Fatalf("row %d of %s is empty in %v", i, list, one)
				}
			}
		}
	})
}

func TestSwap(t *testing.T) {
	v := url.Values{"formats[0].format": {"a"}, "formats[1].format": {"b"}, "formats[1].lines[0].item": {"x"}, "formats[10].format": {"k"}, "note": {"n"}}
	w := swap(v, "formats", 1, 0)
	if w.Get("formats[0].format") != "b" || w.Get("formats[1].format") != "a" || w.Get("formats[0].lines[0].item") != "x" || w.Get("formats[10].format") != "k" || w.Get("note") != "n" {
		t.Errorf("%v", w)
	}
	if again := swap(w, "formats", 0, 1); !maps.EqualFunc(again, v, slices.Equal) {
		t.Errorf("%v", again)
	}
}

// The ids of a form's further facts are its own, and different.
func TestIDsOfOneForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var id event.ID
		copy(id[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "id"))
		n := rapid.IntRange(1, mostRows).Draw(t, "n")
		other := nth(id, n)
		if nth(id, 0) != id || other == id || nth(other, 0) != other || [6]byte(other[:6]) != [6]byte(id[:6]) {
			t.Fatalf("%v and %v", id, other)
		}
		if m := rapid.IntRange(0, n-1).Draw(t, "m"); nth(id, m) == other {
			t.Fatalf("%d and %d share an id", m, n)
		}
	})
}

// What is wrong stands at its field, named as on the page.
func TestFaultsStandAtTheirFields(t *testing.T) {
	l := formLook(t)
	for _, c := range []struct {
		form  *kindForm
		query string
		want  map[string]string // by field: a part of what is said
	}{
		{restockForm, "", map[string]string{"lines[0].item": "say what came"}},
		{restockForm, "lines[0].item=bord&lines[0].qty=2&lines[0].cost=1", map[string]string{"lines[0].item": "board"}},
		{restockForm, "lines[2].item=board&lines[2].qty=1,234&lines[2].cost=x", map[string]string{"lines[0].qty": "two ways", "lines[0].cost": "not a number"}},
		{restockForm, "lines[0].item=board&lines[0].qty=2+spool&lines[0].cost=1", map[string]string{"lines[0].qty": "box"}},
		{restockForm, "lines[0].item=board&lines[0].qty=2+pair&lines[0].in=box&lines[0].cost=1", map[string]string{"lines[0].qty": "both say"}},
		{restockForm, "lines[0].item=board&lines[0].qty=2", map[string]string{"lines[0].cost": "missing"}},
		{restockForm, "lines[0].item=board&lines[0].qty=2&lines[0].cost=1&day=2026-02-30", map[string]string{"day": "neither"}},
		{restockForm, "lines[0].item=board&lines[0].qty=2&lines[0].cost=1&day=2026-02-03&clock=25:00", map[string]string{"clock": "time of day"}},
		{restockForm, "lines[0].item=board&lines[0].qty=2&lines[0].cost=1&purchase=abc", map[string]string{"purchase": "id"}},
		{returnForm, "order=2041&lines[0].item=fern-card&lines[0].qty=0.5", map[string]string{"lines[0].qty": "whole", "lines[0].condition": "missing"}},
		{damageForm, "lines[0].item=board&lines[0].qty=1", map[string]string{"reason": "missing"}},
		{countForm, "weights[0].item=board", map[string]string{"weights[0].gross": "missing"}},
		{countForm, "lines[0].item=board&tolerance=x", map[string]string{"lines[0].qty": "figure", "tolerance": "number"}},
		{packForm, "changes[0].item=board&changes[0].what=without&changes[0].qty=3", map[string]string{"order": "missing", "changes[0].qty": "nothing of it"}},
		{packForm, "order=1&changes[0].item=board&changes[0].what=total&changes[0].qty=3&changes[0].instead_of=cord", map[string]string{"changes[0].instead_of": "goes with"}},
		{packForm, "order=1&parcels[0].lines[0].item=fern-card&parcels[0].lines[0].qty=1", map[string]string{"parcels[0].format": "missing"}},
		{decideForm, "event=01KJPY44E05Z6ZDV51TBGFGRY9", map[string]string{"keep": "missing"}},
		{reverseForm, "", map[string]string{"event": "missing", "reason": "missing"}},
		{reprintForm, "item=fern-card&good=4", map[string]string{"spoiled": "missing"}},
		{purchaseForm, "lines[0].item=cord&lines[0].qty=4", map[string]string{"supplier": "name one"}},
	} {
		q, err := url.ParseQuery(c.query)
		if err != nil {
			t.Fatal(err)
		}
		f := newForm(l, formNow, q)
		c.form.facts(f)
		f.when(c.form.kind)
		for field, part := range c.want {
			if !strings.Contains(f.wrong[field], part) {
				t.Errorf("%s %s: at %s stands %q, want %q; all: %v", c.form.kind, c.query, field, f.wrong[field], part, f.wrong)
			}
		}
		if len(f.wrong) != len(c.want) || len(f.notes) > 0 {
			t.Errorf("%s %s: %v %v", c.form.kind, c.query, f.wrong, f.notes)
		}
		// The page shows every fault at a field that is there.
		if wrong, notes := f.faults(append(c.form.blocks(f), f.momentBlock(c.form.kind))); len(notes) > 0 || len(wrong) != len(c.want) {
			t.Errorf("%s %s: no field of the page shows %v", c.form.kind, c.query, notes)
		}
	}
}

// What the ledger refuses has a field on the page.
func TestRefusalsHaveAField(t *testing.T) {
	f := newForm(formLook(t), formNow, nil)
	for field, want := range map[string]string{
		"time": "day", "lines": "lines[0].item", "lines[2]": "lines[2].item", "lines[2].pack": "lines[2].in", "measure": "in", "changes[1]": "changes[1].item", "changes[1].measure": "changes[1].in",
		"options[3]": "options", "zones": "zones", "parcels": "parcels[0].format", "parcels[1]": "parcels[1].format", "parcels[1].lines": "parcels[1].lines[0].item",
		"formats[1].lines[0].zones[2]": "formats[1].lines[0].zones", "formats[0].accepts[1]": "formats[0].accepts", "lines[1].qty": "lines[1].qty", "reason": "reason", "": "", "parts[1]": "parts[1].item",
	} {
		if got := f.shown(field); got != want {
			t.Errorf("%q is shown at %q, want %q", field, got, want)
		}
	}
}

// Whatever is sent to a form, it makes facts of the right shape or says what is wrong, and can be shown.
func FuzzForms(f *testing.F) {
	for _, seed := range []string{
		"lines[0].item=board&lines[0].qty=2&lines[0].in=box&lines[0].cost=60,5&day=2026-02-02&clock=9:30&freight=1",
		"order=2041&changes[0].item=cord&changes[0].qty=20+cm&parcels[0].format=flat&parcels[0].lines[0].item=fern-card&parcels[0].lines[0].qty=1",
		"lines[0].item=board&lines[0].qty=0&weights[0].item=cord&weights[0].gross=1&session=m&tolerance=2%25",
		"event=01KJPY44E05Z6ZDV51TBGFGRY9&keep=keep&reason=x", "item=fern-card&good=46&spoiled=2&cycles=1.234",
		"item=board&name=B&packs[0].name=box&packs[0].holds=2+m&points=1&lead_days=3&parts[0].item=cord&parts[0].qty=1+wrap",
		"formats[0].format=flat&formats[0].lines[0].item=cord&formats[0].lines[0].qty=1&formats[0].lines[0].from=2&lines[0].item=board&lines[0].qty=1&lines[0].zones=a,b",
		"item=fern-card&pieces=4&spoilage=5&lines[0].item=board&lines[0].qty=1&lines[0].every=3",
		"order=Number&date=When&zone_always=home&item=SKU&quantity=always+1&zones[0].of=a%3Db&zones[0].value=b&no_goods=P*",
	} {
		f.Add(seed)
	}
	l := formLook(f)
	fern, _ := l.Catalog.Find("fern-card")
	board, _ := l.Catalog.Find("board")
	f.Fuzz(func(t *testing.T, query string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		try := func(name string, facts func(*form) []event.Data, blocks func(*form) []block) {
			fm := newForm(l, formNow, q)
			list := facts(fm)
			if _, err := event.ParseTime(fm.when(event.KindPack).String()); err != nil && !fm.bad() {
				t.Fatalf("%s %q: %v", name, query, err)
			}
			if !fm.bad() && len(list) == 0 {
				t.Fatalf("%s %q: nothing to record, and nothing is wrong", name, query)
			}
			for _, d := range list {
				if !fm.bad() {
					_ = event.Check(d) // what it finds, recording says at its field
				}
			}
			fm.faults(blocks(fm))
		}
		for _, k := range kindForms {
			try(string(k.kind), k.facts, k.blocks)
		}
		try("item", func(f *form) []event.Data { return []event.Data{f.itemData(board)} }, func(f *form) []block { return itemBlocks(f, board) })
		try("new item", func(f *form) []event.Data { return []event.Data{f.itemData(nil)} }, func(f *form) []block { return itemBlocks(f, nil) })
		try("packspec", func(f *form) []event.Data { return []event.Data{f.packSpec()} }, packBlocks)
		try("makespec", func(f *form) []event.Data { return []event.Data{f.makeSpec(fern)} }, func(f *form) []block { return makeBlocks(f, fern) })
		fm := newForm(l, formNow, q)
		text, fields := fm.mapText()
		if n := strings.Count(text, "\n"); n != len(fields) {
			t.Fatalf("map of %q: %d lines, %d fields\n%s", query, n, len(fields), text)
		}
	})
}
