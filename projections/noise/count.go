package noise

import (
	"countback/ledger/event"
	"countback/projections/chance"
	"countback/projections/fold"
	"countback/projections/interval"
)

// half95 is the half-width of 95 % of a normal distribution in standard deviations.
var half95 = chance.Normal(0.975)

// CountVariance returns σ² of a count, in squared base units. A figure's own tolerance goes before the item's, and that before the default: by number the larger of
// half a piece and 0.5 %, unopened packs 0, weighed or measured the larger of 2 % and a quarter of the item's usual use. A tolerance in per cent has
// the default's floor under it. The item's tolerance holds for what the figures without one of their own add up to. What moved while a session counted the item adds to the
// half-width. Figures err apart, so their variances add up.
func CountVariance(c interval.Count, usual float64) float64 {
	var sum, rest, floor float64
	square := func(half float64) { sum += float64(half * half) }
	left := false
	for _, f := range c.Figures {
		qty := f.Qty.Float()
		least := floorOf(f.Manner, usual)
		switch {
		case f.Tolerance != nil:
			square(half(f.Tolerance, qty, least))
		case c.Tolerance != nil:
			rest += qty
			floor = max(floor, least)
			left = true
		default:
			square(defaultHalf(f.Manner, qty, least))
		}
	}
	if left {
		square(half(c.Tolerance, rest, floor))
	}
	moved := c.Moved.Float()
	if moved == 0 {
		return sum / float64(half95*half95)
	}
	all := moved + sqrt(sum)
	return float64(all*all) / float64(half95*half95)
}

// half is the half-width that a tolerance says.
func half(t *event.Tolerance, qty, floor float64) float64 {
	if !t.Percent {
		return t.Value.Float()
	}
	return max(float64(t.Value.Float()*qty)/100, floor)
}

func floorOf(m fold.Manner, usual float64) float64 {
	switch m {
	case fold.ByMeasure, fold.ByWeight:
		return usual / 4
	}
	return 0.5
}

func defaultHalf(m fold.Manner, qty, floor float64) float64 {
	switch m {
	case fold.ByPack:
		return 0
	case fold.ByMeasure, fold.ByWeight:
		return max(0.02*qty, floor)
	}
	return max(0.005*qty, floor)
}
