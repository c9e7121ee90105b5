package chance

import (
	"cmp"
	"math"
	"slices"
)

// Trimmed returns the weighted mean of x, of which a share cut of the whole weight is left out at each end; 0 ≤ cut < ½. A value across the edge counts with
// the part of its weight that lies inside. Weights are not below 0. The mean of nothing is NaN. (L-estimates of location: P. J. Huber, Robust
// Statistics, 1981, chapter 3.)
func Trimmed(x, w []float64, cut float64) float64 {
	order := make([]int, len(x))
	total := 0.0
	for i := range order {
		order[i] = i
		total += w[i]
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(x[a], x[b]) })
	from, to := float64(cut*total), float64((1-cut)*total)
	var at, sum, weight float64
	for _, i := range order {
		inside := max(0, min(at+w[i], to)-max(at, from))
		at += w[i]
		sum += float64(inside * x[i])
		weight += inside
	}
	if weight == 0 {
		return math.NaN()
	}
	return sum / weight
}

// TrimmedVariance returns by how much the variance of a trimmed mean of normal values is above that of their plain mean, for many values: E ψ(Z)² ÷ (1-2·cut)²
// with ψ cutting Z off at its quantiles (Huber 1981, section 3.3).
func TrimmedVariance(cut float64) float64 {
	if cut <= 0 {
		return 1
	}
	square, _, _ := clipped(Normal(1 - cut))
	return square / float64((1-2*cut)*(1-2*cut))
}

// clipped returns, for a standard normal Z and ψ = Z cut off at ±c, the means of ψ², of ψ⁴ and of Z² where |Z| < c.
func clipped(c float64) (square, fourth, inner float64) {
	density := math.Exp(-float64(c*c)/2) / math.Sqrt(2*math.Pi)
	out := float64(2 * Above(c, math.Inf(1)))
	inner = 1 - out - float64(2*c*density)
	square = inner + float64(c*c*out)
	fourth = float64(3*(1-out)) - float64(2*density*(float64(c*c*c)+float64(3*c))) + float64(c*c*c*c*out)
	return square, fourth, inner
}
