package noise

import (
	"errors"
	"math"

	"countback/projections/chance"
)

// Pattern says what an item's unknown goes with.
type Pattern string

// The patterns. What is none of them is Unclear: drift or steady loss, which can't be told apart yet.
const (
	Agrees  Pattern = "agrees"  // use and spec agree, as far as can be told
	Drift   Pattern = "drift"   // each use takes more, or less, than the spec says
	Steady  Pattern = "steady"  // something is lost day by day, whatever is packed
	Both    Pattern = "both"    // each has its part
	Unclear Pattern = "unclear" // drift or steady loss: can't be told apart yet
)

// Ratio is actual use against that of the specs, over at least three intervals.
type Ratio struct {
	From, To  int     // the intervals it was worked out from: From up to, not including, To
	Began     bool    // it differs before From: something changed there
	Ratio     float64 // actual ÷ spec
	Low, High float64 // 95 %
	Usual     float64 // the usual waste, as a share of use, which is in the ratio too
	Most      float64 // what may still be usual waste, 39 times in 40: items differ
	More      bool    // more went than usual waste may be, even if it went piece by piece, by chance
	Pattern   Pattern
	PerDay    float64 // base units lost a day, beyond the ratio, where the pattern is Steady or Both
}

// Excludes1 reports whether the interval lies wholly on one side of 1, and, above it, beyond what may be usual waste or a few pieces that were lost.
func (r Ratio) Excludes1() bool { return r.Low > 1+r.Most && r.More || r.High < 1 }

const (
	least     = 3   // intervals of a ratio
	gain      = 6.0 // of BIC that a further term has to bring
	condition = 10.0
	mostWaste = 0.25 // of use: more is never usual, whatever the other items seem to lose
	misfit    = 0.99 // quantile of χ² beyond which the intervals differ more among each other than the model lets them
)

// ErrFew is returned where an item has too few intervals between two counts, or was not used in them.
var ErrFew = errors.New("it takes three intervals between counts")

// Ratio fits used + unknown = ratio·used + noise over the intervals between two counts, by generalised least squares with the covariance of the package comment.
//
// A change is looked for first: if two ratios, the later one over at least three intervals, explain so much more that BIC gains 6 with two parameters more, the
// later ratio is the answer and From is where it begins, unless a loss per day explains as much. A second term, a loss per day, is taken in only if the scaled
// design's condition number is below 10 and BIC gains 6; without it the ratio is called drift only if a loss per day alone explains so much less, and
// unclear otherwise.
//
// The interval is Student's, like that of a Sum. Where the intervals differ among each other more than the model lets them (χ² beyond its 99 % point), it is
// widened by √(χ²/ν) (R. T. Birge, The calculation of errors by the method of least squares, Phys. Rev. 40 (1932), 207–227).
func (u Usual) Ratio(s Series) (Ratio, error) {
	first := 0
	for first < len(s.Spans) && s.Spans[first].Uncounted {
		first++
	}
	spans := s.Spans[first:]
	n := len(spans)
	if n < least {
		return Ratio{}, ErrFew
	}
	f := u.fitting(spans)
	fit, err := f.fit(f.unknown, f.used)
	if err != nil {
		return Ratio{}, ErrFew
	}
	from := 0
	best := fit.BIC() - gain
	if daily, err := f.fit(f.unknown, f.used, f.days); err == nil && daily.Condition < condition {
		best = min(best, daily.BIC()) // what is lost day by day looks like a change where a month was quiet
	}
	for k := 1; k+least <= n; k++ {
		before, after := make([]float64, n), make([]float64, n)
		copy(before, f.used[:k])
		copy(after[k:], f.used[k:])
		two, err := f.fit(f.unknown, after, before)
		if err != nil {
			continue
		}
		if bic := two.BIC() + math.Log(float64(n)); bic <= best { // the place of the change is a parameter too
			best, from, fit = bic, k, two
		}
	}
	if from > 0 {
		f = u.fitting(spans[from:])
	}
	r := Ratio{From: first + from, To: len(s.Spans), Began: from > 0, Usual: u.Mu, Most: min(u.Mu+float64(half95*sqrt(u.MuVariance)), mostWaste)}
	sum := u.Sum(spans[from:], s.Piece)
	low, _ := sum.Bounds()
	r.More = low > float64(r.Most*sum.Used)
	r.of(u, f, fit)
	r.pattern(u, f)
	return r, nil
}

// of fills in ratio and interval.
func (r *Ratio) of(u Usual, f fitting, fit chance.Fit) {
	width := float64(chance.Student(0.975, f.freedom(u)) * sqrt(fit.Cov[0][0]))
	if nu := float64(fit.N - fit.Parameters); nu > 0 && fit.Chi2 > chance.Chi2(misfit, nu) {
		width = float64(width * sqrt(fit.Chi2/nu))
	}
	r.Ratio = 1 + fit.Coef[0]
	r.Low, r.High = r.Ratio-width, r.Ratio+width
}

// pattern asks whether the unknown goes with use or with time.
func (r *Ratio) pattern(u Usual, f fitting) {
	r.Pattern = Agrees
	if !r.Excludes1() {
		return
	}
	r.Pattern = Unclear
	alone, err := f.fit(f.unknown, f.used)
	if err != nil {
		return
	}
	beyond := make([]float64, len(f.unknown))
	for i := range beyond {
		beyond[i] = f.unknown[i] - float64(u.Mu*f.used[i])
	}
	daily, err := f.fit(beyond, f.days)
	if err != nil {
		return
	}
	two, err := f.fit(f.unknown, f.used, f.days)
	if err == nil && two.Condition < condition && alone.BIC()-two.BIC() >= gain {
		r.of(u, f, two)
		r.PerDay = two.Coef[1]
		if r.Pattern = Both; !r.Excludes1() {
			r.Pattern = Steady
		}
		return
	}
	if daily.BIC()-alone.BIC() >= gain {
		r.Pattern = Drift
	}
}

// fitting is some spans as the columns of a regression.
type fitting struct {
	unknown, used, days []float64
	diag, off           []float64
	share               float64 // of handling in the variance, on average
}

func (u Usual) fitting(spans []Span) (f fitting) {
	for i, n := range spans {
		handling := float64(u.Phi * n.Squares)
		v := max(n.Open+n.Close+handling, tiny)
		f.unknown, f.used, f.days = append(f.unknown, n.Unknown), append(f.used, n.Used), append(f.days, n.Days)
		f.diag = append(f.diag, v+tiny)
		if i > 0 {
			f.off = append(f.off, -n.Open)
		}
		f.share += handling / v / float64(len(spans))
	}
	return f
}

func (f fitting) fit(y []float64, x ...[]float64) (chance.Fit, error) {
	return chance.Regress(y, x, f.diag, f.off)
}

func (f fitting) freedom(u Usual) float64 {
	if f.share == 0 {
		return math.Inf(1)
	}
	return 2 / (float64(f.share*f.share) * u.PhiLogVariance)
}
