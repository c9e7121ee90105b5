package forecast

import (
	"math/rand/v2"
	"slices"
)

// Path is a demand day by day: Begin starts a path, and Day draws the use of its day 1, 2, 3 …, asked for in order.
type Path interface {
	Begin(r *rand.Rand)
	Day(r *rand.Rand, ahead int) float64
}

// Coming is what will be added to stock at the beginning of a day.
type Coming struct {
	Day int // days ahead, at least 1
	Qty float64
}

// RunOut holds the days on which an item ran out in each path, in rising order: days ahead, 0 for at once, Horizon+1 for not within it.
type RunOut struct {
	Horizon int
	Days    []int
}

// Simulate plays a number of paths of a demand from a stock on: it has run out on the first day at whose end nothing is left.
func Simulate(p Path, stock float64, coming []Coming, paths, horizon int, r *rand.Rand) RunOut {
	out := RunOut{Horizon: horizon, Days: make([]int, paths)}
	for i := range out.Days {
		out.Days[i] = runOnce(p, stock, coming, horizon, r)
	}
	slices.Sort(out.Days)
	return out
}

func runOnce(p Path, left float64, coming []Coming, horizon int, r *rand.Rand) int {
	if left <= 0 {
		return 0
	}
	p.Begin(r)
	for day := 1; day <= horizon; day++ {
		for _, c := range coming {
			if c.Day == day {
				left += c.Qty
			}
		}
		if left -= p.Day(r, day); left <= 0 {
			return day
		}
	}
	return horizon + 1
}

// Seeded is a generator whose numbers hang on an item and a window of days alone, never on the time at which it is asked.
func Seeded(item string, from, days int) *rand.Rand { return seeded(item, from, days) }

// Quantile is the first day by which a share of the paths, from 0 to 1, had run out.
func (o RunOut) Quantile(share float64) int {
	k := int(float64(share * float64(len(o.Days))))
	return o.Days[min(max(k, 0), len(o.Days)-1)]
}

// By is the share of paths that had run out by the end of a day.
func (o RunOut) By(day int) float64 {
	n, _ := slices.BinarySearch(o.Days, day+1)
	return float64(n) / float64(len(o.Days))
}
