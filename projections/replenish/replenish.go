// Package replenish holds the closed formulas of ordering: how much to order, when, and with how much to spare. They are pure functions of plain numbers; any
// unit of quantity, time and money will do, as long as it is the same throughout. Package outlook simulates instead, since a small shop's demand is neither
// normal nor steady; where the formulas' assumptions hold the two agree, and a test says so.
//
// Sources: Silver, Pyke and Peterson, Inventory Management and Production Planning and Scheduling (3rd edition), chapters 5 and 7; Snyder and Shen, Fundamentals of
// Supply Chain Theory, chapters 3 and 4; both from memory. Published examples of these formulas are in the project's testdata/checks/4-replenishment.json.
package replenish

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Economic is the order quantity with the least yearly cost of ordering and holding (Harris 1913): √(2·demand·order ÷ hold). demand is a year's, order the cost of
// placing one order, hold the cost of keeping one unit for a year. It is 0 where demand or order is, and has no limit where hold is 0.
func Economic(demand, order, hold float64) float64 {
	if demand <= 0 || order <= 0 {
		return 0
	}
	return math.Sqrt(2 * demand * order / hold)
}

// YearlyCost is what ordering and holding cost in a year with orders of qty, above 0: order·demand ÷ qty + hold·qty ÷ 2.
func YearlyCost(qty, demand, order, hold float64) float64 {
	return float64(order*demand)/qty + float64(hold*qty)/2
}

// Break is a price from a quantity on, for all units of the order.
type Break struct {
	From  float64 // the least quantity
	Price float64 // of one unit
}

// Discount finds the order quantity with the least yearly cost, the goods included, where the whole order costs less a unit from some quantity on (all-units
// discount). breaks are in order of From. rate is the cost of holding as a share of the price in a year. For each price the quantity is its economic one,
// or the least that has the price if that is more; a quantity that has a lower price already is no candidate. Without breaks all is 0.
func Discount(demand, order, rate float64, breaks []Break) (qty, cost float64) {
	for i, b := range breaks {
		q := math.Max(Economic(demand, order, float64(rate*b.Price)), b.From)
		if i+1 < len(breaks) && q >= breaks[i+1].From || q <= 0 {
			continue
		}
		c := float64(b.Price*demand) + YearlyCost(q, demand, order, float64(rate*b.Price))
		if qty == 0 || c < cost {
			qty, cost = q, c
		}
	}
	return qty, cost
}

// Lead is demand over the time from order to delivery. Demand is per day and independent from day to day; the lead time is in days.
type Lead struct {
	Demand, DemandSD float64 // of a day
	Days, DaysSD     float64 // of the lead time
}

// Mean is the demand to be expected until the delivery.
func (l Lead) Mean() float64 { return float64(l.Demand * l.Days) }

// SD is its standard deviation: √(days·demandSD² + demand²·daysSD²). With a fixed lead time it is demandSD·√days, with a steady demand demand·daysSD.
func (l Lead) SD() float64 {
	return math.Sqrt(float64(l.Days*l.DemandSD*l.DemandSD) + float64(l.Demand*l.Demand*l.DaysSD*l.DaysSD))
}

// Factor is how many standard deviations have to be there so that stock lasts until the delivery in a share of cases: the quantile of the normal distribution.
// service is between 0 and 1; at a half it is 0.
func Factor(service float64) float64 { return distuv.UnitNormal.Quantile(service) }

// Safety is the stock above the mean that a share of cases asks for: Factor(service)·sd.
func Safety(service, sd float64) float64 { return float64(Factor(service) * sd) }

// Point is the stock at which to order: what is expected until the delivery, and the safety stock.
func (l Lead) Point(service float64) float64 { return l.Mean() + Safety(service, l.SD()) }

// Newsvendor is how much to have of what is bought once: the quantile of the demand at under ÷ (under + over), under being what each unit too few costs, over each
// unit too many. Demand is normal.
func Newsvendor(mean, sd, under, over float64) (qty, ratio float64) {
	ratio = under / (under + over)
	return mean + float64(Factor(ratio)*sd), ratio
}

// NormalLoss is the mean of what a standard normal variable is above z: φ(z) - z·(1 - Φ(z)).
func NormalLoss(z float64) float64 {
	return distuv.UnitNormal.Prob(z) - float64(z*distuv.UnitNormal.Survival(z))
}

// Shortage is the mean of what a normal demand is above qty.
func Shortage(qty, mean, sd float64) float64 { return float64(sd * NormalLoss((qty-mean)/sd)) }

// Poisson is the chance of exactly n events where mean are expected.
func Poisson(n int, mean float64) float64 {
	p := math.Exp(-mean)
	for k := 1; k <= n; k++ {
		p *= mean / float64(k)
	}
	return p
}

// PoissonUpTo is the chance of at most n events.
func PoissonUpTo(n int, mean float64) float64 {
	sum, p := 0.0, math.Exp(-mean)
	for k := 0; k <= n; k++ {
		sum += p
		p *= mean / float64(k+1)
	}
	return sum
}

// PoissonLoss is the mean of what a Poisson demand is above n: mean - Σ P(demand > k) for k from 0 to n-1.
func PoissonLoss(n int, mean float64) float64 {
	loss := mean
	for k := range n {
		loss -= 1 - PoissonUpTo(k, mean)
	}
	return math.Max(0, loss)
}
