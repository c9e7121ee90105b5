package orders_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/oracle"
	"countback/projections/orders"
	"countback/projections/report"
)

// base has a card at a third of a dollar and an envelope at 5 cents.
const base = `
	shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax"}
	item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
	item 2026-01-01 {"item":"envelope","name":"Envelope","type":"supply","unit":"each"}
	item 2026-01-01 {"item":"ink","name":"Ink","type":"supply","unit":"ml"}
	packspec 2026-01-01 {"formats":[{"format":"letter","lines":[{"item":"envelope","qty":"1","per":"parcel"}]}]}
	restock 2026-01-02 {"lines":[{"item":"card","qty":"30","cost":"10"},{"item":"envelope","qty":"100","cost":"5"}]}
`

func state(facts string) *fold.State { return foldtest.Run(foldtest.Facts(facts), 0) }

func style(exact bool) report.Style {
	zone, err := time.LoadLocation("America/Halifax")
	if err != nil {
		panic(err)
	}
	return report.Style{Zone: zone, Exact: exact}
}

func rows(r orders.Report) string {
	var b strings.Builder
	for _, o := range r.Orders {
		fmt.Fprintf(&b, "%s %s %d: %s + %s = %s, postage %s;", o.Order, o.Zone, o.Parcels, o.Goods, o.Packing, o.Material, o.Postage)
		for _, l := range o.Lines {
			fmt.Fprintf(&b, " %s %s %s", l.Item, l.Qty, l.Cost)
			if l.Provisional {
				b.WriteString(" provisional")
			}
			b.WriteString(";")
		}
		b.WriteString("\n")
	}
	return b.String() + "total " + r.Total
}

func TestCostOfOrders(t *testing.T) {
	for _, c := range []struct {
		rule, facts string
		exact       bool
		order       string
		want        string
	}{
		{"none was packed", `order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"2"}]}`, false, "", "total 0.00"},
		{"goods and packing add up to the material, lines too", `
			order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"2"}]}
			pack 2026-01-04 {"order":"7"}`, false, "",
			"7 home 1: 0.67 + 0.05 = 0.72, postage 0.00; card 2 0.67; envelope 1 0.05;\ntotal 0.72"},
		{"exact", `pack 2026-01-04 {"order":"7","zone":"home","lines":[{"item":"card","qty":"1"}]}`, true, "",
			"7 home 1: 0.33333333 + 0.05000000 = 0.38333333, postage 0.00000000; card 1 0.33333333; envelope 1 0.05000000;\ntotal 0.38333333"},
		{"half a cent each: the largest remainder, the earlier at a tie", `
			restock 2026-01-03 {"lines":[{"item":"ink","qty":"1000","cost":"5"}]}
			pack 2026-01-04 {"order":"7","zone":"home","lines":[{"item":"card","qty":"3"}],"changes":[{"item":"ink","qty":"1"},{"item":"envelope","total":"0.1"}]}`, false, "",
			"7 home 1: 1.00 + 0.01 = 1.01, postage 0.00; card 3 1.00; envelope 0.1 0.01; ink 1 0.00;\ntotal 1.01"},
		{"by number, as bytes; the total is that of the rounded ones", `
			pack 2026-01-04 {"order":"9","zone":"abroad","lines":[{"item":"card","qty":"1"}]}
			pack 2026-01-05 {"order":"10","zone":"home","lines":[{"item":"card","qty":"1"}]}
			pack 2026-01-05 {"order":"A","zone":"home","lines":[{"item":"card","qty":"1"}]}`, false, "",
			"10 home 1: 0.33 + 0.05 = 0.38, postage 0.00; card 1 0.33; envelope 1 0.05;\n" +
				"9 abroad 1: 0.33 + 0.05 = 0.38, postage 0.00; card 1 0.33; envelope 1 0.05;\n" +
				"A home 1: 0.33 + 0.05 = 0.38, postage 0.00; card 1 0.33; envelope 1 0.05;\ntotal 1.14"},
		{"one order", `
			pack 2026-01-04 {"order":"9","zone":"abroad","lines":[{"item":"card","qty":"1"}]}
			pack 2026-01-05 {"order":"10","zone":"home","lines":[{"item":"card","qty":"1"}]}`, false, "9",
			"9 abroad 1: 0.33 + 0.05 = 0.38, postage 0.00; card 1 0.33; envelope 1 0.05;\ntotal 0.38"},
		{"part shipments, a resend and a return of one order; the last zone; postage stands apart", `
			order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"6"}]}
			pack 2026-01-04 {"order":"7","lines":[{"item":"card","qty":"3"}],"postage":"2.50"}
			pack 2026-01-05 {"order":"7","lines":[{"item":"card","qty":"3"}],"postage":"2.50"}
			pack 2026-01-06 {"order":"7","zone":"abroad","lines":[{"item":"card","qty":"3"}],"resend":true,"postage":"11"}
			return 2026-01-08 {"order":"7","lines":[{"item":"card","qty":"6","condition":"saleable"}]}`, false, "",
			"7 abroad 3: 1.00 + 0.15 = 1.15, postage 16.00; card 3 1.00; envelope 3 0.15;\ntotal 1.15"},
		{"a pack that waits for a decision costs nothing yet", `
			order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"3"}]}
			pack 2026-01-04 {"order":"7"}
			pack 2026-01-05 {"order":"7"}`, false, "",
			"7 home 1: 1.00 + 0.05 = 1.05, postage 0.00; card 3 1.00; envelope 1 0.05;\ntotal 1.05"},
		{"what left before it came is provisional, and stays at what it was taken for", `
			restock 2026-01-03 {"lines":[{"item":"ink","qty":"1","cost":"2"}]}
			pack 2026-01-04 {"order":"7","zone":"home","lines":[{"item":"card","qty":"3"}],"changes":[{"item":"ink","qty":"2"}]}
			restock 2026-01-05 {"lines":[{"item":"ink","qty":"10","cost":"90"}]}`, false, "",
			"7 home 1: 1.00 + 4.05 = 5.05, postage 0.00; card 3 1.00; envelope 1 0.05; ink 2 4.00 provisional;\ntotal 5.05"},
		{"a run for an order is its goods, before any pack and with it", `
			makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"ink","qty":"2","per":"piece"}]}
			restock 2026-01-02 {"lines":[{"item":"ink","qty":"100","cost":"100"}]}
			order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"3"}]}
			order 2026-01-03 {"order":"8","zone":"home","lines":[{"item":"card","qty":"1"}]}
			reprint 2026-01-04 {"item":"card","good":"1","spoiled":"1","order":"7"}
			reprint 2026-01-04 {"item":"card","good":"1","spoiled":"0","order":"8"}
			pack 2026-01-05 {"order":"7"}`, false, "",
			"7 home 1: 4.67 + 0.05 = 4.72, postage 0.00; card 3 4.67; envelope 1 0.05;\n8  0: 2.00 + 0.00 = 2.00, postage 0.00; card 1 2.00;\ntotal 6.72"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			if got := rows(orders.Of(state(base+c.facts), style(c.exact), c.order)); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

func TestOrderSaysWhenItWasPacked(t *testing.T) {
	r := orders.Of(state(base+`
		order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"2"}]}
		reprint 2026-01-03 {"item":"card","good":"1","spoiled":"0","order":"8"}
		pack 2026-01-04T02:30:00Z {"order":"7","lines":[{"item":"card","qty":"1"}]}
		pack 2026-01-05 {"order":"7","lines":[{"item":"card","qty":"1"}]}`), style(false), "")
	if r.Orders[0].Packed != "2026-01-03T22:30:00-04:00" || r.Orders[1].Packed != "" {
		t.Errorf("%+v", r.Orders)
	}
	text, err := json.Marshal(orders.Of(state(base), style(false), ""))
	if err != nil || !strings.Contains(string(text), `"orders":[],"total":"0.00"`) {
		t.Errorf("%s %v", text, err)
	}
}

// months has an order at each side of a month's end in the shop's zone, and one that was never packed.
const months = base + `
	pack 2026-02-01T03:59:59Z {"order":"1","zone":"home","lines":[{"item":"card","qty":"1"}],"postage":"1.10"}
	pack 2026-02-01T04:00:00Z {"order":"2","zone":"home","lines":[{"item":"card","qty":"1"}],"postage":"1.20"}
	pack 2026-02-02 {"order":"3","zone":"home","lines":[{"item":"card","qty":"2"}],"postage":"1.30"}
	makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"envelope","qty":"1","per":"piece"}]}
	reprint 2026-02-03 {"item":"card","good":"2","spoiled":"0","order":"4"}
`

func groups(r orders.Grouped) string {
	var b strings.Builder
	for _, g := range r.Groups {
		fmt.Fprintf(&b, "%s: %d orders, qty %q, %s + %s = %s, each %s, postage %q\n", g.Name, g.Orders, g.Qty, g.Goods, g.Packing, g.Material, g.PerOrder, g.Postage)
	}
	return b.String() + "total " + r.Total
}

func TestCostByMonthAndByItem(t *testing.T) {
	s := state(months)
	for _, c := range []struct {
		rule string
		got  orders.Grouped
		want string
	}{
		{"by the month of the first pack, in the shop's zone", orders.ByMonth(s, style(false), ""),
			"2026-01: 1 orders, qty \"\", 0.33 + 0.05 = 0.38, each 0.383333, postage \"1.10\"\n" +
				"2026-02: 2 orders, qty \"\", 1.00 + 0.10 = 1.10, each 0.550000, postage \"2.50\"\n" +
				"not packed: 1 orders, qty \"\", 0.10 + 0.00 = 0.10, each 0.100000, postage \"0.00\"\ntotal 1.58"},
		{"exact", orders.ByMonth(s, style(true), "1"),
			"2026-01: 1 orders, qty \"\", 0.33333333 + 0.05000000 = 0.38333333, each 0.38333333, postage \"1.10000000\"\ntotal 0.38333333"},
		{"by item: all that orders took of it, and how many took any", orders.ByItem(s, style(false), ""),
			"card: 4 orders, qty \"6\",  +  = 1.43, each 0.358333, postage \"\"\nenvelope: 3 orders, qty \"3\",  +  = 0.15, each 0.050000, postage \"\"\ntotal 1.58"},
		{"by item, one order", orders.ByItem(s, style(false), "3"),
			"card: 1 orders, qty \"2\",  +  = 0.67, each 0.666667, postage \"\"\nenvelope: 1 orders, qty \"1\",  +  = 0.05, each 0.050000, postage \"\"\ntotal 0.72"},
		{"no order", orders.ByMonth(s, style(false), "99"), "total 0.00"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			if got := groups(c.got); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

// What stands above a sum adds up to it, printed as it is: an order's lines and its halves to its material, orders, months and items to the total.
func TestPrintedFiguresAddUp(t *testing.T) {
	money := func(text string) num.Money { return num.MustMoney(text) }
	rapid.Check(t, func(t *rapid.T) {
		s := foldtest.Run(foldtest.Events(oracle.Ledger(t, 40)), 0)
		for _, exact := range []bool{false, true} {
			r := orders.Of(s, style(exact), "")
			var total num.Money
			for _, o := range r.Orders {
				var lines num.Money
				for _, l := range o.Lines {
					lines = lines.Add(money(l.Cost))
				}
				if halves := money(o.Goods).Add(money(o.Packing)); halves.Cmp(money(o.Material)) != 0 || lines.Cmp(halves) != 0 {
					t.Errorf("order %s: lines %s, %s + %s, material %s", o.Order, lines, o.Goods, o.Packing, o.Material)
				}
				total = total.Add(money(o.Material))
			}
			if total.Cmp(money(r.Total)) != 0 {
				t.Errorf("orders add up to %s, total %s", total, r.Total)
			}
			for _, g := range []orders.Grouped{orders.ByMonth(s, style(exact), ""), orders.ByItem(s, style(exact), "")} {
				var sum num.Money
				for _, x := range g.Groups {
					sum = sum.Add(money(x.Material))
					if g.By == "month" && money(x.Goods).Add(money(x.Packing)).Cmp(money(x.Material)) != 0 {
						t.Errorf("%s: %s + %s, material %s", x.Name, x.Goods, x.Packing, x.Material)
					}
				}
				if sum.Cmp(money(g.Total)) != 0 {
					t.Errorf("by %s: they add up to %s, total %s", g.By, sum, g.Total)
				}
				if exact && money(g.Total).Cmp(total) != 0 {
					t.Errorf("by %s: %s, by order %s", g.By, g.Total, total)
				}
			}
		}
	})
}

// The total is that of the orders as printed. Where that isn't what all cost, the report says so; and it names what counts as 0 because nothing says its cost.
func TestWhatTheTotalDoesNotSay(t *testing.T) {
	three := `
		pack 2026-01-04 {"order":"9","zone":"abroad","lines":[{"item":"card","qty":"1"}]}
		pack 2026-01-05 {"order":"10","zone":"home","lines":[{"item":"card","qty":"1"}]}
		pack 2026-01-05 {"order":"A","zone":"home","lines":[{"item":"card","qty":"1"}]}`
	for _, c := range []struct {
		facts, exactly, unpriced string
		exact                    bool
	}{
		{three, "1.15", "[]", false},
		{three, "", "[]", true},
		{`pack 2026-01-04 {"order":"9","zone":"abroad","lines":[{"item":"card","qty":"3"}]}`, "", "[]", false},
		{`count 2026-01-03 {"item":"ink","qty":"5"}
		  pack 2026-01-04 {"order":"9","zone":"abroad","lines":[{"item":"card","qty":"3"}],"changes":[{"item":"ink","qty":"1"}]}`, "", "[ink]", false},
		{`restock 2026-01-03 {"lines":[{"item":"ink","qty":"5","cost":"0"}]}
		  pack 2026-01-04 {"order":"9","zone":"abroad","lines":[{"item":"card","qty":"3"}],"changes":[{"item":"ink","qty":"1"}]}`, "", "[]", false},
	} {
		r := orders.Of(state(base+c.facts), style(c.exact), "")
		if r.Exactly != c.exactly || fmt.Sprint(r.Unpriced) != c.unpriced {
			t.Errorf("%s: %q, %v", c.facts, r.Exactly, r.Unpriced)
		}
	}
}
