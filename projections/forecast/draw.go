package forecast

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// seeded is a generator whose numbers hang on an item and a window alone, never on the time at which it is asked.
func seeded(item string, from, days int) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(item))
	return rand.New(rand.NewPCG(h.Sum64(), uint64(int64(from))<<32|uint64(uint32(days))))
}

// poisson draws a number of events by counting exponential gaps; mean is small.
func poisson(r *rand.Rand, mean float64) int {
	if mean <= 0 {
		return 0
	}
	limit, p, n := math.Exp(-mean), r.Float64(), 0
	for p > limit {
		p *= r.Float64()
		n++
	}
	return n
}

// gamma draws from a gamma distribution of a mean and variance. From a shape of 4 on it takes the cube of a normal variable (Wilson and Hilferty, The
// distribution of chi-square, 1931), which is as near as a forecast can ask; below it Marsaglia and Tsang's method (A simple method for generating gamma
// variables, 2000), from memory.
func gamma(r *rand.Rand, mean, variance float64) float64 {
	if mean <= 0 || variance <= 0 {
		return math.Max(0, mean)
	}
	k := float64(mean*mean) / variance
	if k >= 4 {
		c := 1 / (9 * k)
		x := 1 - c + float64(r.NormFloat64()*math.Sqrt(c))
		return math.Max(0, float64(mean*x*x*x))
	}
	scale, boost := variance/mean, 1.0
	if k < 1 {
		boost = math.Pow(r.Float64(), 1/k)
		k++
	}
	d := k - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		z := r.NormFloat64()
		v := 1 + float64(c*z)
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(r.Float64()) < float64(z*z)/2+d-float64(d*v)+float64(d*math.Log(v)) {
			return float64(scale * boost * d * v)
		}
	}
}
