package num

import (
	"cmp"
	"math"
	"math/bits"

	"github.com/cockroachdb/apd/v3"
)

// scale is implemented by the marker types that tell quantities, money and rates apart at compile time.
type scale interface {
	places() int // decimal places
	digits() int // most digits before the point in entered text
	noun() string
}

type qtyScale struct{}
type moneyScale struct{}
type rateScale struct{}

func (qtyScale) places() int    { return 6 }
func (qtyScale) digits() int    { return 12 }
func (qtyScale) noun() string   { return "quantity" }
func (moneyScale) places() int  { return 8 }
func (moneyScale) digits() int  { return 10 }
func (moneyScale) noun() string { return "amount" }
func (rateScale) places() int   { return 10 }
func (rateScale) digits() int   { return 8 }
func (rateScale) noun() string  { return "rate" }

// Fixed is a decimal number with as many places as its scale S. The zero value is 0. Values are immutable; compare
// them with Cmp, Sign and IsZero, not with ==.
type Fixed[S scale] struct {
	n int64       // the value × 10^places, if x is nil
	x *apd.BigInt // the same where it does not fit n
}

// Qty is a quantity in an item's base unit (each, mm, g or ml), with 6 decimal places.
type Qty = Fixed[qtyScale]

// Money is an amount in the shop's currency, with 8 decimal places.
type Money = Fixed[moneyScale]

// Rate is shop currency per unit of a foreign currency, with 10 decimal places.
type Rate = Fixed[rateScale]

// Scaled one, of a quantity.
const qtyOne = 1_000_000

// Whole returns the quantity of n base units.
func Whole(n int64) Qty {
	if n > math.MaxInt64/qtyOne || n < math.MinInt64/qtyOne {
		return wholeBig(n)
	}
	return Qty{n: n * qtyOne}
}

// QtyMillionths returns the quantity of n millionths of a base unit.
func QtyMillionths(n int64) Qty { return Qty{n: n} }

// MoneyUnits returns n·10^-8 of the currency.
func MoneyUnits(n int64) Money { return Money{n: n} }

// Scaled returns the value × 10^places and whether it fits 64 bits.
func (a Fixed[S]) Scaled() (int64, bool) { return a.n, a.x == nil }

// IsZero reports whether a is 0. JSON's "omitzero" asks it, also of what a pointer
// points to: an optional number that may be 0 is a pointer with "omitempty".
func (a Fixed[S]) IsZero() bool { return a.n == 0 && a.x == nil }

// Sign returns -1, 0 or 1.
func (a Fixed[S]) Sign() int {
	switch {
	case a.x != nil:
		return a.x.Sign()
	case a.n > 0:
		return 1
	case a.n < 0:
		return -1
	}
	return 0
}

// Cmp returns -1, 0 or 1 as a is less than, equal to or greater than b.
func (a Fixed[S]) Cmp(b Fixed[S]) int {
	if a.x == nil && b.x == nil {
		return cmp.Compare(a.n, b.n)
	}
	return cmpBig(Qty(a), Qty(b))
}

// Less reports whether a < b.
func (a Fixed[S]) Less(b Fixed[S]) bool {
	if a.x == nil && b.x == nil {
		return a.n < b.n
	}
	return cmpBig(Qty(a), Qty(b)) < 0
}

// Add returns a + b, exactly.
func (a Fixed[S]) Add(b Fixed[S]) Fixed[S] {
	if s := a.n + b.n; a.x == nil && b.x == nil && (a.n^s)&(b.n^s) >= 0 {
		return Fixed[S]{n: s}
	}
	return Fixed[S](addBig(Qty(a), Qty(b)))
}

// Sub returns a - b, exactly.
func (a Fixed[S]) Sub(b Fixed[S]) Fixed[S] {
	if d := a.n - b.n; a.x == nil && b.x == nil && (a.n^b.n)&(a.n^d) >= 0 {
		return Fixed[S]{n: d}
	}
	return Fixed[S](subBig(Qty(a), Qty(b)))
}

// The slow halves stand apart so that the fast ones stay small: Less and Whole are then written in line. (Add and Sub are a
// little over the compiler's limit.)

//go:noinline
func wholeBig(n int64) Qty {
	return Qty{x: new(apd.BigInt).Mul(apd.NewBigInt(n), apd.NewBigInt(qtyOne))}
}

//go:noinline
func cmpBig(a, b Qty) int { return a.big().Cmp(b.big()) }

//go:noinline
func addBig(a, b Qty) Qty { return fromBig[qtyScale](new(apd.BigInt).Add(a.big(), b.big())) }

//go:noinline
func subBig(a, b Qty) Qty { return fromBig[qtyScale](new(apd.BigInt).Sub(a.big(), b.big())) }

// Neg returns -a.
func (a Fixed[S]) Neg() Fixed[S] { return Fixed[S]{}.Sub(a) }

// Abs returns the size of a.
func (a Fixed[S]) Abs() Fixed[S] {
	if a.Sign() < 0 {
		return a.Neg()
	}
	return a
}

// Min returns the smaller of a and b.
func Min[S scale](a, b Fixed[S]) Fixed[S] {
	if b.Less(a) {
		return b
	}
	return a
}

// Max returns the larger of a and b.
func Max[S scale](a, b Fixed[S]) Fixed[S] {
	if a.Less(b) {
		return b
	}
	return a
}

// Part returns a·n/of, rounded once, half to even, to a's scale: the share of a that n of a total of "of" carries. It panics if
// of is 0.
func (a Fixed[S]) Part(n, of Qty) Fixed[S] {
	if a.x == nil && n.x == nil && of.x == nil {
		if r, ok := mulDiv(a.n, n.n, of.n); ok {
			return Fixed[S]{n: r}
		}
	}
	return fromBig[S](mulDivBig(a.big(), n.big(), of.big()))
}

// Times returns a·n, rounded once, half to even, to a's scale.
func (a Fixed[S]) Times(n Qty) Fixed[S] { return a.Part(n, Qty{n: qtyOne}) }

// SumOfProducts returns the sum over all lists of the product of their quantities, rounded once, half to even. An empty list counts as 0.
func SumOfProducts(lists [][]Qty) Qty {
	most := 1
	for _, l := range lists {
		most = max(most, len(l))
	}
	one, sum := apd.NewBigInt(qtyOne), new(apd.BigInt)
	den := apd.NewBigInt(1)
	for range most - 1 {
		den.Mul(den, one)
	}
	for _, l := range lists {
		if len(l) == 0 {
			continue
		}
		p := apd.NewBigInt(1)
		for i := range most { // every product in the same power of the scale
			if i < len(l) {
				p.Mul(p, l[i].big())
			} else {
				p.Mul(p, one)
			}
		}
		sum.Add(sum, p)
	}
	return fromBig[qtyScale](mulDivBig(sum, apd.NewBigInt(1), den))
}

// Ratio returns a·n/of where n and of are money: the share of a that an amount of n in a total of "of" carries, rounded once,
// half to even. It panics if of is 0.
func (a Fixed[S]) Ratio(n, of Money) Fixed[S] {
	return a.Part(Qty(n.raw()), Qty(of.raw()))
}

func (a Fixed[S]) raw() Qty { return Qty(a) }

// Ceil returns the smallest whole number of times that per covers a: ceil(a/per), at least 0. It panics if per is not above 0.
func (a Fixed[S]) Ceil(per Fixed[S]) Qty {
	if per.Sign() <= 0 {
		panic("num: Ceil needs a divisor above 0")
	}
	if a.Sign() <= 0 {
		return Qty{}
	}
	q, r := new(apd.BigInt), new(apd.BigInt)
	q.QuoRem(a.big(), per.big(), r)
	if r.Sign() > 0 {
		q.Add(q, apd.NewBigInt(1))
	}
	return fromBig[qtyScale](q.Mul(q, apd.NewBigInt(qtyOne)))
}

// IsWhole reports whether a has no fraction.
func (a Fixed[S]) IsWhole() bool {
	var s S
	if a.x == nil {
		return a.n%pow10(s.places()) == 0
	}
	return new(apd.BigInt).Rem(a.x, apd.NewBigInt(pow10(s.places()))).Sign() == 0
}

// Int returns the whole part of a and whether it fits an int.
func (a Fixed[S]) Int() (int, bool) {
	var s S
	v := a.n / pow10(s.places())
	return int(v), a.x == nil && v >= math.MinInt32 && v <= math.MaxInt32
}

// Round returns a rounded half to even to the given number of decimal places. At the scale's own number of places, and above
// it, that is a itself; below 0 is taken as 0.
func (a Fixed[S]) Round(places int) Fixed[S] {
	var s S
	places = max(places, 0)
	if places >= s.places() {
		return a
	}
	unit := pow10(s.places() - places)
	if a.x == nil {
		if r, ok := mulDiv(a.n, 1, unit); ok && r <= math.MaxInt64/unit && r >= math.MinInt64/unit {
			return Fixed[S]{n: r * unit}
		}
	}
	u := apd.NewBigInt(unit)
	return fromBig[S](new(apd.BigInt).Mul(mulDivBig(a.big(), apd.NewBigInt(1), u), u))
}

// Convert returns a·rate rounded once, half to even, to the given number of decimal places of money, from 0 to 8.
func Convert(a Money, rate Rate, places int) Money {
	unit := apd.NewBigInt(pow10(8 - places))
	den := new(apd.BigInt).Mul(apd.NewBigInt(pow10(10)), unit)
	return fromBig[moneyScale](new(apd.BigInt).Mul(mulDivBig(a.big(), rate.big(), den), unit))
}

func pow10(n int) int64 {
	p := int64(1)
	for range n {
		p *= 10
	}
	return p
}

func (a Fixed[S]) big() *apd.BigInt {
	if a.x != nil {
		return a.x
	}
	return apd.NewBigInt(a.n)
}

func fromBig[S scale](x *apd.BigInt) Fixed[S] {
	if x.IsInt64() {
		return Fixed[S]{n: x.Int64()}
	}
	return Fixed[S]{x: x}
}

// mulDiv returns a·b/c rounded half to even, and false if that does not fit.
func mulDiv(a, b, c int64) (int64, bool) {
	if c == 0 {
		panic("num: division by 0")
	}
	neg := (a < 0) != (b < 0) != (c < 0)
	hi, lo := bits.Mul64(size(a), size(b))
	d := size(c)
	if hi >= d {
		return 0, false
	}
	q, r := bits.Div64(hi, lo, d)
	if q >= math.MaxInt64 { // asked before rounding, which would wrap the largest quotient to 0
		return 0, false
	}
	if rest := d - r; r > rest || r == rest && q&1 == 1 {
		q++
	}
	if neg {
		return -int64(q), true
	}
	return int64(q), true
}

func size(a int64) uint64 {
	if a < 0 {
		return -uint64(a)
	}
	return uint64(a)
}

func mulDivBig(a, b, c *apd.BigInt) *apd.BigInt {
	if c.Sign() == 0 {
		panic("num: division by 0")
	}
	p := new(apd.BigInt).Mul(a, b)
	neg := p.Sign()*c.Sign() < 0
	p.Abs(p)
	d := new(apd.BigInt).Abs(c)
	q, r := new(apd.BigInt), new(apd.BigInt)
	q.QuoRem(p, d, r)
	r.Add(r, r)
	if k := r.Cmp(d); k > 0 || k == 0 && q.Bit(0) == 1 {
		q.Add(q, apd.NewBigInt(1))
	}
	if neg {
		q.Neg(q)
	}
	return q
}

// Float returns the value as a float, for statistics only.
func (a Fixed[S]) Float() float64 {
	var s S
	f := float64(a.n)
	if a.x != nil {
		f, _ = a.x.MathBigInt().Float64()
	}
	return f / float64(pow10(s.places()))
}
