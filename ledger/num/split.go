package num

import (
	"slices"

	"github.com/cockroachdb/apd/v3"
)

// Split divides total over weights, in whole units of 10^-places, by largest remainder: each share is
// rounded down to a whole unit, and the units left over go one each to the largest remainders, ties to the earlier one. The shares
// add up to total, which is rounded half to even first if it is no whole number of units. A negative total mirrors the split of its
// positive. Weights are 0 or more, it panics on others; if all are 0 they count as equal. Without weights there are no shares.
//
// Source: the largest remainder method of apportionment (Hamilton's), as in OpenStax, Contemporary Mathematics, chapter 11.
func Split(total Money, weights []Money, places int) []Money {
	shares := make([]Money, len(weights))
	if len(weights) == 0 {
		return shares
	}
	sum := new(apd.BigInt)
	w := make([]*apd.BigInt, len(weights))
	for i, v := range weights {
		if v.Sign() < 0 {
			panic("num: Split needs weights of 0 or more")
		}
		w[i] = v.big()
		sum.Add(sum, w[i])
	}
	if sum.Sign() == 0 {
		for i := range w {
			w[i] = apd.NewBigInt(1)
		}
		sum = apd.NewBigInt(int64(len(w)))
	}
	unit := apd.NewBigInt(pow10(8 - places))
	units := new(apd.BigInt).Quo(total.Abs().Round(places).big(), unit)
	left := new(apd.BigInt).Set(units)
	type share struct {
		at   int
		q, r *apd.BigInt
	}
	parts := make([]share, len(w))
	for i := range w {
		q, r := new(apd.BigInt), new(apd.BigInt)
		q.QuoRem(new(apd.BigInt).Mul(units, w[i]), sum, r)
		left.Sub(left, q)
		parts[i] = share{i, q, r}
	}
	byRest := slices.Clone(parts)
	slices.SortStableFunc(byRest, func(a, b share) int { return b.r.Cmp(a.r) })
	one := apd.NewBigInt(1)
	for i := 0; left.Sign() > 0; i++ {
		byRest[i].q.Add(byRest[i].q, one)
		left.Sub(left, one)
	}
	for i, p := range parts {
		v := fromBig[moneyScale](p.q.Mul(p.q, unit))
		if total.Sign() < 0 {
			v = v.Neg()
		}
		shares[i] = v
	}
	return shares
}

// RoundLines rounds amounts to the given places so that they add up to their rounded total: each is rounded down, and the
// units missing go to the largest remainders, ties to the earlier one. It is how reports show lines in minor units.
func RoundLines(lines []Money, places int) (rounded []Money, total Money) {
	unit := Money{n: pow10(8 - places)}
	rounded = make([]Money, len(lines))
	type rest struct {
		at int
		r  Money
	}
	rests := make([]rest, len(lines))
	var down Money
	for i, v := range lines {
		total = total.Add(v)
		f := v.Round(places)
		if v.Less(f) {
			f = f.Sub(unit)
		}
		rounded[i] = f
		rests[i] = rest{i, v.Sub(f)}
		down = down.Add(f)
	}
	total = total.Round(places)
	slices.SortStableFunc(rests, func(a, b rest) int { return b.r.Cmp(a.r) })
	for i := 0; down.Less(total) && i < len(rests); i++ {
		at := rests[i].at
		rounded[at] = rounded[at].Add(unit)
		down = down.Add(unit)
	}
	return rounded, total
}
