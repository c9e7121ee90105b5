package chance

import "math"

// A loss is looked for in what is unknown: unknown = mean + loss + noise. Noise has the variance v; a loss that went in pieces of a size adds itself, times that
// size, to it, as a count of rare things does.

// Bounds returns the loss of which what was seen above the mean, seen, is the upper t-point, and that of which it is the lower one: the bounds of the
// loss, with the variance that the loss itself brings along. Where seen is below 0 they are those of plain noise.
func Bounds(seen, v, piece, t float64) (low, high float64) {
	noise := float64(t * math.Sqrt(v))
	b := float64(2*seen) + float64(t*t*piece)
	disc := math.Sqrt(max(0, float64(b*b)-float64(4*(float64(seen*seen)-float64(noise*noise)))))
	low, high = seen-noise, seen+noise
	if low > 0 {
		low = (b - disc) / 2
	}
	if high > 0 {
		high = (b + disc) / 2
	}
	return low, high
}

// Detectable returns the loss that is found with the given power where anything beyond threshold standard deviations of the noise is a signal: the smallest λ with
// λ - z·√(v + λ·piece) = threshold·√v, z the normal quantile of the power.
func Detectable(v, piece, threshold, power float64) float64 {
	z := Normal(power)
	edge := float64(threshold * math.Sqrt(v))
	b := float64(2*edge) + float64(z*z*piece)
	return (b + math.Sqrt(max(0, float64(b*b)-float64(4*(float64(edge*edge)-float64(z*z*v)))))) / 2
}
