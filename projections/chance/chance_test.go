package chance_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"countback/projections/chance"
)

type example struct {
	ID       string          `json:"id"`
	Inputs   json.RawMessage `json:"inputs"`
	Expected json.RawMessage `json:"expected"`
}

// published reads worked examples of one topic by their ids.
func published(t *testing.T, file string) map[string]example {
	t.Helper()
	b, err := os.ReadFile("../../testdata/checks/" + file)
	if err != nil {
		t.Fatal(err)
	}
	var list []example
	if err := json.Unmarshal(b, &list); err != nil {
		t.Fatal(err)
	}
	out := map[string]example{}
	for _, e := range list {
		out[e.ID] = e
	}
	return out
}

func read[T any](t *testing.T, raw json.RawMessage) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance || math.IsNaN(got) {
		t.Errorf("%s: %.10g, want %.10g", what, got, want)
	}
}

func TestWilsonAgainstPublishedIntervals(t *testing.T) {
	n := 0
	for id, e := range published(t, "5-intervals.json") {
		exp := read[struct{ Wilson []float64 }](t, e.Expected)
		if exp.Wilson == nil {
			continue
		}
		n++
		in := read[struct{ X, N, Confidence float64 }](t, e.Inputs)
		low, high := chance.Wilson(in.X, in.N, in.Confidence)
		near(t, id+" low", low, exp.Wilson[0], 1e-7)
		near(t, id+" high", high, exp.Wilson[1], 1e-7)
	}
	if n < 7 {
		t.Errorf("only %d examples", n)
	}
}

func TestPoissonAgainstPublishedLimits(t *testing.T) {
	list := published(t, "5-intervals.json")
	for _, id := range []string{"t5-11", "t5-12"} {
		in := read[struct {
			K          []float64
			Confidence float64
		}](t, list[id].Inputs)
		exp := read[struct{ Limits [][2]float64 }](t, list[id].Expected)
		for i, k := range in.K {
			low, high := chance.Poisson(k, in.Confidence)
			near(t, id+" low", low, exp.Limits[i][0], 0.5e-4+1e-9)
			near(t, id+" high", high, exp.Limits[i][1], 0.5e-4+1e-9)
		}
	}
}

func TestChartsAgainstPublishedLimits(t *testing.T) {
	list := published(t, "7-control-charts.json")
	counts := read[struct{ Counts []float64 }](t, list["t7-01"].Inputs).Counts
	exp := read[struct {
		Bar     float64 `json:"c_bar"`
		UCL     float64
		LCL     float64
		Outside []int
	}](t, list["t7-01"].Expected)
	sum := 0.0
	for _, c := range counts {
		sum += c
	}
	limits := chance.CountsChart(sum / float64(len(counts)))
	near(t, "c center", limits.Center, exp.Bar, 0)
	near(t, "c low", limits.Low, exp.LCL, 1e-12)
	near(t, "c high", limits.High, exp.UCL, 1e-12)
	outside(t, "c", limits, counts, exp.Outside)

	in := read[struct {
		Fraction []float64
		N        float64
	}](t, list["t7-02"].Inputs)
	want := read[struct {
		Bar     float64 `json:"p_bar"`
		LCL     float64
		UCL     float64
		Outside []int
	}](t, list["t7-02"].Expected)
	sum = 0
	for _, p := range in.Fraction {
		sum += p
	}
	limits = chance.SharesChart(sum/float64(len(in.Fraction)), in.N)
	near(t, "p center", limits.Center, want.Bar, 5e-8)
	near(t, "p low", limits.Low, want.LCL, 5e-8)
	near(t, "p high", limits.High, want.UCL, 5e-8)
	outside(t, "p", limits, in.Fraction, want.Outside)
}

func outside(t *testing.T, what string, l chance.Limits, x []float64, want []int) {
	t.Helper()
	var got []int
	for i, v := range x {
		if l.Outside(v) {
			got = append(got, i+1)
		}
	}
	if len(got) != len(want) {
		t.Fatalf("%s: outside are %v, want %v", what, got, want)
	}
	for i := range got {
		if got[i] != want[i] {
			t.Errorf("%s: outside are %v, want %v", what, got, want)
		}
	}
}

// Against figures of numpy, scipy and statsmodels; testdata/reference.py made them.
func TestAgainstReference(t *testing.T) {
	b, err := os.ReadFile("testdata/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	ref := read[struct {
		Quantiles []struct{ P, Nu, Student, Above float64 }
		Several   []struct {
			P      []float64
			Signal []bool
		}
		Trimmed []struct {
			X, W      []float64
			Cut, Mean float64
		}
		TrimmedVariance []struct{ Cut, Factor float64 } `json:"trimmed_variance"`
		Fits            []struct {
			Y         []float64
			X         [][]float64
			Diag, Off []float64
			Coef      []float64
			Cov       [][]float64
			Chi2      float64
			LogDet    float64 `json:"log_det"`
			Condition float64
		}
		Spread []struct {
			Off, Known, Squares, Weight []float64
			Start, N0, Phi              float64
		}
	}](t, b)
	if len(ref.Fits) < 4 || len(ref.Quantiles) < 10 || len(ref.Several) < 3 || len(ref.Spread) < 3 {
		t.Fatal("the reference is not whole")
	}
	for _, q := range ref.Quantiles {
		near(t, "student", chance.Student(q.P, q.Nu), q.Student, 1e-8*math.Max(1, math.Abs(q.Student)))
		near(t, "above", chance.Above(q.Student, q.Nu), q.Above, 1e-10)
	}
	for _, s := range ref.Several {
		for i, got := range chance.Discoveries(s.P, 0.05) {
			if got != s.Signal[i] {
				t.Errorf("of %v the %dth is %v", s.P, i, got)
			}
		}
	}
	for _, m := range ref.Trimmed {
		near(t, "trimmed", chance.Trimmed(m.X, m.W, m.Cut), m.Mean, 1e-9)
	}
	for _, m := range ref.TrimmedVariance {
		near(t, "variance of a trimmed mean", chance.TrimmedVariance(m.Cut), m.Factor, 1e-6)
	}
	for _, f := range ref.Fits {
		got, err := chance.Regress(f.Y, f.X, f.Diag, f.Off)
		if err != nil {
			t.Fatal(err)
		}
		for j := range f.Coef {
			near(t, "coefficient", got.Coef[j], f.Coef[j], 1e-8*math.Max(1, math.Abs(f.Coef[j])))
			for i := range f.Coef {
				near(t, "covariance", got.Cov[i][j], f.Cov[i][j], 1e-8*math.Max(1e-3, math.Abs(f.Cov[i][j])))
			}
		}
		near(t, "chi squared", got.Chi2, f.Chi2, 1e-7*math.Max(1, f.Chi2))
		near(t, "log det", got.LogDet, f.LogDet, 1e-8)
		near(t, "condition", got.Condition, f.Condition, 1e-6*f.Condition)
	}
	for _, s := range ref.Spread {
		var list []chance.Deviation
		for i := range s.Off {
			list = append(list, chance.Deviation{Off: s.Off[i], Known: s.Known[i], Squares: s.Squares[i], Weight: s.Weight[i]})
		}
		phi, _ := chance.Spread(list, s.Start, s.N0)
		near(t, "spread", phi, s.Phi, 1e-7*s.Phi)
	}
}

func TestSpreadWithoutDeviationsIsItsStart(t *testing.T) {
	phi, _ := chance.Spread(nil, 0.02, 4)
	near(t, "phi", phi, 0.02, 1e-10)
	phi, _ = chance.Spread([]chance.Deviation{{Off: 5, Known: 1, Weight: 1}}, 0.02, 4)
	near(t, "phi", phi, 0.02, 1e-10)
}

func TestRegressRefusesWhatCantBeTold(t *testing.T) {
	one := []float64{1, 1, 1}
	for _, c := range []struct {
		y []float64
		x [][]float64
	}{{one[:1], [][]float64{one[:1], one[:1]}}, {one, [][]float64{one, one}}, {one, [][]float64{{0, 0, 0}}}, {one, nil}} {
		if _, err := chance.Regress(c.y, c.x, []float64{1, 1, 1}, []float64{0, 0}); err == nil {
			t.Errorf("%v on %v was fitted", c.y, c.x)
		}
	}
}

// The bounds of a loss are where it would be t standard deviations off, the loss's own noise included.
func TestBoundsSolveTheirEquation(t *testing.T) {
	for _, seen := range []float64{-20, -3, 0, 1, 5, 45, 300} {
		for _, v := range []float64{0, 0.5, 9, 400} {
			for _, piece := range []float64{0, 1, 310} {
				low, high := chance.Bounds(seen, v, piece, 1.96)
				if low > seen || high < seen {
					t.Errorf("%g with %g, %g: %g to %g", seen, v, piece, low, high)
				}
				near(t, "low", low+1.96*math.Sqrt(v+math.Max(0, low)*piece), seen, 1e-6)
				near(t, "high", high-1.96*math.Sqrt(v+math.Max(0, high)*piece), seen, 1e-6)
			}
		}
	}
	for _, v := range []float64{0.5, 9, 400} {
		for _, piece := range []float64{0, 1, 310} {
			d := chance.Detectable(v, piece, 2.5, 0.9)
			near(t, "detectable", d-1.2815515655446004*math.Sqrt(v+d*piece), 2.5*math.Sqrt(v), 1e-6)
		}
	}
}

func TestText(t *testing.T) {
	for _, c := range []struct {
		x    float64
		want string
	}{
		{0, "0"}, {1, "1"}, {-1.5, "-1.5"}, {0.00012345, "0.000123"}, {-4e-7, "0"}, {6e-7, "0.000001"}, {0.00099999, "0.001"}, {0.0123456, "0.01235"}, {123456, "123500"}, {999999, "1000000"}, {9.9996, "10"}, {12.5, "12.5"}, {1234.5, "1234"},
		{0.1, "0.1"}, {-0.98765, "-0.9877"}, {math.NaN(), ""}, {math.Inf(1), ""},
	} {
		if got := chance.Text(c.x); got != c.want {
			t.Errorf("%v: %q, want %q", c.x, got, c.want)
		}
	}
}
