package stock_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/report"
	"countback/projections/stock"
)

const base = `
	shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax"}
	item 2026-01-01 {"item":"seal","name":"Seal","type":"supply","unit":"each","place":"cart 2"}
	item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm"}
	item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
	item 2026-01-01 {"item":"set","name":"Set","type":"prepared","unit":"each","parts":[{"item":"card","qty":"5"}]}
`

func of(t *testing.T, facts string, asOf int64, exact bool, item string) stock.Report {
	t.Helper()
	return ofLines(t, foldtest.Facts(base+facts), asOf, exact, item)
}

func ofLines(t *testing.T, lines foldtest.Lines, asOf int64, exact bool, item string) stock.Report {
	t.Helper()
	zone, err := time.LoadLocation("America/Halifax")
	if err != nil {
		t.Fatal(err)
	}
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	return stock.Of(log.Run(fold.Run{AsOf: asOf}), report.Style{Zone: zone, Exact: exact}, item)
}

func rows(r stock.Report) string {
	var b strings.Builder
	for _, i := range r.Items {
		fmt.Fprintf(&b, "%s %s at %s = %s\n", i.Item, i.OnHand, i.UnitCost, i.Value)
	}
	return b.String() + "total " + r.Total
}

func at(day string) int64 {
	d, err := time.Parse("2006-01-02", day)
	if err != nil {
		panic(err)
	}
	return d.UnixMilli()
}

func TestStock(t *testing.T) {
	for _, c := range []struct {
		rule, facts string
		asOf        string
		exact       bool
		item        string
		want        string
	}{
		{"all items by id, but prepared ones", ``, "2026-02-01", false, "",
			"card 0 at 0.000000 = 0.00\ncord 0 at 0.000000 = 0.00\nseal 0 at 0.000000 = 0.00\ntotal 0.00"},
		{"one item", `restock 2026-01-02 {"lines":[{"item":"seal","qty":"3","cost":"1"}]}`, "2026-02-01", false, "seal",
			"seal 3 at 0.333333 = 1.00\ntotal 1.00"},
		{"values add up to the total, which is rounded from the exact one", `
			restock 2026-01-02 {"lines":[{"item":"card","qty":"1","cost":"1.005"},{"item":"cord","qty":"1","cost":"1.005"},{"item":"seal","qty":"1","cost":"1.005"}]}`,
			"2026-02-01", false, "",
			"card 1 at 1.005000 = 1.01\ncord 1 at 1.005000 = 1.01\nseal 1 at 1.005000 = 1.00\ntotal 3.02"},
		{"exact prints eight places", `
			restock 2026-01-02 {"lines":[{"item":"card","qty":"3","cost":"1.005"}]}
			damage 2026-01-03 {"item":"card","qty":"1","reason":"gift"}`, "2026-02-01", true, "card",
			"card 2 at 0.33500000 = 0.67000000\ntotal 0.67000000"},
		{"quantities have no trailing zeros, and parts of base units are kept", `
			restock 2026-01-02 {"lines":[{"item":"cord","qty":"2500.500","cost":"5"}]}`, "2026-02-01", false, "cord",
			"cord 2500.5 at 0.002000 = 5.00\ntotal 5.00"},
		{"facts after as-of are left out", `
			restock 2026-01-02 {"lines":[{"item":"seal","qty":"3","cost":"1"}]}
			restock 2026-01-20 {"lines":[{"item":"seal","qty":"3","cost":"1"}]}`, "2026-01-10", false, "seal",
			"seal 3 at 0.333333 = 1.00\ntotal 1.00"},
		{"first in, first out, where the shop says so", `
			shop 2026-01-01 {"costing":"fifo"}
			restock 2026-01-02 {"lines":[{"item":"seal","qty":"2","cost":"2"}]}
			restock 2026-01-03 {"lines":[{"item":"seal","qty":"2","cost":"4"}]}
			damage 2026-01-04 {"item":"seal","qty":"2","reason":"gift"}`, "2026-02-01", false, "seal",
			"seal 2 at 2.000000 = 4.00\ntotal 4.00"},
		{"below zero the unit cost is the provisional one, and the value is below zero", `
			restock 2026-01-02 {"lines":[{"item":"seal","qty":"2","cost":"3"}]}
			damage 2026-01-04 {"item":"seal","qty":"5","reason":"gift"}`, "2026-02-01", false, "seal",
			"seal -3 at 1.500000 = -4.50\ntotal -4.50"},
		{"at zero the unit cost is the one before it ran out", `
			restock 2026-01-02 {"lines":[{"item":"seal","qty":"2","cost":"3"}]}
			damage 2026-01-04 {"item":"seal","qty":"2","reason":"gift"}`, "2026-02-01", false, "seal",
			"seal 0 at 1.500000 = 0.00\ntotal 0.00"},
		{"before anything came it is the estimate", `
			item 2026-01-05 {"item":"seal","unit_cost":"0.25"}`, "2026-02-01", false, "seal",
			"seal 0 at 0.250000 = 0.00\ntotal 0.00"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			if got := rows(of(t, c.facts, at(c.asOf), c.exact, c.item)); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestStockOfACurrencyWithoutMinorUnits(t *testing.T) {
	lines := foldtest.Facts(strings.Replace(base, "CAD", "JPY", 1) + `restock 2026-01-02 {"lines":[{"item":"seal","qty":"3","cost":"100"}]}`)
	if got := rows(ofLines(t, lines, 0, false, "seal")); got != "seal 3 at 33.3333 = 100\ntotal 100" {
		t.Error(got)
	}
}

func TestWhatStockSaysOfItems(t *testing.T) {
	r := of(t, `
		restock 2026-01-02 {"lines":[{"item":"seal","qty":"4","cost":"4"}]}
		count 2026-01-10T03:59:59.999Z {"item":"seal","qty":"3"}
		damage 2026-01-11 {"item":"card","qty":"1","reason":"gift"}
		item 2026-01-12 {"item":"seal","name":"Paper seal"}
		item 2026-01-20 {"item":"seal","name":"Seal of wax","place":"drawer"}
		retire 2026-01-15 {"item":"cord"}`, at("2026-01-16"), false, "")
	if len(r.Items) != 3 {
		t.Fatal(r.Items)
	}
	card, cord, seal := r.Items[0], r.Items[1], r.Items[2]
	if seal.LastCount != "2026-01-09T23:59:59.999-04:00" || cord.LastCount != "" {
		t.Errorf("last counts %q and %q", seal.LastCount, cord.LastCount)
	}
	if seal.Name != "Paper seal" || seal.Place != "cart 2" {
		t.Errorf("name and place are those of the instant: %q, %q", seal.Name, seal.Place)
	}
	if !cord.Retired || seal.Retired || !card.Short || cord.Short || seal.Short {
		t.Errorf("retired %v %v, short %v %v %v", cord.Retired, seal.Retired, card.Short, cord.Short, seal.Short)
	}
	if r.AsOf != "2026-01-15T20:00:00-04:00" || r.Engine != report.Engine || r.Currency != "CAD" || r.Costing != "average" {
		t.Errorf("%+v", r)
	}
	r.AddOnOrder(map[string]num.Qty{"seal": num.Whole(500), "cord": {}, "card": num.Whole(-1), "ghost": num.Whole(1)})
	if r.Items[0].OnOrder != "" || r.Items[1].OnOrder != "" || r.Items[2].OnOrder != "500" {
		t.Errorf("on order %+v", r.Items)
	}
}

// The names of the JSON are relied on by others: figures are text, what isn't there is left out, and a list is never null.
func TestStockAsJSON(t *testing.T) {
	got, err := json.Marshal(of(t, `restock 2026-01-02 {"lines":[{"item":"seal","qty":"4","cost":"4"}]}`, at("2026-01-16"), false, "seal"))
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"as_of":"2026-01-15T20:00:00-04:00","engine":"` + report.Engine + `","currency":"CAD","costing":"average","items":[{"item":"seal","name":"Seal",` +
		`"type":"supply","unit":"each","on_hand":"4","unit_cost":"1.000000","value":"4.00"}],"total":"4.00"}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	got, err = json.Marshal(ofLines(t, foldtest.Facts(`shop 2026-01-01 {"currency":"CAD"}`), at("2026-01-16"), false, ""))
	if err != nil || !strings.Contains(string(got), `"items":[],"total":"0.00"`) {
		t.Errorf("%s, %v", got, err)
	}
}

// A ledger that holds what this program doesn't know says so.
func TestStockOfALaterProgramsEventsIsIncomplete(t *testing.T) {
	lines := foldtest.Facts(base)
	for _, kind := range []string{"lease", "lease", "count.v9"} {
		name, version, ok := strings.Cut(kind, ".")
		if !ok {
			version = "v1"
		}
		line := foldtest.Line(foldtest.ID("Z"+fmt.Sprint(len(lines))), foldtest.Devices[0], event.TimeOf(time.UnixMilli(at("2026-01-03")).UTC()), int64(100+len(lines)), &event.Retire{Item: "seal"})
		lines = append(lines, bytes.Replace(line, []byte("countback.retire.v1"), []byte("countback."+name+"."+version), 1))
	}
	r := ofLines(t, lines, 0, false, "")
	if r.Incomplete == nil || r.Incomplete.Events != 3 || fmt.Sprint(r.Incomplete.Kinds) != "[count lease]" {
		t.Errorf("%+v", r.Incomplete)
	}
	if of(t, ``, 0, false, "").Incomplete != nil {
		t.Error("a ledger that is understood is complete")
	}
}
