package bridge_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/bridge"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/oracle"
	"countback/projections/report"
	"pgregory.net/rapid"
)

func read(t testing.TB, lines foldtest.Lines, asOf int64) *bridge.Record {
	t.Helper()
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	return bridge.Read(log, fold.Run{AsOf: asOf})
}

func index(t testing.TB, r *bridge.Record, item string) int {
	t.Helper()
	it, ok := r.Log.Catalog.Find(item)
	if !ok {
		t.Fatalf("no item %s", item)
	}
	return it.Index
}

func ms(day string) int64 {
	at, err := time.Parse(time.RFC3339, day)
	if err != nil {
		at, err = time.Parse("2006-01-02", day)
	}
	if err != nil {
		panic(err)
	}
	return at.UnixMilli()
}

// of works out the bridge of an item over the window that the rules choose, or that of asked days.
func of(t testing.TB, r *bridge.Record, item string, ask bridge.Ask) bridge.Bridge {
	t.Helper()
	i := index(t, r, item)
	w, err := r.Window(i, ask)
	if err != nil {
		t.Fatal(err)
	}
	b := r.Of(i, w, time.UTC)
	adds(t, &b)
	return b
}

// adds checks that the parts lead from expected to actual, in quantity and in money.
func adds(t interface{ Errorf(string, ...any) }, b *bridge.Bridge) {
	sum := b.Expected
	value := b.ExpectedValue.Add(b.Price)
	for _, p := range b.Parts {
		sum = sum.Add(p.Qty)
		value = value.Add(p.Value)
		if len(p.Sub) > 0 {
			var sub num.Qty
			for _, s := range p.Sub {
				sub = sub.Add(s.Qty)
			}
			if sub.Cmp(p.Qty) != 0 {
				t.Errorf("%s is %s, its lines add up to %s", p.Name, p.Qty, sub)
			}
		}
	}
	if sum.Cmp(b.Actual) != 0 {
		t.Errorf("the parts lead to %s, and %s is there", sum, b.Actual)
	}
	if !value.Sub(b.ActualValue).IsZero() {
		t.Errorf("the values lead to %v, and it is worth %v", value, b.ActualValue)
	}
}

// text writes the parts that aren't 0.
func text(b *bridge.Bridge) string {
	var out []string
	for _, p := range b.Parts {
		if !p.Qty.IsZero() {
			out = append(out, p.Name+" "+p.Qty.String())
		}
	}
	return strings.Join(out, ", ")
}

// daily writes packs of an order each day from one day on.
func daily(from string, days int, first int, lines string) string {
	at, _ := time.Parse("2006-01-02", from)
	var b strings.Builder
	for i := range days {
		fmt.Fprintf(&b, "pack %sT12:00:00Z {\"order\":\"%d\",\"lines\":[%s]}\n", at.AddDate(0, 0, i).Format("2006-01-02"), first+i, lines)
	}
	return b.String()
}

const shop = `
shop 2026-01-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC"}
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each","class":"card"}
item 2026-01-01 {"item":"print","name":"Print","type":"good","unit":"each","class":"print"}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","packs":{"box":"150"}}
#S1 packspec 2026-01-01 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"board","qty":"1","per":"unit","class":"print"}]}]}
makespec 2026-01-01 {"item":"card","pieces":"10","lines":[{"item":"board","qty":"1","per":"piece"}],"normal_spoilage":"0.1"}
count 2025-12-31T23:59:59Z {"item":"board","qty":"200"}
`

const (
	card  = `{"item":"card","qty":"1"}`
	print = `{"item":"print","qty":"1"}`
)

// thirty days with one card a day, then a box of 150.
var past = shop + daily("2026-01-01", 30, 1, card) + `
count 2026-01-30T23:59:59Z {"item":"board","qty":"170"}
#B1 restock 2026-01-31 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
`

func TestParts(t *testing.T) {
	for _, c := range []struct{ rule, facts, want string }{
		{"what was expected came about", daily("2026-01-31", 30, 100, card) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"290"}`, ""},
		{"more orders", daily("2026-01-31", 30, 100, card) + daily("2026-01-31", 30, 200, card) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"260"}`, "order_volume -30"},
		{"heavier orders", daily("2026-01-31", 30, 100, print) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"260"}`, "order_mix -30"},
		{"twice the orders, twice as heavy: half of the 60 together each", daily("2026-01-31", 30, 100, print) + daily("2026-01-31", 30, 200, print) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"200"}`, "order_volume -45, order_mix -45"},
		{"a new spec", `
			packspec 2026-01-31 {"formats":[{"format":"flat","lines":[{"item":"board","qty":"2","per":"parcel"}]}]}` + "\n" + daily("2026-01-31", 30, 100, card) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"260"}`, "spec_change -30"},
		{"a spec that was found wrong later", daily("2026-01-31", 30, 100, card) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"260"}
			packspec 2026-03-02 {"restates":"#S1","formats":[{"format":"flat","lines":[{"item":"board","qty":"2","per":"parcel"}]}]}`, "spec_change -30"},
		{"changes at the bench", daily("2026-01-31", 29, 100, card) + `
			pack 2026-03-01T12:00:00Z {"order":"900","lines":[{"item":"card","qty":"1"}],"changes":[{"item":"board","qty":"4"}]}
			count 2026-03-01T23:59:59Z {"item":"board","qty":"286"}`, "packing_changes -4"},
		{"write-offs and what nobody knows", daily("2026-01-31", 30, 100, card) + `
			damage 2026-02-02 {"item":"board","qty":"3","reason":"damaged"}
			damage 2026-02-03 {"item":"board","qty":"2","reason":"sample"}
			count 2026-03-01T23:59:59Z {"item":"board","qty":"275"}`, "write_offs -5, unknown -10"},
		{"a print run, 5 of its 20 pieces spoiled, 2 of them as usual", daily("2026-01-31", 30, 100, card) + `
			reprint 2026-02-02 {"item":"card","good":"15","spoiled":"5"}
			count 2026-03-01T23:59:59Z {"item":"board","qty":"270"}`, "print_runs -20"},
		{"what was due and didn't come", `purchase 2026-01-20 {"supplier":"Quillmark","due":"2026-02-10","lines":[{"item":"board","qty":"1","pack":"box"}]}` + "\n" + daily("2026-01-31", 30, 100, card) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"290"}`, "receipts -150"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			// The window is as long as the baseline: 30 days.
			b := of(t, read(t, foldtest.Facts(past+c.facts), 0), "board", bridge.Ask{To: ms("2026-03-01T23:59:59Z")})
			if got := text(&b); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

// What comes in is measured by the box that the window is about: what it should have held, and, where it was entered twice, the first of the two.
func TestTheBox(t *testing.T) {
	for _, c := range []struct{ rule, facts, want string }{
		{"short by a box", `
			restock 2026-01-31 {"lines":[{"item":"board","qty":"1","expected":"2","pack":"box","cost":"75"}]}`, "receipts -150"},
		{"entered twice", `
			restock 2026-01-31 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
			restock 2026-02-01 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}`, "receipts 150, unknown -150"},
		{"some of it went back", `
			#B2 restock 2026-01-31 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
			credit 2026-02-02 {"restock":"#B2","lines":[{"item":"board","qty":"50","amount":"25"}]}`, "receipts -50, unknown 50"},
	} {
		before, _, _ := strings.Cut(past, "#B1")
		b := of(t, read(t, foldtest.Facts(before+c.facts+"\n"+daily("2026-01-31", 30, 100, card)+`
			count 2026-03-01T23:59:59Z {"item":"board","qty":"290"}`), 0), "board", bridge.Ask{To: ms("2026-03-01T23:59:59Z")})
		if got := text(&b); got != c.want {
			t.Errorf("%s: got %s, want %s", c.rule, got, c.want)
		}
	}
}

func TestSubLinesOfRuns(t *testing.T) {
	r := read(t, foldtest.Facts(past+daily("2026-01-31", 30, 100, card)+`
		reprint 2026-02-02 {"item":"card","good":"15","spoiled":"5"}
		count 2026-03-01T23:59:59Z {"item":"board","qty":"270"}`), 0)
	b := of(t, r, "board", bridge.Ask{})
	var out []string
	for _, s := range b.Part(bridge.PrintRuns).Sub {
		out = append(out, fmt.Sprint(s.Name, " ", s.Qty, " ", len(s.Events)))
	}
	if s := strings.Join(out, ", "); s != "good pieces -15 1, normal spoilage -2 1, abnormal spoilage -3 1" {
		t.Error(s)
	}
}

func TestWindows(t *testing.T) {
	for _, c := range []struct{ rule, facts, from, to string }{
		{"from the count before the box to the last count", past + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"290"}`, "2026-01-30T23:59:59Z", "2026-03-01T23:59:59Z"},
		{"to the last event after which nothing is left", past + `
			damage 2026-02-05 {"item":"board","qty":"320","reason":"damaged"}
			restock 2026-02-07 {"lines":[{"item":"board","qty":"7","cost":"3"}]}
			count 2026-03-01T23:59:59Z {"item":"board","qty":"290"}`, "2026-01-30T23:59:59Z", "2026-02-05T00:00:00Z"},
		{"by count less than the smallest line", strings.Replace(past, `"qty":"1","per"`, `"qty":"3","per"`, 2) + `
			count 2026-02-05T23:59:59Z {"item":"board","qty":"2"}
			restock 2026-02-07 {"lines":[{"item":"board","qty":"7","cost":"3"}]}`, "2026-01-30T23:59:59Z", "2026-02-05T23:59:59Z"},
		{"without a count the box begins it, and what was entered twice is one box", shop[:strings.Index(shop, "count")] + `
			restock 2026-01-31 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
			restock 2026-02-02 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
			count 2026-03-01T23:59:59Z {"item":"board","qty":"290"}`, "2026-01-31T00:00:00Z", "2026-03-01T23:59:59Z"},
		{"four days apart they are two boxes", shop[:strings.Index(shop, "count")] + `
			restock 2026-01-31 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
			restock 2026-02-04 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
			count 2026-03-01T23:59:59Z {"item":"board","qty":"290"}`, "2026-02-04T00:00:00Z", "2026-03-01T23:59:59Z"},
		{"never restocked: from the first count", shop + daily("2026-01-01", 3, 1, card) + `
			count 2026-03-01T23:59:59Z {"item":"board","qty":"190"}`, "2025-12-31T23:59:59Z", "2026-03-01T23:59:59Z"},
	} {
		r := read(t, foldtest.Facts(c.facts), ms("2026-04-01"))
		w, err := r.Window(index(t, r, "board"), bridge.Ask{})
		if err != nil || w.FromMs != ms(c.from) || w.ToMs != ms(c.to) {
			t.Errorf("%s: %s to %s, %v; want %s to %s", c.rule, time.UnixMilli(w.FromMs).UTC(), time.UnixMilli(w.ToMs).UTC(), err, c.from, c.to)
		}
	}
}

func TestNothingIsExpectedOfAYoungShop(t *testing.T) {
	r := read(t, foldtest.Facts(shop+daily("2026-01-01", 30, 1, card)+`
		restock 2026-01-10 {"lines":[{"item":"board","qty":"1","pack":"box","cost":"75"}]}
		count 2026-01-30T23:59:59Z {"item":"board","qty":"310"}`), 0)
	b := of(t, r, "board", bridge.Ask{})
	if b.Why == "" || b.Expected.String() != "200" || text(&b) != "receipts 150, order_volume -30, unknown -10" {
		t.Errorf("%q, expected %s: %s", b.Why, b.Expected, text(&b))
	}
}

// Every bridge of random ledgers adds up, over whatever window, and hangs on nothing but the set of events.
func TestEveryBridgeAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := oracle.Ledger(t, rapid.IntRange(10, 120).Draw(t, "size"))
		// Enough orders for an expectation, beside what the ledger holds.
		for i := range rapid.IntRange(0, 60).Draw(t, "orders") {
			at, err := event.ParseTime(time.UnixMilli(oracle.Start + int64(rapid.IntRange(0, oracle.Days*24-1).Draw(t, "hour"))*3600*1000).UTC().Format(time.RFC3339))
			if err != nil {
				t.Fatal(err)
			}
			lines := []event.Goods{{Item: rapid.SampledFrom([]string{"card", "print", "set", "kit"}).Draw(t, "good"), Qty: num.Whole(int64(rapid.IntRange(1, 5).Draw(t, "pieces")))}}
			events = append(events, &event.Event{ID: foldtest.ID(fmt.Sprintf("X%d", i)), Device: foldtest.Devices[3], Kind: event.KindPack, Time: at, Seq: int64(i + 1),
				Data: &event.Pack{Order: fmt.Sprintf("X%d", i), Zone: "home", Lines: lines}})
		}
		lines := foldtest.Events(events)
		asOf := oracle.Start + int64(rapid.IntRange(5, oracle.Days).Draw(t, "as of"))*24*3600*1000
		reports := func(lines foldtest.Lines) (out []bridge.Report) {
			log, err := fold.Read(context.Background(), lines, fold.Choice{})
			if err != nil {
				t.Fatal(err)
			}
			r := bridge.Read(log, fold.Run{AsOf: asOf})
			for i, it := range log.Catalog.Items {
				if it.Prepared() {
					continue
				}
				for _, ask := range []bridge.Ask{{}, {From: oracle.Start + 20*24*3600*1000}, {To: asOf - 9*24*3600*1000}, {From: oracle.Start + 30*24*3600*1000, To: asOf}} {
					w, err := r.Window(i, ask)
					if err != nil {
						continue
					}
					list := []bridge.Bridge{r.Of(i, w, time.UTC)}
					for _, before := range r.Before(i, w, 3) {
						list = append(list, r.Of(i, before, time.UTC))
					}
					for k := range list {
						adds(t, &list[k])
					}
					out = append(out, r.ReportOf(report.Style{Zone: time.UTC, Exact: true}, list))
				}
			}
			return out
		}
		one := reports(lines)
		shuffled := append(foldtest.Lines(nil), lines...)
		rand.New(rand.NewPCG(1, uint64(len(lines)))).Shuffle(len(shuffled), func(i, k int) { shuffled[i], shuffled[k] = shuffled[k], shuffled[i] })
		if two := reports(shuffled); !reflect.DeepEqual(one, two) {
			a, _ := json.Marshal(one)
			b, _ := json.Marshal(two)
			t.Errorf("the order of arrival shows:\n%s\n%s", a, b)
		}
	})
}
