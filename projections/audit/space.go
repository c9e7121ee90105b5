package audit

import "math"

// space is what the unknown of some intervals looks like under one covariance, as the likelihood needs it: everything is divided by the Cholesky factor.
type space struct {
	low    [][]float64
	y      []float64
	chance float64 // logarithm of how likely this noise is
	base   float64 // log likelihood of y where nothing was lost, up to a constant
}

// newSpace takes the covariance as its lower triangle, which it overwrites. It returns false where the covariance is none.
func newSpace(v [][]float64, y []float64) (*space, bool) {
	logDet := 0.0
	for i := range v {
		for j := 0; j <= i; j++ {
			sum := v[i][j]
			for k := range j {
				sum -= float64(v[i][k] * v[j][k])
			}
			if i > j {
				v[i][j] = sum / v[j][j]
				continue
			}
			if sum <= 0 {
				return nil, false
			}
			v[i][i] = math.Sqrt(sum)
			logDet += float64(2 * math.Log(v[i][i]))
		}
	}
	s := &space{low: v}
	s.y = s.whiten(y)
	s.base = float64(-0.5 * (logDet + dot(s.y, s.y)))
	return s, true
}

func (s *space) whiten(x []float64) []float64 {
	out := make([]float64, len(x))
	zero := true
	for i := range x {
		sum := x[i]
		if zero && sum == 0 {
			continue
		}
		zero = false
		row := s.low[i]
		for j := range i {
			sum -= float64(row[j] * out[j])
		}
		out[i] = sum / row[i]
	}
	return out
}

func dot(a, b []float64) (sum float64) {
	for i := range a {
		sum += float64(a[i] * b[i])
	}
	return sum
}

// widths are those of the prior of a free size, in standard deviations with which the counts would know it, equally likely. One width alone would turn on very large
// losses, or hide small ones.
var widths = [...]float64{2.5, 6, 16, 50}

// normed is the logarithm of what the prior of each width is divided by, the chance of the width, and 1 + width².
var normed = func() (list [len(widths)]float64) {
	for i, w := range widths {
		list[i] = float64(0.5*math.Log(1+float64(w*w))) + math.Log(float64(w*w)) + math.Log(float64(len(widths)))
	}
	return list
}()

// free is the log Bayes factor, against none, of an effect of free size whose best estimate lies z standard deviations from 0, and by how much the prior shrinks that estimate. The prior of a
// size is a normal density around 0 times the square of the size (a moment prior: V. E. Johnson and D. Rossell, On the use of non-local prior densities in Bayesian hypothesis tests, J. R. Statist.
// Soc. B 72 (2010), 143–170): what is hardly there is no cause, so that where nothing is missing, none wins clearly. An effect that can only be a loss has the half above 0.
func free(z float64, loss bool) (logBF, shrink float64) {
	var terms, shrinks [len(widths)]float64
	for i, w := range widths {
		w2 := float64(w * w)
		keep := w2 / (1 + w2)
		mean, sd := float64(z*keep), math.Sqrt(keep)
		// Of the normal posterior: the logarithm of E θ², and E θ³ ÷ E θ².
		var second, ratio float64
		if loss {
			second, ratio = above(mean / sd)
			second += math.Log(2 * keep)
			ratio *= sd
		} else {
			squared := float64(mean*mean) + keep
			second, ratio = math.Log(squared), mean*(squared+2*keep)/squared
		}
		terms[i] = float64(0.5*z*z*keep) + second - normed[i]
		shrinks[i] = ratio
	}
	logBF = logSum(terms[:])
	for i := range terms {
		shrink += float64(math.Exp(terms[i]-logBF) * shrinks[i])
	}
	return logBF, shrink
}

// above is, for a normal θ with the mean a and the standard deviation 1, the logarithm of E θ² over θ > 0, and E θ³ over θ > 0 divided by it.
func above(a float64) (second, ratio float64) {
	if a < -6 {
		t2 := float64(a * a)
		// Three terms each of what is left of the sums below once what cancels is taken out.
		second = float64(-0.5*t2) - float64(0.5*math.Log(2*math.Pi)) + math.Log(2) - float64(1.5*math.Log(t2)) + math.Log(1-6/t2+45/float64(t2*t2))
		return second, 3 / -a * (1 - 10/t2 + 105/float64(t2*t2)) / (1 - 6/t2 + 45/float64(t2*t2))
	}
	below := 0.5 * math.Erfc(-a/math.Sqrt2) // Φ(a)
	density := math.Exp(float64(-0.5*a*a)) / math.Sqrt(2*math.Pi)
	e2 := float64((float64(a*a)+1)*below) + float64(a*density)
	e3 := float64(a*(float64(a*a)+3)*below) + float64((float64(a*a)+2)*density)
	return math.Log(e2), e3 / e2
}

func logSum(list []float64) float64 {
	most := math.Inf(-1)
	for _, x := range list {
		most = max(most, x)
	}
	if math.IsInf(most, -1) {
		return most
	}
	sum := 0.0
	for _, x := range list {
		sum += math.Exp(x - most)
	}
	return most + math.Log(sum)
}
