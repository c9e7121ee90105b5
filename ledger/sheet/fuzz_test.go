package sheet_test

import (
	"bytes"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/ledger/sheet"
)

// sound checks what holds of every result: all rows are accounted for, problems and facts exclude each other, and the facts are such as a fact file may hold.
func sound(t *testing.T, tab *sheet.Table, r *sheet.Result, ids bool) {
	if got, want := sumRows(r), len(tab.Rows)+len(tab.Ragged); got != want {
		t.Fatalf("%d of %d rows accounted for: %v", got, want, r.Done)
	}
	if len(r.Problems) > 0 && len(r.Facts) > 0 || len(r.Keys) != len(r.Facts) || len(r.Rows) != len(r.Facts) {
		t.Fatalf("%d facts, %d keys, %d problems", len(r.Facts), len(r.Keys), len(r.Problems))
	}
	for _, d := range r.Done {
		if d.Reason == "" {
			t.Fatalf("rows without a fate: %v %v", r.Done, r.Problems)
		}
	}
	for _, p := range r.Problems {
		if p.Why == "" || strings.Contains(p.String(), "\n") {
			t.Fatalf("a problem that is not one line: %q", p)
		}
	}
	seen := map[event.ID]bool{}
	for i, f := range r.Facts {
		line, err := f.Line()
		if err != nil {
			t.Fatal(err)
		}
		back, err := event.ParseFact(line)
		if err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if sheet.ContentKey(back) != r.Keys[i] {
			t.Fatalf("key changes: %s", line)
		}
		if ids && (f.ID.IsZero() || seen[f.ID] || f.ID.Ms() != f.Time.Ms()) {
			t.Fatalf("id of %s", line)
		}
		seen[f.ID] = true
	}
}

func FuzzOrders(f *testing.F) {
	for _, m := range []string{
		lineMap, lineMap + "quotes = loose\ntime zone = Europe/Vienna\ndate layout = D/M/YY h:mm AM\nthousands = comma\n",
		cancelWords + "cancelled = return\ncancelled order = for\ncancelled date = back on\n", cancelWords + "cancelled = skip\nzero price = skip\nno goods = C*\n",
		"rows = one per order\norder = order\ndate = date\nitems = item\nitems look like = ITEM x QTY\nzone = always home\norder value = price\n",
	} {
		f.Add([]byte(m), []byte(cancelCSV))
		f.Add([]byte(m), []byte("order;date;item;qty;price;country\n1;2/3/26 1:05 PM;CARD-A x 2; \"1\n\";1,234.5;x\n"))
	}
	f.Add([]byte(lineMap), []byte("\xff\xfeo\x00,\x00d\x00\n\x00"))
	ctx := shop(f)
	item := ctx.Item
	f.Fuzz(func(t *testing.T, mapText, csv []byte) {
		m, err := sheet.ParseMap(mapText)
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Fatalf("%q", err)
			}
			if m, err = sheet.ParseMap([]byte(lineMap)); err != nil {
				t.Fatal(err)
			}
		}
		tab, err := sheet.ReadTable(csv, m.Options())
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Fatalf("%q", err)
			}
			return
		}
		_ = sheet.Suggest(tab)
		ctx.Item = item
		if len(csv)%2 == 0 {
			ctx.Item = nil
		}
		r, err := sheet.Orders(tab, m, ctx)
		if err != nil {
			return
		}
		sound(t, tab, r, true)
	})
}

func FuzzParseMap(f *testing.F) {
	f.Add([]byte(lineMap))
	f.Add([]byte(cancelWords + "cancelled = skip\nzone \"a = b\" = c\nitem x = y\nno goods = \"a, b\", c*\n"))
	f.Add([]byte("rows = one per order\nitems look like = [QTY] x (ITEM)\nitems separator = \"; \"\nheader row = 9\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := sheet.ParseMap(text)
		if (m == nil) == (err == nil) {
			t.Fatal("neither a map nor an error, or both")
		}
		if err == nil {
			// Remarks and blank lines change nothing.
			if _, err := sheet.ParseMap(bytes.Join([][]byte{[]byte("# a\n\n"), text}, nil)); err != nil && !bytes.HasPrefix(text, []byte{0xff}) && !bytes.HasPrefix(text, []byte{0xfe}) && !bytes.ContainsAny(text, "\x00\xef") {
				t.Fatal(err)
			}
		}
	})
}

func FuzzCatalog(f *testing.F) {
	f.Add([]byte(catalogCSV))
	f.Add([]byte("item;name;type;unit;measures\nINK;Ink;supply;g;pinch=0,4 g\n"))
	ctx := shop(f)
	f.Fuzz(func(t *testing.T, csv []byte) {
		tab, err := sheet.ReadTable(csv, sheet.Options{})
		if err != nil {
			return
		}
		r, err := sheet.Catalog(tab, ctx)
		if err != nil {
			t.Fatal(err)
		}
		sound(t, tab, r, false)
		if again, err := sheet.Catalog(tab, after(ctx, r)); err != nil || len(r.Facts) > 0 && len(again.Facts) > 0 {
			t.Fatalf("a second import records %d facts: %v", len(again.Facts), err)
		}
	})
}

func FuzzCounts(f *testing.F) {
	f.Add([]byte("item,place,counted,unit,gross,tare,weight_unit,session,at,note\nCARD-A,X,2,box,,,,,2026-03-08,\nCARD-A,Y,,,12,1,oz,S,,\nWRAP,,2,ft,,,,,,\n"))
	plain := shop(f)
	ctx := after(plain, catalog(f, plain, catalogCSV))
	f.Fuzz(func(t *testing.T, csv []byte) {
		tab, err := sheet.ReadTable(csv, sheet.Options{})
		if err != nil {
			return
		}
		r, err := sheet.Counts(tab, ctx)
		if err != nil {
			t.Fatal(err)
		}
		sound(t, tab, r, true)
	})
}
