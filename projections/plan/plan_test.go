package plan_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/oracle"
	"countback/projections/plan"
	"countback/projections/report"
)

var style = report.Style{Zone: time.UTC}

// later is an instant after all that random ledgers hold, in ms.
const later = oracle.Start + 2*oracle.Days*86_400_000

// ledger draws a random ledger with some orders that nobody packed, so that there is something to plan.
func ledger(t *rapid.T) []*event.Event {
	events := oracle.Ledger(t, rapid.SampledFrom([]int{20, 50}).Draw(t, "size"))
	goods := []string{"card", "print", "set", "kit"}
	for i := range rapid.IntRange(1, 6).Draw(t, "open orders") {
		o := &event.Order{Order: fmt.Sprint("B", i), Zone: rapid.SampledFrom([]string{"home", "abroad"}).Draw(t, "zone")}
		for range rapid.IntRange(1, 2).Draw(t, "lines") {
			o.Lines = append(o.Lines, event.Goods{Item: rapid.SampledFrom(goods).Draw(t, "good"), Qty: num.Whole(rapid.Int64Range(1, 3).Draw(t, "pieces"))})
		}
		if rapid.Bool().Draw(t, "gift") {
			o.Options = []string{"gift_wrap"}
		}
		events = added(events, oracle.Start+rapid.Int64Range(0, 9).Draw(t, "day")*86_400_000, o)
	}
	return events
}

// added records one more fact behind the first device's log.
func added(events []*event.Event, ms int64, d event.Data) []*event.Event {
	e := &event.Event{Device: events[0].Device, Shop: events[0].Shop, Version: 1, Kind: d.Kind(), Time: event.TimeOf(time.UnixMilli(ms).UTC()), Data: d}
	for _, o := range events {
		if o.Device == e.Device {
			e.Seq = max(e.Seq, o.Seq+1)
		}
	}
	e.ID = event.ID{2, 0, 0, 0, 0, 0, 9, byte(e.Seq >> 8), byte(e.Seq)}
	return append(events[:len(events):len(events)], e)
}

func mustPlan(t *rapid.T, s *fold.State, ask plan.Ask) plan.Report {
	t.Helper()
	r, err := plan.Of(s, style, ask)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// packed folds the ledger with packs of some orders, of all that is left of each, behind everything else.
func packed(s *fold.State, events []*event.Event, numbers []string) *fold.State {
	for i, n := range numbers {
		p := &event.Pack{Order: n}
		for _, u := range s.Orders[n].Remaining() {
			p.Lines = append(p.Lines, event.Goods{Item: s.Catalog.Items[u.Item].ID, Qty: u.Qty})
		}
		events = added(events, later-1000+int64(i), p)
	}
	return foldtest.Run(foldtest.Events(events), later)
}

func onHand(s *fold.State, id string) num.Qty {
	it, _ := s.Catalog.Find(id)
	return s.Items[it.Index].Account.OnHand()
}

func retired(s *fold.State, id string) bool {
	it, _ := s.Catalog.Find(id)
	return s.View.Retired(it.Index)
}

// What a plan says is needed is exactly what leaves when its orders are packed, each by itself and all together; what is short is what on hand lacks of it; and
// the orders that are ready take nothing below zero.
func TestPlanIsWhatPackingTakes(t *testing.T) {
	planned, someStay := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		events := ledger(t)
		s := foldtest.Run(foldtest.Events(events), later)
		r := mustPlan(t, s, plan.Ask{OldestFirst: rapid.Bool().Draw(t, "oldest first")})
		var all, ready []string
		sum := map[string]num.Qty{}
		for _, o := range r.Orders {
			if o.Waits || len(o.Parcels) == 0 && o.Why != "" && !strings.Contains(o.Why, "no parcel format") {
				continue // it needs nothing: nobody knows whether it is packed, or it can't be worked out
			}
			all = append(all, o.Order)
			if o.Ready {
				ready = append(ready, o.Order)
			}
			one := mustPlan(t, s, plan.Ask{Orders: []string{o.Order}})
			after := packed(s, events, []string{o.Order})
			for _, p := range one.Pull {
				need := num.MustQty(p.Need)
				sum[p.Item] = sum[p.Item].Add(need)
				if retired(s, p.Item) {
					continue // its use by the spec isn't planned
				}
				if left := onHand(s, p.Item).Sub(onHand(after, p.Item)); left.Cmp(need) != 0 {
					t.Errorf("order %s needs %s of %s, and its pack takes %s", o.Order, p.Need, p.Item, left)
				}
			}
		}
		for i, o := range r.Orders {
			if i > 0 {
				before := r.Orders[i-1].Order
				if a, b := s.Orders[before].PlacedMs, s.Orders[o.Order].PlacedMs; a > b || a == b && before >= o.Order {
					t.Errorf("order %s stands behind %s", o.Order, before)
				}
			}
			if o.Waits || !slices.Contains(all, o.Order) {
				continue
			}
			// It lacks what the others leave too little of, and whoever lacks something stays.
			var lacks []string
			for _, p := range mustPlan(t, s, plan.Ask{Orders: []string{o.Order}}).Pull {
				k := slices.IndexFunc(r.Pull, func(all plan.Pull) bool { return all.Item == p.Item })
				left := num.Max(num.Qty{}, num.MustQty(p.OnHand)).Sub(num.MustQty(r.Pull[k].Take))
				if left.Less(num.MustQty(p.Need)) && !o.Ready {
					lacks = append(lacks, p.Item)
				}
			}
			slices.Sort(lacks)
			if !slices.Equal(lacks, o.Lacks) || o.Ready != (len(o.Lacks) == 0 && o.Why == "") {
				t.Errorf("order %s lacks %v, the plan says %v and ready %v", o.Order, lacks, o.Lacks, o.Ready)
			}
		}
		planned += len(all)
		if len(ready) < len(all) {
			someStay++
		}
		after := packed(s, events, all)
		for _, p := range r.Pull {
			need, have := num.MustQty(p.Need), num.MustQty(p.OnHand)
			if need.Cmp(sum[p.Item]) != 0 {
				t.Errorf("%s of %s are needed, and the orders need %s", need, p.Item, sum[p.Item])
			}
			if want := num.Max(num.Qty{}, need.Sub(have)).String(); p.Short != want {
				t.Errorf("%s is short by %s, want %s", p.Item, p.Short, want)
			}
			delete(sum, p.Item)
		}
		for item, q := range sum {
			t.Errorf("%s of %s are not in the list", q, item)
		}
		for _, it := range s.Catalog.Items {
			if it.Prepared() || s.View.Retired(it.Index) {
				continue
			}
			left := onHand(s, it.ID).Sub(onHand(after, it.ID))
			k := slices.IndexFunc(r.Pull, func(p plan.Pull) bool { return p.Item == it.ID })
			if k < 0 && !left.IsZero() || k >= 0 && left.String() != r.Pull[k].Need {
				t.Errorf("packing all takes %s of %s, which isn't what the list says", left, it.ID)
			}
		}
		after = packed(s, events, ready)
		for _, it := range s.Catalog.Items {
			if it.Prepared() || s.View.Retired(it.Index) {
				continue
			}
			k := slices.IndexFunc(r.Pull, func(p plan.Pull) bool { return p.Item == it.ID })
			left := onHand(s, it.ID).Sub(onHand(after, it.ID))
			if k >= 0 && left.String() != r.Pull[k].Take || k < 0 && !left.IsZero() {
				t.Errorf("packing what is ready takes %s of %s, which isn't what the list says", left, it.ID)
			}
			if !left.IsZero() && onHand(after, it.ID).Sign() < 0 {
				t.Errorf("packing what is ready leaves %s of %s", onHand(after, it.ID), it.ID)
			}
		}
	})
	if planned < 20 || someStay < 5 {
		t.Errorf("only %d orders were planned, and in %d plans some stayed", planned, someStay)
	}
}

// The same bytes, whatever the order of arrival.
func TestPlanKnowsNoOrderOfArrival(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := foldtest.Events(ledger(t))
		text := func(l foldtest.Lines) string {
			b, err := json.Marshal(mustPlan(t, foldtest.Run(l, later), plan.Ask{}))
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		if a, b := text(lines), text(rapid.Permutation(lines).Draw(t, "order")); a != b {
			t.Errorf("%s\nand\n%s", a, b)
		}
	})
}

// shop is a shop of which everything is there.
const shop = `
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each","class":"flat","place":"drawer 10"}
item 2026-01-01 {"item":"print","name":"Print","type":"good","unit":"each","class":"flat","points":"3","place":"drawer 9"}
item 2026-01-01 {"item":"pin","name":"Pin","type":"good","unit":"each","class":"small"}
item 2026-01-01 {"item":"set","name":"Set","type":"prepared","unit":"each","class":"flat","points":"2","parts":[{"item":"card","qty":"2"},{"item":"cord","qty":"120"}]}
item 2026-01-01 {"item":"box-set","name":"Set of sets","type":"prepared","unit":"each","class":"flat","parts":[{"item":"set","qty":"2"}]}
item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","packs":{"stub":"400","spool":"1000","cone":"5000"},"measures":{"tie":"450","wrap":"310","loop":"120"},"place":"stand"}
item 2026-01-01 {"item":"glue","name":"Glue","type":"supply","unit":"g","packs":{"tub":"250"},"measures":{"pinch":"0.4"}}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","packs":{"sheet":"6","bundle":"60"},"measures":{"double":"2"}}
item 2026-01-01 {"item":"mailer","name":"Mailer","type":"supply","unit":"each"}
restock 2026-01-02 {"lines":[{"item":"card","qty":"100","cost":"9"},{"item":"print","qty":"100","cost":"9"},{"item":"cord","qty":"100000","cost":"9"},{"item":"glue","qty":"100","cost":"1"},{"item":"board","qty":"60","cost":"6"},{"item":"mailer","qty":"60","cost":"6"}]}
`

const spec = `packspec 2026-01-01 {"lines":[{"item":"cord","qty":"1","measure":"wrap","per":"order"},{"item":"cord","qty":"2","measure":"tie","per":"unit","good":"print"},{"item":"cord","qty":"310","per":"order","option":"gift"},{"item":"cord","qty":"77","per":"order","option":"gift"},{"item":"glue","qty":"1.5","measure":"pinch","per":"unit"},{"item":"board","qty":"1","measure":"double","per":"unit"}],"formats":[{"format":"flat","accepts":["flat"],"holds":"8","lines":[{"item":"mailer","qty":"1","per":"parcel"}]}]}
`

func TestPreparation(t *testing.T) {
	s := foldtest.Run(foldtest.Facts(shop+spec+`
order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"print","qty":"2"}],"options":["gift"]}
order 2026-01-03 {"order":"2","zone":"x","lines":[{"item":"box-set","qty":"1"},{"item":"set","qty":"1"}]}
`), 0)
	r, err := plan.Of(s, style, plan.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, p := range r.Prepare {
		got = append(got, fmt.Sprintf("%s %s %s %s of %s: %s, %d %s, %s left", p.Work, p.Pieces, p.Item, p.Measure, p.Size, p.Takes, p.Packs, p.Pack, p.Offcut))
	}
	// Inner sets before the set of sets. Of cord, the smallest pack that holds the longest piece is the spool of 1,000: four ties open two of them and leave 100 in each;
	// three wraps open another and leave 70 of it, three loops open one more, and the last 77 comes from the first rest that holds it.
	want := []string{
		"make up 3 set  of : , 0 ,  left",
		"make up 1 box-set  of : , 0 ,  left",
		"cut 4 cord tie of 450: 1800, 2 spool,  left",
		"cut 3 cord wrap of 310: 930, 1 spool,  left",
		"cut 3 cord loop of 120: 360, 1 spool,  left",
		"cut 1 cord  of 77: 77, 0 spool, 833 left",
		"cut 4 board double of 2: 8, 2 sheet, 4 left",
		"weigh out 4 glue pinch of 0.6: 2.4, 0 ,  left",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if len(r.Options) != 1 || len(r.Options[0].Items) != 1 || r.Options[0].Items[0].Qty != "387" || !r.Options[0].Spec {
		t.Errorf("options: %+v", r.Options)
	}
	var places []string
	for _, p := range r.Pull {
		places = append(places, p.Item)
	}
	if text := strings.Join(places, " "); text != "print card cord board glue mailer" {
		t.Errorf("pulled in the order %s", text)
	}
}

func TestOrdersThatCannotGo(t *testing.T) {
	for _, c := range []struct{ name, facts, order, why string }{
		{"no format takes it", spec + `order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"pin","qty":"2"}]}`, "1", "no parcel format takes 2 of pin"},
		{"a pack waits for a decision", spec + `
order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"card","qty":"2"}]}
pack 2026-01-04 {"order":"1","lines":[{"item":"card","qty":"1"}]}
#P pack 2026-01-05 {"order":"1","lines":[{"item":"card","qty":"2"}]}`, "1", "waits for a decision: countback decide " + foldtest.ID("P").String() + " keep|drop"},
		{"parts in a circle", spec + `
item 2026-01-01T01:00:00Z {"item":"set","parts":[{"item":"box-set","qty":"1"}]}
order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"box-set","qty":"1"}]}`, "1", "parts go in a circle: box-set holds set holds box-set; correct the definition"},
		{"parts of what the spec uses, in a circle", `
item 2026-01-01 {"item":"env","name":"Envelope with env","type":"prepared","unit":"each","parts":[{"item":"env","qty":"1"}]}
packspec 2026-01-01 {"formats":[{"format":"flat","lines":[{"item":"env","qty":"1","per":"parcel"}]}]}
order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"card","qty":"1"}]}`, "1", "parts go in a circle: env holds env"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := plan.Of(foldtest.Run(foldtest.Facts(shop+c.facts), 0), style, plan.Ask{})
			if err != nil || len(r.Orders) != 1 || r.Orders[0].Ready || !strings.Contains(r.Orders[0].Why, c.why) {
				t.Errorf("%v %+v", err, r.Orders)
			}
		})
	}
}

// What is retired leaves the plan, though the spec still uses it; a good that was ordered is pulled.
func TestRetired(t *testing.T) {
	r, err := plan.Of(foldtest.Run(foldtest.Facts(shop+spec+`
retire 2026-01-02 {"item":"cord"}
retire 2026-01-02 {"item":"mailer"}
retire 2026-01-02 {"item":"card"}
damage 2026-01-03 {"item":"mailer","qty":"60","reason":"damaged"}
order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"print","qty":"1"},{"item":"card","qty":"3"}]}`), 0), style, plan.Ask{})
	if err != nil || !r.Orders[0].Ready {
		t.Errorf("%v %+v", err, r.Orders)
	}
	for _, p := range r.Pull {
		if p.Item == "cord" || p.Item == "mailer" {
			t.Errorf("%s is pulled", p.Item)
		}
	}
	for _, p := range r.Prepare {
		if p.Item == "cord" {
			t.Errorf("%s of cord are cut", p.Pieces)
		}
	}
	if len(r.Notes) != 1 || r.Notes[0] != "card is retired, and open orders hold it: 1" {
		t.Error(r.Notes)
	}
}

func TestOldOrdersAreAskedAbout(t *testing.T) {
	facts := shop + spec
	for i := range 8 {
		facts += fmt.Sprintf(`order 2026-01-0%d {"order":"%d","zone":"x","lines":[{"item":"card","qty":"1"}]}`+"\n", i+1, i)
	}
	day := func(n int) int64 { return time.Date(2026, 1, n, 0, 0, 0, 0, time.UTC).UnixMilli() }
	for asOf, want := range map[int64]string{day(31): "", day(31) + 1: "ago and not recorded as packed: 0;", day(38) + 1: ": 0, 1, 2, 3, 4, 5 and 2 more; if"} {
		r, err := plan.Of(foldtest.Run(foldtest.Facts(facts), asOf), style, plan.Ask{})
		if text := strings.Join(r.Notes, " "); err != nil || !strings.Contains(text, want) || (text == "") != (want == "") {
			t.Errorf("%v %q, want %q", err, text, want)
		}
	}
}

func TestWithoutASpec(t *testing.T) {
	r, err := plan.Of(foldtest.Run(foldtest.Facts(shop+`order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"set","qty":"2"}]}`), 0), style, plan.Ask{})
	if err != nil || !r.Orders[0].Ready || len(r.Pull) != 2 || len(r.Notes) != 1 || !strings.Contains(r.Notes[0], "no packing spec") {
		t.Errorf("%v %+v", err, r)
	}
}

// A set that was printed for the order is there, beside what the shelf has.
func TestRunsForTheOrder(t *testing.T) {
	r, err := plan.Of(foldtest.Run(foldtest.Facts(shop+spec+`
order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"set","qty":"2"},{"item":"card","qty":"1"}]}
reprint 2026-01-04 {"item":"card","good":"3","spoiled":"0","order":"1"}`), 0), style, plan.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range r.Pull {
		if p.Item == "card" && p.Need != "2" {
			t.Errorf("%s cards are needed, of 5 three were printed for the order", p.Need)
		}
	}
}

func TestNamedOrders(t *testing.T) {
	s := foldtest.Run(foldtest.Facts(shop+spec+`
order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"card","qty":"2"}]}
order 2026-01-04 {"order":"2","zone":"x","lines":[{"item":"card","qty":"2"}]}
pack 2026-01-04 {"order":"2"}
#V order 2026-01-04 {"order":"3","zone":"x","lines":[{"item":"card","qty":"2"}]}
reverse 2026-01-05 {"event":"#V","reason":"called off"}
`), 0)
	for number, want := range map[string]string{"2": "packed", "3": "reversed", "4": "unknown"} {
		_, err := plan.Of(s, style, plan.Ask{Orders: []string{"1", number}})
		no, ok := err.(*plan.NotOpen)
		if !ok || no.State != want || no.Order != number {
			t.Errorf("%s: %v", number, err)
		}
	}
	if r, err := plan.Of(s, style, plan.Ask{Orders: []string{"1", "1"}}); err != nil || len(r.Orders) != 1 {
		t.Errorf("%v %+v", err, r.Orders)
	}
}

// A pack that is begun leaves less than a whole one would: never more than there is.
func TestOffcutIsNotMoreThanThereIs(t *testing.T) {
	for _, c := range []struct{ onHand, offcut string }{{"50000", "49100"}, {"2000", "1100"}, {"51000", "49100"}, {"900", "0"}} {
		r, err := plan.Of(foldtest.Run(foldtest.Facts(`
			shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax"}
			item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
			item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","packs":{"spool":"50000"},"measures":{"tie":"300"}}
			packspec 2026-01-01 {"formats":[{"format":"letter","lines":[{"item":"cord","qty":"3","measure":"tie","per":"parcel"}]}]}
			count 2026-01-02 {"item":"card","qty":"5"}
			count 2026-01-02 {"item":"cord","qty":"`+c.onHand+`"}
			order 2026-01-03 {"order":"1","zone":"x","lines":[{"item":"card","qty":"1"}]}`), 0), style, plan.Ask{})
		if err != nil || len(r.Prepare) != 1 || r.Prepare[0].Offcut != c.offcut {
			t.Errorf("of %s: %+v, %v", c.onHand, r.Prepare, err)
		}
	}
}
