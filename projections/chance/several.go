package chance

import (
	"cmp"
	"slices"
)

// Discoveries tells which of several one-sided chances are signals when at most a share of q of the signals may be false ones: the step-up procedure of
// Y. Benjamini and Y. Hochberg, Controlling the false discovery rate, J. R. Statist. Soc. B 57 (1995), 289–300. With m chances in rising order, all up to the
// last k with p(k) ≤ k·q/m are signals. Where nothing is amiss, a table shows any signal with chance q.
func Discoveries(p []float64, q float64) []bool {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	out := make([]bool, len(p))
	for k := len(order); k > 0; k-- {
		if p[order[k-1]] <= float64(k)*q/float64(len(p)) {
			for _, i := range order[:k] {
				out[i] = true
			}
			break
		}
	}
	return out
}
