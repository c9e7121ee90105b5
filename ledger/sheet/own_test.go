package sheet_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/sheet"
)

const catalogCSV = "Item,Name,Type,Unit,Packs,Measures,Class,Points,Place,Supplier,Lead days,Lead days max,Tolerance,Piece weight,Unit cost,Barcode,Price,Parts,Note\n" +
	"CARD-A,Card with a heart,good,each,box=150; case=1800,,flat,1,Shelf 2,,,,2%,4.2 g,0.31,0590123412345,4.50,,\n" +
	"WRAP,Tissue,supply,mm,roll=50 m,wrap=310 mm; strip = 12 in,,,,Paper mill,5,12,3,,0.0002,,,,first order\n" +
	"SET,Two cards,prepared,each,,,,,,,,,,,,,,CARD-A=1; CARD-B=2,\n" +
	"\nCARD-B,Card with a boat,good,each,,,,,,,,,,,,,,,\n"

func table(t testing.TB, csv string) *sheet.Table {
	t.Helper()
	tab, err := sheet.ReadTable([]byte(csv), sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

func catalog(t testing.TB, ctx sheet.Context, csv string) *sheet.Result {
	t.Helper()
	tab := table(t, csv)
	r, err := sheet.Catalog(tab, ctx)
	if err != nil {
		t.Fatal(err)
	}
	if sumRows(r) != len(tab.Rows)+len(tab.Ragged) {
		t.Errorf("tallies %v for %d rows", r.Done, len(tab.Rows))
	}
	return r
}

// after is the context of a shop that has recorded r's items.
func after(ctx sheet.Context, r *sheet.Result) sheet.Context {
	defs := map[string]*event.Item{}
	for _, f := range r.Facts {
		d := f.Data.(*event.Item)
		defs[d.Item] = d
	}
	ctx.Current = func(id string) *event.Item { return defs[id] }
	ctx.Item = func(id string) bool { return defs[id] != nil }
	return ctx
}

func TestCatalogBecomesItems(t *testing.T) {
	ctx := shop(t)
	r := catalog(t, ctx, catalogCSV)
	const at = `,"time":"2026-03-20T09:00:00-03:00","data":{`
	expect(t, r,
		`{"kind":"item"`+at+`"item":"CARD-A","name":"Card with a heart","type":"good","unit":"each","packs":{"box":"150","case":"1800"},"class":"flat","points":"1","place":"Shelf 2","tolerance":"2%","piece_weight":"4.2","unit_cost":"0.31","barcode":"0590123412345","price":"4.5"}}`,
		`{"kind":"item"`+at+`"item":"WRAP","name":"Tissue","type":"supply","unit":"mm","packs":{"roll":"50000"},"measures":{"strip":"304.8","wrap":"310"},"supplier":"Paper mill","lead_days":5,"lead_days_max":12,"tolerance":"3","unit_cost":"0.0002","note":"first order"}}`,
		`{"kind":"item"`+at+`"item":"SET","name":"Two cards","type":"prepared","unit":"each","parts":[{"item":"CARD-A","qty":"1"},{"item":"CARD-B","qty":"2"}]}}`,
		`{"kind":"item"`+at+`"item":"CARD-B","name":"Card with a boat","type":"good","unit":"each"}}`)

	again := catalog(t, after(ctx, r), catalogCSV)
	if len(again.Facts) != 0 || fmt.Sprint(again.Done) != "[{item as it is already 4}]" {
		t.Errorf("a second import records %v, %v", facts(t, again), again.Done)
	}
	changed := catalog(t, after(ctx, r), strings.NewReplacer("4.50", "4.75", "box=150", "box=200", "first order", "another note").Replace(catalogCSV))
	expect(t, changed, `{"kind":"item"`+at+`"item":"CARD-A","packs":{"box":"200","case":"1800"},"price":"4.75"}}`)
}

func TestCatalogWithDecimalComma(t *testing.T) {
	r := catalog(t, shop(t), "item;name;type;unit;measures;unit cost;tolerance;piece_weight\nINK;Ink;supply;g;pinch=0,4 g;0,05;2,5%;1\nTAPE;Tape;supply;mm;bit=1,5 in;0,5;;\n")
	if got := facts(t, r); !strings.Contains(got, `"measures":{"pinch":"0.4"},"tolerance":"2.5%","piece_weight":"1","unit_cost":"0.05"`) || !strings.Contains(got, `"bit":"38.1"`) {
		t.Error(got)
	}
}

func TestCatalogProblems(t *testing.T) {
	const head = "item,name,type,unit,packs,measures,points,lead_days,tolerance,piece_weight,barcode,price,parts\n"
	cells := func(at int, v string) string {
		row := []string{"NEW", "New", "supply", "mm", "", "", "", "", "", "", "", "", ""}
		row[at] = v
		return head + `"` + strings.Join(row, `","`) + "\"\n"
	}
	for csv, want := range map[string]string{
		cells(0, ""):                    "has no item",
		cells(1, ""):                    `"name": is missing`,
		cells(2, "thing"):               "good, supply, prepared",
		cells(2, ""):                    `"type": is missing`,
		cells(3, ""):                    `"unit": is missing`,
		cells(3, "cm"):                  "each, mm, g, ml",
		cells(4, "box"):                 "without an = sign",
		cells(4, "box="):                "one side empty",
		cells(4, "box=1; box=2"):        "twice",
		cells(4, "box=0"):               "above 0",
		cells(4, "box=2 kg"):            "mm",
		cells(5, "bit=0.00000001 m"):    "",
		cells(6, "few"):                 "is not a number",
		cells(7, "1.5"):                 "whole days",
		cells(8, "0"):                   "not a tolerance",
		cells(9, "3 mm"):                "",
		cells(10, "5.90123E+12"):        "turned into a number by a spreadsheet",
		cells(11, "-1"):                 "below 0",
		cells(12, "CARD-A=1; CARD-C=1"): `"CARD-C" is not a known item; near it: CARD-A`,
		cells(12, "CARD-A=-1"):          "above 0",
		cells(0, "NEW") + "NEW,New,supply,mm,,,,,,,,,\n": "stands on row 2 too",
		"item,name,typ,unit\nA,B,good,each\n":            `"typ": is not a column of this sheet; near it: type`,
		"name,type\nA,good\n":                            `column "item" is missing`,
		"item,name,Item\nA,good,A\n":                     "stands twice",
		"item,name,\nA,good,x\n":                         "column 3 has no name",
		"item,name\nA\n":                                 "has 1 fields",
	} {
		r := catalog(t, shop(t), csv)
		if len(r.Facts) != 0 || len(r.Problems) == 0 {
			t.Errorf("%q: no problem: %v", csv, facts(t, r))
			continue
		}
		if !slices.ContainsFunc(r.Problems, func(p sheet.Problem) bool { return strings.Contains(p.String(), want) }) {
			t.Errorf("%q: %v, want %s", csv, r.Problems, want)
		}
	}
	ctx := after(shop(t), catalog(t, shop(t), catalogCSV))
	r := catalog(t, ctx, "item,type,unit\nWRAP,good,g\n")
	if len(r.Problems) != 2 || !strings.Contains(r.Problems[0].Why, "differs from supply, which can't change") {
		t.Errorf("%v", r.Problems)
	}
}

func counts(t testing.TB, ctx sheet.Context, csv string) *sheet.Result {
	t.Helper()
	tab := table(t, csv)
	r, err := sheet.Counts(tab, ctx)
	if err != nil {
		t.Fatal(err)
	}
	if sumRows(r) != len(tab.Rows)+len(tab.Ragged) {
		t.Errorf("tallies %v for %d rows", r.Done, len(tab.Rows))
	}
	return r
}

func TestFilledCountSheetBecomesCounts(t *testing.T) {
	ctx := after(shop(t), catalog(t, shop(t), catalogCSV))
	const csv = "item,name,place,book,counted,unit,gross,tare,weight unit,session,at,note\n" +
		"CARD-A,Card with a heart,Shelf 2,140,143,,,,,March,2026-03-08,\n" +
		"CARD-A,Card with a heart,Cart,140,2,box,,,,March,2026-03-08,one open\n" +
		"CARD-A,,Box,,,,650.5,20,G,March,2026-03-08 14:00,\n" +
		"WRAP,,,,3,wrap,,,,March,,\nWRAP,,,,1.5,m,,,,March,,\nCARD-B,,,,,,,,,March,,\nCARD-B,,,,0,each,,,,,,\n,,,,,,,,,,,\n"
	r := counts(t, ctx, csv)
	expect(t, r,
		`{"kind":"count","time":"2026-03-08T14:00:00-03:00","data":{"item":"CARD-A","gross":"650.5","tare":"20","weight_unit":"g","place":"Box","session":"March"}}`,
		`{"kind":"count","time":"2026-03-08T23:59:59.999-03:00","data":{"item":"CARD-A","qty":"143","place":"Shelf 2","session":"March"}}`,
		`{"kind":"count","time":"2026-03-08T23:59:59.999-03:00","data":{"item":"CARD-A","qty":"2","pack":"box","place":"Cart","session":"March","note":"one open"}}`,
		`{"kind":"count","time":"2026-03-20T09:00:00-03:00","data":{"item":"WRAP","qty":"3","measure":"wrap","session":"March"}}`,
		`{"kind":"count","time":"2026-03-20T09:00:00-03:00","data":{"item":"WRAP","qty":"1500","session":"March"}}`,
		`{"kind":"count","time":"2026-03-20T09:00:00-03:00","data":{"item":"CARD-B","qty":"0"}}`)
	if fmt.Sprint(r.Done) != "[{count 6} {left out: not counted 1} {left out: blank 1}]" {
		t.Errorf("done: %v", r.Done)
	}
	ids := map[event.ID]string{}
	for i, f := range r.Facts {
		ids[f.ID] = r.Keys[i]
	}
	again := map[event.ID]string{}
	for i, f := range counts(t, ctx, csv).Facts {
		again[f.ID] = r.Keys[i]
	}
	if len(ids) != 6 || !maps.Equal(ids, again) {
		t.Errorf("ids change from import to import: %v %v", ids, again)
	}
}

func TestCountSheetProblems(t *testing.T) {
	ctx := after(shop(t), catalog(t, shop(t), catalogCSV))
	const head = "item,place,counted,unit,gross,tare,weight_unit,session,at\n"
	for rows, want := range map[string]string{
		"CARD-C,,1,,,,,,\n":                                    "is not a known item; near it",
		",,1,,,,,,\n":                                          "has no item",
		"CARD-A,,-1,,,,,,\n":                                   "below zero",
		"CARD-A,,\"1,500\",,,,,,\n":                            "write it like 12.5",
		"CARD-A,,some,,,,,,\n":                                 "is not a number",
		"CARD-A,,1,crate,,,,,\n":                               "it has box, case, each",
		"WRAP,,1,kg,,,,,\n":                                    "it has mm, roll, strip, wrap",
		"CARD-A,,1,,5,0,g,,\n":                                 "stands beside a weight",
		"CARD-A,,,box,5,0,g,,\n":                               "goes with a number",
		"CARD-A,,,,5,,g,,\n":                                   "write 0 where nothing",
		"CARD-A,,,,5,6,g,,\n":                                  "less than the tare",
		"CARD-A,,,,5,0,,,\n":                                   "it can be g, kg, oz or lb",
		"CARD-A,,,,5,0,stone,,\n":                              "g, kg, oz, lb",
		"CARD-A,,1,,,3,,,\n":                                   "goes with a gross weight",
		"CARD-A,,1,,,,,,8 March\n":                             "is not written as",
		"CARD-A,,1,,,,,,2026-03-22\n":                          "more than one day ahead",
		"CARD-A,X,1,,,,,,\nCARD-A,X,2,each,,,,,\n":             "is counted on row 2 too",
		"CARD-A,X,1,box,,,,,\nCARD-A,X,2,box,,,,,2026-03-01\n": "is counted on row 2 too",
	} {
		r := counts(t, ctx, head+rows)
		if len(r.Facts) != 0 || len(r.Problems) != 1 || !strings.Contains(r.Problems[0].String(), want) {
			t.Errorf("%q: %v, want %s", rows, r.Problems, want)
		}
	}
}

func TestWhatEachImportNeedsFromOutside(t *testing.T) {
	tab := table(t, "item\nA\n")
	if _, err := sheet.Catalog(tab, sheet.Context{}); err == nil {
		t.Error("a catalog without a time")
	}
	if _, err := sheet.Counts(tab, sheet.Context{Now: time.Unix(1e9, 0)}); err == nil {
		t.Error("counts without a zone")
	}
	m, _ := sheet.ParseMap([]byte(lineMap))
	if _, err := sheet.Orders(tab, m, sheet.Context{}); err == nil {
		t.Error("orders without a zone")
	}
}
