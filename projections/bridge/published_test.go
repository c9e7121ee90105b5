package bridge_test

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"countback/ledger/num"
	"countback/projections/bridge"
	"countback/projections/foldtest"
)

// check is one worked example of testdata/checks/2-variances.json.
type check struct {
	ID       string
	Inputs   map[string]json.RawMessage
	Expected map[string]json.RawMessage
}

func checks(t *testing.T) map[string]check {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/checks/2-variances.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []check
	if err := json.Unmarshal(raw, &list); err != nil {
		t.Fatal(err)
	}
	out := map[string]check{}
	for _, c := range list {
		out[c.ID] = c
	}
	return out
}

func decimal(t *testing.T, raw json.RawMessage) num.Money {
	t.Helper()
	m, err := num.ParseMoney(strings.Trim(string(raw), `"`))
	if err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	return m
}

// material is one published example as a supply of a shop: so many units packed, as many as the 30 days before, what the spec says of each, what was bought
// for how much, and what was used.
type material struct {
	units                                  int64
	perUnit, price, bought, paid, usedMore num.Money
}

// facts encodes an example. The shelf holds enough at the standard price, and first in first out takes from it, so that what was bought stays on hand with its
// price: the variance at purchase.
func (m material) facts() string {
	qty := func(x num.Money) string { return x.String() }
	change := ""
	if !m.usedMore.IsZero() {
		change = fmt.Sprintf(`,"changes":[{"item":"stuff","qty":"%s"}]`, qty(m.usedMore))
	}
	spec := `{"formats":[{"format":"box","accepts":["unit"],"lines":[{"item":"stuff","qty":"` + qty(m.perUnit) + `","per":"unit"}]}]}`
	big := `{"item":"unit","qty":"` + fmt.Sprint(m.units) + `"}`
	return `
shop 2026-01-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC","costing":"fifo"}
item 2026-01-01 {"item":"unit","name":"Unit","type":"good","unit":"each","class":"unit"}
item 2026-01-01 {"item":"filler","name":"Filler","type":"good","unit":"each","class":"filler"}
item 2026-01-01 {"item":"stuff","name":"Stuff","type":"supply","unit":"each"}
packspec 2026-01-01 ` + spec + `
count 2025-12-31T23:59:59Z {"item":"stuff","qty":"1000000","cost":"` + m.price.Times(num.Whole(1000000)).String() + `"}
` + daily("2026-01-01", 30, 1, `{"item":"filler","qty":"1"}`) + `
pack 2026-01-15 {"order":"A","lines":[` + big + `]}
count 2026-01-30T23:59:59Z {"item":"stuff","qty":"` + num.MustMoney("1000000").Sub(m.perUnit.Times(num.Whole(m.units))).String() + `"}
restock 2026-01-31 {"lines":[{"item":"stuff","qty":"` + qty(m.bought) + `","cost":"` + m.paid.String() + `"}]}
` + daily("2026-01-31", 30, 100, `{"item":"filler","qty":"1"}`) + `
pack 2026-02-15 {"order":"B","lines":[` + big + `]` + change + `}
`
}

// The variances of materials that textbooks print come out of events that encode their examples: at purchase as price, at use as what packing took beside
// the spec. The books count what is unfavourable as positive; a bridge counts what makes stock smaller as negative.
func TestPublishedVariances(t *testing.T) {
	all := checks(t)
	for id, of := range map[string]func(in func(string) num.Money) material{
		"t2-01": func(in func(string) num.Money) material {
			return material{units: 1, perUnit: num.MustMoney("1"), price: in("std_price"), bought: in("qty_purchased"), paid: in("actual_price").Times(qtyOf(in("qty_purchased")))}
		},
		"t2-02": func(in func(string) num.Money) material {
			return material{units: 1, perUnit: num.MustMoney("1"), price: in("std_price"), bought: in("qty_purchased"), paid: in("actual_price").Times(qtyOf(in("qty_purchased")))}
		},
		"t2-04": func(in func(string) num.Money) material {
			return material{1, in("std_qty"), in("std_price"), in("actual_qty"), in("actual_price").Times(qtyOf(in("actual_qty"))), in("actual_qty").Sub(in("std_qty"))}
		},
		"t2-06": func(in func(string) num.Money) material {
			return output(in, in("actual_qty"), in("actual_cost"), in("actual_qty"))
		},
		"t2-07": func(in func(string) num.Money) material {
			return output(in, in("qty_purchased"), num.MustMoney("70000"), in("qty_used")) // paid: recomputed from the price variance, as in the file
		},
		"t2-09": func(in func(string) num.Money) material {
			return output(in, in("qty_purchased"), in("actual_price").Times(qtyOf(in("qty_purchased"))), in("qty_used"))
		},
		"t2-10": func(in func(string) num.Money) material {
			return output(in, in("actual_qty"), in("actual_cost"), in("actual_qty"))
		},
		"t2-14": func(in func(string) num.Money) material {
			return output(in, in("actual_qty"), in("actual_cost"), in("actual_qty"))
		},
		"t2-17": func(in func(string) num.Money) material {
			return output(in, in("qty_bought"), in("paid"), in("qty_used"))
		},
	} {
		t.Run(id, func(t *testing.T) {
			c := all[id]
			m := of(func(name string) num.Money { return decimal(t, c.Inputs[name]) })
			r := read(t, foldtest.Facts(m.facts()), ms("2026-03-01T23:59:59Z"))
			b := bridgeTo(t, r, "stuff")
			price, quantity := num.MustMoney("250"), num.Money{} // of the one that gives its price variance as an input
			if raw, ok := c.Expected["price_variance"]; ok {
				price = decimal(t, raw)
			}
			if raw, ok := c.Expected["quantity_variance"]; ok {
				quantity = decimal(t, raw)
			}
			costing := b.Costing()
			if got := b.Price[costing]; got.Cmp(price) != 0 {
				t.Errorf("price %s, want %s", got, price)
			}
			if got := b.Part(bridge.PackingChanges).Value[costing].Neg(); got.Cmp(quantity) != 0 {
				t.Errorf("quantity %s, want %s", got, quantity)
			}
			for _, p := range b.Parts {
				if p.Name != bridge.PackingChanges && !p.Qty.IsZero() {
					t.Errorf("%s is %s, want 0", p.Name, p.Qty)
				}
			}
		})
	}
}

func bridgeTo(t *testing.T, r *bridge.Record, item string) bridge.Bridge {
	t.Helper()
	return of(t, r, item, bridge.Ask{To: ms("2026-03-01T23:59:59Z")})
}

// output is an example that says what was made, and what each took by the book.
func output(in func(string) num.Money, bought, paid, used num.Money) material {
	n, _ := in("units_made").Int()
	per := in("std_qty_per_unit")
	return material{int64(n), per, in("std_price"), bought, paid, used.Sub(per.Times(num.Whole(int64(n))))}
}

func qtyOf(m num.Money) num.Qty { return num.MustQty(m.String()) }

// Four inputs in other shares than the standard's: what the mix cost, input by input.
func TestPublishedMix(t *testing.T) {
	c := checks(t)["t2-23"]
	list := func(raw json.RawMessage) (out []string) {
		if err := json.Unmarshal(raw, &out); err != nil {
			t.Fatal(err)
		}
		return out
	}
	actual, standard, prices, want := list(c.Inputs["actual_mix"]), list(c.Inputs["std_mix"]), list(c.Inputs["std_price"]), list(c.Expected["mix_variances"])
	const orders = 20
	each := num.MustQty("86000").Part(num.Whole(1), num.Whole(orders)) // units of an order
	var facts strings.Builder
	facts.WriteString(`shop 2026-01-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC"}` + "\n")
	var spec, before, after []string
	for i, p := range prices {
		fmt.Fprintf(&facts, "item 2026-01-01 {\"item\":\"good%d\",\"name\":\"G\",\"type\":\"good\",\"unit\":\"each\",\"class\":\"c%d\"}\n", i, i)
		fmt.Fprintf(&facts, "item 2026-01-01 {\"item\":\"input%d\",\"name\":\"I\",\"type\":\"supply\",\"unit\":\"each\"}\n", i)
		fmt.Fprintf(&facts, "count 2025-12-31T23:59:59Z {\"item\":\"input%d\",\"qty\":\"200000\",\"cost\":\"%s\"}\n", i, num.MustMoney(p).Times(num.Whole(200000)))
		spec = append(spec, fmt.Sprintf(`{"item":"input%d","qty":"1","per":"unit","class":"c%d"}`, i, i))
		before = append(before, fmt.Sprintf(`{"item":"good%d","qty":"%s"}`, i, each.Times(num.MustQty(standard[i]))))
		after = append(after, fmt.Sprintf(`{"item":"good%d","qty":"%s"}`, i, each.Times(num.MustQty(actual[i]))))
	}
	facts.WriteString(`packspec 2026-01-01 {"formats":[{"format":"box"}],"lines":[` + strings.Join(spec, ",") + "]}\n")
	facts.WriteString(daily("2026-01-01", orders, 1, strings.Join(before, ",")) + daily("2026-01-21", orders, 100, strings.Join(after, ",")))
	r := read(t, foldtest.Facts(facts.String()), ms("2026-03-01"))
	for i := range want {
		b := of(t, r, fmt.Sprintf("input%d", i), bridge.Ask{From: ms("2026-01-20T23:59:59Z"), To: ms("2026-02-09T23:59:59Z")})
		mix := b.Part(bridge.OrderMix)
		if got := mix.Value[b.Costing()].Neg(); got.Cmp(num.MustMoney(want[i])) != 0 || !b.Part(bridge.OrderVolume).Qty.IsZero() {
			t.Errorf("input %d: mix %s, want %s; %s", i, got, want[i], text(&b))
		}
	}
}
