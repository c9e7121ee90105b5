package catalog

import (
	"cmp"
	"strings"
)

// ComparePlaces orders places as one walks past them: by name, numbers in names by their value, so that "cart 10" comes after "cart 9". Things without
// a place come last. Places that differ are never equal.
func ComparePlaces(a, b string) int {
	if (a == "") != (b == "") {
		return cmp.Compare(b, a)
	}
	x, y := a, b
	for x != "" && y != "" {
		p, q := digits(x), digits(y)
		if p > 0 && q > 0 {
			m, n := strings.TrimLeft(x[:p], "0"), strings.TrimLeft(y[:q], "0")
			if c := cmp.Or(cmp.Compare(len(m), len(n)), cmp.Compare(m, n)); c != 0 {
				return c
			}
			x, y = x[p:], y[q:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

// digits is the length of the number at the beginning of s.
func digits(s string) int { return len(s) - len(strings.TrimLeft(s, "0123456789")) }
