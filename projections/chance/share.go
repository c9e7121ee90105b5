package chance

import "math"

// Wilson returns the bounds of a share of which x of n were seen, 0 ≤ x ≤ n, n > 0, at a confidence between 0 and 1: the score interval of E. B. Wilson,
// Probable inference, the law of succession, and statistical inference, J. Amer. Statist. Assoc. 22 (1927), 209–212.
func Wilson(x, n, confidence float64) (low, high float64) {
	z := Normal(0.5 + confidence/2)
	z2 := float64(z * z)
	p := x / n
	middle := (p + z2/(2*n)) / (1 + z2/n)
	half := float64(float64(z/(1+z2/n)) * math.Sqrt(float64(p*(1-p))/n+z2/float64(4*n*n)))
	return max(0, middle-half), min(1, middle+half)
}

// Poisson returns the exact bounds of the mean of a count of k rare things, k ≥ 0 and whole, at a confidence between 0 and 1: F. Garwood, Fiducial limits for
// the Poisson distribution, Biometrika 28 (1936), 437–442; half the chi-squared quantiles with 2k and 2k + 2 degrees of freedom.
func Poisson(k, confidence float64) (low, high float64) {
	tail := (1 - confidence) / 2
	if k > 0 {
		low = Chi2(tail, 2*k) / 2
	}
	return low, Chi2(1-tail, 2*k+2) / 2
}

// Limits are the control limits of a chart.
type Limits struct{ Low, Center, High float64 }

// Outside reports whether a point lies beyond the limits; a point on a limit is inside.
func (l Limits) Outside(x float64) bool { return x < l.Low || x > l.High }

// SharesChart returns the limits for a share of n when the mean share is p: p ± 3·√(p(1-p)/n), cut off at 0 and 1 (NIST/SEMATECH e-Handbook of Statistical
// Methods, 6.3.3.2, proportions control charts).
func SharesChart(p, n float64) Limits {
	half := float64(3 * math.Sqrt(float64(p*(1-p))/n))
	return Limits{max(0, p-half), p, min(1, p+half)}
}

// CountsChart returns the limits for a count when its mean is c: c ± 3·√c, not below 0 (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1, counts
// control charts).
func CountsChart(c float64) Limits {
	half := float64(3 * math.Sqrt(c))
	return Limits{max(0, c-half), c, c + half}
}
