package paper_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"countback/cmd/countback/paper"
)

func sheet(rows int) paper.Sheet {
	s := paper.Sheet{
		Title: "Count sheet", Lead: "Write what you see.", Foot: "Fennimoor Paper", At: time.Date(2026, 3, 31, 18, 0, 0, 0, time.UTC),
	}
	t := paper.Table{Columns: []paper.Column{{Head: "Item"}, {Head: "Packs", Open: 20}, {Head: "Book", Right: true}}}
	for i := range rows {
		t.Rows = append(t.Rows, []string{fmt.Sprintf("Žlutá karta %d", i), "", "12"})
		t.Groups = append(t.Groups, fmt.Sprintf("shelf %d", i/10))
	}
	s.Tables = []paper.Table{t}
	return s
}

func pdf(t *testing.T, s paper.Sheet) []byte {
	t.Helper()
	out, err := paper.PDF(s)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// pages counts the page objects of a PDF (ISO 32000-1, 7.7.3.3).
func pages(doc []byte) int { return bytes.Count(doc, []byte("/Type /Page\n")) }

func TestSheets(t *testing.T) {
	for rows, want := range map[int]int{0: 1, 3: 1, 200: 8} {
		doc := pdf(t, sheet(rows))
		if !bytes.HasPrefix(doc, []byte("%PDF-1.")) || !bytes.HasSuffix(bytes.TrimSpace(doc), []byte("%%EOF")) {
			t.Fatalf("%d rows: this is no PDF", rows)
		}
		if got := pages(doc); got != want {
			t.Errorf("%d rows lie on %d sheets, not on %d", rows, got, want)
		}
	}
}

func TestSameSheetSameBytes(t *testing.T) {
	if !bytes.Equal(pdf(t, sheet(40)), pdf(t, sheet(40))) {
		t.Error("the same sheet gave other bytes")
	}
}

func TestLongTextBreaks(t *testing.T) {
	s := sheet(1)
	s.Tables[0].Rows[0][0] = strings.Repeat("a long name ", 40)
	if pages(pdf(t, s)) != 1 {
		t.Error("a long name takes more than its sheet")
	}
}

func TestTooManyColumns(t *testing.T) {
	t30 := paper.Table{Rows: [][]string{make([]string, 30)}}
	for range 30 {
		t30.Columns = append(t30.Columns, paper.Column{Head: "A figure", Right: true})
	}
	if _, err := paper.PDF(paper.Sheet{Tables: []paper.Table{t30}}); err == nil {
		t.Error("thirty columns fit the paper")
	}
}

// Tables flow from one column of the sheet into the next, and what is a little too long for a sheet is made smaller; what is far too long is not.
func TestOneSheet(t *testing.T) {
	list := func(rows int) paper.Table {
		t := paper.Table{Head: "Pull", Next: true, Columns: []paper.Column{{Tick: true}, {Head: "Item"}, {Head: "Take", Right: true}}}
		for i := range rows {
			t.Rows = append(t.Rows, []string{"x", fmt.Sprint("Card ", i), "2"})
		}
		return t
	}
	for _, c := range []struct {
		columns, first, second int
		one                    bool
		want                   int
	}{
		{1, 10, 10, false, 1}, {1, 30, 10, false, 2}, {1, 30, 10, true, 1}, {2, 30, 30, false, 1}, {2, 50, 10, false, 1}, {2, 60, 40, true, 1}, {2, 100, 100, true, 3},
	} {
		s := paper.Sheet{Title: "Packing day", Columns: c.columns, OneSheet: c.one, Tables: []paper.Table{list(c.first), list(c.second)}}
		if got := pages(pdf(t, s)); got != c.want {
			t.Errorf("%+v: %d sheets", c, got)
		}
	}
}
