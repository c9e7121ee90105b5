package num_test

import (
	"math"
	"math/big"
	"os"
	"testing"

	"countback/ledger/num"

	"pgregory.net/rapid"
)

// The oracle computes with fractions of unlimited size and rounds in a way of its own; it shares no code with the package.

const (
	qtyPlaces   = 6
	moneyPlaces = 8
	ratePlaces  = 10
)

func tenTo(n int) *big.Int { return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n)), nil) }

// halfEven rounds r to places decimals and returns it scaled by 10^places.
func halfEven(r *big.Rat, places int) *big.Int {
	scaled := new(big.Rat).Mul(r, new(big.Rat).SetInt(tenTo(places)))
	two := new(big.Int).Lsh(scaled.Denom(), 1)
	// floor((2a + b) / 2b) rounds halves up; on an exact half with an odd result one goes back.
	sum := new(big.Int).Add(new(big.Int).Lsh(scaled.Num(), 1), scaled.Denom())
	q, m := new(big.Int).DivMod(sum, two, new(big.Int))
	if m.Sign() == 0 && q.Bit(0) == 1 {
		q.Sub(q, big.NewInt(1))
	}
	return q
}

// fixed is what the oracle needs of a number; text is its only way in.
type fixed interface{ String() string }

func fraction(v fixed) *big.Rat {
	r, ok := new(big.Rat).SetString(v.String())
	if !ok {
		panic("no number: " + v.String())
	}
	return r
}

// text writes a scaled integer as canonical text.
func text(scaled *big.Int, places int) string {
	digits := new(big.Int).Abs(scaled).String()
	for len(digits) <= places {
		digits = "0" + digits
	}
	whole, frac := digits[:len(digits)-places], digits[len(digits)-places:]
	for len(frac) > 0 && frac[len(frac)-1] == '0' {
		frac = frac[:len(frac)-1]
	}
	if frac != "" {
		whole += "." + frac
	}
	if scaled.Sign() < 0 {
		whole = "-" + whole
	}
	return whole
}

// scaled draws an integer: small, at the edges of 64 bits, anywhere in them, or far beyond, so that both ways of computing run.
func scaled(r *rapid.T, label string) *big.Int {
	switch rapid.IntRange(0, 4).Draw(r, label+" size") {
	case 0:
		return big.NewInt(rapid.Int64Range(-1000, 1000).Draw(r, label))
	case 1:
		edge := rapid.SampledFrom([]int64{math.MaxInt64, math.MaxInt64 - 1, math.MinInt64, math.MinInt64 + 1, 1 << 62, -1 << 62, 1_000_000, 100_000_000}).Draw(r, label)
		return new(big.Int).Add(big.NewInt(edge), big.NewInt(rapid.Int64Range(-2, 2).Draw(r, label+" off")))
	case 2:
		return big.NewInt(rapid.Int64().Draw(r, label))
	case 3: // multiples of half a unit, where ties are
		return big.NewInt(rapid.Int64Range(-1<<40, 1<<40).Draw(r, label) * 5)
	}
	n := new(big.Int)
	for _, w := range rapid.SliceOfN(rapid.Uint64(), 2, 4).Draw(r, label) {
		n.Or(n.Lsh(n, 64), new(big.Int).SetUint64(w))
	}
	if rapid.Bool().Draw(r, label+" sign") {
		n.Neg(n)
	}
	return n
}

// chunk cuts numbers beyond 64 bits into pieces that a constructor takes.
var chunk = new(big.Int).Lsh(big.NewInt(1), 62)

// qty builds the quantity of n millionths, of any size.
func qty(n *big.Int) num.Qty {
	if n.IsInt64() {
		return num.QtyMillionths(n.Int64())
	}
	hi, lo := new(big.Int).QuoRem(n, chunk, new(big.Int))
	return qty(hi).Times(num.Whole(chunk.Int64())).Add(num.QtyMillionths(lo.Int64()))
}

// money builds the amount of n·10^-8, of any size.
func money(n *big.Int) num.Money {
	if n.IsInt64() {
		return num.MoneyUnits(n.Int64())
	}
	hi, lo := new(big.Int).QuoRem(n, chunk, new(big.Int))
	return money(hi).Times(num.Whole(chunk.Int64())).Add(num.MoneyUnits(lo.Int64()))
}

func drawQty(r *rapid.T, label string) (num.Qty, *big.Int) {
	n := scaled(r, label)
	return qty(n), n
}

func drawMoney(r *rapid.T, label string) (num.Money, *big.Int) {
	n := scaled(r, label)
	return money(n), n
}

// same fails unless got is the scaled integer want, in canonical text.
func same(r *rapid.T, what string, got fixed, want *big.Int, places int) {
	r.Helper()
	if w := text(want, places); got.String() != w {
		r.Fatalf("%s: %s, want %s", what, got, w)
	}
}

// many repeats a property, more often when the full run is asked for.
func many(t *testing.T, prop func(*rapid.T)) {
	t.Helper()
	rounds := 20
	if os.Getenv("COUNTBACK_FULL") == "1" {
		rounds = 2000
	}
	for range rounds {
		if rapid.Check(t, prop); t.Failed() {
			return
		}
	}
}
