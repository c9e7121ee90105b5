package sheet_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"

	"countback/ledger/sheet"
)

func TestEncodingsAreFoundOut(t *testing.T) {
	const text = "order;name;price\n5001;Jalousie für zwölf €;12,50\n"
	encode := func(e interface{ Bytes([]byte) ([]byte, error) }) []byte {
		b, err := e.Bytes([]byte(text))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	files := map[string][]byte{
		"utf-8":             []byte(text),
		"utf-8 with BOM":    []byte("\xef\xbb\xbf" + text),
		"utf-16le":          encode(unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder()),
		"utf-16le with BOM": encode(unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder()),
		"utf-16be":          encode(unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM).NewEncoder()),
		"utf-16be with BOM": encode(unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder()),
		"windows-1252":      encode(charmap.Windows1252.NewEncoder()),
	}
	for name, b := range files {
		want := strings.Fields(name)[0]
		for _, hint := range []string{"", want} {
			tab, err := sheet.ReadTable(b, sheet.Options{Encoding: hint})
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			if tab.Options.Encoding != want || tab.Rows[0][1] != "Jalousie für zwölf €" || tab.Header[0] != "order" {
				t.Errorf("%s: read as %s: %q %q", name, tab.Options.Encoding, tab.Header, tab.Rows)
			}
			if tab.Options.Delimiter != ';' || tab.Options.Decimal != ',' {
				t.Errorf("%s: delimiter %q, decimal %q", name, tab.Options.Delimiter, tab.Options.Decimal)
			}
		}
	}
}

func TestDelimitersAreFoundOut(t *testing.T) {
	for _, d := range []string{",", ";", "\t", "|"} {
		text := strings.ReplaceAll("a~\"b, c; d\te | f\"~c\n1~\"2;2;2;2\n,,,,\"~3\n4~5~6\n", "~", d)
		tab, err := sheet.ReadTable([]byte(text), sheet.Options{})
		if err != nil {
			t.Errorf("%q: %v", d, err)
			continue
		}
		if string(tab.Options.Delimiter) != d || len(tab.Header) != 3 || len(tab.Rows) != 2 || tab.Rows[0][1] != "2;2;2;2\n,,,," {
			t.Errorf("%q: taken for %q: %q %q", d, tab.Options.Delimiter, tab.Header, tab.Rows)
		}
	}
	tab, err := sheet.ReadTable([]byte("sep=|\r\na,b|c\r\n1,1|2\r\n"), sheet.Options{})
	if err != nil || len(tab.Header) != 2 || tab.Number[0] != 3 {
		t.Errorf("sep=|: %+v %v", tab, err)
	}
	tab, err = sheet.ReadTable([]byte("only\r1\r2"), sheet.Options{})
	if err != nil || len(tab.Rows) != 2 || tab.Rows[1][0] != "2" {
		t.Errorf("carriage returns: %+v %v", tab, err)
	}
}

func TestDecimalMarkIsNeverGuessed(t *testing.T) {
	for text, want := range map[string]byte{
		"12,5": ',', "0,125": ',', "1234,567": ',', "12.5": '.', "1,234": 0, "1.234": 0, "12": 0, "1,5 2.5": 0, "2026,03,02": 0, ",5": 0, "12,": 0,
	} {
		tab, err := sheet.ReadTable([]byte("v;w\n"+strings.ReplaceAll(text, " ", ";0\n")+";x\n"), sheet.Options{Delimiter: ';'})
		if err != nil {
			t.Fatal(err)
		}
		if tab.Options.Decimal != want {
			t.Errorf("%s: %q, want %q", text, tab.Options.Decimal, want)
		}
	}
}

func TestRowsAreNumberedAsASpreadsheetShowsThem(t *testing.T) {
	text := "a,b\n\n1,\"x\ny\"\n\n\n2,z\n3\n4,5,6\n,\n7,8,\n,,,\n"
	tab, err := sheet.ReadTable([]byte(text), sheet.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if want := []int{3, 6, 9, 10, 11}; !slices.Equal(tab.Number, want) {
		t.Errorf("rows %v, want %v", tab.Number, want)
	}
	var ragged []int
	for _, p := range tab.Ragged {
		ragged = append(ragged, p.Row)
	}
	if want := []int{7, 8}; !slices.Equal(ragged, want) {
		t.Errorf("ragged %v, want %v", ragged, want)
	}
}

func TestHeaderRowCanBeNamed(t *testing.T) {
	text := "Orders of March\n\norder,item\n1,CARD\n"
	tab, err := sheet.ReadTable([]byte(text), sheet.Options{HeaderRow: 3})
	if err != nil || tab.Header[1] != "item" || tab.Number[0] != 4 {
		t.Errorf("%+v %v", tab, err)
	}
	for _, row := range []int{2, 40} {
		if _, err := sheet.ReadTable([]byte(text), sheet.Options{HeaderRow: row}); err == nil || !strings.Contains(err.Error(), "header row") {
			t.Errorf("header row %d: %v", row, err)
		}
	}
}

func TestUnreadableFilesSayWhereAndWhatToDo(t *testing.T) {
	for name, c := range map[string]struct {
		file string
		hint sheet.Options
		want string
	}{
		"empty":             {"", sheet.Options{}, "header row"},
		"blank":             {"\n,,\n", sheet.Options{}, "header row"},
		"control character": {"a,b\n1,\x07\n", sheet.Options{}, "line 2 holds the control character U+0007"},
		"zero byte":         {"a,b\n1,\x00\n", sheet.Options{}, "line 2 holds the control character U+0000"},
		"C1 control":        {"a,b\n1,\u0085\n", sheet.Options{}, "U+0085"},
		"undefined 1252":    {"a,b\n\n1,\x81\xff\n", sheet.Options{}, "line 3 is neither UTF-8 nor Windows-1252"},
		"not UTF-8":         {"a,b\n1,\xff\n", sheet.Options{Encoding: sheet.UTF8}, "line 2 is not UTF-8"},
		"cut UTF-16":        {"\xff\xfea\x00,", sheet.Options{}, "cut off"},
		"half of a pair":    {"\xff\xfea\x00\x00\xd8b\x00", sheet.Options{}, "not valid utf-16le"},
		"bare quote":        {"a,b\n1,12\" card\n", sheet.Options{}, "line 2: a quotation mark stands inside a field"},
		"open quote":        {"a,b\n1,2\n\"3,4\n5,6\n", sheet.Options{}, "begins in line 3"},
		"columns":           {strings.Repeat("a,", 1000) + "a\n", sheet.Options{}, "more than 1000 columns"},
		"unknown encoding":  {"a", sheet.Options{Encoding: "latin"}, "utf-16be"},
		"unknown delimiter": {"a", sheet.Options{Delimiter: ':'}, "semicolon"},
		"cells":             {strings.Repeat(strings.Repeat(",", 900)+"\n", 45000), sheet.Options{Delimiter: ','}, "cells"},
		"rows":              {"a\n" + strings.Repeat("1\n", sheet.MaxRows+1), sheet.Options{}, "more than 2000000 rows"},
	} {
		_, err := sheet.ReadTable([]byte(c.file), c.hint)
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
	if _, err := sheet.ReadTable(make([]byte, sheet.MaxFile+1), sheet.Options{}); err == nil || !strings.Contains(err.Error(), "256 MiB") {
		t.Errorf("large file: %v", err)
	}
	tab, err := sheet.ReadTable([]byte("a,b\n1,12\" card\n"), sheet.Options{LooseQuotes: true})
	if err != nil || tab.Rows[0][1] != `12" card` {
		t.Errorf("loose quotes: %+v %v", tab, err)
	}
}

func TestFormulaProtectionIsTakenOff(t *testing.T) {
	for text, want := range map[string]string{
		"=1+1": "'=1+1", "+49": "'+49", "-3": "-3", "-3.25": "-3.25", "-a": "'-a", "@x": "'@x", "a=b": "a=b", "'tis": "'tis", "'=": "''=", "": "", "-": "'-", "-3.": "'-3.",
	} {
		if got := sheet.Escape(text); got != want {
			t.Errorf("Escape(%q) = %q, want %q", text, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.SampledFrom([]rune("'=+-@a1. "))).Draw(t, "text")
		out := sheet.Escape(text)
		if got := sheet.Unescape(out); got != text {
			t.Fatalf("%q became %q", text, got)
		}
	})
	tab, err := sheet.ReadTable([]byte("order,name\n'-A,'=1+1\n-3,'twas\n"), sheet.Options{})
	if err != nil || tab.Rows[0][0] != "-A" || tab.Rows[0][1] != "=1+1" || tab.Rows[1][0] != "-3" || tab.Rows[1][1] != "'twas" {
		t.Errorf("%+v %v", tab, err)
	}
}

func TestLargeFieldsAndQuotedNewLines(t *testing.T) {
	long := strings.Repeat("x\n", 100_000)
	tab, err := sheet.ReadTable(bytes.Join([][]byte{[]byte("a,b\r\n1,\""), []byte(long), []byte("\"\r\n2,y\r\n")}, nil), sheet.Options{})
	if err != nil || tab.Rows[0][1] != long || tab.Rows[1][1] != "y" {
		t.Errorf("%v", err)
	}
}
