package num_test

import (
	"math"
	"math/big"
	"testing"

	"countback/ledger/num"

	"pgregory.net/rapid"
)

func TestNumbersOfAnySizePrintTheirValue(t *testing.T) {
	many(t, func(r *rapid.T) {
		q, n := drawQty(r, "qty")
		same(r, "qty", q, n, qtyPlaces)
		m, k := drawMoney(r, "money")
		same(r, "money", m, k, moneyPlaces)
		if v, ok := q.Scaled(); ok != n.IsInt64() || ok && v != n.Int64() {
			r.Fatalf("Scaled of %s: %d, %v", q, v, ok)
		}
		w := rapid.Int64().Draw(r, "whole")
		same(r, "Whole", num.Whole(w), new(big.Int).Mul(big.NewInt(w), tenTo(qtyPlaces)), qtyPlaces)
		f, _ := fraction(q).Float64()
		if got := q.Float(); math.Abs(got-f) > 1e-15*math.Abs(f) {
			r.Fatalf("Float of %s: %v, want %v", q, got, f)
		}
	})
}

func TestSumsAndOrderAreThoseOfIntegers(t *testing.T) {
	many(t, func(r *rapid.T) {
		a, an := drawMoney(r, "a")
		b, bn := drawMoney(r, "b")
		if rapid.IntRange(0, 9).Draw(r, "equal") == 0 {
			b, bn = money(an), an
		}
		same(r, "a+b", a.Add(b), new(big.Int).Add(an, bn), moneyPlaces)
		same(r, "a-b", a.Sub(b), new(big.Int).Sub(an, bn), moneyPlaces)
		same(r, "-a", a.Neg(), new(big.Int).Neg(an), moneyPlaces)
		same(r, "|a|", a.Abs(), new(big.Int).Abs(an), moneyPlaces)
		order := an.Cmp(bn)
		if a.Cmp(b) != order || a.Less(b) != (order < 0) || b.Less(a) != (order > 0) {
			r.Fatalf("%s and %s: Cmp %d, Less %v, %v; want order %d", a, b, a.Cmp(b), a.Less(b), b.Less(a), order)
		}
		lo, hi := an, bn
		if order > 0 {
			lo, hi = bn, an
		}
		same(r, "min", num.Min(a, b), lo, moneyPlaces)
		same(r, "max", num.Max(a, b), hi, moneyPlaces)
		if a.Sign() != an.Sign() || a.IsZero() != (an.Sign() == 0) {
			r.Fatalf("%s: Sign %d, IsZero %v", a, a.Sign(), a.IsZero())
		}
		// What goes out and comes back leaves the same number, in the same representation.
		if back := a.Add(b).Sub(b); back.Cmp(a) != 0 || a.Sub(a).IsZero() == false {
			r.Fatalf("a+b-b is %s, a is %s", back, a)
		}
		same(r, "a afterwards", a, an, moneyPlaces)
		same(r, "b afterwards", b, bn, moneyPlaces)
	})
}

func TestProductsAndSharesAreRoundedOnceHalfEven(t *testing.T) {
	many(t, func(r *rapid.T) {
		v, vn := drawMoney(r, "v")
		n, nn := drawQty(r, "n")
		of, on := drawQty(r, "of")
		product := new(big.Rat).Mul(fraction(v), fraction(n))
		same(r, "Times", v.Times(n), halfEven(product, moneyPlaces), moneyPlaces)
		if on.Sign() != 0 {
			same(r, "Part", v.Part(n, of), halfEven(new(big.Rat).Quo(product, fraction(of)), moneyPlaces), moneyPlaces)
		}
		k, kn := drawMoney(r, "k")
		if kn.Sign() != 0 {
			q := num.QtyMillionths(rapid.Int64().Draw(r, "q"))
			share := new(big.Rat).Mul(fraction(q), new(big.Rat).Quo(fraction(v), fraction(k)))
			same(r, "Ratio", q.Ratio(v, k), halfEven(share, qtyPlaces), qtyPlaces)
		}
		same(r, "v afterwards", v, vn, moneyPlaces)
		same(r, "n afterwards", n, nn, qtyPlaces)
		same(r, "of afterwards", of, on, qtyPlaces)
		same(r, "k afterwards", k, kn, moneyPlaces)
	})
}

// The largest quotients that 128 bits divided by 64 give lie just below 2^64 and 2^63; rounding them up must not wrap.
func TestQuotientsAtTheEdgeOf64Bits(t *testing.T) {
	many(t, func(r *rapid.T) {
		a := rapid.Int64Range(1<<62, math.MaxInt64).Draw(r, "a")
		b := rapid.Int64Range(1<<62, math.MaxInt64).Draw(r, "b")
		p := new(big.Int).Mul(big.NewInt(a), big.NewInt(b))
		c := new(big.Int).Rsh(p, uint(rapid.IntRange(63, 64).Draw(r, "bits")))
		c.Add(c, big.NewInt(rapid.Int64Range(-1, 1).Draw(r, "off")))
		if !c.IsInt64() {
			return
		}
		got := num.MoneyUnits(a).Part(num.QtyMillionths(b), num.QtyMillionths(c.Int64()))
		same(r, "Part", got, halfEven(new(big.Rat).SetFrac(p, c), 0), moneyPlaces)
	})
}

func TestRoundAndFixedText(t *testing.T) {
	many(t, func(r *rapid.T) {
		m, n := drawMoney(r, "m")
		places := rapid.IntRange(0, moneyPlaces).Draw(r, "places")
		want := halfEven(fraction(m), places)
		back := new(big.Int).Mul(want, tenTo(moneyPlaces-places))
		same(r, "Round", m.Round(places), back, moneyPlaces)
		if got := m.StringFixed(places); got != new(big.Rat).SetFrac(want, tenTo(places)).FloatString(places) {
			r.Fatalf("StringFixed(%d) of %s: %s", places, m, got)
		}
		same(r, "Round(9)", m.Round(9), n, moneyPlaces)
		same(r, "Round(-1)", m.Round(-1), new(big.Int).Mul(halfEven(fraction(m), 0), tenTo(moneyPlaces)), moneyPlaces)
		if m.IsWhole() != fraction(m).IsInt() {
			r.Fatalf("IsWhole of %s: %v", m, m.IsWhole())
		}
		same(r, "m afterwards", m, n, moneyPlaces)
	})
}

func TestCeilCountsHowOftenItTakes(t *testing.T) {
	many(t, func(r *rapid.T) {
		a, an := drawQty(r, "a")
		per, pn := drawQty(r, "per")
		if pn.Sign() <= 0 {
			return
		}
		want := new(big.Int)
		if an.Sign() > 0 {
			want.Sub(new(big.Int).Add(an, pn), big.NewInt(1))
			want.Quo(want, pn)
		}
		same(r, "Ceil", a.Ceil(per), want.Mul(want, tenTo(qtyPlaces)), qtyPlaces)
	})
}

func TestConvertRoundsOnceToMinorUnits(t *testing.T) {
	many(t, func(r *rapid.T) {
		m, _ := drawMoney(r, "m")
		rate, err := num.ParseRate(text(big.NewInt(rapid.Int64Range(0, 999_999_999_999_999_999).Draw(r, "rate")), ratePlaces))
		if err != nil {
			r.Fatal(err)
		}
		places := rapid.IntRange(0, moneyPlaces).Draw(r, "places")
		want := halfEven(new(big.Rat).Mul(fraction(m), fraction(rate)), places)
		same(r, "Convert", num.Convert(m, rate, places), want.Mul(want, tenTo(moneyPlaces-places)), moneyPlaces)
	})
}

func TestIntOfWhatFits(t *testing.T) {
	for _, c := range []struct {
		q    num.Qty
		want int
		ok   bool
	}{
		{num.MustQty("12.9"), 12, true}, {num.MustQty("-12.9"), -12, true}, {num.Whole(math.MaxInt32), math.MaxInt32, true},
		{num.Whole(math.MaxInt32 + 1), math.MaxInt32 + 1, false}, {num.Whole(math.MaxInt64), 0, false},
	} {
		if got, ok := c.q.Int(); ok != c.ok || ok && got != c.want {
			t.Errorf("Int of %s: %d, %v", c.q, got, ok)
		}
	}
}

func TestDivisionByZeroPanicsAtAnySize(t *testing.T) {
	huge := num.Whole(math.MaxInt64).Times(num.Whole(math.MaxInt64))
	for name, f := range map[string]func(){
		"Part":      func() { num.MustMoney("1").Part(num.Whole(1), num.Whole(0)) },
		"huge Part": func() { huge.Part(huge, num.Whole(0)) },
		"Ratio":     func() { num.Whole(1).Ratio(num.MustMoney("1"), num.Money{}) },
		"Ceil":      func() { num.Whole(1).Ceil(num.Whole(0)) },
		"Ceil of -": func() { num.Whole(1).Ceil(num.Whole(-1)) },
		"Split":     func() { num.Split(num.MustMoney("1"), []num.Money{num.MustMoney("2"), num.MustMoney("-1")}, 2) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s does not panic", name)
				}
			}()
			f()
		}()
	}
}
