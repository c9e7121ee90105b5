package interval_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/interval"
	"countback/projections/oracle"
	"pgregory.net/rapid"
)

func read(t *testing.T, lines foldtest.Lines, asOf int64) (*interval.Table, *fold.Log) {
	t.Helper()
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	return interval.Read(log, fold.Run{AsOf: asOf}), log
}

// chain writes an item's intervals, one a line: opening + in - used - recorded = book, counted, unknown; Σq²; a star where the start was never counted.
func chain(t *interval.Table, item string) string {
	it, _ := t.State.Catalog.Find(item)
	var out []string
	for _, n := range t.Chains[it.Index].Intervals {
		star := ""
		if n.Uncounted {
			star = "*"
		}
		out = append(out, fmt.Sprintf("%s%s+%s-%s-%s=%s, %s, %s; %s", star, n.Opening, n.In, n.Used, n.Recorded, n.Book, n.Counted, n.Unknown, n.Squares))
	}
	return strings.Join(out, "\n")
}

const shop = `
shop 2026-01-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC"}
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each","class":"card","packs":{"box":"50"}}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","place":"A1","supplier":"Quillmark","packs":{"box":"150"},"tolerance":"2%"}
item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","measures":{"wrap":"310"}}
item 2026-01-01 {"item":"five","name":"Five","type":"prepared","unit":"each","class":"card","parts":[{"item":"card","qty":"5"}]}
packspec 2026-01-01 {"lines":[{"item":"cord","qty":"1","measure":"wrap","per":"order"}],"formats":[{"format":"flat","holds":"2","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"cord","qty":"100","per":"unit","from":"2"}]}]}
makespec 2026-01-01 {"item":"card","pieces":"2","lines":[{"item":"board","qty":"3","per":"cycle"},{"item":"cord","qty":"10","per":"piece"}]}
`

func TestIntervals(t *testing.T) {
	for _, c := range []struct{ rule, facts, item, want string }{
		{"the first count only opens", `
			count 2026-01-02 {"item":"board","qty":"90"}
			count 2026-01-09 {"item":"board","qty":"88"}`, "board", "90+0-0-0=90, 88, 2; 0"},
		{"a receipt begins a chain whose start was never counted", `
			restock 2026-01-02 {"lines":[{"item":"board","qty":"2","pack":"box","cost":"60"}]}
			count 2026-01-09 {"item":"board","qty":"303"}
			count 2026-01-10 {"item":"board","qty":"303"}`, "board", "*0+300-0-0=300, 303, -3; 0\n303+0-0-0=303, 303, 0; 0"},
		{"what left before the first receipt", `
			damage 2026-01-01 {"item":"board","qty":"4","reason":"damaged"}
			restock 2026-01-02 {"lines":[{"item":"board","qty":"100","cost":"60"}]}
			count 2026-01-09 {"item":"board","qty":"95"}`, "board", "*-4+100-0-0=96, 95, 1; 0"},
		{"each parcel's line is one use", `
			count 2026-01-02 {"item":"board","qty":"90"}
			count 2026-01-02 {"item":"cord","qty":"9000"}
			count 2026-01-02 {"item":"card","qty":"90"}
			pack 2026-01-05 {"order":"1","lines":[{"item":"card","qty":"5"}]}
			count 2026-01-09 {"item":"board","qty":"86"}
			count 2026-01-09 {"item":"cord","qty":"8000"}
			count 2026-01-09 {"item":"card","qty":"85"}`, "cord", "9000+0-710-0=8290, 8000, 290; 176100"}, // 310² + 2·200²
		{"goods parcel by parcel", `
			count 2026-01-02 {"item":"card","qty":"90"}
			pack 2026-01-05 {"order":"1","lines":[{"item":"card","qty":"5"}]}
			count 2026-01-09 {"item":"card","qty":"85"}`, "card", "90+0-5-0=85, 85, 0; 9"},
		{"a set is its parts", `
			count 2026-01-02 {"item":"card","qty":"90"}
			pack 2026-01-05 {"order":"1","lines":[{"item":"five","qty":"3"}]}
			count 2026-01-09 {"item":"card","qty":"75"}`, "card", "90+0-15-0=75, 75, 0; 125"},
		{"a change is one more use, or less of each", `
			count 2026-01-02 {"item":"board","qty":"90"}
			count 2026-01-02 {"item":"cord","qty":"9000"}
			pack 2026-01-05 {"order":"1","lines":[{"item":"card","qty":"3"}],"changes":[{"item":"board","qty":"3"},{"item":"cord","total":"255"}]}
			count 2026-01-09 {"item":"board","qty":"85"}
			count 2026-01-09 {"item":"cord","qty":"8745"}`, "board", "90+0-5-0=85, 85, 0; 11"}, // 2 parcels and 3²
		{"cycles and pieces of a run", `
			count 2026-01-02 {"item":"board","qty":"90"}
			reprint 2026-01-05 {"item":"card","good":"7","spoiled":"1"}
			count 2026-01-09 {"item":"board","qty":"78"}`, "board", "90+0-12-0=78, 78, 0; 36"},
		{"what was made comes in, what came back as well", `
			count 2026-01-02 {"item":"card","qty":"10"}
			reprint 2026-01-05 {"item":"card","good":"7","spoiled":"1"}
			pack 2026-01-06 {"order":"1","lines":[{"item":"card","qty":"2"}]}
			return 2026-01-07 {"order":"1","lines":[{"item":"card","qty":"1","condition":"saleable"},{"item":"card","qty":"1","condition":"scrap"}]}
			count 2026-01-09 {"item":"card","qty":"16"}`, "card", "10+8-2-0=16, 16, 0; 4"},
		{"write-offs, gifts and own use are on record; goods that go back don't come in", `
			#R1 restock 2026-01-02 {"lines":[{"item":"board","qty":"100","cost":"60"}]}
			count 2026-01-03 {"item":"board","qty":"100"}
			damage 2026-01-04 {"item":"board","qty":"4","reason":"damaged"}
			damage 2026-01-04 {"item":"board","qty":"2","reason":"gift"}
			damage 2026-01-04 {"item":"board","qty":"1","reason":"own_use"}
			credit 2026-01-05 {"restock":"#R1","lines":[{"item":"board","qty":"10","amount":"6"}]}
			count 2026-01-09 {"item":"board","qty":"80"}`, "board", "*0+100-0-0=100, 100, 0; 0\n100+-10-0-7=83, 80, 3; 0"},
		{"a session counts once, at its last figure", `
			count 2026-01-02 {"item":"board","qty":"90"}
			count 2026-01-09T08:00:00Z {"item":"board","qty":"30","place":"A1","session":"jan"}
			count 2026-01-09T09:00:00Z {"item":"board","qty":"50","place":"B2","session":"jan"}
			count 2026-01-09T10:00:00Z {"item":"board","qty":"31","place":"A1","session":"jan"}`, "board", "90+0-0-0=90, 81, 9; 0"},
		{"two counts in one minute", `
			count 2026-01-02T08:00:00Z {"item":"board","qty":"90"}
			count 2026-01-02T08:00:00Z {"item":"board","qty":"80"}
			count 2026-01-02T08:00:30Z {"item":"board","qty":"80"}`, "board", "90+0-0-0=90, 80, 10; 0\n80+0-0-0=80, 80, 0; 0"},
		{"a retired item is counted like any other", `
			count 2026-01-02 {"item":"board","qty":"90"}
			retire 2026-01-03 {"item":"board"}
			count 2026-01-04 {"item":"board","qty":"0"}`, "board", "90+0-0-0=90, 0, 90; 0"},
		{"a count that was reversed ends nothing", `
			count 2026-01-02 {"item":"board","qty":"90"}
			#C1 count 2026-01-03 {"item":"board","qty":"9"}
			reverse 2026-01-04 {"event":"#C1","reason":"slip"}
			count 2026-01-05 {"item":"board","qty":"89"}`, "board", "90+0-0-0=90, 89, 1; 0"},
	} {
		table, _ := read(t, foldtest.Facts(shop+c.facts), 0)
		if got := chain(table, c.item); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", c.rule, got, c.want)
		}
	}
}

func TestCountSaysHowItCameAbout(t *testing.T) {
	table, _ := read(t, foldtest.Facts(shop+`
		count 2026-01-02 {"item":"card","qty":"90"}
		count 2026-01-02 {"item":"board","qty":"400"}
		damage 2026-01-03 {"item":"board","qty":"7","reason":"damaged"}
		count 2026-01-09T08:00:00Z {"item":"board","qty":"2","pack":"box","session":"jan"}
		pack 2026-01-09T08:30:00Z {"order":"1","lines":[{"item":"card","qty":"1"}]}
		restock 2026-01-09T08:40:00Z {"lines":[{"item":"board","qty":"5","cost":"1"}]}
		count 2026-01-09T09:00:00Z {"item":"board","qty":"50","session":"jan","tolerance":"3"}
	`), 0)
	it, _ := table.State.Catalog.Find("board")
	n := table.Chains[it.Index].Intervals[0]
	end := n.To
	if end.Figure.String() != "350" || end.Session != "jan" || len(end.Figures) != 2 || end.Moved.String() != "6" || end.Tolerance == nil || end.Tolerance.String() != "2%" {
		t.Fatalf("%+v", end)
	}
	if f := end.Figures[0]; f.Manner != fold.ByPack || f.Qty.String() != "300" || f.Tolerance != nil {
		t.Errorf("%+v", f)
	}
	if f := end.Figures[1]; f.Manner != fold.ByNumber || f.Qty.String() != "50" || f.Tolerance.String() != "3" {
		t.Errorf("%+v", f)
	}
	if n.Place != "A1" || n.Supplier != "Quillmark" {
		t.Errorf("%q %q", n.Place, n.Supplier)
	}
}

// Which line of a spec asked for what.
func TestUseByLine(t *testing.T) {
	table, _ := read(t, foldtest.Facts(shop+`
		count 2026-01-02 {"item":"cord","qty":"9000"}
		pack 2026-01-05 {"order":"1","lines":[{"item":"card","qty":"5"}]}
		reprint 2026-01-06 {"item":"card","good":"7","spoiled":"1"}
		count 2026-01-09 {"item":"cord","qty":"8000"}`), 0)
	it, _ := table.State.Catalog.Find("cord")
	var got []string
	for _, l := range table.Chains[it.Index].Intervals[0].Lines {
		got = append(got, fmt.Sprint(l.Line.Pack != nil, l.Line.Make != nil, l.Line.Format, l.Line.Index, l.Qty))
	}
	if want := "[true false -1 0 310 true false 0 1 400 false true -1 1 80]"; fmt.Sprint(got) != want {
		t.Errorf("%v, want %s", got, want)
	}
}

// On any ledger: each interval adds up, a chain hangs together, and its sums are the fold's columns.
func TestIntervalsAreTheFold(t *testing.T) {
	size := 60
	if os.Getenv("COUNTBACK_FULL") != "" {
		size = 150
	}
	rapid.Check(t, func(rt *rapid.T) {
		events := oracle.Ledger(rt, rapid.IntRange(5, size).Draw(rt, "size"))
		asOf := int64(0)
		if rapid.Bool().Draw(rt, "cut") {
			asOf = rapid.SampledFrom(events).Draw(rt, "as of").Time.Ms()
		}
		table, log := read(t, foldtest.Events(events), asOf)
		turned := slices.Clone(events)
		slices.Reverse(turned)
		if again, _ := read(t, foldtest.Events(turned), asOf); describe(again) != describe(table) {
			rt.Fatalf("another order of arrival:\n%s\n%s", describe(table), describe(again))
		}
		sums := sumMovements(log, asOf)
		for i, ch := range table.Chains {
			if why := differs(ch, sums[i], table.State.Items[i].Account.OnHand()); why != "" {
				rt.Fatalf("%s: %s\n%s", table.State.Catalog.Items[i].ID, why, oracle.Text(events))
			}
		}
	})
}

// sum is what the columns of an item add up to from the first thing that opens it on.
type sum struct {
	begun                       bool
	in, used, recorded, unknown num.Qty
	lost                        book.Amounts
}

func sumMovements(log *fold.Log, asOf int64) []sum {
	sums := make([]sum, len(log.Catalog.Items))
	before := make([]bool, len(sums)) // a first count has been told, its movement is the opening
	log.Run(fold.Run{AsOf: asOf,
		Count: func(c fold.Counted) {
			if !c.Begun {
				before[c.Item] = c.Opens
			}
		},
		Observe: func(m fold.Movement) {
			s := &sums[m.Item]
			count := m.Kind == event.KindCount
			if count && before[m.Item] {
				*s = sum{begun: true}
				return
			}
			s.begun = s.begun || m.Qty.Sign() > 0 && (m.Column == fold.Bought || m.Column == fold.Made)
			if !s.begun {
				return
			}
			switch m.Column {
			case fold.Bought, fold.Made:
				s.in = s.in.Add(m.Qty)
			case fold.Credited:
				s.in = s.in.Sub(m.Qty)
			case fold.Sold, fold.Packed, fold.IntoRuns:
				s.used = s.used.Add(m.Qty)
			case fold.Given, fold.OwnUse, fold.Lost:
				if count {
					s.unknown, s.lost = s.unknown.Add(m.Qty), s.lost.Add(m.Value)
				} else {
					s.recorded = s.recorded.Add(m.Qty)
				}
			case fold.Gained:
				s.unknown, s.lost = s.unknown.Sub(m.Qty), s.lost.Sub(m.Value)
			}
		},
	})
	return sums
}

func differs(ch interval.Chain, want sum, onHand num.Qty) string {
	if ch.Begun != want.begun {
		return "begun"
	}
	if !ch.Begun {
		return ""
	}
	var got sum
	var last *interval.Interval
	for k := range ch.Intervals {
		n := &ch.Intervals[k]
		if n.Opening.Add(n.In).Sub(n.Used).Sub(n.Recorded).Cmp(n.Book) != 0 || n.Book.Sub(n.Counted).Cmp(n.Unknown) != 0 {
			return "it doesn't add up"
		}
		if last != nil && (n.Opening.Cmp(last.Counted) != 0 || n.From.Event != last.To.Event || n.From.Ms != last.To.Ms || n.Uncounted) {
			return "it doesn't begin where the one before ended"
		}
		last = n
		got = got.add(n)
	}
	got = got.add(&ch.Since)
	switch {
	case ch.Since.Book.Cmp(onHand) != 0:
		return fmt.Sprintf("the book since the last count says %s, on hand is %s", ch.Since.Book, onHand)
	case got.in.Sub(got.used).Cmp(want.in.Sub(want.used)) != 0: // what came back is in one here and taken off the other there
		return fmt.Sprintf("in %s used %s, want %s and %s", got.in, got.used, want.in, want.used)
	case got.recorded.Cmp(want.recorded) != 0 || got.unknown.Cmp(want.unknown) != 0:
		return fmt.Sprintf("recorded %s unknown %s, want %s and %s", got.recorded, got.unknown, want.recorded, want.unknown)
	case got.lost != want.lost:
		return "value of the unknown"
	}
	return ""
}

func (s sum) add(n *interval.Interval) sum {
	s.in, s.used, s.recorded, s.unknown = s.in.Add(n.In), s.used.Add(n.Used), s.recorded.Add(n.Recorded), s.unknown.Add(n.Unknown)
	s.lost = s.lost.Add(n.UnknownValue)
	return s
}

func describe(t *interval.Table) string {
	var b strings.Builder
	for i, ch := range t.Chains {
		fmt.Fprintln(&b, t.State.Catalog.Items[i].ID)
		for _, n := range append(ch.Intervals, ch.Since) {
			fmt.Fprint(&b, n.From.Ms, n.To.Ms, n.Opening, n.In, n.Used, n.Recorded, n.Book, n.Counted, n.Unknown, n.UnknownValue, n.Squares, n.Place, n.To.Moved)
			for _, f := range n.To.Figures {
				fmt.Fprint(&b, f.Qty, f.Manner)
			}
			fmt.Fprintln(&b)
		}
	}
	return b.String()
}
