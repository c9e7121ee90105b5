package chance

import "math"

// Deviation is one observed difference from its mean, whose variance is Known + φ·Squares.
type Deviation struct {
	Off     float64
	Known   float64 // variance that has other causes
	Squares float64 // what φ multiplies, not below 0
	Weight  float64 // how many observations it counts as
}

// clip is where a deviation stops to count more, in standard deviations: Huber's proposal 2 with k = 2.
const clip = 2

// Spread estimates φ, above 0, so that a few wild deviations hardly move it: the root of
//
//	Σ weight·a·(ψ(off/√v)²/κ - 1) + n0·(start/φ - 1) = 0,  v = known + φ·squares,  a = φ·squares/v,
//
// where ψ cuts off at ±2 and κ is the mean of ψ² of a standard normal. Without the cut it is the equation of greatest likelihood. It is proposal 2 of
// P. J. Huber (Robust Statistics, 1981, section 6.4) for a variance of two parts. start counts like n0 deviations that show just it, n0 > 0, so
// that without any the answer is start. logVariance is the variance of log φ, by the usual sandwich of the same equation.
func Spread(list []Deviation, start, n0 float64) (phi, logVariance float64) {
	square, fourth, inner := clipped(clip)
	equation := func(log float64) float64 {
		phi := math.Exp(log)
		sum := float64(n0 * (start/phi - 1))
		for _, d := range list {
			handling := float64(phi * d.Squares)
			v := d.Known + handling
			if handling <= 0 || v <= 0 {
				continue
			}
			z2 := min(float64(d.Off*d.Off)/v, clip*clip)
			sum += float64(d.Weight * handling / v * (z2/square - 1))
		}
		return sum
	}
	log := root(equation, math.Log(start))
	phi = math.Exp(log)
	var weight float64
	for _, d := range list {
		if v := d.Known + float64(phi*d.Squares); v > 0 {
			a := float64(phi*d.Squares) / v
			weight += float64(d.Weight * a * a)
		}
	}
	slope := float64(inner/square*weight) + n0
	noise := float64((fourth/float64(square*square)-1)*weight) + float64(2*n0)
	return phi, noise / float64(slope*slope)
}

// root finds where a falling function of a logarithm crosses 0, looking outwards from start and then by halving, with straight lines where they do better
// (the Illinois rule: M. Dowell and P. Jarratt, BIT 11 (1971), 168–174).
func root(f func(float64) float64, start float64) float64 {
	const widest, close = 20.0, 1e-10
	lo, hi := start, start
	flo := f(start)
	fhi := flo
	for step := 0.5; flo < 0 && start-lo < widest; step *= 2 {
		hi, fhi = lo, flo
		lo -= step
		flo = f(lo)
	}
	for step := 0.5; fhi > 0 && hi-start < widest; step *= 2 {
		lo, flo = hi, fhi
		hi += step
		fhi = f(hi)
	}
	if flo <= 0 {
		return lo
	}
	if fhi >= 0 {
		return hi
	}
	last := 0
	for range 100 {
		x := hi - float64(fhi*(hi-lo))/(fhi-flo)
		fx := f(x)
		switch {
		case fx > 0:
			lo, flo = x, fx
			if last > 0 {
				fhi /= 2
			}
			last = 1
		case fx < 0:
			hi, fhi = x, fx
			if last < 0 {
				flo /= 2
			}
			last = -1
		default:
			return x
		}
		if hi-lo < close || math.Abs(fx) < close {
			return x
		}
	}
	return lo + (hi-lo)/2
}
