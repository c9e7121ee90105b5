package num_test

import (
	"encoding/json"
	"fmt"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"

	"countback/ledger/num"

	"pgregory.net/rapid"
)

// example reads one example of testdata/checks.
func example(t *testing.T, file, id string, inputs, expected any) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/checks/" + file)
	if err != nil {
		t.Fatal(err)
	}
	var all []struct {
		ID       string          `json:"id"`
		Inputs   json.RawMessage `json:"inputs"`
		Expected json.RawMessage `json:"expected"`
	}
	if err := json.Unmarshal(b, &all); err != nil {
		t.Fatal(err)
	}
	for _, e := range all {
		if e.ID == id {
			if err := json.Unmarshal(e.Inputs, inputs); err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal(e.Expected, expected); err != nil {
				t.Fatal(err)
			}
			return
		}
	}
	t.Fatalf("no example %s in %s", id, file)
}

const allocation = "10-rounding-allocation.json"

// whole returns n units of the currency, cents n hundredths.
func whole(n int64) num.Money { return num.MustMoney(fmt.Sprint(n)) }
func cents(n int64) num.Money { return num.MoneyUnits(n * 1_000_000) }

func all(f func(int64) num.Money, ns []int64) []num.Money {
	ms := make([]num.Money, len(ns))
	for i, n := range ns {
		ms[i] = f(n)
	}
	return ms
}

func texts(ms []num.Money) string { return fmt.Sprint(ms) }

// Source: OpenStax, Contemporary Mathematics, chapter 11, example t10-03.
func TestOrdinaryRoundingDoesNotAddUpSplitDoes(t *testing.T) {
	var in struct {
		Weights []int64
		Total   int64
	}
	var want struct {
		Quotas    []json.Number
		Naive     []int64 `json:"naive_rounded"`
		NaiveSum  int64   `json:"naive_sum"`
		Remainder []int64 `json:"largest_remainder"`
	}
	example(t, allocation, "t10-03", &in, &want)
	var sum num.Money
	for _, w := range in.Weights {
		sum = sum.Add(whole(w))
	}
	var naive num.Money
	for i, w := range in.Weights {
		quota := whole(in.Total).Ratio(whole(w), sum)
		if got := quota.StringFixed(2); got != want.Quotas[i].String() {
			t.Errorf("quota %d: %s, want %s", i, got, want.Quotas[i])
		}
		if got := quota.Round(0); got.Cmp(whole(want.Naive[i])) != 0 {
			t.Errorf("rounded %d: %s, want %d", i, got, want.Naive[i])
		}
		naive = naive.Add(quota.Round(0))
	}
	if naive.Cmp(whole(want.NaiveSum)) != 0 {
		t.Errorf("rounded sum %s, want %d", naive, want.NaiveSum)
	}
	if got := num.Split(whole(in.Total), all(whole, in.Weights), 0); texts(got) != texts(all(whole, want.Remainder)) {
		t.Errorf("shares %s, want %v", got, want.Remainder)
	}
}

// Source: OpenStax, Contemporary Mathematics, chapter 11, example t10-01. There each state has at least one seat, a rule that Split has not; so only the
// quotas are ours. Without that rule the two seats left over go to the remainders 0.75 and 0.62 (recomputed here, not printed there).
func TestQuotasOfAnApportionmentWithAMinimum(t *testing.T) {
	var in struct {
		Weights []int64
		Total   int64
	}
	var want struct {
		Quotas  []json.Number
		Divisor json.Number `json:"standard_divisor"`
	}
	example(t, allocation, "t10-01", &in, &want)
	var sum num.Money
	for _, w := range in.Weights {
		sum = sum.Add(whole(w))
	}
	if got := sum.Part(num.Whole(1), num.Whole(in.Total)).StringFixed(2); got != want.Divisor.String() {
		t.Errorf("divisor %s, want %s", got, want.Divisor)
	}
	for i, w := range in.Weights {
		if got := whole(in.Total).Ratio(whole(w), sum).StringFixed(2); got != want.Quotas[i].String() {
			t.Errorf("quota %d: %s, want %s", i, got, want.Quotas[i])
		}
	}
	if got := num.Split(whole(in.Total), all(whole, in.Weights), 0); texts(got) != "[88 424 0 31 73]" {
		t.Errorf("shares %s", got)
	}
}

// Source: Fowler, Patterns of Enterprise Application Architecture, Money (from memory), example t10-04; ties go to the earlier share.
func TestEqualRemaindersGoToTheEarlier(t *testing.T) {
	var in struct {
		Cents   int64
		Weights []int64
	}
	var want struct {
		Result []int64 `json:"result_first_index_tie_break"`
	}
	example(t, allocation, "t10-04", &in, &want)
	if got := num.Split(cents(in.Cents), all(whole, in.Weights), 2); texts(got) != texts(all(cents, want.Result)) {
		t.Errorf("%s, want %v cents", got, want.Result)
	}
}

// Source: example t10-05, recomputed arithmetic; a negative total mirrors the positive one.
func TestEqualAndWeightedSplits(t *testing.T) {
	var in struct {
		Cases []struct {
			Cents   int64
			Weights []int64
		}
	}
	var want struct{ Results [][]int64 }
	example(t, allocation, "t10-05", &in, &want)
	if len(in.Cases) == 0 || len(in.Cases) != len(want.Results) {
		t.Fatalf("%d cases, %d results", len(in.Cases), len(want.Results))
	}
	for i, c := range in.Cases {
		if got := num.Split(cents(c.Cents), all(whole, c.Weights), 2); texts(got) != texts(all(cents, want.Results[i])) {
			t.Errorf("%d over %v: %s, want %v", c.Cents, c.Weights, got, want.Results[i])
		}
	}
}

// Sources: OpenStax, Principles of Accounting, volume 1, chapter 6.5, examples t10-06 (the split is recomputed) and t1-21.
func TestFreightIsSpreadToTheCentAndIssuesKeepTheTotal(t *testing.T) {
	var in struct {
		Qty     int64
		Price   string `json:"unit_price"`
		Freight string `json:"freight_in"`
	}
	var want struct {
		Value string `json:"inventory_value"`
		Unit  string `json:"unit_cost_exact"`
	}
	example(t, "1-cost-formulas.json", "t1-21", &in, &want)
	freight := num.MustMoney(in.Freight)
	shares := num.Split(freight, make([]num.Money, in.Qty), 2) // weights of 0 count as equal
	counts := map[string]int{}
	for _, s := range shares {
		counts[s.StringFixed(2)]++
	}
	if counts["33.33"] != 20 || counts["33.34"] != 10 || len(counts) != 2 {
		t.Errorf("shares %v, want 20 of 33.33 and 10 of 33.34", counts)
	}
	value := num.MustMoney(in.Price).Times(num.Whole(in.Qty)).Add(freight)
	if value.String() != want.Value {
		t.Errorf("value %s, want %s", value, want.Value)
	}
	if got := value.Part(num.Whole(1), num.Whole(in.Qty)).StringFixed(6); !strings.HasPrefix(want.Unit, got) {
		t.Errorf("unit cost %s, want %s", got, want.Unit)
	}
	var issued num.Money
	for left := in.Qty; left > 0; left-- { // one unit at a time, each rounded once
		cost := value.Part(num.Whole(1), num.Whole(left))
		value, issued = value.Sub(cost), issued.Add(cost)
	}
	if !value.IsZero() || issued.String() != want.Value {
		t.Errorf("issued %s of %s, left %s", issued, want.Value, value)
	}
}

type decimalCase struct {
	ID        string
	Op        string
	Operands  []string
	Precision int
	Rounding  string
}

// Source: General Decimal Arithmetic test cases (decTest 2.59), examples t10-07 and t10-08.
//
// The half_even sums have five digits before the point and a precision of five, which is our rounding to 0 places. The quantize cases round half_up, another
// rule than ours; it differs on exact halves alone, and none of these is one (the test looks), so they bind us too. quax382 is left out: it
// is invalid there because its result has more than nine digits, a limit that we have not.
func TestPublishedDecimalRounding(t *testing.T) {
	for _, id := range []string{"t10-07", "t10-08"} {
		var in struct{ Cases []decimalCase }
		var want struct{ Results [][]any }
		example(t, allocation, id, &in, &want)
		if len(in.Cases) == 0 || len(in.Cases) != len(want.Results) {
			t.Fatalf("%s: %d cases, %d results", id, len(in.Cases), len(want.Results))
		}
		for i, c := range in.Cases {
			result := want.Results[i][1].(string)
			switch {
			case want.Results[i][0] != c.ID:
				t.Fatalf("%s stands beside %v", c.ID, want.Results[i])
			case c.ID == "quax382":
				continue
			case c.Op == "add" && c.Rounding == "half_even" && c.Precision == 5:
				if got := num.MustMoney(c.Operands[0]).Add(num.MustMoney(c.Operands[1])).StringFixed(0); got != result {
					t.Errorf("%s: %v: %s, want %s", c.ID, c.Operands, got, result)
				}
			case c.Op == "quantize" && c.Operands[1] == "1e-2":
				quantize(t, c, result)
			default:
				t.Errorf("%s is of a sort that this test does not know: %+v", c.ID, c)
			}
		}
	}
}

func quantize(t *testing.T, c decimalCase, want string) {
	exact, _ := new(big.Rat).SetString(c.Operands[0])
	half := new(big.Rat).Mul(exact, big.NewRat(200, 1)) // an odd number of half cents is a tie
	if half.IsInt() && half.Num().Bit(0) == 1 {
		t.Errorf("%s is a tie, on which half_up and half_even differ", c.ID)
	}
	// Exponents are no text of ours; 1E-10 needs the ten places of a rate.
	v, err := num.ParseRate(strings.Replace(c.Operands[0], "1E-10", "0.0000000001", 1))
	if err != nil {
		t.Errorf("%s: %v", c.ID, err)
	} else if got := v.StringFixed(2); got != want {
		t.Errorf("%s: %s in cents: %s, want %s", c.ID, c.Operands[0], got, want)
	}
}

// hamilton hands out single units to the largest remainder until none is left, with fractions.
func hamilton(units *big.Int, weights []*big.Int) []*big.Int {
	sum := new(big.Int)
	for _, w := range weights {
		sum.Add(sum, w)
	}
	if sum.Sign() == 0 {
		weights = slices.Repeat([]*big.Int{big.NewInt(1)}, len(weights))
		sum.SetInt64(int64(len(weights)))
	}
	left := new(big.Int).Set(units)
	shares, rests := make([]*big.Int, len(weights)), make([]*big.Rat, len(weights))
	for i, w := range weights {
		quota := new(big.Rat).SetFrac(new(big.Int).Mul(units, w), sum)
		shares[i] = new(big.Int).Div(quota.Num(), quota.Denom())
		rests[i] = quota.Sub(quota, new(big.Rat).SetInt(shares[i]))
		left.Sub(left, shares[i])
	}
	for ; left.Sign() > 0; left.Sub(left, big.NewInt(1)) {
		best := 0
		for i := range rests {
			if rests[i].Cmp(rests[best]) > 0 {
				best = i
			}
		}
		shares[best].Add(shares[best], big.NewInt(1))
		rests[best] = big.NewRat(-1, 1)
	}
	return shares
}

func TestSplitIsLargestRemainderAndAddsUp(t *testing.T) {
	many(t, func(r *rapid.T) {
		places := rapid.IntRange(0, 8).Draw(r, "places")
		total, _ := drawMoney(r, "total")
		weights := make([]num.Money, rapid.IntRange(1, 6).Draw(r, "lines"))
		exact := make([]*big.Int, len(weights))
		small := rapid.Bool().Draw(r, "small weights") // so that ties happen
		for i := range weights {
			if small {
				exact[i] = big.NewInt(rapid.Int64Range(0, 3).Draw(r, "w"))
			} else {
				exact[i] = new(big.Int).Abs(scaled(r, "w"))
			}
			weights[i] = money(exact[i])
		}
		units := halfEven(fraction(total), places)
		shares := num.Split(total, weights, places)
		var sum num.Money
		want := hamilton(new(big.Int).Abs(units), exact)
		for i, s := range shares {
			sum = sum.Add(s)
			if units.Sign() < 0 {
				want[i].Neg(want[i])
			}
			same(r, fmt.Sprint("share ", i), s, want[i].Mul(want[i], tenTo(8-places)), moneyPlaces)
			same(r, "weight afterwards", weights[i], exact[i], moneyPlaces)
		}
		if sum.Cmp(total.Round(places)) != 0 {
			r.Fatalf("%s adds up to %s, want %s", shares, sum, total.Round(places))
		}
	})
	if got := num.Split(cents(1), nil, 2); len(got) != 0 {
		t.Errorf("shares without weights: %s", got)
	}
}

func TestRoundLinesAddUpAndMoveLessThanAUnit(t *testing.T) {
	many(t, func(r *rapid.T) {
		places := rapid.IntRange(0, 8).Draw(r, "places")
		unit := new(big.Rat).SetFrac(big.NewInt(1), tenTo(places))
		lines := make([]num.Money, rapid.IntRange(0, 8).Draw(r, "lines"))
		exact := new(big.Rat)
		for i := range lines {
			lines[i], _ = drawMoney(r, "line")
			exact.Add(exact, fraction(lines[i]))
		}
		rounded, total := num.RoundLines(lines, places)
		units := halfEven(exact, places)
		same(r, "total", total, units.Mul(units, tenTo(8-places)), moneyPlaces)
		var sum num.Money
		for i, v := range rounded {
			sum = sum.Add(v)
			moved := new(big.Rat).Sub(fraction(v), fraction(lines[i]))
			if moved.Abs(moved).Cmp(unit) >= 0 {
				r.Fatalf("line %s becomes %s at %d places", lines[i], v, places)
			}
			if v.Cmp(v.Round(places)) != 0 {
				r.Fatalf("line %s is no whole number of units", v)
			}
			// A line with a larger remainder never gets less than one with a smaller.
			for j := range i {
				ri, rj := rest(lines[i], places), rest(lines[j], places)
				upI, upJ := lines[i].Less(v), lines[j].Less(rounded[j])
				if ri.Cmp(rj) > 0 && upJ && !upI || ri.Cmp(rj) <= 0 && upI && !upJ && rj.Sign() > 0 {
					r.Fatalf("%s to %s at %d places: the unit of line %d belongs to the other", lines, rounded, places, i)
				}
			}
		}
		if len(rounded) != len(lines) || sum.Cmp(total) != 0 {
			r.Fatalf("%s adds up to %s, want %s", rounded, sum, total)
		}
	})
}

// rest is how far v lies above the whole unit below it, in units.
func rest(v num.Money, places int) *big.Rat {
	u := new(big.Rat).Mul(fraction(v), new(big.Rat).SetInt(tenTo(places)))
	floor := new(big.Int).Div(u.Num(), u.Denom())
	return u.Sub(u, new(big.Rat).SetInt(floor))
}

func TestRoundLinesOfThirdsAndTies(t *testing.T) {
	for _, c := range []struct{ lines, want, total string }{
		{"0.33333333 0.33333333 0.33333334", "0.33 0.33 0.34", "1.00"},
		{"0.005 0.005", "0.01 0.00", "0.01"},
		{"-0.005 -0.005", "0.00 -0.01", "-0.01"}, // rounded down first, the earlier gets the unit back
		{"2.675 1.115 -0.79", "2.68 1.11 -0.79", "3.00"},
		{"0.004 0.004 0.004", "0.01 0.00 0.00", "0.01"},
	} {
		var lines []num.Money
		for s := range strings.FieldsSeq(c.lines) {
			lines = append(lines, num.MustMoney(s))
		}
		rounded, total := num.RoundLines(lines, 2)
		var got []string
		for _, v := range rounded {
			got = append(got, v.StringFixed(2))
		}
		if strings.Join(got, " ") != c.want || total.StringFixed(2) != c.total {
			t.Errorf("%s: %s, total %s; want %s, %s", c.lines, strings.Join(got, " "), total.StringFixed(2), c.want, c.total)
		}
	}
}
