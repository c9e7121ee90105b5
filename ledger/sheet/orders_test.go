package sheet_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/sheet"
)

const lineMap = `
order = order
date = date
item = item
quantity = qty
unit price = price
zone = country
`

func shop(t testing.TB) sheet.Context {
	t.Helper()
	loc, err := time.LoadLocation("America/Halifax")
	if err != nil {
		t.Fatal(err)
	}
	goods := []string{"CARD-A", "CARD-B", "SET-5", "BOX2"}
	return sheet.Context{
		Location: loc, Zone: time.LoadLocation, Digits: 2, ShopID: "example",
		Now:  time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC),
		Item: func(id string) bool { return slices.Contains(goods, id) },
		Near: func(id string) []string { return goods[:2] },
	}
}

func read(t testing.TB, ctx sheet.Context, mapText, csv string) *sheet.Result {
	t.Helper()
	m, err := sheet.ParseMap([]byte(mapText))
	if err != nil {
		t.Fatal(err)
	}
	tab, err := sheet.ReadTable([]byte(csv), m.Options())
	if err != nil {
		t.Fatal(err)
	}
	r, err := sheet.Orders(tab, m, ctx)
	if err != nil {
		t.Fatal(err)
	}
	if got := sumRows(r); got != len(tab.Rows)+len(tab.Ragged) {
		t.Errorf("tallies %v account for %d of %d rows", r.Done, got, len(tab.Rows)+len(tab.Ragged))
	}
	return r
}

func sumRows(r *sheet.Result) (n int) {
	for _, d := range r.Done {
		n += d.Rows
	}
	return n
}

func facts(t testing.TB, r *sheet.Result) string {
	t.Helper()
	for _, p := range r.Problems {
		t.Errorf("problem: %s", p)
	}
	var b strings.Builder
	for _, f := range r.Facts {
		id := f.ID
		f.ID = event.ID{}
		line, err := f.Line()
		if err != nil {
			t.Fatal(err)
		}
		if back, err := event.ParseFact(line); err != nil || sheet.ContentKey(back) != sheet.ContentKey(f) {
			t.Errorf("%s: %v", line, err)
		}
		if id.Ms() != f.Time.Ms() && !id.IsZero() {
			t.Errorf("%s: the id's time is %d", line, id.Ms())
		}
		b.Write(append(line, '\n'))
	}
	return b.String()
}

func expect(t testing.TB, r *sheet.Result, lines ...string) {
	t.Helper()
	if got, want := facts(t, r), strings.Join(lines, "\n")+"\n"; got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}

func TestOneRowPerLine(t *testing.T) {
	r := read(t, shop(t), lineMap+"shipping = post\noptions = extras\nzone United States = us\nany other zone = world\n",
		"order,date,item,qty,price,country,post,extras\n"+
			"5001,2026-03-02 09:30,CARD-B,2,4.50,United States,3.00,gift wrap; card\n"+
			"5002,2026-03-01,SET-5,1,12.995,France,,\n"+
			"5001,2026-03-02 09:29:30,CARD-A,1,4,,,\n"+
			"5001,,CARD-B,1,4.50,United States,3.0,card\n\n,,,,,,,\n")
	expect(t, r,
		`{"kind":"order","time":"2026-03-01T12:00:00-04:00","data":{"order":"5002","zone":"world","lines":[{"item":"SET-5","qty":"1"}],"value":"13"}}`,
		`{"kind":"order","time":"2026-03-02T09:29:30-04:00","data":{"order":"5001","zone":"us","lines":[{"item":"CARD-A","qty":"1"},{"item":"CARD-B","qty":"3"}],"options":["card","gift wrap"],"value":"17.5","shipping":"3"}}`)
	if fmt.Sprint(r.Done) != "[{goods of an order 4} {left out: blank 1}]" {
		t.Errorf("done: %v", r.Done)
	}
}

func TestOneRowPerOrder(t *testing.T) {
	const head = "rows = one per order\norder = No\ndate = On\ndate layout = D.M.YYYY\ntime = At\ntime layout = h:mm AM\nitems = Goods\nzone = always home\norder value = Sum\nno goods = TIP*\n"
	for look, cells := range map[string]string{
		"ITEM x QTY":  "CARD-A x2; SET-5; BOX2 x 3; TIP1 x 9; CARD-A x 1",
		"ITEM*QTY":    "CARD-A*2; SET-5; BOX2 *3; TIP1*9; CARD-A * 1",
		"QTY x ITEM":  "2 x CARD-A; SET-5; 3x BOX2; 9 x TIP1; 1 x CARD-A",
		"QTY ITEM":    "2 CARD-A; SET-5; 3  BOX2; 9 TIP1; 1 CARD-A",
		"ITEM (QTY)":  "CARD-A (2); SET-5; BOX2(3); TIP1 (9); CARD-A (1)",
		"ITEM [QTY]":  "CARD-A [2]; SET-5; BOX2[3];; TIP1 [9]; CARD-A [1] ;",
		"ITEM QTY":    "CARD-A 2; SET-5; BOX2 3; TIP1 9; CARD-A 1",
		"[ITEM: QTY]": "[CARD-A: 2]; SET-5; [BOX2: 3]; [TIP1: 9]; [CARD-A: 1]",
	} {
		r := read(t, shop(t), head+"items look like = "+look+"\n", "No\tOn\tAt\tGoods\tSum\n7\t2.3.2026\t1:05 pm\t"+cells+"\t20.00\n8\t2.3.2026\t12:00 AM\tTIP2\t1\n")
		expect(t, r, `{"kind":"order","time":"2026-03-02T13:05:00-04:00","data":{"order":"7","zone":"home","lines":[{"item":"BOX2","qty":"3"},{"item":"CARD-A","qty":"3"},{"item":"SET-5","qty":"1"}],"value":"20"}}`)
		if fmt.Sprint(r.Done) != "[{goods of an order 1} {left out: holds no goods 1}]" || fmt.Sprint(r.Entries) != "[{goods of an order 4} {left out: no goods (TIP*) 2}]" {
			t.Errorf("%s: done %v, entries %v", look, r.Done, r.Entries)
		}
	}
	r := read(t, shop(t), head+"items look like = ITEM\nitems separator = new line\n", "No\tOn\tAt\tGoods\tSum\n7\t02.03.2026\t\t\"CARD-A\nCARD-A\n\"\t20\n")
	expect(t, r, `{"kind":"order","time":"2026-03-02T12:00:00-04:00","data":{"order":"7","zone":"home","lines":[{"item":"CARD-A","qty":"2"}],"value":"20"}}`)
}

func TestDecimalCommaThousandsAndSigns(t *testing.T) {
	const csv = "order;date;item;qty;price;country\n1;2026-03-01;CARD-A;2;€ 1.234,50;AT\n"
	want := `{"kind":"order","time":"2026-03-01T12:00:00-04:00","data":{"order":"1","zone":"AT","lines":[{"item":"CARD-A","qty":"2"}],"value":"2469"}}`
	expect(t, read(t, shop(t), lineMap+"decimal = comma\nthousands = point\nmoney sign = €\n", csv), want)
	for _, c := range []struct{ words, price, value string }{
		{"", "12,50", "25"}, // the file shows that its comma is decimal
		{"decimal = point\nthousands = comma\n", `"1,234,567.5"`, "2469135"},
		{"thousands = comma\n", `"1,234"`, "2468"},
		{"thousands = space\ndecimal = comma\n", "1\u00a0234,5", "2469"},
		{"thousands = apostrophe\n", "1’234.50", "2469"},
		{"money sign = CAD\n", "12.50 CAD", "25"},
		{"", "0012.500", "25"},
	} {
		r := read(t, shop(t), lineMap+c.words, "order;date;item;qty;price;country\n1;2026-03-01;CARD-A;2;"+c.price+";AT\n")
		if len(r.Problems) > 0 || r.Facts[0].Data.(*event.Order).Value.String() != c.value {
			t.Errorf("%q %s: %v %v", c.words, c.price, r.Problems, facts(t, r))
		}
	}
}

func TestEachKindOfProblemIsListedAndNothingIsRecorded(t *testing.T) {
	base := []string{"1", "2026-03-01", "CARD-A", "2", "4.50", "home"}
	for name, c := range map[string]struct {
		column int
		value  string
		words  string
		want   string
	}{
		"unknown goods":         {2, "CARD-C", "", "is not a known item; near it: CARD-A, CARD-B; add it to the catalog"},
		"no item":               {2, "", "", "has no item"},
		"no order number":       {0, "", "", "has no order number"},
		"long order number":     {0, strings.Repeat("5", 101), "", "longer than 100"},
		"bad date":              {1, "02/03/2026", "", "say date layout in the map"},
		"no such day":           {1, "2026-02-30", "", "the calendar doesn't have"},
		"no such time":          {1, "2026-02-03 24:01", "", "the clock doesn't show"},
		"no date":               {1, "", "", "has no date"},
		"before 2000":           {1, "1999-12-30", "", "before the year 2000"},
		"far future":            {1, "2026-03-22", "", "more than one day ahead"},
		"bad number":            {3, "two", "", "is not a number"},
		"exponent":              {3, "1E+05", "", "exponent"},
		"fractional pieces":     {3, "1.5", "", "whole number of pieces"},
		"no pieces":             {3, "0", "", "one piece or more"},
		"empty quantity":        {3, "", "", "is empty"},
		"below zero":            {3, "-2", "", "below zero; say in the map how cancelled rows"},
		"ambiguous price":       {4, "1,234", "", "decimal and thousands in the map"},
		"bad price":             {4, "£4.50", "", "money sign"},
		"bad thousands":         {4, "12,34", "thousands = comma\n", "not divided into thousands"},
		"negative price":        {4, "-4.50", "", "is below zero"},
		"long price":            {4, "1.123456789", "", "more than the ledger takes"},
		"zero price unreadable": {4, "free", "zero price = skip\n", "is not a number"},
		"missing zone":          {5, "", "", "has no zone"},
		"unlisted zone":         {5, "abroad", "zone home = home\n", "is not in the map; add zone abroad"},
	} {
		row := slices.Clone(base)
		row[c.column] = c.value
		quoted := `"` + strings.Join(row, `","`) + `"`
		r := read(t, shop(t), lineMap+c.words, "order,date,item,qty,price,country\n2,2026-03-01,CARD-B,1,1.00,home\n"+quoted+"\n")
		if len(r.Facts) != 0 || len(r.Keys) != 0 || len(r.Problems) != 1 {
			t.Errorf("%s: facts %v problems %v", name, r.Facts, r.Problems)
			continue
		}
		p := r.Problems[0]
		if p.Row != 3 || !strings.Contains(p.String(), c.want) || strings.Contains(p.String(), "\n") {
			t.Errorf("%s: %s, want row 3 and %q", name, p, c.want)
		}
	}
}

func TestProblemsBetweenRows(t *testing.T) {
	for name, c := range map[string]struct{ mapText, csv, want string }{
		"two zones":  {lineMap, "order,date,item,qty,price,country\n1,2026-03-01,CARD-A,1,1,home\n1,2026-03-01,CARD-B,1,1,away\n", "differs from row 2 of the same order"},
		"two values": {lineMap + "order value = sum\n", "order,date,item,qty,price,country,sum\n1,2026-03-01,CARD-A,1,1,home,5\n1,2026-03-01,CARD-B,1,1,home,6\n", "differs from row 2"},
		"ragged":     {lineMap, "order,date,item,qty,price,country\n1,2026-03-01,CARD-A,1\n", "has 4 fields where the header has 6"},
		"number twice": {"rows = one per order\norder = o\ndate = d\nitems = i\nitems look like = ITEM x QTY\nzone = always home\n",
			"o,d,i\n1,2026-03-01,CARD-A\n1,2026-03-01,CARD-B\n", "stands on row 2 too"},
		"no items":  {"rows = one per order\norder = o\ndate = d\nitems = i\nitems look like = ITEM x QTY\nzone = always home\n", "o,d,i\n1,2026-03-01,\n", "names no item"},
		"too large": {lineMap, "order,date,item,qty,price,country\n" + manyItems(1001), "more than 1000 entries"},
	} {
		ctx := shop(t)
		if name == "too large" {
			ctx.Item = nil
		}
		r := read(t, ctx, c.mapText, c.csv)
		if len(r.Facts) != 0 || len(r.Problems) != 1 || !strings.Contains(r.Problems[0].String(), c.want) {
			t.Errorf("%s: %v", name, r.Problems)
		}
	}
}

func manyItems(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "1,2026-03-01,I%d,1,1,home\n", i)
	}
	return b.String()
}

func TestColumnsOfTheMapMustStandInTheFile(t *testing.T) {
	m, _ := sheet.ParseMap([]byte(lineMap))
	for csv, want := range map[string]string{
		"order,date,item,qty,prices,country\n":        `line 6 of the map: the file has no column "price"; near it: prices`,
		"order,date,item,qty,price,country,country\n": `line 7 of the map: two columns of the file are named "country"`,
	} {
		tab, err := sheet.ReadTable([]byte(csv), sheet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := sheet.Orders(tab, m, shop(t)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %s", err, want)
		}
	}
	tab, _ := sheet.ReadTable([]byte("ORDER,Date,item,Qty,Price, Country \n1,2026-03-01,CARD-A,1,1,home\n"), sheet.Options{})
	if r, err := sheet.Orders(tab, m, shop(t)); err != nil || len(r.Facts) != 1 {
		t.Errorf("case of columns: %v %v", r, err)
	}
	m, _ = sheet.ParseMap([]byte(lineMap + "time zone = Nowhere/Town\n"))
	if _, err := sheet.Orders(tab, m, shop(t)); err == nil || !strings.Contains(err.Error(), "Europe/Vienna") {
		t.Errorf("zone: %v", err)
	}
}

const cancelCSV = "order,date,item,qty,price,country,state,for,back on\n" +
	"5001,2026-03-01 10:00,CARD-A,3,4,home,paid,,\n" +
	"5001,2026-03-01 10:00,CARD-B,1,4,home,paid,,\n" +
	"C5001,2026-03-04 10:00,CARD-A,-2,4,home,paid,,\n" +
	"C5001,2026-03-04 10:00,CARD-B,-1,4,home,paid,,\n" +
	"5002,2026-03-02 10:00,SET-5,1,9,home,Refunded,,2026-03-06\n" +
	"5003,2026-03-02 11:00,SET-5,1,9,home,draft,,\n" +
	"R9,2026-03-05 10:00,CARD-A,-1,4,home,paid,5001,\n"

const cancelWords = lineMap + "status = state\nskip status = Draft\ncancelled number begins with = C\ncancelled quantity = negative\ncancelled status = refunded\n"

func TestCancelledRowsAreSkipped(t *testing.T) {
	r := read(t, shop(t), cancelWords+"cancelled = skip\n", cancelCSV)
	expect(t, r, `{"kind":"order","time":"2026-03-01T10:00:00-04:00","data":{"order":"5001","zone":"home","lines":[{"item":"CARD-A","qty":"3"},{"item":"CARD-B","qty":"1"}],"value":"16"}}`)
	if want := "[{goods of an order 2} {left out: cancelled (its number begins with C) 2} {left out: cancelled (by its status) 1} {left out: status draft 1} {left out: cancelled (its quantity is negative) 1}]"; fmt.Sprint(r.Done) != want {
		t.Errorf("done: %v", r.Done)
	}
	// 5002 may have been imported before it was refunded: its id says which event that is.
	earlier := read(t, shop(t), lineMap, "order,date,item,qty,price,country\n5002,2026-03-02 10:00,SET-5,1,9,home\n")
	if len(r.Cancelled) != 2 || r.Cancelled[0].Order != "5002" || r.Cancelled[0].ID != earlier.Facts[0].ID {
		t.Errorf("cancelled: %v", r.Cancelled)
	}
}

func TestCancelledRowsAreReturns(t *testing.T) {
	r := read(t, shop(t), cancelWords+"cancelled = return\ncancelled order = for\ncancelled date = back on\nreturned goods = scrap\n",
		strings.ReplaceAll(cancelCSV, "-2,4,home,paid,,", "-2,4,home,paid,5001,"))
	if len(r.Problems) != 2 || !strings.Contains(r.Problems[0].Why, "which order is cancelled") {
		t.Errorf("an empty column must be a problem: %v", r.Problems)
	}
	r = read(t, shop(t), cancelWords+"cancelled = return\ncancelled date = back on\nreturned goods = scrap\n", cancelCSV)
	expect(t, r,
		`{"kind":"order","time":"2026-03-01T10:00:00-04:00","data":{"order":"5001","zone":"home","lines":[{"item":"CARD-A","qty":"3"},{"item":"CARD-B","qty":"1"}],"value":"16"}}`,
		`{"kind":"order","time":"2026-03-02T10:00:00-04:00","data":{"order":"5002","zone":"home","lines":[{"item":"SET-5","qty":"1"}],"value":"9"}}`,
		`{"kind":"return","time":"2026-03-04T10:00:00-04:00","data":{"order":"5001","lines":[{"item":"CARD-A","qty":"2","condition":"scrap"},{"item":"CARD-B","qty":"1","condition":"scrap"}],"note":"cancellation C5001"}}`,
		`{"kind":"return","time":"2026-03-05T10:00:00-04:00","data":{"order":"R9","lines":[{"item":"CARD-A","qty":"1","condition":"scrap"}]}}`,
		`{"kind":"return","time":"2026-03-06T12:00:00-04:00","data":{"order":"5002","lines":[{"item":"SET-5","qty":"1","condition":"scrap"}]}}`)
	want := "[{goods of an order 2} {return: cancelled (its number begins with C) 2} {goods of an order, and return: cancelled (by its status) 1} {left out: status draft 1} {return: cancelled (its quantity is negative) 1}]"
	if fmt.Sprint(r.Done) != want {
		t.Errorf("done: %v", r.Done)
	}
}

func TestCancelledOrderFromItsColumn(t *testing.T) {
	r := read(t, shop(t), lineMap+"cancelled quantity = negative\ncancelled = return\ncancelled order = for\n",
		"order,date,item,qty,price,country,for\n5001,2026-03-01,CARD-A,3,4,home,\nR9,2026-03-05,CARD-A,-1,4,home,5001\nR9,2026-03-05,CARD-A,-1,4,home,5001\nR8,2026-03-05,CARD-A,-1,4,home,4000\n")
	got := facts(t, r)
	if !strings.Contains(got, `"data":{"order":"5001","lines":[{"item":"CARD-A","qty":"2","condition":"saleable"}],"note":"cancellation R9"`) {
		t.Error(got)
	}
	if want := "[{goods of an order 1} {return: cancelled (its quantity is negative) 2} {return: cancelled (its quantity is negative), its order is not in this file 1}]"; fmt.Sprint(r.Done) != want {
		t.Errorf("done: %v", r.Done)
	}
}

func TestTwoEqualCancelledRowsAreTwoReturns(t *testing.T) {
	const head = "order,date,item,qty,price,country\n5001,2026-03-01,CARD-A,3,4,home\n"
	const back = "5001,2026-03-05,CARD-A,-1,4,home\n"
	words := lineMap + "cancelled quantity = negative\ncancelled = return\n"
	one, two := read(t, shop(t), words, head+back), read(t, shop(t), words, head+back+back)
	if len(one.Facts) != 2 || len(two.Facts) != 3 || two.Facts[1].ID == two.Facts[2].ID {
		t.Fatalf("%v %v", one.Facts, two.Facts)
	}
	// The later export repeats the first return and adds the second.
	if !slices.ContainsFunc(two.Facts, func(f event.Fact) bool { return f.ID == one.Facts[1].ID }) {
		t.Error("the first return changed its id")
	}
}

func TestIdsAreTheSameInEveryImport(t *testing.T) {
	const head = "order,date,item,qty,price,country\n"
	a := read(t, shop(t), lineMap, head+"1,2026-03-01,CARD-A,1,4,home\n1,2026-03-01,CARD-B,1,4,home\n2,2026-03-01,CARD-B,1,4,home\n")
	b := read(t, shop(t), lineMap+"zone France = fr\nany other zone = home\n", head+"3,2026-03-02,CARD-B,1,4,home\n2,2026-03-01,CARD-B,2,4,home\n1,2026-03-01,CARD-B,1,4,home\n1,2026-03-01,CARD-A,1,4,home\n")
	at := map[string]int{}
	for i, f := range b.Facts {
		at[f.Data.(*event.Order).Order] = i
	}
	for i, f := range a.Facts {
		n := f.Data.(*event.Order).Order
		j := at[n]
		if f.ID != b.Facts[j].ID {
			t.Errorf("order %s: ids %s and %s", n, f.ID, b.Facts[j].ID)
		}
		if same := a.Keys[i] == b.Keys[j]; same != (n == "1") {
			t.Errorf("order %s: keys equal: %v", n, same)
		}
	}
	ctx := shop(t)
	ctx.ShopID = "another"
	if c := read(t, ctx, lineMap, head+"2,2026-03-01,CARD-B,1,4,home\n"); c.Facts[0].ID == a.Facts[1].ID {
		t.Error("two shops share an id")
	}
}

func TestExampleOfAnIDInThePackageComment(t *testing.T) {
	r := read(t, shop(t), lineMap, "order,date,item,qty,price,country\n5001,2026-03-02T09:30:00Z,CARD-A,1,4,home\n")
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	if id := r.Facts[0].ID.String(); !strings.Contains(string(doc), "has the id "+id+".") {
		t.Errorf("the example's id is %s", id)
	}
}

func TestTimesOfDay(t *testing.T) {
	for _, c := range []struct{ words, date, want string }{
		{"", "2026-03-08 02:30", "2026-03-08T03:00:00-03:00"}, // clocks go forward at 2: the first instant after
		{"", "2025-11-02 01:30", "2025-11-02T01:30:00-03:00"}, // shown twice: the first
		{"", "2025-11-02 02:00", "2025-11-02T02:00:00-04:00"},
		{"", "2026-03-08T02:30:00Z", "2026-03-08T02:30:00Z"},
		{"", "2026-03-08 02:30:00+01:00", "2026-03-08T02:30:00+01:00"},
		{"time zone = Europe/Vienna\n", "2025-03-30 02:15", "2025-03-30T03:00:00+02:00"},
		{"time zone = Europe/Vienna\n", "2025-10-26 02:15", "2025-10-26T02:15:00+02:00"},
		{"time zone = UTC\n", "2026-01-02 03:04:05.678", "2026-01-02T03:04:05.678Z"},
		{"time zone = +05:30\n", "2026-01-02", "2026-01-02T12:00:00+05:30"},
		{"time zone = shop\n", "2026-01-02", "2026-01-02T12:00:00-04:00"},
		{"time zone = Pacific/Apia\n", "2011-12-30 10:00", "2011-12-31T00:00:00+14:00"}, // a day that Apia left out
		{"date layout = DD/MM/YYYY hh:mm\n", "02/03/2026 09:05", "2026-03-02T09:05:00-04:00"},
		{"date layout = M/D/YY h:mm AM\n", "3/2/26 12:05 am", "2026-03-02T00:05:00-04:00"},
		{"date layout = D MMM YYYY\n", "2 mar 2026", "2026-03-02T12:00:00-04:00"},
		{"date layout = MMMM D, YYYY hh:mm:ss ZZ\n", "March 2, 2026 09:05:06 +0100", "2026-03-02T09:05:06+01:00"},
		{"date layout = YYYYMMDDThhmmss\n", "20260302T090506", "2026-03-02T09:05:06-04:00"},
	} {
		r := read(t, shop(t), lineMap+c.words, "order,date,item,qty,price,country\n1,\""+c.date+"\",CARD-A,1,4,home\n")
		if len(r.Facts) != 1 || r.Facts[0].Time.String() != c.want {
			t.Errorf("%q %s: %v %v, want %s", c.words, c.date, r.Facts, r.Problems, c.want)
		}
	}
	for _, date := range []string{"2/3/2026 09:05", "02/03/2026", "02/03/2026 09:05:00", "02/13/2026 09:05", "02/03/26 09:05"} {
		r := read(t, shop(t), lineMap+"date layout = DD/MM/YYYY hh:mm\n", "order,date,item,qty,price,country\n1,"+date+",CARD-A,1,4,home\n")
		if len(r.Problems) != 1 {
			t.Errorf("%s: %v", date, r.Facts)
		}
	}
}

func TestAliasesAndNoGoods(t *testing.T) {
	r := read(t, shop(t), strings.Replace(lineMap, "quantity = qty", "quantity = always 1", 1)+
		"item 85123A = CARD-A\nitem \"a = b, \"\"c\"\"\" = CARD-B\nno goods = POST, \"x, y\", BANK*\nno goods = *fee*\nzero price = skip\n",
		"order,date,item,price,country\n1,2026-03-01,85123A,4,home\n1,2026-03-01,\"a = b, \"\"c\"\"\",4,home\n1,2026-03-01,POST,4,home\n"+
			"1,2026-03-01,\"x, y\",x,home\n1,2026-03-01,BANK CHARGES,4,home\n1,2026-03-01,a fee,4,home\n1,2026-03-01,nothing known,0.00,home\n2,2026-03-01,POST,4,home\n")
	expect(t, r, `{"kind":"order","time":"2026-03-01T12:00:00-04:00","data":{"order":"1","zone":"home","lines":[{"item":"CARD-A","qty":"1"},{"item":"CARD-B","qty":"1"}],"value":"8"}}`)
	if want := "[{goods of an order 2} {left out: no goods (POST) 2} {left out: no goods (x, y) 1} {left out: no goods (BANK*) 1} {left out: no goods (*fee*) 1} {left out: price of zero 1}]"; fmt.Sprint(r.Done) != want {
		t.Errorf("done: %v", r.Done)
	}
}

func TestValuesAreRoundedOnce(t *testing.T) {
	ctx := shop(t)
	for digits, want := range map[int]string{0: "10", 2: "10.04", 3: "10.038"} { // 3·3.3335 + 0.0375 = 10.038
		ctx.Digits = digits
		r := read(t, ctx, lineMap, "order,date,item,qty,price,country\n1,2026-03-01,CARD-A,3,3.3335,home\n1,2026-03-01,CARD-B,1,0.0375,home\n")
		if got := r.Facts[0].Data.(*event.Order).Value; got.Cmp(num.MustMoney(want)) != 0 {
			t.Errorf("%d digits: %s, want %s", digits, got, want)
		}
	}
}
