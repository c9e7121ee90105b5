package use_test

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/interval"
	"countback/projections/report"
	"countback/projections/use"
)

// year writes facts of a shop that packs a different number of single cards each month and counts on its last day. went says what really left of an item
// in a month in which the spec used n of it.
type year struct {
	setup string
	items []string
	went  func(item string, month, n int) int
	runs  bool // every month 60 cards are printed as well
}

// orders by month; n of the specs below, by item: board and tape one a parcel, cord 310 mm, filler 3 a parcel.
var orders = []int{120, 310, 180, 90, 260, 140, 330, 200}

var each = map[string]int{"board": 1, "cord": 310, "filler": 3, "label": 1, "tape": 1, "stock": 1, "form-a": 1, "form-b": 1, "form-c": 1, "form-d": 1}

const setup = `shop 2025-12-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC"}
item 2025-12-01 {"item":"card","name":"Card","type":"good","unit":"each"}
item 2025-12-01 {"item":"board","name":"Board","type":"supply","unit":"each","tolerance":"1"}
item 2025-12-01 {"item":"tape","name":"Tape","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"label","name":"Label","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"filler","name":"Filler","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"form-a","name":"Form","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"form-b","name":"Form","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"form-c","name":"Form","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"form-d","name":"Form","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"stock","name":"Card stock","type":"supply","unit":"each","tolerance":"2"}
item 2025-12-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","measures":{"wrap":"310"},"tolerance":"0.1%"}
#SP packspec 2025-12-01 {"lines":[{"item":"label","qty":"1","per":"unit"}],"formats":[{"format":"flat","holds":"1","lines":[{"item":"tape","qty":"1","per":"parcel"},{"item":"board","qty":"1","per":"parcel"},{"item":"cord","qty":"1","measure":"wrap","per":"parcel"},{"item":"filler","qty":"3","per":"parcel"},{"item":"form-a","qty":"1","per":"parcel"},{"item":"form-b","qty":"1","per":"parcel"},{"item":"form-c","qty":"1","per":"parcel"},{"item":"form-d","qty":"1","per":"parcel"}]}]}
#MS makespec 2025-12-01 {"item":"card","pieces":"2","lines":[{"item":"stock","qty":"1","per":"cycle"}]}
`

func (y year) lines() foldtest.Lines {
	var b strings.Builder
	b.WriteString(setup + y.setup)
	there := map[string]int{}
	for _, item := range y.items {
		there[item] = 9000 * each[item]
		fmt.Fprintf(&b, `count 2025-12-31 {"item":"%s","qty":"%d"}`+"\n", item, there[item])
	}
	for m, n := range orders {
		fmt.Fprintf(&b, `pack 2026-%02d-10 {"order":"%d","lines":[{"item":"card","qty":"%d"}]}`+"\n", m+1, m, n)
		if y.runs {
			fmt.Fprintf(&b, `reprint 2026-%02d-11 {"item":"card","good":"%d","spoiled":"0"}`+"\n", m+1, 2*n)
		}
		for _, item := range y.items {
			used := n * each[item]
			if item == "stock" && !y.runs {
				used = 0
			}
			there[item] -= y.went(item, m, used)
			fmt.Fprintf(&b, `count 2026-%02d-28 {"item":"%s","qty":"%d"}`+"\n", m+1, item, there[item])
		}
	}
	return foldtest.Facts(b.String())
}

func of(t *testing.T, lines foldtest.Lines, item string) (use.Report, *fold.State) {
	t.Helper()
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	table := interval.Read(log, fold.Run{})
	st := report.Style{Zone: time.UTC}
	r := use.Of(table, st, item)
	r.Runs = use.RunsOf(log, table.State, st, item)
	return r, table.State
}

var supplies = []string{"board", "cord", "filler", "form-a", "form-b", "form-c", "form-d", "label", "tape"}

func TestProposals(t *testing.T) {
	same := func(item string, m, n int) int { return n }
	for _, c := range []struct {
		name, item       string
		went             func(item string, month, n int) int
		ratio, pattern   string
		changed          bool
		now, qty, line   string
		measure, perPart string
	}{
		{"as the spec says", "board", same, "1", "agrees", false, "", "", "", "", ""},
		{"two pieces and not one", "board", func(item string, _, n int) int {
			if item == "board" {
				return 2 * n
			}
			return n
		}, "2", "drift", false, "1", "2", "formats[0].lines[1]", "", "parcel"},
		{"two pieces from the fourth month on", "board", func(item string, m, n int) int {
			if item == "board" && m >= 3 {
				return 2 * n
			}
			return n
		}, "2", "drift", true, "1", "2", "formats[0].lines[1]", "", "parcel"},
		{"every second parcel takes another", "board", func(item string, _, n int) int {
			if item == "board" {
				return n + n/2
			}
			return n
		}, "1.5", "drift", false, "1", "1.5", "formats[0].lines[1]", "", "parcel"},
		{"a longer wrap, in its own measure", "cord", func(item string, _, n int) int {
			if item == "cord" {
				return n + n/10
			}
			return n
		}, "1.1", "drift", false, "1", "1.1", "formats[0].lines[2]", "wrap", "parcel"},
		{"less than the spec says", "filler", func(item string, _, n int) int {
			if item == "filler" {
				return n * 2 / 3
			}
			return n
		}, "0.6667", "drift", false, "3", "2", "formats[0].lines[3]", "", "parcel"},
		{"a line of the spec's own", "label", func(item string, _, n int) int {
			if item == "label" {
				return n * 3
			}
			return n
		}, "3", "drift", false, "1", "3", "lines[0]", "", "unit"},
		{"a few a day, whatever is packed", "board", func(item string, _, n int) int {
			if item == "board" {
				return n + 60
			}
			return n
		}, "1", "steady", false, "", "", "", "", ""},
	} {
		r, _ := of(t, year{items: supplies, went: c.went}.lines(), c.item)
		if len(r.Items) != 1 {
			t.Fatalf("%s: %+v", c.name, r)
		}
		it := r.Items[0]
		ratio, want := num.MustQty(it.Ratio), num.MustQty(c.ratio)
		if num.MustQty("0.03").Less(ratio.Sub(want).Abs()) || it.Pattern != c.pattern || it.Changed != c.changed {
			t.Errorf("%s: %+v", c.name, it)
		}
		p := it.Proposed
		if p == nil {
			if c.qty != "" {
				t.Errorf("%s: nothing is proposed: %+v", c.name, it)
			}
			continue
		}
		if p.QtyNow != c.now || p.Qty != c.qty || p.Line != c.line || p.Measure != c.measure || p.Per != c.perPart || p.Kind != "packspec" || p.Spec != foldtest.ID("SP").String() {
			t.Errorf("%s: %+v", c.name, p)
		}
		if !c.changed && num.MustQty(it.ActualQty).Sub(num.MustQty(it.SpecQty)).IsZero() {
			t.Errorf("%s: %+v", c.name, it)
		}
	}
}

func TestMakeSpecs(t *testing.T) {
	lines := year{items: append(slices.Clone(supplies), "stock"), runs: true, went: func(item string, _, n int) int {
		if item == "stock" {
			return n + n/5
		}
		return n
	}}.lines()
	r, state := of(t, lines, "stock")
	p := r.Items[0].Proposed
	if p == nil || p.Kind != "makespec" || p.Made != "card" || p.Qty != "1.2" || p.Line != "lines[0]" || p.Spec != foldtest.ID("MS").String() {
		t.Fatalf("%+v", p)
	}
	changed := use.Changed([]*use.Proposal{p})
	if len(changed) != 1 {
		t.Fatal(changed)
	}
	spec := changed[0].(*event.MakeSpec)
	card, _ := state.Catalog.Find("card")
	if now := state.View.Make(card.Index).Data; spec.Lines[0].Qty.String() != "1.2" || spec.Item != "card" || now.Lines[0].Qty.String() != "1" {
		t.Errorf("%+v, in force %+v", spec, now)
	}
}

// Several proposals for one spec come as one spec; the one in force stays as it is.
func TestChangedTakesAllIntoOneSpec(t *testing.T) {
	lines := year{items: supplies, went: func(item string, _, n int) int {
		switch item {
		case "board", "label":
			return 2 * n
		}
		return n
	}}.lines()
	r, state := of(t, lines, "")
	var list []*use.Proposal
	for _, it := range r.Items {
		if it.Proposed != nil {
			list = append(list, it.Proposed)
		}
	}
	changed := use.Changed(list)
	if len(list) != 2 || len(changed) != 1 {
		t.Fatalf("%d proposals, %d specs of %+v", len(list), len(changed), r.Items)
	}
	spec := changed[0].(*event.PackSpec)
	if spec.Lines[0].Qty.String() != "2" || spec.Formats[0].Lines[1].Qty.String() != "2" || spec.Formats[0].Lines[0].Qty.String() != "1" {
		t.Errorf("%+v", spec)
	}
	if now := state.View.Spec().Data; now.Lines[0].Qty.String() != "1" || now.Formats[0].Lines[1].Qty.String() != "1" {
		t.Error("the spec in force was changed")
	}
}

func TestWaiting(t *testing.T) {
	few := foldtest.Facts(setup + `
		count 2026-01-01 {"item":"board","qty":"100"}
		pack 2026-01-10 {"order":"1","lines":[{"item":"card","qty":"9"}]}
		count 2026-01-31 {"item":"board","qty":"91"}`)
	r, _ := of(t, few, "")
	if len(r.Items) != 0 || !slices.Equal(r.Waiting, []string{"board"}) {
		t.Errorf("%+v", r)
	}
}

// A spec that was replaced since gets no proposal: its lines are no longer in force.
func TestOldLinesAreLeftAlone(t *testing.T) {
	y := year{items: supplies, setup: `packspec 2026-12-01 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}` + "\n",
		went: func(item string, _, n int) int {
			if item == "board" {
				return 2 * n
			}
			return n
		}}
	r, _ := of(t, y.lines(), "board")
	if it := r.Items[0]; it.Proposed != nil || !strings.Contains(it.Why, "no line of the specs in force") {
		t.Errorf("%+v", it)
	}
}

// Nothing says which of several lines is wrong, so none is changed if none makes up half of the use.
func TestNoLineMakesUpHalf(t *testing.T) {
	three := `packspec 2025-12-02 {"lines":[{"item":"board","qty":"1","per":"unit"}],"formats":[{"format":"flat","holds":"1","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"board","qty":"1.2","per":"unit"}]}]}` + "\n"
	went := func(item string, _, n int) int { return 5 * n }
	r, _ := of(t, year{items: []string{"board"}, setup: three, went: went}.lines(), "board")
	if it := r.Items[0]; it.SpecQty != "5216" || it.Pattern == "agrees" || it.Proposed != nil {
		t.Errorf("%+v", it)
	}
	two := strings.Replace(three, "1.2", "2.2", 1)
	r, _ = of(t, year{items: []string{"board"}, setup: two, went: went}.lines(), "board")
	p := r.Items[0].Proposed // 5 = 4.2 + 0.8, all of it on the line of 2.2
	if p == nil || p.Line != "formats[0].lines[1]" || p.Qty != "3" {
		t.Errorf("%+v", p)
	}
}

func TestSameWhateverTheOrderOfArrival(t *testing.T) {
	lines := year{items: supplies, went: func(item string, m, n int) int { return n + (m*7+len(item))%4 }}.lines()
	a, _ := of(t, lines, "")
	slices.Reverse(lines)
	b, _ := of(t, lines, "")
	x, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	y, _ := json.Marshal(b)
	if string(x) != string(y) || len(a.Items) != len(supplies) {
		t.Errorf("%s\n%s", x, y)
	}
}

func TestRuns(t *testing.T) {
	facts := setup + `makespec 2025-12-02 {"item":"card","pieces":"2","lines":[{"item":"stock","qty":"1","per":"cycle"}],"normal_spoilage":"0.04"}
		restock 2025-12-31 {"lines":[{"item":"stock","qty":"4000","cost":"60"}]}
`
	for m, spoiled := range []int{4, 7, 5, 6, 4, 30} {
		facts += fmt.Sprintf(`reprint 2026-%02d-11 {"item":"card","good":"%d","spoiled":"%d"}`+"\n", m+1, 100-spoiled, spoiled)
	}
	facts += `#RV reprint 2026-07-11 {"item":"card","good":"0","spoiled":"100"}
		reverse 2026-07-12 {"event":"#RV","reason":"slip"}
		reprint 2026-07-13 {"item":"label","good":"300","spoiled":"0"}`
	r, _ := of(t, foldtest.Facts(facts), "")
	if len(r.Runs) != 2 {
		t.Fatalf("%+v", r.Runs)
	}
	c := r.Runs[0]
	// 26 of 500: Wilson's bounds by hand, z = 1.96
	if c.Item != "card" || c.Runs != 6 || c.Pieces != "600" || c.Spoiled != "56" || c.Normal != "0.04" || c.Share != "0.052" || c.Low != "0.03573" || c.High != "0.0751" || c.More {
		t.Errorf("%+v", c)
	}
	if len(c.Odd) != 1 || c.Odd[0].Spoiled != "30" || c.Odd[0].Time != "2026-06-11T00:00:00Z" {
		t.Errorf("%+v", c.Odd)
	}
	if l := r.Runs[1]; l.Item != "label" || l.Share != "0" || l.Low != "0" || l.Normal != "0" || l.More || len(l.Odd) != 0 {
		t.Errorf("%+v", l)
	}
	if r, _ := of(t, foldtest.Facts(facts), "label"); len(r.Runs) != 1 {
		t.Errorf("%+v", r.Runs)
	}
	worse := strings.Replace(facts, `"normal_spoilage":"0.04"`, `"normal_spoilage":"0.03"`, 1)
	if r, _ := of(t, foldtest.Facts(worse), ""); !r.Runs[0].More {
		t.Errorf("%+v", r.Runs[0])
	}
}
