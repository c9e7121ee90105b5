package audit

import (
	"math"

	"countback/projections/chance"
)

// space is what the unknown of some intervals looks like under one covariance, as the likelihood needs it: everything is divided by the Cholesky factor.
type space struct {
	low  [][]float64
	y    []float64
	base float64 // log likelihood of y where nothing was lost, up to a constant
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
var widths = [...]float64{3, 8, 20, 60}

// free is the log Bayes factor, against none, of an effect of free size whose best estimate lies z standard deviations from 0, and by how much the prior
// shrinks that estimate. An effect that can only be a loss has half the prior; the half that lies below 0 is left out.
func free(z float64, loss bool) (logBF, shrink float64) {
	var terms, shrinks [len(widths)]float64
	for i, w := range widths {
		w2 := float64(w * w)
		keep := w2 / (1 + w2)
		terms[i] = float64(-0.5*math.Log(1+w2)) + float64(0.5*z*z*keep) - math.Log(float64(len(widths)))
		mean := float64(z * keep)
		if loss {
			at := float64(z * math.Sqrt(keep))
			terms[i] += math.Log(2) + logNormal(at)
			mean += float64(math.Sqrt(keep) * hazard(at))
		}
		shrinks[i] = mean
	}
	logBF = logSum(terms[:])
	for i := range terms {
		shrink += float64(math.Exp(terms[i]-logBF) * shrinks[i])
	}
	return logBF, shrink
}

// logNormal is the logarithm of the standard normal distribution function.
func logNormal(x float64) float64 {
	if x > -6 {
		return math.Log(max(1-chance.Above(x, math.Inf(1)), 1e-300))
	}
	// The first terms of its expansion (M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 26.2.12).
	x2 := float64(x * x)
	return float64(-0.5*x2) - math.Log(-x) - float64(0.5*math.Log(2*math.Pi)) + math.Log(1-1/x2+3/float64(x2*x2))
}

// hazard is density ÷ distribution of a standard normal: how far cutting off what lies below 0 moves a mean.
func hazard(x float64) float64 {
	return math.Exp(float64(-0.5*x*x) - float64(0.5*math.Log(2*math.Pi)) - logNormal(x))
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
