package use

import (
	"countback/ledger/catalog"
	"countback/ledger/num"
)

// Measured are the ratios of real use to the specs that a forecast should count on, by the item's index: of the items whose counts leave no doubt that the ratio isn't 1.
func (r *Report) Measured(c *catalog.Catalog) map[int]float64 {
	out := map[int]float64{}
	for _, x := range r.Items {
		it, ok := c.Find(x.Item)
		ratio, err := num.ParseQty(x.Ratio)
		low, err2 := num.ParseQty(x.Low)
		high, err3 := num.ParseQty(x.High)
		if !ok || err != nil || err2 != nil || err3 != nil || ratio.Sign() <= 0 || low.Cmp(one) <= 0 && high.Cmp(one) >= 0 {
			continue
		}
		out[it.Index] = ratio.Float()
	}
	return out
}

var one = num.Whole(1)
