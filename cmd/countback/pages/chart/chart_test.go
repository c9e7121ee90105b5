package chart

import (
	"encoding/xml"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"countback/ledger/num"
)

var update = flag.Bool("update", false, "write the golden drawings anew")

// golden compares both drawings and the table with those kept, and checks what holds for every picture.
func golden(t *testing.T, f Figure) {
	t.Helper()
	got := f.SVG(true) + "\n" + f.SVG(false) + "\n" + string(f.Table.html(f.Title)) + "\n"
	wellFormed(t, string(f.HTML()))
	if strings.Contains(got, "style=") {
		t.Error("there is a style in it, which the content security policy refuses")
	}
	for _, n := range regexp.MustCompile(`NaN|Inf`).FindAllString(got, -1) {
		t.Errorf("%s is no coordinate", n)
	}
	file := filepath.Join("testdata", f.ID+".svg.txt")
	got = strings.ReplaceAll(got, "><", ">\n<")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("the drawing differs from %s; look at it, then run the test with -update", file)
	}
}

func wellFormed(t *testing.T, s string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader("<x>" + s + "</x>"))
	ids := map[string]bool{}
	refs := regexp.MustCompile(`url\(#([^)]*)\)`)
	for {
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("it isn't well formed: %v", err)
		}
		if e, ok := tok.(xml.StartElement); ok {
			for _, a := range e.Attr {
				if a.Name.Local == "id" {
					if ids[a.Value] {
						t.Errorf("the id %s stands twice", a.Value)
					}
					ids[a.Value] = true
				}
			}
		}
	}
	for _, m := range refs.FindAllStringSubmatch(s, -1) {
		if !ids[m[1]] {
			t.Errorf("%s is drawn with, and isn't defined", m[1])
		}
	}
}

func q(s string) num.Qty { return num.MustQty(s) }

func ms(day string) int64 {
	t, err := time.Parse("2006-01-02", day)
	if err != nil {
		panic(err)
	}
	return t.UnixMilli()
}

func board() Timeline {
	t := Timeline{ID: "board", Title: "Board on hand", Desc: "It came twice, was counted once, and 6 were missing.", Unit: "each", Zone: time.UTC,
		From: ms("2026-01-05"), To: ms("2026-04-20"), Start: q("40"), Now: ms("2026-03-30")}
	level := t.Start
	add := func(day string, s Sort, what, by string) {
		level = level.Add(q(by))
		t.Moves = append(t.Moves, Move{Ms: ms(day), Sort: s, What: what, Qty: q(by), OnHand: level, Link: "/event/" + day})
	}
	for d := 6; d < 25; d++ {
		add(time.Date(2026, 1, d, 0, 0, 0, 0, time.UTC).Format("2006-01-02"), Other, "packed", "-2")
	}
	add("2026-01-26", Came, "restock", "150")
	for d := 27; d < 60; d++ {
		add(time.Date(2026, 1, d, 0, 0, 0, 0, time.UTC).Format("2006-01-02"), Other, "packed", "-3")
	}
	add("2026-03-02", Counted, "count", "-6")
	for d := 65; d < 89; d++ {
		add(time.Date(2026, 1, d, 0, 0, 0, 0, time.UTC).Format("2006-01-02"), Other, "packed", "-1")
	}
	t.Expected = []Level{{ms("2026-01-26"), q("152")}, {ms("2026-04-10"), q("0")}}
	t.Likely = []Spread{{ms("2026-03-30"), level, level}, {ms("2026-04-08"), q("0"), q("14")}, {ms("2026-04-20"), q("0"), q("0")}}
	t.Days = []Mark{{ms("2026-04-03"), "order by"}}
	return t
}

func TestTimeline(t *testing.T) { golden(t, board().Figure()) }

// A year of an item that every order uses stays small enough for a page.
func TestTimelineOfManyMovements(t *testing.T) {
	l := Timeline{ID: "many", Title: "Cord on hand", Desc: "Used every day.", Unit: "mm", Zone: time.UTC, From: ms("2025-01-01"), To: ms("2026-01-01"), Start: q("900000")}
	level := l.Start
	for i := range 20000 {
		by := q("-310")
		if i%2000 == 1999 {
			by = q("700000")
		}
		level = level.Add(by)
		l.Moves = append(l.Moves, Move{Ms: l.From + int64(i)*1_500_000, What: "packed", Qty: by, OnHand: level})
	}
	f := l.Figure()
	if n := len(f.SVG(true)); n > 40_000 {
		t.Errorf("the drawing has %d bytes", n)
	}
	if n := len(f.Table.Rows); n > 100 {
		t.Errorf("the table has %d rows", n)
	}
	low := num.Whole(1 << 40)
	for _, m := range l.Moves {
		low = num.Min(low, m.OnHand)
	}
	y := scale{q("0"), q("0"), timelineHeight - roomBelow, roomAbove}
	y.low, y.high = l.bounds()
	if at := coordinate(y.at(low)); !strings.Contains(f.SVG(true), "V"+at) {
		t.Errorf("the lowest level, at %s, isn't drawn", at)
	}
}

func TestTimelineOfNothing(t *testing.T) {
	wellFormed(t, string(Timeline{ID: "none", Title: "New item", Desc: "Nothing yet.", Zone: time.UTC, From: ms("2026-01-01"), To: ms("2026-01-01")}.Figure().HTML()))
}

func TestTicks(t *testing.T) {
	for _, x := range []struct{ low, high, want string }{
		{"0", "150", "0 50 100 150"}, {"-3", "7", "0 5"}, {"-13", "7", "-10 -5 0 5"}, {"0", "0.03", "0 0.01 0.02 0.03"}, {"0", "931000", "0 500000"}, {"2", "2", "2"},
	} {
		var got []string
		for _, v := range ticks(q(x.low), q(x.high), 4) {
			got = append(got, v.String())
		}
		if s := strings.Join(got, " "); s != x.want {
			t.Errorf("from %s to %s: %s, want %s", x.low, x.high, s, x.want)
		}
	}
}

func TestWaterfall(t *testing.T) {
	golden(t, Waterfall{ID: "bridge", Title: "From expected to actual", Desc: "62 less than expected; nobody wrote 55 of it down.", Unit: "each", Steps: []Step{
		{Text: "Expected", Shown: "58", To: q("58"), Level: true},
		{Text: "more orders", Shown: "−12", From: q("58"), To: q("46"), Link: "/ledger?item=board"},
		{Text: "more came in than it should have & <was> ordered", Shown: "+5", From: q("46"), To: q("51")},
		{Text: "nobody wrote down", Shown: "−55", From: q("51"), To: q("-4"), Unknown: true},
		{Text: "There was", Shown: "−4", To: q("-4"), Level: true},
	}}.Figure())
}

func TestBars(t *testing.T) {
	golden(t, Bars{ID: "losses", Title: "What went missing", Desc: "Board lost most.", Head: "Item",
		Parts: []Part{{"known", Hatched}, {"unknown", Crossed}}, Rows: []Bar{
			{Text: "Board", Link: "/losses?item=board", Amounts: []Amount{{q("4"), "4.00"}, {q("12.5"), "12.50"}}, Range: &Range{q("9"), q("25"), "5.00 to 21.00"}, Note: "more than chance"},
			{Text: "Cord", Amounts: []Amount{{q("0"), "0.00"}, {q("-1.2"), "−1.20"}}, Note: "could be chance"},
			{Text: "Seal", Amounts: []Amount{{q("0.2"), "0.20"}, {q("0"), "0.00"}}},
		}}.Figure())
}

func TestSpread(t *testing.T) {
	var list []num.Money
	for i := range 300 {
		list = append(list, num.MustMoney("1").Times(num.Whole(int64(i*i%83+i%7))).Part(num.Whole(1), num.Whole(10)))
	}
	list = append(list, num.MustMoney("55.20"))
	s := Histogram{ID: "spread", Title: "What orders cost", Desc: "Half of the orders cost little.", What: "orders", Of: "Material in CAD", Values: list}
	golden(t, s.Figure())
	n := 0
	for _, b := range s.bins() {
		n += b.n
	}
	if n != len(list) {
		t.Errorf("%d of %d values stand in a column", n, len(list))
	}
}

func TestSpreadOfOne(t *testing.T) {
	s := Histogram{ID: "one", Values: []num.Money{num.MustMoney("2.17")}}
	wellFormed(t, string(s.Figure().HTML()))
	if b := s.bins(); len(b) != 1 || b[0].n != 1 {
		t.Errorf("%v", b)
	}
	wellFormed(t, string(Histogram{ID: "none"}.Figure().HTML()))
}

// The places of five are those of the sorted list, never between two values.
func TestFiveOf(t *testing.T) {
	var list []num.Money
	for i := 100; i >= 0; i-- {
		list = append(list, num.MoneyUnits(int64(i)*100_000_000))
	}
	f := FiveOf(list)
	for _, x := range []struct {
		got  num.Money
		want string
	}{{f.Least, "0"}, {f.P5, "5"}, {f.P25, "25"}, {f.P50, "50"}, {f.P75, "75"}, {f.P95, "95"}, {f.Most, "100"}} {
		if x.got.String() != x.want {
			t.Errorf("%s, want %s", x.got, x.want)
		}
	}
}

func TestMonths(t *testing.T) {
	m := Months{ID: "months", Title: "By month", Desc: "It rose.", Unit: "CAD", Parts: []Part{{"goods", Solid}, {"packing", Hatched}}, Show: num.Qty.String}
	for i := range 8 {
		at := time.Date(2026, time.Month(i+1), 1, 0, 0, 0, 0, time.UTC)
		g, p := num.Whole(int64(40+7*i)), num.Whole(int64(20+3*i))
		m.Rows = append(m.Rows, Month{Name: at.Format("Jan"), Full: at.Format("January 2006"), Link: "/orders?month=" + at.Format("2006-01"), Amounts: []Amount{{g, g.String()}, {p, p.String()}}, Extra: "2.1" + p.String()[:1]})
	}
	golden(t, m.Figure("An order"))
}
