// Package landed works out what each line of a delivery costs, its charges included.
//
// Source: IAS 2, paragraphs 10 and 11 (the costs of purchase: price, duties, transport, less discounts); the charges are shared by
// the largest remainder method, see [num.Split].
package landed

import (
	"slices"

	"countback/ledger/event"
	"countback/ledger/num"
)

// Costs returns the cost of each line of a delivery in shop currency, whose minor unit has the given digits. Amounts are converted first
// (each rounded half to even to minor units), then freight, duty, tax and discount are each spread by themselves over the lines by line
// cost, in minor units. Without a rate line costs are not rounded. It returns false if the discount is above the sum of the line costs.
func Costs(d *event.Restock, digits int) ([]num.Money, bool) {
	convert := func(m num.Money) num.Money {
		if d.Rate != nil {
			return num.Convert(m, *d.Rate, digits)
		}
		return m
	}
	cost := make([]num.Money, len(d.Lines))
	var sum num.Money
	for i, l := range d.Lines {
		cost[i] = convert(*l.Cost)
		sum = sum.Add(cost[i])
	}
	landed := slices.Clone(cost)
	for _, charge := range []*num.Money{d.Freight, d.Duty, d.Tax} {
		if charge == nil {
			continue
		}
		for i, part := range num.Split(convert(*charge).Round(digits), cost, digits) {
			landed[i] = landed[i].Add(part)
		}
	}
	if d.Discount != nil {
		off := convert(*d.Discount).Round(digits)
		if sum.Less(off) {
			return nil, false
		}
		for i, part := range num.Split(off, cost, digits) {
			landed[i] = landed[i].Sub(part)
		}
	}
	return landed, true
}
