package num_test

import (
	"testing"

	"countback/ledger/num"

	"github.com/cockroachdb/apd/v3"
)

// against runs ours and theirs equally often and reports how many times longer theirs takes.
func against(b *testing.B, ours, theirs func()) {
	b.ReportAllocs()
	for range b.N {
		ours()
	}
	own := b.Elapsed()
	for range b.N {
		theirs()
	}
	other := b.Elapsed() - own
	b.ReportMetric(float64(own.Nanoseconds())/float64(b.N), "ns/own")
	b.ReportMetric(float64(other)/float64(max(own, 1)), "apd/own")
}

func decimal(b *testing.B, s string) *apd.Decimal {
	d, _, err := apd.NewFromString(s)
	if err != nil {
		b.Fatal(err)
	}
	return d
}

var (
	sink  num.Money
	ctx34 = apd.BaseContext.WithPrecision(34)
)

func BenchmarkPartAgainstApd(b *testing.B) {
	v, n, of := num.MustMoney("1234.56789012"), num.MustQty("310"), num.MustQty("15240.5")
	dv, dn, dof := decimal(b, "1234.56789012"), decimal(b, "310"), decimal(b, "15240.5")
	against(b, func() { sink = v.Part(n, of) }, func() {
		var p apd.Decimal
		if _, err := ctx34.Mul(&p, dv, dn); err != nil {
			b.Fatal(err)
		}
		if _, err := ctx34.Quo(&p, &p, dof); err != nil {
			b.Fatal(err)
		}
		if _, err := ctx34.Quantize(&p, &p, -8); err != nil {
			b.Fatal(err)
		}
	})
}

func BenchmarkAddAgainstApd(b *testing.B) {
	v, w := num.MustMoney("1234.56789012"), num.MustMoney("-0.05")
	dv, dw := decimal(b, "1234.56789012"), decimal(b, "-0.05")
	against(b, func() { sink = v.Add(w) }, func() {
		var s apd.Decimal
		if _, err := ctx34.Add(&s, dv, dw); err != nil {
			b.Fatal(err)
		}
	})
}
