package audit

import (
	"math"

	"countback/projections/interval"
	"countback/projections/noise"
)

// subject is one item's intervals in numbers.
type subject struct {
	item   int
	list   []interval.Interval // those between two counts
	spans  []noise.Span
	single float64 // what goes at once where single pieces go
	usual  noise.Usual
	y      []float64 // unknown beyond the usual waste
	used   []float64
	days   []float64

	plain *spaces
}

const day = 24 * 60 * 60 * 1000

// newSubject leaves out an interval whose start was never counted.
func newSubject(item int, ch interval.Chain, s noise.Series, u noise.Usual, each bool) *subject {
	from := 0
	for from < len(ch.Intervals) && ch.Intervals[from].Uncounted {
		from++
	}
	if n := len(ch.Intervals); n-from > mostIntervals {
		from = n - mostIntervals
	}
	x := &subject{item: item, list: ch.Intervals[from:], spans: s.Spans[from:], single: s.Piece, usual: u}
	if each {
		x.single = 1
	}
	for _, n := range x.spans {
		x.y = append(x.y, n.Unknown-float64(u.Mu*n.Used))
		x.used, x.days = append(x.used, n.Used), append(x.days, n.Days)
	}
	return x
}

// mostIntervals bounds the work: what lies further back says little about the last box.
const mostIntervals = 60

// scales are how many times as large as the model says the noise may be, each with its chance: nobody's tolerances are exact.
var scales = [...]struct{ by, chance float64 }{{0.8, 0.2}, {1, 0.45}, {1.4, 0.25}, {2.2, 0.1}}

// spaces are an item's intervals under each noise that is thought possible.
type spaces struct{ by []*space }

// grain is how large the pieces are that something goes in, in usual ones, and how likely that is.
type grain struct{ by, chance float64 }

// A steady loss may trickle, go piece by piece or several at once; where a use takes more than the spec says, all may take it alike or some a whole piece.
var (
	steadyGrains = [...]grain{{0.3, 0.25}, {1, 0.5}, {3, 0.25}}
	driftGrains  = [...]grain{{0, 0.35}, {0.4, 0.3}, {1, 0.35}}
)

// noises is how many of them there are at most.
const noises = len(scales) * len(steadyGrains)

// covariance is that of the model: counts, which neighbours share, handling, single pieces of usual waste, whatever extra a model adds, and what isn't known of
// the usual waste.
func (x *subject) covariance(scale float64, extra []float64) [][]float64 {
	n := len(x.spans)
	v := make([][]float64, n)
	s2 := float64(scale * scale)
	for i := range v {
		v[i] = make([]float64, i+1)
		sp := &x.spans[i]
		own := sp.Open + sp.Close + float64(x.usual.Phi*sp.Squares) + float64(x.single*x.usual.Mu*sp.Used) + least*least
		v[i][i] = float64(s2 * own)
		if extra != nil {
			v[i][i] += extra[i]
		}
		if i > 0 {
			v[i][i-1] -= float64(s2 * sp.Open)
		}
		for j := range i + 1 {
			v[i][j] += float64(float64(x.usual.MuVariance*sp.Used) * x.spans[j].Used)
		}
	}
	return v
}

// least is a standard deviation, in base units, that every interval has: sealed packs are counted to the piece, and one piece then isn't worlds away.
const least = 0.3

// under returns the spaces without any extra variance.
func (x *subject) under() *spaces {
	if x.plain == nil {
		x.plain = x.with(nil, []grain{{0, 1}})
	}
	return x.plain
}

// with returns the spaces with an extra variance, of grains.
func (x *subject) with(extra []float64, grains []grain) *spaces {
	var out spaces
	for _, g := range grains {
		var more []float64
		if extra != nil {
			more = scaled(extra, g.by)
		}
		for _, s := range scales {
			sp, ok := newSpace(x.covariance(s.by, more), x.y)
			if !ok {
				return nil
			}
			sp.chance = math.Log(s.chance) + math.Log(g.chance)
			out.by = append(out.by, sp)
		}
	}
	return &out
}

// share is the part of interval k that lies behind an instant.
func (x *subject) share(k int, ms int64) float64 {
	from, to := x.list[k].From.Ms, x.list[k].To.Ms
	if ms <= from || to <= from {
		return 1
	}
	if ms >= to {
		return 0
	}
	return float64(to-ms) / float64(to-from)
}

// at is the interval in which an instant lies, -1 if none does. What stands at the instant of a count lies before it.
func (x *subject) at(ms int64) int {
	for k := range x.list {
		if x.list[k].From.Ms < ms && ms <= x.list[k].To.Ms {
			return k
		}
	}
	return -1
}
