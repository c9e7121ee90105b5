package unit_test

import (
	"encoding/json"
	"math/big"
	"os"
	"strings"
	"testing"

	"countback/ledger/num"
	"countback/ledger/unit"

	"pgregory.net/rapid"
)

// check returns the expected part of one example of testdata/checks.
func check(t *testing.T, id string, into any) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/checks/8-units-codes-dates.json")
	if err != nil {
		t.Fatal(err)
	}
	var checks []struct {
		ID       string          `json:"id"`
		Expected json.RawMessage `json:"expected"`
	}
	if err := json.Unmarshal(b, &checks); err != nil {
		t.Fatal(err)
	}
	for _, c := range checks {
		if c.ID == id {
			if err := json.Unmarshal(c.Expected, into); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	t.Fatalf("no example %s", id)
}

func convert(t *testing.T, amount, from, base string) num.Qty {
	t.Helper()
	q, err := unit.Convert(num.MustQty(amount), from, base)
	if err != nil {
		t.Fatalf("%s %s in %s: %v", amount, from, base, err)
	}
	return q
}

func rat(t *testing.T, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return r
}

// value is a quantity as a fraction.
func value(t *testing.T, q num.Qty) *big.Rat { return rat(t, q.String()) }

// Source: UCUM essence 2.2 and NIST SP 811, example t8-01. A million of a unit brings its factor's last places within 6.
func TestLengthAndMassFactorsAreExact(t *testing.T) {
	var want map[string][2]string
	check(t, "t8-01", &want)
	names := map[string]string{"inch": "in", "foot": "ft", "yard": "yd", "grain": "[gr]", "pound (avoirdupois)": "lb", "ounce (avoirdupois)": "oz",
		"square inch": "in", "square foot": "ft", "square yard": "yd"}
	scale := map[string]struct{ base, factor string }{"mm": {"mm", "1"}, "g": {"g", "1"}, "mg": {"g", "1/1000"}, "mm2": {"mm", "1"}, "m2": {"mm", "1000000"}}
	for name, w := range want {
		s, ok := scale[w[0]]
		if !ok || names[name] == "" {
			t.Fatalf("%s: %v is not mapped", name, w)
		}
		got := value(t, convert(t, "1000000", names[name], s.base))
		got.Quo(got, rat(t, "1000000"))
		if strings.HasPrefix(name, "square") { // no base unit of area: the square of the length has to be it
			got.Mul(got, got)
		}
		if exp := new(big.Rat).Mul(rat(t, w[1]), rat(t, s.factor)); got.Cmp(exp) != 0 {
			t.Errorf("%s: %s, want %s %s", name, got.FloatString(12), w[1], w[0])
		}
	}
}

// Source: 16 CFR 500.19(a), example t8-03. The rounded factors there have six significant digits, which ours must round to.
func TestLegalFactorsAreOursInSixDigits(t *testing.T) {
	var want struct{ Exact, Rounded map[string]string }
	check(t, "t8-03", &want)
	per := map[string]struct{ base, factor string }{"cm": {"mm", "10"}, "m": {"mm", "1000"}, "g": {"g", "1"}, "mL": {"ml", "1"}, "L": {"ml", "1000"}, "ft": {"mm", "304.8"}, "lb": {"g", "453.59237"}}
	names := map[string]string{"inch": "in", "foot": "ft", "yard": "yd", "ounce": "oz", "pound": "lb", "fluid ounce": "fl oz", "gallon": "gallon", "meter": "m", "kilogram": "kg"}
	done := 0
	for _, set := range []struct {
		of    map[string]string
		exact bool
	}{{want.Exact, true}, {want.Rounded, false}} {
		for left, right := range set.of {
			figure, of, _ := strings.Cut(right, " ")
			name := strings.TrimPrefix(left, "1 ")
			if strings.HasPrefix(name, "square") {
				continue // areas: TestLengthAndMassFactorsAreExact
			}
			p, ok := per[of]
			if !ok || names[name] == "" {
				t.Fatalf("%s = %s is not mapped", left, right)
			}
			got := value(t, convert(t, "1000000", names[name], p.base))
			got.Quo(got, new(big.Rat).Mul(rat(t, "1000000"), rat(t, p.factor)))
			if set.exact {
				if got.Cmp(rat(t, figure)) != 0 {
					t.Errorf("%s: %s, want %s exactly", left, got.FloatString(10), right)
				}
			} else if s := significant(got, 6); s != figure {
				t.Errorf("%s: %s, want %s", left, s, right)
			}
			done++
		}
	}
	if done != 9 {
		t.Errorf("%d factors were checked, want 9", done)
	}
}

// significant rounds a value of 1 or more, below 10^n, to n significant digits.
func significant(r *big.Rat, n int) string {
	whole := len(new(big.Int).Quo(r.Num(), r.Denom()).String())
	return r.FloatString(n - whole)
}

// Source: UN/ECE Recommendation 20 rev. 17e, example t8-04. ONZ, GLL and OZA have seven digits there; the exact factor must round to them.
func TestRecommendation20CodesAndFactors(t *testing.T) {
	var want struct {
		Codes   map[string]string
		Deleted map[string]string `json:"deleted_in_rec20"`
		Factors map[string]string `json:"rec20_rounded_factors"`
	}
	check(t, "t8-04", &want)
	base := map[string]string{"metre": "mm", "centimetre": "mm", "millimetre": "mm", "inch": "mm", "foot": "mm", "yard": "mm",
		"gram": "g", "kilogram": "g", "ounce": "g", "pound": "g", "litre": "ml", "millilitre": "ml", "gallon (US)": "ml", "fluid ounce (US)": "ml"}
	for name, code := range want.Codes {
		plain := strings.TrimSuffix(name, " (US)")
		for _, b := range []string{"mm", "g", "ml"} {
			q, err := unit.Convert(num.Whole(1), code, b)
			if (err == nil) != (base[name] == b) {
				t.Errorf("%s (%s) in %s: %s, %v", code, name, b, q, err)
			} else if err == nil && q.Cmp(convert(t, "1", plain, b)) != 0 {
				t.Errorf("%s is %s %s, %s is not", code, q, b, plain)
			}
		}
	}
	for code, name := range want.Deleted {
		if _, err := unit.Convert(num.Whole(1), code, "mm"); err == nil {
			t.Errorf("%s (%s) is a unit here", code, name)
		}
	}
	per := map[string]struct{ base, factor string }{"kg": {"g", "1000"}, "m": {"mm", "1000"}, "m3": {"ml", "1000000"}}
	for code, f := range want.Factors {
		figure, of, _ := strings.Cut(f, " ")
		p, ok := per[of]
		if !ok {
			continue // m2: FTK and YDK are areas
		}
		exp := new(big.Rat).Mul(rat(t, figure), rat(t, p.factor))
		got := value(t, convert(t, "1000000", code, p.base))
		got.Quo(got, rat(t, "1000000"))
		if s := significant(got, 7); rat(t, s).Cmp(exp) != 0 && got.Cmp(exp) != 0 {
			t.Errorf("%s: %s, want %s", code, s, f)
		}
	}
}

// Source: UCUM essence 2.2, example t8-05.
func TestUCUMCodes(t *testing.T) {
	var want map[string]string
	check(t, "t8-05", &want)
	base := map[string]string{"metre": "mm", "centimetre": "mm", "millimetre": "mm", "inch": "mm", "foot": "mm", "yard": "mm",
		"gram": "g", "ounce": "g", "pound": "g", "litre": "ml", "US gallon": "ml", "US fluid ounce": "ml"}
	done := 0
	for name, codes := range want {
		b, ok := base[name]
		if !ok {
			continue // areas, per cent and the annotated unity are no units of a quantity
		}
		for code := range strings.SplitSeq(codes, " or ") {
			done++
			if got, plain := convert(t, "1", code, b), convert(t, "1", strings.TrimPrefix(name, "US "), b); got.Cmp(plain) != 0 {
				t.Errorf("%s is %s, %s is %s", code, got, name, plain)
			}
		}
	}
	if done != len(base)+1 {
		t.Errorf("%d codes were checked, want %d", done, len(base)+1)
	}
}

func TestConversionIsExactOrRoundedOnceHalfEven(t *testing.T) {
	for _, c := range []struct{ amount, from, base, want string }{
		{"8.5", "in", "mm", "215.9"},
		{"11", "inches", "mm", "279.4"},
		{"100", "yd", "mm", "91440"},
		{"1", "m", "mm", "1000"},
		{"2.54", "cm", "mm", "25.4"},
		{"-3", "ft", "mm", "-914.4"},
		{"0", "lb", "g", "0"},
		{"1", "lb", "g", "453.59237"},
		{"1", "kg", "g", "1000"},
		{"250", "mg", "g", "0.25"},
		{"1", "oz", "g", "28.349523"}, // 28.349523125
		{"8", "oz", "g", "226.796185"},
		{"0.0005", "mg", "g", "0"},        // half of the last place, to the even 0
		{"0.0015", "mg", "g", "0.000002"}, // half, to the even 2
		{"0.0025", "mg", "g", "0.000002"},
		{"-0.0015", "mg", "g", "-0.000002"},
		{"1", "fl oz", "ml", "29.57353"}, // 29.5735295625
		{"1", "gallon", "ml", "3785.411784"},
		{"1", "quart", "ml", "946.352946"},
		{"1", "pint", "ml", "473.176473"},
		{"1", "cup", "ml", "236.588236"}, // 236.5882365, half, to even
		{"3", "tsp", "ml", "14.786765"},  // 14.78676478125
		{"75", "cl", "ml", "750"},
		{"1", "L", "ml", "1000"},
		{"12", "each", "each", "12"},
	} {
		if got := convert(t, c.amount, c.from, c.base); got.String() != c.want {
			t.Errorf("%s %s: %s %s, want %s", c.amount, c.from, got, c.base, c.want)
		}
	}
}

func TestExactRefusesWhatWouldBeRounded(t *testing.T) {
	if q, err := unit.Exact(num.MustQty("12.2"), "in", "mm"); err != nil || q.String() != "309.88" {
		t.Errorf("12.2 in: %s, %v", q, err)
	}
	if q, err := unit.Exact(num.Whole(8), "oz", "g"); err != nil || q.String() != "226.796185" {
		t.Errorf("8 oz: %s, %v", q, err)
	}
	_, err := unit.Exact(num.Whole(1), "oz", "g")
	want := "1 oz is not exact at 6 decimal places of g (nearly 28.349523); give it in g"
	if err == nil || err.Error() != want {
		t.Errorf("%v\nwant %s", err, want)
	}
}

func TestUnitsThatDoNotConvertNameThoseThatDo(t *testing.T) {
	for _, c := range []struct{ from, base, want string }{
		{"lb", "mm", "lb is a weight and does not convert to mm; for mm use mm, cm, m, in, ft or yd"},
		{"in", "g", "in is a length and does not convert to g; for g use g, mg, kg, oz, lb or grain"},
		{"oz", "ml", "oz is a weight and does not convert to ml; for ml use ml, cl, L, fl oz, gallon, quart or pint"},
		{"sheet", "mm", `"sheet" is not a unit known here; for mm use mm, cm, m, in, ft or yd`},
		{"MM", "mm", `"MM" is not a unit known here; write mm (capitals matter), or for mm use mm, cm, m, in, ft or yd`},
		{"M", "mm", `"M" is not a unit known here; write m (capitals matter), or for mm use mm, cm, m, in, ft or yd`},
		{"Mg", "g", `"Mg" is not a unit known here; write mg (capitals matter), or for g use g, mg, kg, oz, lb or grain`},
		{"gr", "g", `"gr" is not clear: some read it as grain, others as gram; write grain or g`},
		{"mil", "mm", `"mil" is not clear: some read it as a thousandth of an inch, others as mm or ml; write thou, mm or ml`},
		{"in", "each", `"in" is a unit for what is counted one by one; give a number of pieces`},
		{"mm", "cm", `"cm" is not a base unit; base units are each, mm, g and ml`},
		{"", "g", `"" is not a unit known here; for g use g, mg, kg, oz, lb or grain`},
	} {
		_, err := unit.Convert(num.Whole(1), c.from, c.base)
		if err == nil || err.Error() != c.want {
			t.Errorf("%s in %s: %v\nwant %s", c.from, c.base, err, c.want)
		}
	}
}

func TestWordsInAnyCaseSymbolsAsWritten(t *testing.T) {
	for _, name := range []string{"In", "INCH", "Inches", `"`, "″", "[in_i]", "INH"} {
		if q := convert(t, "2", name, "mm"); q.String() != "50.8" {
			t.Errorf("2 %s: %s", name, q)
		}
	}
	for _, name := range []string{"LB", "Lbs", "Pound"} {
		if q := convert(t, "1", name, "g"); q.String() != "453.59237" {
			t.Errorf("1 %s: %s", name, q)
		}
	}
	for _, name := range []string{"[IN_I]", "inh", "CM", "KM", "mM", "Um"} {
		if q, err := unit.Convert(num.Whole(1), name, "mm"); err == nil {
			t.Errorf("1 %s is read as %s mm", name, q)
		}
	}
}

func TestParseQty(t *testing.T) {
	for _, c := range []struct{ text, base, want string }{
		{"12 in", "mm", "304.8"}, {"12in", "mm", "304.8"}, {` 8.5" `, "mm", "215.9"}, {"310", "mm", "310"}, {"310 mm", "mm", "310"},
		{"0.4 g", "g", "0.4"}, {"2.5 lb", "g", "1133.980925"}, {"8 fl oz", "ml", "236.588236"}, {"8 Fluid Ounces", "ml", "236.588236"},
		{"150", "each", "150"}, {"-3 cm", "mm", "-30"},
	} {
		q, err := unit.ParseQty(c.text, c.base)
		if err != nil || q.String() != c.want {
			t.Errorf("%q in %s: %s, %v; want %s", c.text, c.base, q, err, c.want)
		}
	}
	for _, c := range []struct{ text, base, want string }{
		{"", "mm", `"" does not begin with a number; write a number and a unit, like 12 in`},
		{"in", "mm", `"in" does not begin with a number; write a number and a unit, like 12 in`},
		{"1e3 mm", "mm", `"e3 mm" is not a unit known here; for mm use mm, cm, m, in, ft or yd`},
		{"1,5 mm", "mm", `",5 mm" is not a unit known here; for mm use mm, cm, m, in, ft or yd`},
		{"12 pieces", "each", `"pieces" is a unit for what is counted one by one; give a number of pieces`},
		{"999999999999 m", "mm", "the quantity comes to 999999999999000 mm; the ledger takes less than 1000000000000, check the unit"},
	} {
		if q, err := unit.ParseQty(c.text, c.base); err == nil || err.Error() != c.want {
			t.Errorf("%q in %s: %s, %v\nwant %s", c.text, c.base, q, err, c.want)
		}
	}
	for _, text := range []string{"01 mm", "1. mm", ".5 mm", "+1 mm", "1-2 mm", "--1 mm", "1.2.3 mm", "-0 mm", "1.0000001 mm", "1234567890123 mm", "NaN", "\u0663 mm"} {
		if q, err := unit.ParseQty(text, "mm"); err == nil {
			t.Errorf("%q is read as %s", text, q)
		}
	}
}

func TestPiecesByWeight(t *testing.T) {
	for _, c := range []struct {
		gross, tare, in, piece string
		whole                  bool
		want                   string
	}{
		{"512.4", "12.4", "g", "2.5", true, "200"},
		{"1.2", "0.2", "kg", "4", true, "250"},
		{"1", "0", "lb", "4.53592", true, "100"}, // 100.00052…
		{"1", "0", "oz", "1", false, "28.349523"},
		{"10", "10", "g", "3", true, "0"},
		{"5", "0", "g", "2", true, "2"},        // 2.5 to even
		{"7", "0", "g", "2", true, "4"},        // 3.5 to even
		{"5.000001", "0", "g", "2", true, "3"}, // just above the half
		{"10", "0", "g", "3", false, "3.333333"},
		// Rounding at 6 places first would make these 1.5 and 0.5, and then 2 and 0.
		{"1499999.6", "0", "g", "1000000", true, "1"},
		{"500000.4", "0", "g", "1000000", true, "1"},
		// Grams first would be 28.349523 and 2834952.3 pieces; the ounce has three more digits.
		{"1", "0", "oz", "0.00001", true, "2834952"},
		{"100", "0", "oz", "0.000001", true, "2834952312"}, // 2834952312.5 to even
		{"1", "0", "oz", "0.000001", true, "28349523"},
	} {
		q, err := unit.Pieces(num.MustQty(c.gross), num.MustQty(c.tare), c.in, num.MustQty(c.piece), c.whole)
		if err != nil || q.String() != c.want {
			t.Errorf("(%s - %s) %s at %s g: %s, %v; want %s", c.gross, c.tare, c.in, c.piece, q, err, c.want)
		}
	}
	for _, c := range []struct{ gross, tare, in, piece, want string }{
		{"10", "10.1", "g", "1", "the tare, 10.1 g, is above the gross weight, 10 g; weigh again, or check which is which"},
		{"10", "-1", "g", "1", "the tare is -1 g; it must be 0 or more"},
		{"10", "1", "g", "0", "the weight of one piece is 0 g; it must be above 0"},
		{"10", "1", "in", "1", "in is a length and does not convert to g; for g use g, mg, kg, oz, lb or grain"},
	} {
		if q, err := unit.Pieces(num.MustQty(c.gross), num.MustQty(c.tare), c.in, num.MustQty(c.piece), true); err == nil || err.Error() != c.want {
			t.Errorf("%s, %v\nwant %s", q, err, c.want)
		}
	}
}

// halfEven rounds a fraction of 0 or more to a whole number, by a way of its own: floor of twice the value.
func halfEven(r *big.Rat) *big.Int {
	q, rest := new(big.Int).QuoRem(r.Num(), r.Denom(), new(big.Int))
	switch rest.Lsh(rest, 1).Cmp(r.Denom()) {
	case 1:
		q.Add(q, big.NewInt(1))
	case 0:
		q.Add(q, big.NewInt(int64(q.Bit(0))))
	}
	return q
}

func TestPiecesEqualFractions(t *testing.T) {
	factor := map[string]string{"g": "1", "mg": "1/1000", "kg": "1000", "oz": "28.349523125", "lb": "453.59237", "grain": "0.06479891"}
	rapid.Check(t, func(r *rapid.T) {
		tare := num.QtyMillionths(rapid.Int64Range(0, 1e12).Draw(r, "tare"))
		gross := tare.Add(num.QtyMillionths(rapid.Int64Range(0, 1e12).Draw(r, "net")))
		piece := num.QtyMillionths(rapid.Int64Range(1, 1e9).Draw(r, "piece"))
		in := rapid.SampledFrom([]string{"g", "mg", "kg", "oz", "lb", "grain"}).Draw(r, "in")
		whole := rapid.Bool().Draw(r, "whole")
		exact := value(t, gross.Sub(tare))
		exact.Mul(exact, rat(t, factor[in]))
		exact.Quo(exact, value(t, piece))
		places := big.NewRat(1_000_000, 1)
		if whole {
			places = big.NewRat(1, 1)
		}
		want := new(big.Rat).SetInt(halfEven(new(big.Rat).Mul(exact, places)))
		want.Quo(want, places)
		got, err := unit.Pieces(gross, tare, in, piece, whole)
		if err != nil {
			if want.Cmp(rat(t, "1000000000000")) < 0 {
				r.Fatal(err)
			}
			return
		}
		if value(t, got).Cmp(want) != 0 {
			r.Fatalf("%s, want %s", got, want.FloatString(6))
		}
	})
}

func FuzzParseQty(f *testing.F) {
	for _, s := range []string{"12 in", "0.4g", "-3 cm", "8 fl oz", `8.5"`, "1e3", "", "999999999999 km", "1 µm", "5 [oz_av]", "1 gr"} {
		f.Add(s, uint8(0))
		f.Add(s, uint8(1))
		f.Add(s, uint8(2))
	}
	f.Fuzz(func(t *testing.T, text string, b uint8) {
		base := []string{"mm", "g", "ml", "each"}[b%4]
		q, err := unit.ParseQty(text, base)
		if err != nil {
			if strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("more than one line: %q", err)
			}
			return
		}
		// What was read can be written, read and means the same.
		again, err := unit.ParseQty(q.String()+" "+base, base)
		if err != nil || again.Cmp(q) != 0 {
			t.Errorf("%q is %s, read again %s, %v", text, q, again, err)
		}
	})
}
