package forecast_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"countback/projections/forecast"
	"countback/projections/replenish"
)

// normal is a demand as the closed formulas assume it: independent normal days.
type normal struct{ mean, sd float64 }

func (normal) Begin(*rand.Rand) {}
func (n normal) Day(r *rand.Rand, _ int) float64 {
	return n.mean + n.sd*r.NormFloat64()
}

// With normal demand and a fixed lead time the stock of the closed formula lasts in the share of cases that was asked for, within the simulation's own error.
func TestSimulationAgreesWithTheClosedFormula(t *testing.T) {
	const paths = 40_000
	for _, c := range []struct {
		mean, sd float64
		lead     int
		service  float64
	}{
		{20, 4, 9, 0.95}, {20, 4, 9, 0.5}, {20, 4, 9, 0.99}, {150, 16, 5, 0.95}, {3, 0.9, 30, 0.9}, {3, 0.9, 30, 0.999}, {8, 2, 1, 0.8},
	} {
		stock := replenish.Lead{Demand: c.mean, DemandSD: c.sd, Days: float64(c.lead)}.Point(c.service)
		out := forecast.Simulate(normal{c.mean, c.sd}, stock, nil, paths, c.lead, forecast.Seeded("formula", c.lead, int(c.mean)))
		short, want := out.By(c.lead), 1-c.service
		if within := 3.5 * math.Sqrt(want*(1-want)/paths); math.Abs(short-want) > within {
			t.Errorf("%+v: %.4f of the paths ran out, the formula says %.4f ± %.4f", c, short, want, within)
		}
	}
}

// steady takes the same every day.
type steady float64

func (steady) Begin(*rand.Rand)              {}
func (s steady) Day(*rand.Rand, int) float64 { return float64(s) }
func one(stock float64, in ...forecast.Coming) int {
	return forecast.Simulate(steady(2), stock, in, 1, 20, forecast.Seeded("x", 0, 20)).Quantile(0.5)
}

func TestTheDayOnWhichStockIsGone(t *testing.T) {
	for _, c := range []struct {
		what  string
		stock float64
		in    []forecast.Coming
		want  int
	}{
		{"the first day at whose end nothing is left", 10, nil, 5},
		{"a rest of one is still something", 11, nil, 6},
		{"nothing there is out at once", 0, nil, 0},
		{"less than nothing too", -3, nil, 0},
		{"what comes on the last morning is in time", 10, []forecast.Coming{{Day: 5, Qty: 4}}, 7},
		{"what comes the morning after is too late", 10, []forecast.Coming{{Day: 6, Qty: 4}}, 5},
		{"two deliveries on a day", 4, []forecast.Coming{{Day: 1, Qty: 2}, {Day: 1, Qty: 2}}, 4},
		{"beyond what was looked at", 1000, nil, 21},
	} {
		if got := one(c.stock, c.in...); got != c.want {
			t.Errorf("%s: day %d, want %d", c.what, got, c.want)
		}
	}
}

func TestQuantilesAndShares(t *testing.T) {
	o := forecast.RunOut{Horizon: 9, Days: []int{1, 2, 2, 3, 4, 5, 6, 7, 8, 10}}
	if o.Quantile(0) != 1 || o.Quantile(0.1) != 2 || o.Quantile(0.5) != 5 || o.Quantile(1) != 10 {
		t.Error(o.Quantile(0), o.Quantile(0.1), o.Quantile(0.5), o.Quantile(1))
	}
	if o.By(0) != 0 || o.By(2) != 0.3 || o.By(9) != 0.9 || o.By(-4) != 0 {
		t.Error(o.By(0), o.By(2), o.By(9), o.By(-4))
	}
}

// A forecast hangs on the item and the window alone: asked again it is the same, and more stock never runs out sooner.
func TestForecastsAreTheSameEachTimeAndOrdered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		days := rapid.IntRange(14, 120).Draw(t, "days")
		perDay := rapid.SliceOfN(rapid.Float64Range(0, 20), days, days).Draw(t, "orders")
		for i := range perDay {
			perDay[i] = math.Floor(perDay[i])
		}
		var uses []forecast.Use
		for d := range days {
			for range rapid.IntRange(0, 2).Draw(t, "uses") {
				uses = append(uses, forecast.Use{Day: d, Qty: float64(rapid.IntRange(1, 9).Draw(t, "qty"))})
			}
		}
		stock := float64(rapid.IntRange(0, 400).Draw(t, "stock"))
		play := func(stock float64, paths, from int) forecast.RunOut {
			a := forecast.Arrive(perDay, 3)
			return forecast.Simulate(a.Learn(uses, forecast.Goods), stock, nil, paths, 90, forecast.Seeded("card", from, 90))
		}
		a, b := play(stock, 60, days), play(stock, 60, days)
		if !slices.Equal(a.Days, b.Days) {
			t.Fatal("asked twice, two answers")
		}
		if p10, p50, p90 := a.Quantile(0.1), a.Quantile(0.5), a.Quantile(0.9); p10 > p50 || p50 > p90 || p10 < 0 || p90 > 91 {
			t.Fatal(p10, p50, p90)
		}
		for from := range 20 { // each path by itself, so that both have the same luck
			if less, more := play(stock, 1, from).Days[0], play(stock+50, 1, from).Days[0]; more < less {
				t.Fatal("more stock runs out sooner", more, less)
			}
		}
	})
}
