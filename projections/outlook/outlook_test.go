package outlook_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/outlook"
)

// shop is a card that is printed, two to a sheet, and packed in an envelope; and a liner, made from tissue, that goes into each envelope.
const shop = `
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
item 2026-01-01 {"item":"env","name":"Envelope","type":"supply","unit":"each","lead_days":5,"lead_days_max":9}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each"}
item 2026-01-01 {"item":"sheet","name":"Sheet","type":"supply","unit":"each"}
item 2026-01-01 {"item":"liner","name":"Liner","type":"supply","unit":"each"}
item 2026-01-01 {"item":"tissue","name":"Tissue","type":"supply","unit":"mm"}
item 2026-01-01 {"item":"wax","name":"Wax","type":"supply","unit":"g"}
packspec 2026-01-01 {"formats":[{"format":"letter","lines":[{"item":"env","qty":"1","per":"parcel"},{"item":"liner","qty":"1","per":"parcel"}]}]}
makespec 2026-01-01 {"item":"card","pieces":"2","lines":[{"item":"sheet","qty":"1","per":"cycle"}]}
makespec 2026-01-01 {"item":"liner","pieces":"1","lines":[{"item":"tissue","qty":"300","per":"piece"}]}
restock 2026-01-01T01:00:00Z {"lines":[{"item":"card","qty":"500","cost":"100"},{"item":"env","qty":"500","cost":"50"},{"item":"sheet","qty":"500","cost":"50"},{"item":"liner","qty":"500","cost":"20"},{"item":"tissue","qty":"500000","cost":"90"},{"item":"wax","qty":"300","cost":"9"}]}
`

// year writes n days of orders, perDay each, of one card each, packed on their day.
func days(from string, n, perDay int, qty string) string {
	t, err := time.Parse("2006-01-02", from)
	if err != nil {
		panic(err)
	}
	var b strings.Builder
	for d := range n {
		for k := range perDay {
			at := t.AddDate(0, 0, d).Format("2006-01-02")
			number := fmt.Sprintf("%s-%d", at, k)
			fmt.Fprintf(&b, "order %sT09:%02d:00Z {\"order\":%q,\"zone\":\"home\",\"lines\":[{\"item\":\"card\",\"qty\":%q}]}\n", at, k, number, qty)
			fmt.Fprintf(&b, "pack %sT15:%02d:00Z {\"order\":%q}\n", at, k, number)
		}
	}
	return b.String()
}

type view struct{ *outlook.Outlook }

func look(t *testing.T, text, asOf string, ask outlook.Ask) view {
	t.Helper()
	o, err := of(foldtest.Facts(text), asOf, ask)
	if err != nil {
		t.Fatal(err)
	}
	return view{o}
}

func of(lines foldtest.Lines, asOf string, ask outlook.Ask) (*outlook.Outlook, error) {
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		return nil, err
	}
	at, err := time.Parse("2006-01-02", asOf)
	if err != nil {
		return nil, err
	}
	if ask.Zone == nil {
		ask.Zone = time.UTC
	}
	return outlook.Of(log, fold.Run{AsOf: at.UnixMilli() + 86_399_999}, ask)
}

func (v view) item(t *testing.T, id string) *outlook.Item {
	t.Helper()
	it, _ := v.State.Catalog.Find(id)
	for i := range v.Items {
		if it != nil && v.Items[i].Index == it.Index {
			return &v.Items[i]
		}
	}
	t.Fatalf("no %s in the outlook", id)
	return nil
}

func about(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within*want {
		t.Errorf("%s is %.3f, want about %.3f", what, got, want)
	}
}

func TestUseOfGoodsAndSuppliesThroughTheSpecs(t *testing.T) {
	v := look(t, shop+days("2026-01-02", 60, 4, "2"), "2026-03-02", outlook.Ask{})
	about(t, "cards a day", v.item(t, "card").PerDay(), 8*0.96, 0.05) // a good may fall asleep
	env := v.item(t, "env")
	about(t, "envelopes a day", env.PerDay(), 4, 0.03)
	about(t, "the median run-out of 260 envelopes", float64(env.RunOut.Quantile(0.5)), 65, 0.1)
	if p10, p90 := env.RunOut.Quantile(0.1), env.RunOut.Quantile(0.9); p10 >= 65 || p90 <= 65 {
		t.Error("the spread", p10, p90)
	}
	if w := v.item(t, "wax"); w.Basis != outlook.None || w.PerDay() != 0 || w.RunOut.Quantile(0) != 366 {
		t.Errorf("nothing takes wax: %+v", w.Basis)
	}
}

// A spec that is changed, or put right, changes the forecast at once.
func TestTheSpecInForceCounts(t *testing.T) {
	past := shop + days("2026-01-02", 60, 4, "2")
	now := past + `packspec 2026-03-01 {"formats":[{"format":"letter","lines":[{"item":"env","qty":"1","per":"parcel"},{"item":"board","qty":"2","per":"unit"}]}]}`
	v := look(t, now, "2026-03-02", outlook.Ask{})
	about(t, "boards a day", v.item(t, "board").PerDay(), 16, 0.05)
	if l := v.item(t, "liner"); l.PerDay() > 0.5 {
		t.Error("liners are in no spec any more", l.PerDay())
	}
	about(t, "with a measured ratio", look(t, now, "2026-03-02", outlook.Ask{Ratio: map[int]float64{v.item(t, "board").Index: 1.5}}).item(t, "board").PerDay(), 24, 0.05)
	about(t, "with twice the orders", look(t, now, "2026-03-02", outlook.Ask{Busier: 2}).item(t, "board").PerDay(), 32, 0.05)
}

// Print runs take their inputs in batches, when what is made gets low, and not before.
func TestPrintRuns(t *testing.T) {
	v := look(t, shop+days("2026-01-02", 60, 4, "2")+`reprint 2026-03-02T10:00:00Z {"item":"card","good":"200","spoiled":"0"}`, "2026-03-02", outlook.Ask{})
	card, sheet, tissue := v.item(t, "card"), v.item(t, "sheet"), v.item(t, "tissue")
	if card.Batch.String() != "200" {
		t.Error("a run is as large as the last ones", card.Batch)
	}
	// 220 cards are left, 20 were before the last run: the next one begins after about 25 days
	if early := sheet.Need(15); early > 5 || early < 0 {
		t.Error("sheets are taken before any card is needed:", early)
	}
	// cards fall asleep in one path of fifty a week, so that 200 days take three quarters; and half a run lies on the shelf in the mean
	about(t, "sheets over 200 days", sheet.Need(200), (8*200*0.76-200+100)/2, 0.08)
	// two levels: orders take liners, liners take tissue; 260 liners are left
	if early := tissue.Need(30); early > 300*4*5 {
		t.Error("tissue is taken though there are liners for two months:", early)
	}
	about(t, "tissue over 200 days", tissue.Need(200)/300, 4*200-260+7*4+28*4/2, 0.06) // a week's use is left when a run of four weeks' begins
}

// A good may be made with something that is made itself: its runs need runs.
func TestPrintRunsOfPrintRuns(t *testing.T) {
	v := look(t, shop+`
item 2026-01-01 {"item":"ring","name":"Ring","type":"supply","unit":"each"}
item 2026-01-01 {"item":"wire","name":"Wire","type":"supply","unit":"mm"}
item 2026-01-01 {"item":"album","name":"Album","type":"good","unit":"each"}
makespec 2026-01-01 {"item":"album","pieces":"1","lines":[{"item":"ring","qty":"2","per":"piece"}]}
makespec 2026-01-01 {"item":"ring","pieces":"1","lines":[{"item":"wire","qty":"90","per":"piece"}]}
restock 2026-01-01T01:00:00Z {"lines":[{"item":"album","qty":"130","cost":"10"}]}
`+strings.ReplaceAll(days("2026-01-02", 60, 2, "1"), `"card"`, `"album"`), "2026-03-02", outlook.Ask{})
	rings := v.item(t, "ring").Need(200)
	about(t, "rings over 200 days", rings, 2*(200*2*0.76+28*2/2), 0.12)
	about(t, "wire over 200 days", v.item(t, "wire").Need(200)/90, rings, 0.25)
}

func TestCircles(t *testing.T) {
	for _, c := range []struct{ spec, want string }{
		{`makespec 2026-01-02 {"item":"sheet","pieces":"1","lines":[{"item":"card","qty":"1","per":"cycle"}]}`, "the make specs go in a circle: card → sheet → card"},
		{`makespec 2026-01-02 {"item":"wax","pieces":"1","lines":[{"item":"wax","qty":"1","per":"cycle"}]}`, "wax is made from itself"},
	} {
		_, err := of(foldtest.Facts(shop+c.spec), "2026-03-02", outlook.Ask{})
		var circle *outlook.Circle
		if !errors.As(err, &circle) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
}

func TestPurchasesComeOnTheirDay(t *testing.T) {
	past := shop + days("2026-01-02", 60, 8, "1") // 20 envelopes are left, 8 a day go
	gone := look(t, past, "2026-03-02", outlook.Ask{}).item(t, "env").RunOut.Quantile(0.5)
	if gone < 2 || gone > 4 {
		t.Fatal("without a purchase they last", gone)
	}
	for _, c := range []struct {
		due, on   string
		low, high int
		late      int
	}{
		{"2026-03-04", "2026-02-20", 11, 18, 0},
		{"2026-03-20", "2026-02-20", 2, 4, 0},   // too late
		{"2026-02-27", "2026-02-20", 11, 18, 0}, // some days overdue: any day now
		{"2026-02-01", "2026-01-20", 2, 4, 1},   // long overdue: no more counted on
		{"", "2026-02-26", 2, 18, 0},            // without a due day after the lead time
	} {
		due := ""
		if c.due != "" {
			due = `"due":"` + c.due + `",`
		}
		v := look(t, past+fmt.Sprintf(`purchase %sT09:00:00Z {"supplier":"Quillmark Supply",%s"lines":[{"item":"env","qty":"90"}]}`, c.on, due), "2026-03-02", outlook.Ask{})
		env := v.item(t, "env")
		if got := env.RunOut.Quantile(0.5); got < c.low || got > c.high || len(v.Late) != c.late || env.OnOrder.String() != "90" {
			t.Errorf("due %q: runs out after %d days, %d late", c.due, got, len(v.Late))
		}
	}
}

func TestOpenOrdersArePromised(t *testing.T) {
	v := look(t, shop+days("2026-01-02", 60, 2, "1")+`
order 2026-03-02T10:00:00Z {"order":"open","zone":"home","lines":[{"item":"card","qty":"7"}]}
order 2026-01-20T10:00:00Z {"order":"forgotten","zone":"home","lines":[{"item":"card","qty":"9"}]}
order 2026-03-01T10:00:00Z {"order":"part","zone":"home","lines":[{"item":"card","qty":"5"}]}
pack 2026-03-02T10:00:00Z {"order":"part","lines":[{"item":"card","qty":"2"}]}
`, "2026-03-02", outlook.Ask{})
	if got := v.item(t, "card").Promised.String(); got != "10" {
		t.Error("cards promised:", got)
	}
	if got := v.item(t, "env").Promised.String(); got != "2" {
		t.Error("envelopes promised:", got)
	}
	if !slices.Equal(v.Stale, []string{"forgotten"}) {
		t.Error("stale:", v.Stale)
	}
}

// A pack may be dated before its order, and the day asked for may lie between them.
func TestAnOrderPlacedAfterItsPack(t *testing.T) {
	v := look(t, shop+days("2026-01-02", 60, 2, "1")+`
pack 2026-03-02T10:00:00Z {"order":"late"}
order 2026-03-09T10:00:00Z {"order":"late","zone":"home","lines":[{"item":"card","qty":"7"}]}
`, "2026-03-02", outlook.Ask{Paths: 20, Horizon: 30})
	if v.Orders != 121 || v.item(t, "card").OnHand.String() != "373" {
		t.Error(v.Orders, v.item(t, "card").OnHand)
	}
}

// Samples and write-offs go on as they were, and so does what only changes of packs took.
func TestOtherUse(t *testing.T) {
	var b strings.Builder
	b.WriteString(shop + days("2026-01-02", 60, 2, "1"))
	for d := range 58 {
		at := time.Date(2026, 1, 3, 0, 0, 0, 0, time.UTC).AddDate(0, 0, d).Format("2006-01-02")
		fmt.Fprintf(&b, "damage %sT12:00:00Z {\"item\":\"board\",\"qty\":\"3\",\"reason\":\"sample\"}\n", at)
		fmt.Fprintf(&b, "pack %sT16:00:00Z {\"order\":\"w%s\",\"lines\":[{\"item\":\"card\",\"qty\":\"1\"}],\"changes\":[{\"item\":\"wax\",\"qty\":\"2\"}]}\n", at, at)
	}
	v := look(t, b.String(), "2026-03-02", outlook.Ask{})
	about(t, "boards a day", v.item(t, "board").PerDay(), 3, 0.08)
	about(t, "wax a day", v.item(t, "wax").PerDay(), 2, 0.08)
}

func TestNoHistory(t *testing.T) {
	v := look(t, shop, "2026-03-02", outlook.Ask{})
	if v.Orders != 0 || v.item(t, "env").Basis != outlook.None {
		t.Error(v.Orders, v.item(t, "env").Basis)
	}
	guess := look(t, shop, "2026-03-02", outlook.Ask{Guess: map[int]float64{v.item(t, "env").Index: 10}}).item(t, "env")
	about(t, "the estimate", guess.PerDay(), 10, 1e-9)
	about(t, "500 envelopes at 10 a day", float64(guess.RunOut.Quantile(0.5)), 50, 0.25)
	sold := look(t, shop, "2026-03-02", outlook.Ask{Guess: map[int]float64{v.item(t, "card").Index: 6}})
	about(t, "envelopes for the cards that are expected", sold.item(t, "env").PerDay(), 6, 1e-9)
	if sold.item(t, "sheet").Need(300) < 500 {
		t.Error("sheets for the cards that are expected:", sold.item(t, "sheet").Need(300))
	}
	if guess.Basis != outlook.Own || guess.RunOut.Quantile(0.9)-guess.RunOut.Quantile(0.1) < 30 {
		t.Error("a guess is sure of itself:", guess.RunOut.Quantile(0.1), guess.RunOut.Quantile(0.9))
	}
}

func TestRetiredAndPreparedItemsAreLeftOut(t *testing.T) {
	v := look(t, shop+`
item 2026-01-01 {"item":"set","name":"Set of two","type":"prepared","unit":"each","parts":[{"item":"card","qty":"2"}]}
retire 2026-02-01 {"item":"wax"}
order 2026-03-01T10:00:00Z {"order":"1","zone":"home","lines":[{"item":"set","qty":"3"}]}
`, "2026-03-02", outlook.Ask{})
	for i := range v.Items {
		if id := v.State.Catalog.Items[v.Items[i].Index].ID; id == "set" || id == "wax" {
			t.Error(id, "is listed")
		}
	}
	if got := v.item(t, "card").Promised.String(); got != "6" {
		t.Error("a set promises its cards:", got)
	}
}

// The outlook hangs on the set of events, never on the order in which they came.
func TestOrderOfArrivalChangesNothing(t *testing.T) {
	lines := foldtest.Facts(shop + days("2026-01-02", 40, 3, "2") + `
reprint 2026-02-02T10:00:00Z {"item":"card","good":"60","spoiled":"1"}
order 2026-02-10T10:00:00Z {"order":"open","zone":"home","lines":[{"item":"card","qty":"7"}]}
purchase 2026-02-01T09:00:00Z {"supplier":"Quillmark Supply","due":"2026-02-12","lines":[{"item":"env","qty":"90"}]}
`)
	text := func(l foldtest.Lines) string {
		o, err := of(l, "2026-02-10", outlook.Ask{Paths: 50, Horizon: 120})
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		for i := range o.Items {
			it := &o.Items[i]
			fmt.Fprintln(&b, it.Index, it.Basis, it.Orders, it.OnHand, it.OnOrder, it.Promised, it.RunOut.Days, it.Expected, it.Batch)
		}
		return b.String()
	}
	want := text(lines)
	r := rand.New(rand.NewPCG(1, 2))
	for range 5 {
		r.Shuffle(len(lines), func(i, k int) { lines[i], lines[k] = lines[k], lines[i] })
		if text(lines) != want {
			t.Fatal("another order of arrival, another outlook")
		}
	}
}

func TestTheYearBefore(t *testing.T) {
	v := look(t, shop+days("2025-02-20", 60, 6, "1")+days("2025-04-21", 330, 2, "1"), "2026-03-16", outlook.Ask{Paths: 20, Horizon: 30})
	if v.Season < 2 || v.Season > 3.2 {
		t.Error("a year ago there were up to three times as many orders:", v.Season)
	}
	if v := look(t, shop+days("2026-01-02", 60, 2, "1"), "2026-03-02", outlook.Ask{Paths: 20, Horizon: 30}); v.Season != 0 {
		t.Error("two months know no season:", v.Season)
	}
}
