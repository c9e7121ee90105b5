package num_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"countback/ledger/num"

	"pgregory.net/rapid"
)

func TestCanonicalText(t *testing.T) {
	for _, c := range []struct {
		got  fixed
		want string
	}{
		{num.Qty{}, "0"}, {num.MustMoney("-0.05"), "-0.05"}, {num.MustMoney("-0.00000001"), "-0.00000001"}, {num.MustQty("-0.5"), "-0.5"},
		{num.MustQty("12.500000"), "12.5"}, {num.MustQty("100"), "100"}, {num.MustQty("0.000001"), "0.000001"}, {num.MustQty("-1.000001"), "-1.000001"},
		{num.QtyMillionths(math.MinInt64), "-9223372036854.775808"}, {num.MoneyUnits(math.MaxInt64), "92233720368.54775807"},
		{num.Whole(math.MaxInt64), "9223372036854775807"}, {num.Whole(math.MinInt64), "-9223372036854775808"},
		{num.QtyMillionths(math.MinInt64).Neg(), "9223372036854.775808"}, {num.QtyMillionths(math.MinInt64).Abs().Neg(), "-9223372036854.775808"},
	} {
		if c.got.String() != c.want {
			t.Errorf("%s, want %s", c.got, c.want)
		}
	}
}

func TestFixedTextWritesEveryPlace(t *testing.T) {
	for _, c := range []struct {
		value  string
		places int
		want   string
	}{
		{"12.5", 2, "12.50"}, {"-0.05", 2, "-0.05"}, {"-0.05", 1, "0.0"}, {"0.15", 1, "0.2"}, {"0.25", 1, "0.2"}, {"-0.004", 2, "0.00"}, {"-0.006", 2, "-0.01"},
		{"0", 2, "0.00"}, {"7", 0, "7"}, {"7.5", 0, "8"}, {"6.5", 0, "6"}, {"-1234.5678", 3, "-1234.568"}, {"1", 8, "1.00000000"}, {"1.5", 9, "1.50000000"}, {"1.5", -1, "2"},
	} {
		if got := num.MustMoney(c.value).StringFixed(c.places); got != c.want {
			t.Errorf("%s in %d places: %s, want %s", c.value, c.places, got, c.want)
		}
	}
}

func TestParseRefusesWhatIsNotPlain(t *testing.T) {
	const money = "amount"
	for _, s := range []string{"", "-", ".", "+1", "1e3", "1E3", "NaN", "nan", "Infinity", "inf", "-0", "-0.0", "-0.00", "00", "01", "-01", "1.", ".5", "-.5", "1.2.3", "1,5", "1 ", " 1",
		"1 000", "1_000", "0x1", "--1", "1-", "٣", "１", "1.5٣", "1.123456789", "12345678901", "1\n", "1\x00", "½"} {
		m, err := num.ParseMoney(s)
		if !errors.Is(err, num.ErrNumber) {
			t.Errorf("%q: %s, %v", s, m, err)
			continue
		}
		if !strings.Contains(err.Error(), money) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: the message %q names no %s, or has more than a line", s, err, money)
		}
	}
	_, err := num.ParseQty("1.0000001")
	want := `"1.0000001" can't be read as a quantity: at most 6 digits may stand after the point`
	if err == nil || err.Error() != want {
		t.Errorf("%v\nwant %s", err, want)
	}
}

func TestParseTakesTheLimitsAndNothingAbove(t *testing.T) {
	for _, s := range []string{"999999999999.999999", "-999999999999.999999"} {
		if q, err := num.ParseQty(s); err != nil || q.String() != s {
			t.Errorf("%s: %s, %v", s, q, err)
		}
	}
	for _, s := range []string{"9999999999.99999999", "-9999999999.99999999"} {
		if m, err := num.ParseMoney(s); err != nil || m.String() != s {
			t.Errorf("%s: %s, %v", s, m, err)
		}
	}
	if r, err := num.ParseRate("99999999.9999999999"); err != nil || r.String() != "99999999.9999999999" {
		t.Errorf("%s, %v", r, err)
	}
	for name, err := range map[string]error{"qty": third(num.ParseQty("1000000000000")), "money": third(num.ParseMoney("10000000000")), "rate": third(num.ParseRate("100000000"))} {
		if err == nil {
			t.Errorf("%s above its limit is taken", name)
		}
	}
}

func third[T any](_ T, err error) error { return err }

func TestPrintedNumbersReadBack(t *testing.T) {
	many(t, func(r *rapid.T) {
		n := rapid.Int64Range(-999_999_999_999_999_999, 999_999_999_999_999_999).Draw(r, "n")
		q := num.QtyMillionths(n)
		if back, err := num.ParseQty(q.String()); err != nil || back != q {
			r.Fatalf("%s reads back as %s, %v", q, back, err)
		}
		m := num.MoneyUnits(n)
		if back, err := num.ParseMoney(m.String()); err != nil || back != m {
			r.Fatalf("%s reads back as %s, %v", m, back, err)
		}
		if back, err := num.ParseMoney(m.StringFixed(moneyPlaces)); n != 0 && (err != nil || back != m) {
			r.Fatalf("%s reads back as %s, %v", m.StringFixed(moneyPlaces), back, err)
		}
	})
}

func TestUnmarshalLeavesTheValueAloneIfItFails(t *testing.T) {
	q := num.MustQty("3.5")
	if err := q.UnmarshalText([]byte("4,5")); err == nil || q.String() != "3.5" {
		t.Errorf("%s, %v", q, err)
	}
}

// seeds of all three fuzz targets.
var seeds = []string{"0", "1", "-1", "12.5", "-0.05", "0.000001", "999999999999.999999", "9999999999.99999999", "99999999.9999999999", "-0", "01", "1.", ".1", "1e9", "NaN", "", "-", "+1", " 1", "٣", "1.2.3"}

// fuzz checks a parser: what it takes is plain and means what the text says, what it refuses it says in one line.
func fuzz[S interface{ String() string }](f *testing.F, parse func(string) (S, error), places, digits int) {
	for _, s := range seeds {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := parse(s)
		if plain := isPlain(s, places, digits); plain != (err == nil) {
			t.Fatalf("%q: plain %v, error %v", s, plain, err)
		}
		if err != nil {
			if !errors.Is(err, num.ErrNumber) || strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("%q: message %q", s, err)
			}
			return
		}
		if fraction(v).Cmp(fraction(word(s))) != 0 {
			t.Errorf("%q is read as %s", s, v)
		}
		if back, err := parse(v.String()); err != nil || back.String() != v.String() || !isPlain(v.String(), places, digits) {
			t.Errorf("%q prints as %s, which reads as %s, %v", s, v, back, err)
		}
	})
}

type word string

func (w word) String() string { return string(w) }

// isPlain is the package comment's text form, written a second time.
func isPlain(s string, places, digits int) bool {
	body := strings.TrimPrefix(s, "-")
	if strings.Trim(body, "0123456789.") != "" || strings.Count(body, ".") > 1 {
		return false
	}
	whole, frac, point := strings.Cut(body, ".")
	if len(whole) == 0 || len(whole) > digits || len(frac) > places || point && len(frac) == 0 || len(whole) > 1 && whole[0] == '0' {
		return false
	}
	return body == s || strings.Trim(body, "0.") != ""
}

func FuzzParseQty(f *testing.F)   { fuzz(f, num.ParseQty, qtyPlaces, 12) }
func FuzzParseMoney(f *testing.F) { fuzz(f, num.ParseMoney, moneyPlaces, 10) }
func FuzzParseRate(f *testing.F)  { fuzz(f, num.ParseRate, ratePlaces, 8) }
