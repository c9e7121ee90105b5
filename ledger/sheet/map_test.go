package sheet_test

import (
	"strings"
	"testing"

	"countback/ledger/sheet"
)

func TestMapFaultsNameLineAndRemedy(t *testing.T) {
	for text, want := range map[string]string{
		"order":                                     `line 1 of the map: "order" has no = sign; write it like order = Order number`,
		"# x\n\norder =":                            `line 3 of the map: "order" has nothing behind`,
		"ordre = x":                                 `"ordre" is not a word of the map; near it: order`,
		"order = a\norder = b":                      `line 2 of the map: "order" stands in line 1 already`,
		"delimiter = colon":                         "comma or semicolon or tab or pipe",
		"encoding = latin1":                         "windows-1252",
		"decimal = dot":                             "point or comma",
		"rows = many":                               "one per line or one per order",
		"header row = zero":                         "like 3",
		"date layout = dd/mm/yyyy":                  "layouts are written with YYYY",
		"date layout = DD/MM/YYYY hh:MM":            "names MM twice",
		"date layout = DD/MM":                       "doesn't name year, month and day",
		"date layout = DD/MM/YYYY mm":               "without hours",
		"time layout = DD hh":                       "time of day",
		"time zone = Wien (A)":                      "Europe/Vienna",
		"quantity = always 1.5":                     "whole number of pieces",
		"quantity = always 0":                       "above 0",
		"money sign = 12":                           "currency's sign",
		"items look like = SKU x N":                 "write ITEM and QTY once each",
		"items look like = ITEMQTY":                 "nothing between ITEM and QTY",
		"items look like = ITEM 2x QTY":             "digits",
		"zero price = drop":                         "keep or skip",
		"cancelled = ignore":                        "skip or return",
		"cancelled quantity = positive":             "can be negative",
		"item A = B\nitem A = C":                    `line 2 of the map: item "A" is named twice`,
		"zone A = \"x":                              "not closed",
		"no goods = a,,b":                           "empty entry",
		"no goods = \"a, b":                         "not closed",
		"zone = always " + strings.Repeat("x", 101): "longer than 100",
		"order = \x01":                              "no text",
		"date = d":                                  "add a line like order = Order number",
		"order = o":                                 "add a line like date = Order date",
		"order = o\ndate = d":                       "add a line like zone = Country",
		"order = o\ndate = d\nzone = z":             "add a line like item = SKU",
		"order = o\ndate = d\nzone = z\nitem = i":   "add a line like quantity = Qty",
		"order = o\ndate = d\nzone = z\nrows = one per order":                                              "add a line like items = Items",
		"order = o\ndate = d\nzone = z\nrows = one per order\nitems = i":                                   "items look like",
		"order = o\ndate = d\nzone = z\nrows = one per order\nitems = i\nitems look like = ITEM\nitem = i": "line 7 of the map: speaks of the lines",
		lineMap + "items = x":                          "rows = one per order",
		lineMap + "line value = x":                     "keep one of the two",
		lineMap + "skip status = x":                    "add a line like status = Status",
		lineMap + "thousands = point":                  "decimal = comma if",
		lineMap + "decimal = comma\nthousands = comma": "the decimal mark",
		lineMap + "cancelled number begins with = C":   "add cancelled = skip, or cancelled = return",
		lineMap + "cancelled = skip":                   "needs a way to tell",
		lineMap + "cancelled = skip\ncancelled quantity = negative\nreturned goods = scrap":   "goes with cancelled = return",
		lineMap + "status = s\ncancelled = return\ncancelled status = void":                   "add cancelled date",
		lineMap + "status = s\nskip status = Void\ncancelled = skip\ncancelled status = void": "keep one of the two",
		"order = o\ndate = d\nzone = z\nitem = i\nquantity = q\nzero price = skip":            "add unit price or line value",
		strings.Repeat("#", sheet.MaxMap+1):                                                   "short text file",
	} {
		m, err := sheet.ParseMap([]byte(text))
		if err == nil || m != nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.60q:\n got %v\nwant %s", text, err, want)
		}
	}
}

func TestMapIsReadInAnyEncodingAndCase(t *testing.T) {
	text := strings.ReplaceAll(lineMap, "order = ", "ORDER   =  ") + "Zone Österreich = at\n"
	for _, b := range []string{text, "\xef\xbb\xbf" + strings.ReplaceAll(text, "\n", "\r\n"), strings.ReplaceAll(text, "Ö", "\xd6")} {
		r := read(t, shop(t), b, "order,date,item,qty,price,country\n1,2026-03-01,CARD-A,1,4,Österreich\n")
		if !strings.Contains(facts(t, r), `"zone":"at"`) {
			t.Error(facts(t, r))
		}
	}
}

func TestSuggestionsForFilesWithoutAMap(t *testing.T) {
	for name, c := range map[string]struct{ csv, want string }{
		"lines, decimal comma": {
			"Order No;Order Date;SKU;Qty;Unit Price;Country\n1;13.03.2026 10:00;CARD-A;2;€ 4,50;Home\n2;14.03.2026 10:00;CARD-A;2;€ 4,50;Away\n",
			`{"kind":"order","time":"2026-03-13T10:00:00-03:00","data":{"order":"1","zone":"Home","lines":[{"item":"CARD-A","qty":"2"}],"value":"9"}}`,
		},
		"one per order": {
			"\nOrder ID|Created at|Time|Items|Order total|Shipping|Destination\n1|3/14/2026||CARD-A x 2; BOX2|20.00|3.00|Home\n",
			`{"kind":"order","time":"2026-03-14T12:00:00-03:00","data":{"order":"1","zone":"Home","lines":[{"item":"BOX2","qty":"1"},{"item":"CARD-A","qty":"2"}],"value":"20","shipping":"3"}}`,
		},
	} {
		tab, err := sheet.ReadTable([]byte(c.csv), sheet.Options{})
		if err != nil {
			t.Fatal(err)
		}
		text := sheet.Suggest(tab)
		if r := read(t, shop(t), text, c.csv); !strings.Contains(facts(t, r), c.want) {
			t.Errorf("%s: %s\n%s", name, facts(t, r), text)
		}
	}
	tab, _ := sheet.ReadTable([]byte("alpha,beta\n1,2\n"), sheet.Options{})
	text := sheet.Suggest(tab)
	if _, err := sheet.ParseMap([]byte(text)); err == nil || !strings.Contains(text, "# needed: order = one of these columns: alpha, beta") {
		t.Errorf("%v\n%s", err, text)
	}
}
