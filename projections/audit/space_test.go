package audit

import (
	"math"
	"testing"
)

// The closed forms of the prior of a free size are the integrals that they stand for.
func TestFreeSizeAgainstItsIntegral(t *testing.T) {
	for _, loss := range []bool{false, true} {
		for _, z := range []float64{-12, -6.5, -5.9, -2, 0, 1, 2.5, 4, 9, 30} {
			from := -300.0
			if loss {
				from = 0
			}
			const step = 0.004
			sum, mean := 0.0, 0.0
			for _, w := range widths {
				for x := from + step/2; x < 300; x += step {
					p := x * x / (w * w) * math.Exp(-x*x/(2*w*w)) / (w * math.Sqrt(2*math.Pi)) / float64(len(widths))
					if loss {
						p *= 2
					}
					v := p * math.Exp(z*x-x*x/2) * step
					sum, mean = sum+v, mean+v*x
				}
			}
			bf, size := free(z, loss)
			if math.Abs(bf-math.Log(sum)) > 0.01 || math.Abs(size-mean/sum) > 0.01 {
				t.Errorf("z %g, loss %v: %.4f and %.4f, and the integrals are %.4f and %.4f", z, loss, bf, size, math.Log(sum), mean/sum)
			}
		}
	}
}
