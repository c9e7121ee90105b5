package forecast_test

import (
	"math"
	"testing"

	"countback/projections/forecast"
)

// history draws orders a day: perDay times the weekday's share, Poisson.
func history(days int, share [7]float64, perDay func(day int) float64) []float64 {
	r := forecast.Seeded("history", days, 0)
	out := make([]float64, days)
	for d := range out {
		s := &scatter{perDay(d) * share[d%7], 1}
		if m := perDay(d) * share[d%7]; m > 0 {
			out[d] = s.Day(r, 0)
		}
	}
	return out
}

func TestWeekdaysAndClosedDays(t *testing.T) {
	share := [7]float64{0.5, 1.2, 1.2, 1.2, 1.2, 1.7, 0}
	a := forecast.Arrive(history(140, share, func(int) float64 { return 20 }), 0)
	for w, want := range share {
		if math.Abs(a.Weekday[w]-want) > 0.12 {
			t.Errorf("weekday %d has %.2f of the mean, want about %.2f", w, a.Weekday[w], want)
		}
	}
	if a.Weekday[6] != 0 || len(a.Gaps) != 0 {
		t.Error("a weekday on which nobody ever orders is closed and no gap", a.Weekday[6], a.Gaps)
	}
	if math.Abs(a.PerDay-20) > 2 {
		t.Error("orders a day", a.PerDay)
	}
}

// A holiday counts as closed: neither the level nor the weekdays feel it.
func TestAGapIsNoLackOfDemand(t *testing.T) {
	even := [7]float64{1, 1, 1, 1, 1, 1, 1}
	a := forecast.Arrive(history(120, even, func(d int) float64 {
		if d >= 90 && d < 104 {
			return 0
		}
		return 10
	}), 0)
	if math.Abs(a.PerDay-10) > 1.5 {
		t.Error("orders a day", a.PerDay)
	}
	if len(a.Gaps) != 1 || a.Gaps[0] != 14 || a.Open[95] || !a.Open[89] || !a.Open[104] {
		t.Error("the gap", a.Gaps)
	}
	if a.GapRate <= 0 {
		t.Error("no other gap may come")
	}
	if a.Share(95) != 0 {
		t.Error("a closed day has a share", a.Share(95))
	}
}

func TestATrendIsDampedAndChanceIsNone(t *testing.T) {
	even := [7]float64{1, 1, 1, 1, 1, 1, 1}
	up := forecast.Arrive(history(120, even, func(d int) float64 { return 5 + float64(d)/4 }), 0)
	if up.Trend <= 0 || up.Growth(7) <= 1 || up.Growth(300)-up.Growth(100) > 1e-3 {
		t.Error("growth", up.Trend, up.Growth(7), up.Growth(100), up.Growth(300))
	}
	flat := forecast.Arrive(history(120, even, func(int) float64 { return 12 }), 0)
	if math.Abs(flat.Growth(300)-1) > 0.06 {
		t.Error("no trend was there", flat.Growth(300))
	}
}

func TestWithoutOrders(t *testing.T) {
	a := forecast.Arrive(nil, 2)
	if d := a.Learn(nil, forecast.Goods); d.PerDay() != 0 || d.Expected(5) != 0 {
		t.Error(d.PerDay())
	}
	a = forecast.Arrive(make([]float64, 30), 2)
	if a.PerDay != 0 || a.Growth(5) != 1 {
		t.Error(a.PerDay, a.Growth(5))
	}
}

// What a demand expects is what its paths use in the mean.
func TestExpectedIsTheMeanOfThePaths(t *testing.T) {
	even := [7]float64{0.4, 1, 1, 1, 1, 1.6, 1}
	orders := history(150, even, func(int) float64 { return 15 })
	var uses []forecast.Use
	r := forecast.Seeded("uses", 1, 1)
	for d, n := range orders {
		for range int(n) {
			if r.Float64() < 0.3 {
				uses = append(uses, forecast.Use{Day: d, Qty: float64(1 + r.IntN(3))})
			}
		}
	}
	for name, tuning := range map[string]forecast.Tuning{"goods": forecast.Goods, "supplies": forecast.Supplies} {
		d := forecast.Arrive(orders, 0).Learn(uses, tuning)
		want, got := 0.0, 0.0
		const paths, days = 20_000, 42
		for day := 1; day <= days; day++ {
			want += d.Expected(day)
		}
		for range paths {
			d.Begin(r)
			for day := 1; day <= days; day++ {
				got += d.Day(r, day) / paths
			}
		}
		if math.Abs(got/want-1) > 0.02 {
			t.Errorf("%s: the paths use %.2f, expected are %.2f", name, got, want)
		}
		if perDay := want / days; math.Abs(perDay-15*0.3*2) > 1.3 {
			t.Errorf("%s: %.2f a day, want about 9", name, perDay)
		}
	}
}

func TestScaleAndStretch(t *testing.T) {
	uses := []forecast.Use{{Day: 1, Qty: 2}, {Day: 3, Qty: 4}, {Day: 9, Qty: 3}}
	learn := func() *forecast.Demand { return forecast.Arrive(make([]float64, 20), 0).Learn(uses, forecast.Goods) }
	plain, twice, more := learn(), learn(), learn()
	twice.Scale(2)
	more.Stretch(1.5)
	if math.Abs(twice.PerDay()/plain.PerDay()-2) > 1e-12 || math.Abs(more.PerDay()/plain.PerDay()-1.5) > 1e-12 {
		t.Error(plain.PerDay(), twice.PerDay(), more.PerDay())
	}
}

// A level that drifts makes distant days less sure, and leaves the mean alone.
func TestDriftWidensTheFarEnd(t *testing.T) {
	even := [7]float64{1, 1, 1, 1, 1, 1, 1}
	orders := history(150, even, func(int) float64 { return 15 })
	var uses []forecast.Use
	for d, n := range orders {
		for range int(n) {
			uses = append(uses, forecast.Use{Day: d, Qty: 1})
		}
	}
	wide := func(drift float64) int {
		d := forecast.Arrive(orders, 0).Learn(uses, forecast.Tuning{HalfLife: 21, Drift: drift})
		out := forecast.Simulate(d, 15*84, nil, 2000, 400, forecast.Seeded("drift", 0, 400))
		return out.Quantile(0.9) - out.Quantile(0.1)
	}
	if still, moving := wide(0), wide(0.02); moving < still*3/2 {
		t.Error("8 of 10 cases lie within", still, "days without a drift and within", moving, "with one")
	}
}
