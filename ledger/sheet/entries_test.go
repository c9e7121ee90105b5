package sheet_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/sheet"
)

const entriesMap = `# a remark
delimiter = semicolon
Order = "Order, number"
date = Ordered
zone = Country
zone "United, Kingdom" = uk
quantity = always 1
item = SKU
item 85=A = HEART
item "85=B" = "STAR, small"
no goods = POST, BANK*
no goods = DOT
`

func TestEntries(t *testing.T) {
	list, err := sheet.Entries([]byte(strings.Replace(entriesMap, "item 85=A = HEART\n", "", 1)))
	if err != nil {
		t.Fatal(err)
	}
	text, lines := sheet.WriteMap(list)
	want := `delimiter = semicolon
order = "Order, number"
date = Ordered
zone = Country
zone "United, Kingdom" = uk
quantity = always 1
item = SKU
item "85=B" = "STAR, small"
no goods = POST, BANK*
no goods = DOT
`
	if text != want || len(lines) != len(list) || lines[9] != 10 || list[0].Line != 2 {
		t.Errorf("%v %+v\n%s", lines, list, text)
	}
}

// What entries are written as is read back as the same entries, whatever names a file and a shop use.
func TestEntriesAreReadBack(t *testing.T) {
	name := rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9 =",#x-]{0,12}[A-Za-z0-9"=]`)
	rapid.Check(t, func(t *rapid.T) {
		var list []sheet.Entry
		for i := range rapid.IntRange(0, 6).Draw(t, "n") {
			e := sheet.Entry{Word: rapid.SampledFrom([]string{"zone", "item"}).Draw(t, "word"), Of: name.Draw(t, "of"), Value: name.Draw(t, "value"), Line: i + 1}
			list = append(list, e)
		}
		list = append(list, sheet.Entry{Word: "order", Value: sheet.Quote(name.Draw(t, "column")), Line: len(list) + 1})
		text, _ := sheet.WriteMap(list)
		again, err := sheet.Entries([]byte(text))
		if err != nil {
			t.Fatalf("%s\n%v", text, err)
		}
		if len(again) != len(list) {
			t.Fatalf("%d entries became %d:\n%s", len(list), len(again), text)
		}
		for i := range list {
			if again[i] != list[i] {
				t.Fatalf("%+v became %+v:\n%s", list[i], again[i], text)
			}
		}
	})
}

func FuzzEntries(f *testing.F) {
	f.Add([]byte(entriesMap))
	f.Add([]byte("order = a\nzone b = c"))
	f.Fuzz(func(t *testing.T, file []byte) {
		list, err := sheet.Entries(file)
		if err != nil {
			return
		}
		text, _ := sheet.WriteMap(list)
		again, err := sheet.Entries([]byte(text))
		if err != nil || len(again) != len(list) {
			t.Fatalf("%q became %q: %v, %d of %d", file, text, err, len(again), len(list))
		}
	})
}
