package oracle

import (
	"fmt"
	"math/big"
	"sort"
)

const (
	qtyPlaces   = 6
	moneyPlaces = 8
)

// rat reads a number of the ledger by its text, so that nothing of the ledger's own arithmetic is used.
func rat(n fmt.Stringer) *big.Rat {
	r, ok := new(big.Rat).SetString(n.String())
	if !ok {
		panic("oracle: not a number: " + n.String())
	}
	return r
}

func whole(n int64) *big.Rat { return new(big.Rat).SetInt64(n) }

func zero() *big.Rat { return new(big.Rat) }

func add(a, b *big.Rat) *big.Rat { return new(big.Rat).Add(a, b) }

func sub(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }

func mul(a, b *big.Rat) *big.Rat { return new(big.Rat).Mul(a, b) }

func quo(a, b *big.Rat) *big.Rat { return new(big.Rat).Quo(a, b) }

func less(a, b *big.Rat) bool { return a.Cmp(b) < 0 }

func smaller(a, b *big.Rat) *big.Rat {
	if less(b, a) {
		return b
	}
	return a
}

// plus adds in a map in which a missing entry is 0.
func plus[K comparable](m map[K]*big.Rat, k K, n *big.Rat) {
	if m[k] == nil {
		m[k] = zero()
	}
	m[k] = add(m[k], n)
}

func at0(m map[string]*big.Rat, k string) *big.Rat {
	if m[k] == nil {
		return zero()
	}
	return m[k]
}

func keys[V any](m map[string]V) []string {
	list := make([]string, 0, len(m))
	for k := range m {
		list = append(list, k)
	}
	sort.Strings(list)
	return list
}

func powerOf10(n int) *big.Rat {
	return new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil))
}

// floor returns the largest whole number that is at most r, and what is left of r.
func floor(r *big.Rat) (*big.Int, *big.Rat) {
	n := new(big.Int).Div(r.Num(), r.Denom()) // Euclidean; the denominator is above 0, so this is the floor
	return n, sub(r, new(big.Rat).SetInt(n))
}

func ceil(r *big.Rat) *big.Rat {
	n, rest := floor(r)
	if rest.Sign() > 0 {
		n.Add(n, big.NewInt(1))
	}
	return new(big.Rat).SetInt(n)
}

// round rounds half to even to the given number of places.
func round(r *big.Rat, places int) *big.Rat {
	scale := powerOf10(places)
	n, rest := floor(mul(r, scale))
	half := big.NewRat(1, 2)
	if c := rest.Cmp(half); c > 0 || c == 0 && n.Bit(0) == 1 {
		n.Add(n, big.NewInt(1))
	}
	return quo(new(big.Rat).SetInt(n), scale)
}

func roundQty(r *big.Rat) *big.Rat { return round(r, qtyPlaces) }

func roundMoney(r *big.Rat) *big.Rat { return round(r, moneyPlaces) }

// spread divides total, whole in units of 10^-places, over the weights by largest remainder, ties to the earlier one;
// weights that are all 0 count as equal.
func spread(total *big.Rat, weights []*big.Rat, places int) []*big.Rat {
	sum := zero()
	for _, w := range weights {
		sum = add(sum, w)
	}
	if sum.Sign() == 0 {
		equal := make([]*big.Rat, len(weights))
		for i := range equal {
			equal[i] = whole(1)
		}
		return spread(total, equal, places)
	}
	scale := powerOf10(places)
	units := mul(total, scale)
	shares, rests, left := make([]*big.Rat, len(weights)), make([]*big.Rat, len(weights)), units
	for i, w := range weights {
		n, rest := floor(quo(mul(units, w), sum))
		shares[i], rests[i] = new(big.Rat).SetInt(n), rest
		left = sub(left, shares[i])
	}
	for ; left.Sign() > 0; left = sub(left, whole(1)) {
		best := 0
		for i := range rests {
			if less(rests[best], rests[i]) {
				best = i
			}
		}
		shares[best] = add(shares[best], whole(1))
		rests[best] = whole(-1) // one unit each
	}
	for i := range shares {
		shares[i] = quo(shares[i], scale)
	}
	return shares
}
