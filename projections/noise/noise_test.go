package noise_test

import (
	"context"
	"math"
	"slices"
	"testing"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/interval"
	"countback/projections/noise"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance || math.IsNaN(got) {
		t.Errorf("%s: %g, want %g", what, got, want)
	}
}

func tolerance(t *testing.T, text string) *event.Tolerance {
	t.Helper()
	if text == "" {
		return nil
	}
	out := new(event.Tolerance)
	if err := out.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestCountVariance(t *testing.T) {
	type figure struct {
		qty    string
		manner fold.Manner
		own    string
	}
	for _, c := range []struct {
		rule    string
		item    string
		moved   string
		usual   float64
		figures []figure
		half    float64 // of 95 %
	}{
		{"by number, half a piece", "", "0", 1, []figure{{"40", fold.ByNumber, ""}}, 0.5},
		{"by number, half a per cent", "", "0", 1, []figure{{"400", fold.ByNumber, ""}}, 2},
		{"nothing left, by number", "", "0", 1, []figure{{"0", fold.ByNumber, ""}}, 0.5},
		{"unopened packs", "", "0", 1, []figure{{"400", fold.ByPack, ""}}, 0},
		{"packs and loose ones", "", "0", 1, []figure{{"400", fold.ByPack, ""}, {"200", fold.ByNumber, ""}}, 1},
		{"weighed, two per cent", "", "0", 1, []figure{{"400", fold.ByWeight, ""}}, 8},
		{"measured, a quarter of a use", "", "0", 310, []figure{{"400", fold.ByMeasure, ""}}, 77.5},
		{"two places", "", "0", 1, []figure{{"600", fold.ByNumber, ""}, {"800", fold.ByNumber, ""}}, 5},
		{"the count's own", "9", "0", 1, []figure{{"400", fold.ByNumber, "7"}}, 7},
		{"the item's", "9", "0", 1, []figure{{"400", fold.ByNumber, ""}}, 9},
		{"the item's, once for all figures", "9", "0", 1, []figure{{"400", fold.ByNumber, ""}, {"90", fold.ByNumber, ""}}, 9},
		{"the item's beside one of its own", "4", "0", 1, []figure{{"400", fold.ByNumber, "3"}, {"90", fold.ByNumber, ""}}, 5},
		{"per cent", "2%", "0", 1, []figure{{"400", fold.ByNumber, ""}, {"100", fold.ByNumber, ""}}, 10},
		{"per cent, with the floor", "2%", "0", 1, []figure{{"4", fold.ByNumber, ""}}, 0.5},
		{"per cent of a length, with its floor", "", "0", 310, []figure{{"1000", fold.ByMeasure, "1%"}}, 77.5},
		{"a tolerance in units has no floor", "", "0", 310, []figure{{"1000", fold.ByMeasure, "10"}}, 10},
		{"what moved meanwhile is added", "", "6", 1, []figure{{"400", fold.ByNumber, ""}}, 8},
	} {
		end := interval.Count{Tolerance: tolerance(t, c.item), Moved: num.MustQty(c.moved)}
		for _, f := range c.figures {
			end.Figures = append(end.Figures, fold.Figure{Qty: num.MustQty(f.qty), Manner: f.manner, Tolerance: tolerance(t, f.own)})
		}
		near(t, c.rule, 1.959963984540054*math.Sqrt(noise.CountVariance(end, c.usual)), c.half, 1e-9)
	}
}

func TestSeriesOfAChain(t *testing.T) {
	log, err := fold.Read(context.Background(), foldtest.Facts(`
		shop 2026-01-01 {"name":"Fennimoor","currency":"CAD","zone":"UTC"}
		item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
		restock 2026-01-01 {"lines":[{"item":"card","qty":"500","cost":"60"}]}
		count 2026-01-02 {"item":"card","qty":"500"}
		pack 2026-01-05 {"order":"1","lines":[{"item":"card","qty":"6"}]}
		pack 2026-01-06 {"order":"2","lines":[{"item":"card","qty":"2"}]}
		count 2026-01-09 {"item":"card","qty":"490"}
	`), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	s := noise.SeriesOf(interval.Read(log, fold.Run{}).Chains[0])
	if len(s.Spans) != 2 || !s.Spans[0].Uncounted || s.Spans[1].Uncounted {
		t.Fatalf("%+v", s)
	}
	n := s.Spans[1]
	near(t, "used", n.Used, 8, 0)
	near(t, "unknown", n.Unknown, 2, 0)
	near(t, "squares", n.Squares, 40, 0)
	near(t, "a usual use", s.Piece, 5, 0)
	near(t, "days", n.Days, 7, 0)
	near(t, "open", n.Open, math.Pow(2.5/1.959963984540054, 2), 1e-9)
	near(t, "open of what was never counted", s.Spans[0].Open, 0, 0)
}

// steady are spans of one item that all look alike.
func steady(n int, used, unknown float64) noise.Series {
	s := noise.Series{Piece: 1}
	for range n {
		s.Spans = append(s.Spans, noise.Span{Used: used, Unknown: unknown, Squares: used, Open: 0.5, Close: 0.5, Days: 30})
	}
	return s
}

func TestUsualWasteLeavesTheItemOut(t *testing.T) {
	all := []noise.Series{steady(3, 200, 4), steady(3, 300, 6), steady(3, 100, 2.5), {}}
	u := noise.Others(all)
	near(t, "waste without the item that loses", u[2].Mu, 0.02, 1e-9)
	if u[0].Mu <= 0.02 {
		t.Errorf("the others' waste is %g", u[0].Mu)
	}
	if u[2].Spans != 6 || u[3].Spans != 9 {
		t.Errorf("learnt of %d and %d intervals", u[2].Spans, u[3].Spans)
	}
	// What is no chance by any measure teaches nothing, however few the others are.
	all[2] = steady(3, 100, 60)
	wild := noise.Others(all)
	near(t, "waste beside a wild item", wild[0].Mu, 0.02, 1e-9)
	if wild[0].Spans != 3 || wild[2].Spans != 6 || wild[0].MuVariance > 1e-3 {
		t.Errorf("%+v", wild)
	}
	// The outer tenths don't count.
	var many []noise.Series
	for range 19 {
		many = append(many, steady(1, 100, 2))
	}
	many = append(many, steady(1, 100, 90), steady(1, 100, 0))
	near(t, "waste with one wild item", noise.Others(many)[0].Mu, 0.02, 1e-9)
	for i := range many {
		for k := range many[i].Spans {
			many[i].Spans[k].Unknown *= -1
		}
	}
	near(t, "waste is never below 0", noise.Others(many)[0].Mu, 0, 0)
}

func TestWithoutOthersTheStartHolds(t *testing.T) {
	u := noise.Others([]noise.Series{steady(3, 200, 4)})[0]
	near(t, "phi", u.Phi, 0.02, 1e-9)
	near(t, "mu", u.Mu, 0, 0)
	near(t, "its standard deviation", math.Sqrt(u.MuVariance), math.Sqrt(0.03*0.03+1e-6), 1e-12)
	if got := noise.Others(nil); len(got) != 0 {
		t.Error(got)
	}
	if v := noise.Judge([]noise.Series{{}}); v[0].Tested != 0 || v[0].Signal {
		t.Errorf("%+v", v)
	}
}

// Where items differ in their waste, one more may differ as well.
func TestItemsThatWasteDifferently(t *testing.T) {
	var alike, apart []noise.Series
	for i := range 20 {
		alike = append(alike, steady(3, 1000, 20))
		apart = append(apart, steady(3, 1000, 40*float64(i%2)))
	}
	a, b := noise.Others(alike)[0], noise.Others(apart)[0]
	near(t, "mean", b.Mu, a.Mu, 0.002)
	if math.Sqrt(b.MuVariance) < 0.01 || math.Sqrt(a.MuVariance) > 0.005 {
		t.Errorf("standard deviations %g and %g", math.Sqrt(a.MuVariance), math.Sqrt(b.MuVariance))
	}
}

// A figure that was read wrong is no loss over the two intervals that share it.
func TestCountsBetweenCancel(t *testing.T) {
	s := steady(3, 0, 0)
	s.Spans[1].Open, s.Spans[0].Close = 400, 400
	s.Spans[0].Unknown, s.Spans[1].Unknown = 40, -40
	u := noise.Usual{Phi: 0.02}
	sum := u.Sum(s.Spans, 1)
	near(t, "unknown", sum.Unknown, 0, 0)
	near(t, "variance of counting", sum.Counting, 1, 0)
	near(t, "chance", sum.Chance(), 0.5, 1e-12)
	low, high := sum.Bounds()
	if low > -1.9 || low < -2 || high < 1.9 {
		t.Errorf("%g to %g", low, high)
	}
}

func TestJudgeTakesThreeTogether(t *testing.T) {
	var all []noise.Series
	for range 15 {
		all = append(all, steady(5, 200, 3))
	}
	leak := steady(5, 200, 3)
	leak.Spans[0].Unknown, leak.Spans[1].Unknown = 100, 100 // long ago
	recent := steady(5, 200, 18)
	first := noise.Series{Piece: 1, Spans: []noise.Span{{Used: 200, Unknown: 60, Squares: 200, Close: 0.5, Uncounted: true}}}
	second := steady(2, 200, 3)
	second.Spans[0].Uncounted, second.Spans[0].Unknown = true, 60
	all = append(all, leak, recent, first, second)
	v := noise.Judge(all)
	for i, want := range map[int]struct {
		tested, from int
		signal       bool
	}{0: {3, 2, false}, 15: {3, 2, false}, 16: {3, 2, true}, 17: {1, 0, true}, 18: {1, 1, false}} {
		if v[i].Tested != want.tested || v[i].From != want.from || v[i].Signal != want.signal {
			t.Errorf("%d: %+v, want %+v", i, v[i], want)
		}
	}
	// What lies before From is not judged.
	late := slices.Clone(all)
	late[15].Spans, late[15].From = late[15].Spans[:3], 2
	late[0].From = 5
	if v := noise.Judge(late); v[15].Tested != 1 || v[15].From != 2 || v[15].Signal || v[0].Tested != 0 {
		t.Errorf("%+v, %+v", v[15], v[0])
	}
	// The order of the items says nothing.
	turned := slices.Clone(all)
	slices.Reverse(turned)
	w := noise.Judge(turned)
	for i := range v {
		if a, b := v[i], w[len(w)-1-i]; a.Signal != b.Signal || math.Abs(a.Chance-b.Chance) > 1e-9*a.Chance {
			t.Errorf("%d: %+v turned %+v", i, a, b)
		}
	}
	if v[0].Detectable < 5 || v[0].Detectable > 40 {
		t.Errorf("detectable %g", v[0].Detectable)
	}
}

// A pack that nobody opened can't vary: one piece that is missing is more than chance.
func TestNothingThatCanVary(t *testing.T) {
	s := noise.Series{Piece: 1, Spans: []noise.Span{{Unknown: 150}}}
	v := noise.Judge([]noise.Series{s, {Piece: 1, Spans: []noise.Span{{}}}})
	if !v[0].Signal || v[1].Signal {
		t.Errorf("%+v", v)
	}
	if low, high := v[1].Sum.Bounds(); math.IsNaN(low) || math.IsNaN(high) || math.IsNaN(v[1].Detectable) {
		t.Error(low, high, v[1].Detectable)
	}
}

// months are spans with use that varies from month to month, without noise but for a little.
func months(unknown func(k int, used float64) float64) noise.Series {
	s := noise.Series{Piece: 1}
	for k, used := range []float64{180, 420, 260, 90, 330, 210, 500, 150} {
		jitter := []float64{0.8, -0.5, 0.3, -0.9, 0.6, 0.2, -0.4, 0.1}[k]
		s.Spans = append(s.Spans, noise.Span{Used: used, Unknown: unknown(k, used) + jitter, Squares: used, Open: 0.5, Close: 0.5, Days: 30})
	}
	return s
}

func TestPatterns(t *testing.T) {
	u := noise.Usual{Mu: 0.015, Phi: 0.01, PhiLogVariance: 0.05}
	for _, c := range []struct {
		name    string
		series  noise.Series
		pattern noise.Pattern
		from    int
		ratio   float64
		perDay  float64
	}{
		{"as the spec says", months(func(int, float64) float64 { return 0 }), noise.Agrees, 0, 1, 0},
		{"usual waste is no drift", months(func(_ int, u float64) float64 { return 0.015 * u }), noise.Agrees, 0, 1.015, 0},
		{"each use takes half as much again", months(func(_ int, u float64) float64 { return 0.5 * u }), noise.Drift, 0, 1.5, 0},
		{"each use takes less", months(func(_ int, u float64) float64 { return -0.3 * u }), noise.Drift, 0, 0.7, 0},
		{"two pieces from the fourth month on", months(func(k int, u float64) float64 {
			if k < 3 {
				return 0.01 * u
			}
			return u
		}), noise.Drift, 3, 2, 0},
		{"one piece a day", months(func(_ int, u float64) float64 { return 30 + 0.015*u }), noise.Steady, 0, 1.015, 1},
		{"both", months(func(_ int, u float64) float64 { return 30 + 0.5*u }), noise.Both, 0, 1.5, 1},
	} {
		r, err := u.Ratio(c.series)
		if err != nil {
			t.Fatal(err)
		}
		if r.Pattern != c.pattern || r.From != c.from || r.Began != (c.from > 0) {
			t.Errorf("%s: %+v", c.name, r)
		}
		near(t, c.name, r.Ratio, c.ratio, 0.02)
		near(t, c.name+", a day", r.PerDay, c.perDay, 0.15)
		if r.Low > c.ratio || r.High < c.ratio {
			t.Errorf("%s: %g to %g", c.name, r.Low, r.High)
		}
	}
	// Every month alike: use and time say the same.
	same := steady(6, 200, 20)
	if r, err := u.Ratio(same); err != nil || r.Pattern != noise.Unclear {
		t.Errorf("%+v %v", r, err)
	}
}

func TestRatioWantsThreeIntervals(t *testing.T) {
	u := noise.Usual{Phi: 0.02}
	three := steady(3, 100, 1)
	if _, err := u.Ratio(three); err != nil {
		t.Error(err)
	}
	three.Spans[0].Uncounted = true
	if _, err := u.Ratio(three); err == nil {
		t.Error("an interval that was never counted at its start was taken")
	}
	if _, err := u.Ratio(steady(5, 0, 1)); err == nil {
		t.Error("an item that was never used has a ratio")
	}
	if _, err := u.Ratio(noise.Series{}); err == nil {
		t.Error("no intervals")
	}
}

// Neighbours share a count: one that was badly read makes them err against each other, and hardly touches a ratio.
func TestARatioKnowsThatNeighboursShareACount(t *testing.T) {
	s := steady(4, 200, 0)
	s.Spans[1].Close, s.Spans[2].Open = 900, 900
	s.Spans[1].Unknown, s.Spans[2].Unknown = 60, -60
	r, err := noise.Usual{Phi: 0.01, PhiLogVariance: 0.01}.Ratio(s)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "ratio", r.Ratio, 1, 0.002)
	if r.High-r.Low > 0.02 {
		t.Errorf("%g to %g", r.Low, r.High)
	}
}

// What is known of φ from a few intervals only makes everything less sure.
func TestFewOthersWiden(t *testing.T) {
	s := steady(3, 200, 10)
	sure, unsure := noise.Usual{Phi: 0.02, PhiLogVariance: 0.001}, noise.Usual{Phi: 0.02, PhiLogVariance: 0.5}
	a, b := sure.Sum(s.Spans, 1), unsure.Sum(s.Spans, 1)
	_, high := a.Bounds()
	if _, wide := b.Bounds(); wide < high+1 {
		t.Errorf("%g and %g", high, wide)
	}
	if b.Chance() < 2*a.Chance() {
		t.Errorf("%g and %g", a.Chance(), b.Chance())
	}
	x, _ := sure.Ratio(s)
	if y, _ := unsure.Ratio(s); y.High < x.High+0.002 {
		t.Errorf("%g and %g", x.High, y.High)
	}
}

// Intervals that differ among each other more than the model lets them make the ratio less sure.
func TestMisfitWidens(t *testing.T) {
	u := noise.Usual{Phi: 0.01, PhiLogVariance: 0.01}
	even, err := u.Ratio(months(func(_ int, u float64) float64 { return 0 }))
	if err != nil {
		t.Fatal(err)
	}
	wild, err := u.Ratio(months(func(k int, u float64) float64 { return []float64{25, -25}[k%2] }))
	if err != nil {
		t.Fatal(err)
	}
	if wild.High-wild.Low < 2*(even.High-even.Low) {
		t.Errorf("%g and %g", even.High-even.Low, wild.High-wild.Low)
	}
}
