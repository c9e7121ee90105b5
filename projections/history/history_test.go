package history_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/history"
	"countback/projections/report"
)

const base = `
	shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax"}
	item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
	item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","measures":{"wrap":"300"}}
	packspec 2026-01-01 {"formats":[{"format":"letter","lines":[{"item":"cord","qty":"1","measure":"wrap","per":"parcel"}]}]}
	#R restock 2026-01-02 {"lines":[{"item":"card","qty":"2","cost":"1"},{"item":"cord","qty":"1000","cost":"10"},{"item":"card","qty":"2","cost":"3"}]}
	order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"3"}]}
	#P pack 2026-01-04T12:00:00Z {"order":"7"}
	count 2026-01-05T12:00:00Z {"item":"cord","qty":"690"}
	#T return 2026-01-06T12:00:00Z {"order":"7","lines":[{"item":"card","qty":"1","condition":"saleable"}]}
`

func of(t *testing.T, facts string, asOf int64, exact bool, what history.What) history.Report {
	t.Helper()
	zone, err := time.LoadLocation("America/Halifax")
	if err != nil {
		t.Fatal(err)
	}
	log, err := fold.Read(context.Background(), foldtest.Facts(facts), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	r, s := history.Of(log, fold.Run{AsOf: asOf}, report.Style{Zone: zone, Exact: exact}, what)
	if s == nil {
		t.Fatal("no state")
	}
	return r
}

func rows(r history.Report) string {
	var b strings.Builder
	for _, e := range r.Entries {
		fmt.Fprintf(&b, "%s %s %s %s %s: %s, %s; then %s, %s\n", e.Time[:10], e.Kind, e.Item, e.Order, e.Column, e.Qty, e.Value, e.OnHand, e.Worth)
	}
	return b.String()
}

func TestHistory(t *testing.T) {
	for _, c := range []struct {
		rule, facts string
		asOf        string
		exact       bool
		what        history.What
		want        string
	}{
		{"of an item: what came is above zero, what went below, the balance after each", base, "", false, history.What{Item: "card"}, `
			2026-01-01 restock card  bought: 2, 1.00; then 2, 1.00
			2026-01-01 restock card  bought: 2, 3.00; then 4, 4.00
			2026-01-04 pack card 7 sold: -3, -3.00; then 1, 1.00
			2026-01-06 return card 7 sold: 1, 1.00; then 2, 2.00`},
		{"of a supply: packed, and lost by a count", base, "", false, history.What{Item: "cord"}, `
			2026-01-01 restock cord  bought: 1000, 10.00; then 1000, 10.00
			2026-01-04 pack cord 7 packed: -300, -3.00; then 700, 7.00
			2026-01-05 count cord  lost: -10, -0.10; then 690, 6.90`},
		{"of an order", base, "", false, history.What{Order: "7"}, `
			2026-01-04 pack card 7 sold: -3, -3.00; then 1, 1.00
			2026-01-04 pack cord 7 packed: -300, -3.00; then 700, 7.00
			2026-01-06 return card 7 sold: 1, 1.00; then 2, 2.00`},
		{"of an event", base, "", true, history.What{Event: foldtest.ID("R")}, `
			2026-01-01 restock card  bought: 2, 1.00000000; then 2, 1.00000000
			2026-01-01 restock cord  bought: 1000, 10.00000000; then 1000, 10.00000000
			2026-01-01 restock card  bought: 2, 3.00000000; then 4, 4.00000000`},
		{"up to an instant", base, "2026-01-03", false, history.What{Item: "card"}, `
			2026-01-01 restock card  bought: 2, 1.00; then 2, 1.00
			2026-01-01 restock card  bought: 2, 3.00; then 4, 4.00`},
		{"in the shop's own costing", `shop 2025-12-31 {"costing":"fifo"}` + base, "", false, history.What{Item: "card"}, `
			2026-01-01 restock card  bought: 2, 1.00; then 2, 1.00
			2026-01-01 restock card  bought: 2, 3.00; then 4, 4.00
			2026-01-04 pack card 7 sold: -3, -2.50; then 1, 1.50
			2026-01-06 return card 7 sold: 1, 0.83; then 2, 2.33`},
		{"a reversed event is as if it had never been", base + `reverse 2026-01-09 {"event":"#P","reason":"not packed"}`, "", false, history.What{Item: "cord"}, `
			2026-01-01 restock cord  bought: 1000, 10.00; then 1000, 10.00
			2026-01-05 count cord  lost: -310, -3.10; then 690, 6.90`},
		{"of an item that nobody knows", base, "", false, history.What{Item: "ghost"}, ""},
		{"of an order that nobody knows", base, "", false, history.What{Order: "8"}, ""},
		{"of an event that moves nothing", base + `#D damage 2026-01-09 {"item":"card","qty":"1","measure":"wrap","reason":"gift"}`, "", false, history.What{Event: foldtest.ID("D")}, ""},
	} {
		t.Run(c.rule, func(t *testing.T) {
			asOf := int64(0)
			if c.asOf != "" {
				d, _ := time.Parse("2006-01-02", c.asOf)
				asOf = d.UnixMilli()
			}
			want := strings.TrimPrefix(strings.ReplaceAll(c.want, "\t", ""), "\n")
			if want != "" {
				want += "\n"
			}
			if got := rows(of(t, c.facts, asOf, c.exact, c.what)); got != want {
				t.Errorf("got\n%swant\n%s", got, want)
			}
		})
	}
}

func TestHistoryAsJSON(t *testing.T) {
	asOf := time.Date(2026, 1, 2, 12, 0, 0, 0, time.UTC).UnixMilli()
	text, err := json.Marshal(of(t, base, asOf, false, history.What{Item: "cord"}))
	want := `{"as_of":"2026-01-02T08:00:00-04:00","engine":"` + report.Engine + `","about":"cord","unit":"mm","currency":"CAD","costing":"average","entries":[{"event":"` +
		foldtest.ID("R").String() + `","time":"2026-01-01T20:00:00-04:00","kind":"restock","item":"cord","column":"bought","qty":"1000","value":"10.00","on_hand":"1000","worth":"10.00"}]}`
	if err != nil || string(text) != want {
		t.Errorf("got  %s %v\nwant %s", text, err, want)
	}
	for about, what := range map[string]history.What{"8": {Order: "8"}, "ghost": {Item: "ghost"}, foldtest.ID("P").String(): {Event: foldtest.ID("P")}} {
		r := of(t, base, 1, false, what)
		if r.About != about || r.Unit != "" || r.Entries == nil {
			t.Errorf("%s: %+v", about, r)
		}
	}
}
