package shrinkage_test

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/interval"
	"countback/projections/oracle"
	"countback/projections/report"
	"countback/projections/shrinkage"
	"pgregory.net/rapid"
)

func of(t interface{ Fatal(...any) }, lines foldtest.Lines, what shrinkage.What, exact bool) shrinkage.Report {
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	return shrinkage.Of(interval.Read(log, fold.Run{}), report.Style{Zone: time.UTC, Exact: exact}, what)
}

func ms(day string) int64 {
	t, err := time.Parse("2006-01-02", day)
	if err != nil {
		panic(err)
	}
	return t.UnixMilli()
}

const shop = `
shop 2026-01-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC"}
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each","class":"card"}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","place":"A1","supplier":"Quillmark"}
packspec 2026-01-01 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}
restock 2026-01-01 {"lines":[{"item":"board","qty":"1000","cost":"250"}]}
count 2026-01-02 {"item":"board","qty":"1000"}
pack 2026-01-05 {"order":"1","lines":[{"item":"card","qty":"5"}]}
pack 2026-01-06 {"order":"2","lines":[{"item":"card","qty":"5"}]}
damage 2026-01-07 {"item":"board","qty":"3","reason":"damaged"}
damage 2026-01-07 {"item":"board","qty":"1","reason":"gift"}
count 2026-01-31 {"item":"board","qty":"985"}
count 2026-02-28 {"item":"board","qty":"984"}
restock 2026-03-05 {"lines":[{"item":"board","qty":"100","cost":"35"}]}
count 2026-03-31 {"item":"board","qty":"1084"}
item 2026-04-01 {"item":"board","place":"B2"}
count 2026-04-30 {"item":"board","qty":"1081"}
`

func TestRowsAreTheLastThreeIntervals(t *testing.T) {
	r := of(t, foldtest.Facts(shop), shrinkage.What{}, false)
	if len(r.Items) != 1 || r.Judged != 1 {
		t.Fatalf("%+v", r)
	}
	it := r.Items[0]
	got := strings.Join([]string{it.Item, it.From[:10], it.To[:10], it.Opening, it.In, it.Used, it.RecordedLoss, it.Book, it.Counted, it.Unknown, it.UnknownValue, it.ShareOfUse}, " ")
	if want := "board 2026-01-31 2026-04-30 985 100 0 0 1085 1081 4 1.03 "; got != want { // 0.25 and 3 of 281.00 ÷ 1084
		t.Errorf("%s\nwant\n%s", got, want)
	}
	if len(it.Intervals) != 3 || it.SignalFrom != it.From || it.Uncounted {
		t.Errorf("%+v", it)
	}
	// With a beginning, every interval that ends after it; the signal stays with the last three of them.
	all := of(t, foldtest.Facts(shop), shrinkage.What{From: ms("2026-01-01")}, false).Items[0]
	if all.Opening != "0" || all.In != "1100" || all.Used != "2" || all.RecordedLoss != "4" || all.Unknown != "13" || !all.Uncounted || len(all.Intervals) != 5 || all.SignalFrom[:10] != "2026-01-31" {
		t.Errorf("%+v", all)
	}
	if first := all.Intervals[1]; first.ShareOfUse != "4.5" || first.RecordedValue != "1.00" || first.UnknownValue != "2.25" || first.Values != (shrinkage.Pair{Average: "2.25", FIFO: "2.25"}) {
		t.Errorf("%+v", first)
	}
	month := of(t, foldtest.Facts(shop), shrinkage.What{From: ms("2026-01-15"), To: ms("2026-02-10")}, false)
	if len(month.Items) != 1 || month.Items[0].Unknown != "9" || len(month.Items[0].Intervals) != 1 {
		t.Errorf("%+v", month.Items)
	}
	if none := of(t, foldtest.Facts(shop), shrinkage.What{From: ms("2027-01-01")}, false); len(none.Items) != 0 || none.Total.UnknownValue != "0.00" {
		t.Errorf("%+v", none)
	}
	if early := of(t, foldtest.Facts(shop), shrinkage.What{To: ms("2026-02-10")}, false).Items[0]; early.Unknown != "9" || early.Uncounted {
		t.Errorf("%+v", early)
	}
}

func TestGroups(t *testing.T) {
	r := of(t, foldtest.Facts(shop+`
		count 2026-03-01 {"item":"card","qty":"10","cost":"4"}
		count 2026-03-31 {"item":"card","qty":"8"}
	`), shrinkage.What{From: ms("2026-01-15")}, false)
	show := func(list []shrinkage.Group) string {
		var out []string
		for _, g := range list {
			out = append(out, fmt.Sprint(g.Name, g.Items, g.Intervals, " ", g.RecordedValue, " ", g.UnknownValue))
		}
		return strings.Join(out, ", ")
	}
	for _, c := range [][2]string{
		{show(r.Places), "1 1 0.00 0.80, A11 3 1.00 2.50, B21 1 0.00 0.78"},
		{show(r.Suppliers), "1 1 0.00 0.80, Quillmark1 4 1.00 3.28"},
		{show(r.Kinds), "card1 1 0.00 0.80, supply1 4 1.00 3.28"},
		{show(r.Months), "2026-011 1 1.00 2.25, 2026-021 1 0.00 0.25, 2026-032 2 0.00 0.80, 2026-041 1 0.00 0.78"},
		{show([]shrinkage.Group{r.Total}), "2 5 1.00 4.08"},
	} {
		if c[0] != c[1] {
			t.Errorf("%s\nwant\n%s", c[0], c[1])
		}
	}
}

// Retired things are out of the table, and out of what is tested together, but still there for who asks.
func TestRetiredItems(t *testing.T) {
	facts := shop + `
		retire 2026-05-01 {"item":"board"}
		count 2026-05-02 {"item":"board","qty":"0"}`
	if r := of(t, foldtest.Facts(facts), shrinkage.What{}, false); len(r.Items) != 0 || r.Judged != 0 {
		t.Errorf("%+v", r.Items)
	}
	for _, what := range []shrinkage.What{{Item: "board"}, {From: ms("2026-05-01")}} {
		if r := of(t, foldtest.Facts(facts), what, false); len(r.Items) != 1 || !r.Items[0].Signal {
			t.Errorf("%+v", r.Items)
		}
	}
}

// On any ledger: lines add up, groups add up to the total, and neither the order of arrival nor asking for one item changes a figure.
func TestReportAddsUp(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		events := oracle.Ledger(rt, rapid.IntRange(20, 60).Draw(rt, "size"))
		r := of(rt, foldtest.Events(events), shrinkage.What{From: 1}, true)
		turned := slices.Clone(events)
		slices.Reverse(turned)
		if a, b := text(r), text(of(rt, foldtest.Events(turned), shrinkage.What{From: 1}, true)); a != b {
			rt.Fatalf("%s\n%s", a, b)
		}
		var unknown, recorded num.Money
		for _, it := range r.Items {
			addsUp(rt, it.Stretch)
			for _, n := range it.Intervals {
				addsUp(rt, n)
			}
			unknown, recorded = unknown.Add(num.MustMoney(it.UnknownValue)), recorded.Add(num.MustMoney(it.RecordedValue))
			if one := of(rt, foldtest.Events(events), shrinkage.What{From: 1, Item: it.Item}, true); text(one.Items) != text([]shrinkage.Item{it}) {
				rt.Fatalf("%s\n%s", text(one.Items), text(it))
			}
		}
		for _, list := range [][]shrinkage.Group{r.Places, r.Suppliers, r.Kinds, r.Months, {r.Total}} {
			var u, w num.Money
			for _, g := range list {
				u, w = u.Add(num.MustMoney(g.UnknownValue)), w.Add(num.MustMoney(g.RecordedValue))
			}
			if u.Cmp(unknown) != 0 || w.Cmp(recorded) != 0 {
				rt.Fatalf("%v don't add up to %s and %s", list, unknown, recorded)
			}
		}
	})
}

func addsUp(t *rapid.T, n shrinkage.Stretch) {
	q := num.MustQty
	if q(n.Opening).Add(q(n.In)).Sub(q(n.Used)).Sub(q(n.RecordedLoss)).Cmp(q(n.Book)) != 0 || q(n.Book).Sub(q(n.Counted)).Cmp(q(n.Unknown)) != 0 {
		t.Fatalf("%+v doesn't add up", n)
	}
	if n.Low == "" || n.High == "" || q(n.High).Less(q(n.Low)) {
		t.Fatalf("%+v", n)
	}
}

func text(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

// A shop of a dozen supplies that lose nothing, and one that loses a piece in twenty.
func TestALeakIsASignal(t *testing.T) {
	var b strings.Builder
	b.WriteString(`shop 2026-01-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC"}
		item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
`)
	lines := ""
	for i := range 12 {
		name := fmt.Sprintf("supply-%02d", i)
		fmt.Fprintf(&b, `item 2026-01-01 {"item":"%s","name":"S","type":"supply","unit":"each"}`+"\n", name)
		fmt.Fprintf(&b, `restock 2026-01-01 {"lines":[{"item":"%s","qty":"1600","cost":"50"}]}`+"\n", name)
		if i > 0 {
			lines += ","
		}
		lines += fmt.Sprintf(`{"item":"%s","qty":"1","per":"parcel"}`, name)
	}
	fmt.Fprintf(&b, `packspec 2026-01-01 {"formats":[{"format":"flat","holds":"1","lines":[%s]}]}`+"\n", lines)
	there := 1600
	for month := 1; month <= 4; month++ {
		for i := range 12 {
			left := there
			if i == 7 {
				left -= 15 * (month - 1)
			}
			fmt.Fprintf(&b, `count 2026-%02d-28 {"item":"supply-%02d","qty":"%d"}`+"\n", month, i, left+i%2)
		}
		fmt.Fprintf(&b, `pack 2026-%02d-10 {"order":"%d","lines":[{"item":"card","qty":"300"}]}`+"\n", month+1, month)
		there -= 300
	}
	r := of(t, foldtest.Facts(b.String()), shrinkage.What{}, false)
	for _, it := range r.Items {
		if it.Signal != (it.Item == "supply-07") {
			t.Errorf("%s: unknown %s, signal %v", it.Item, it.Unknown, it.Signal)
		}
		if it.Item == "supply-07" {
			if it.Unknown != "45" || num.MustQty(it.Low).Cmp(num.MustQty("20")) < 0 || num.MustQty(it.High).Cmp(num.MustQty("80")) > 0 {
				t.Errorf("%+v", it)
			}
		}
		if d := num.MustQty(it.Detectable); d.Sign() <= 0 || num.MustQty("45").Less(d) {
			t.Errorf("%s would have been found from %s on", it.Item, it.Detectable)
		}
	}
}
