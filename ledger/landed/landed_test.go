package landed_test

import (
	"testing"

	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
)

func money(s string) *num.Money { m := num.MustMoney(s); return &m }

func delivery(costs ...string) *event.Restock {
	d := &event.Restock{}
	for _, c := range costs {
		q := num.Whole(1)
		d.Lines = append(d.Lines, event.RestockLine{Item: "cord", Qty: &q, Cost: money(c)})
	}
	return d
}

// The expected figures follow by hand from the rule in the package comment: each charge spread by itself, by line cost, by largest remainder.
func TestChargesAreSpreadByLineCost(t *testing.T) {
	rate, _ := num.ParseRate("1.5")
	for name, c := range map[string]struct {
		d    *event.Restock
		set  func(*event.Restock)
		want []string
	}{
		"no charge leaves a cost as it is, unrounded":             {delivery("1.23456"), func(*event.Restock) {}, []string{"1.23456"}},
		"freight by cost, the odd cent to the largest remainder":  {delivery("10", "20"), func(d *event.Restock) { d.Freight = money("1") }, []string{"10.33", "20.67"}},
		"ties go to the earlier line":                             {delivery("5", "5"), func(d *event.Restock) { d.Duty = money("0.01") }, []string{"5.01", "5"}},
		"equal parts where all costs are 0":                       {delivery("0", "0"), func(d *event.Restock) { d.Tax = money("3") }, []string{"1.5", "1.5"}},
		"a discount lowers":                                       {delivery("30", "10"), func(d *event.Restock) { d.Discount = money("4") }, []string{"27", "9"}},
		"each charge by itself, on the costs before charges":      {delivery("1", "2"), func(d *event.Restock) { d.Freight, d.Duty = money("0.02"), money("0.02") }, []string{"1.02", "2.02"}},
		"converted and rounded half to even before the spreading": {delivery("0.03", "1"), func(d *event.Restock) { d.Rate, d.Currency, d.Freight = &rate, "USD", money("1") }, []string{"0.08", "2.96"}},
	} {
		t.Run(name, func(t *testing.T) {
			c.set(c.d)
			got, ok := landed.Costs(c.d, 2)
			if !ok {
				t.Fatal("refused")
			}
			for i, w := range c.want {
				if got[i].Cmp(*money(w)) != 0 {
					t.Errorf("line %d costs %s, want %s", i, got[i], w)
				}
			}
		})
	}
}

func TestADiscountAboveTheLinesIsRefused(t *testing.T) {
	d := delivery("1", "1")
	d.Discount = money("2.01")
	if _, ok := landed.Costs(d, 2); ok {
		t.Error("a discount of 2.01 on lines of 2 was taken")
	}
	d.Discount = money("2.004") // 2.00 in minor units
	if _, ok := landed.Costs(d, 2); !ok {
		t.Error("a discount of 2.00 on lines of 2 was refused")
	}
}
