package audit

import (
	"countback/projections/interval"
	"countback/projections/noise"
)

// subject is one item's intervals in numbers.
type subject struct {
	item  int
	list  []interval.Interval // those between two counts
	spans []noise.Span
	piece float64
	usual noise.Usual
	y     []float64 // unknown beyond the usual waste
	used  []float64
	days  []float64

	plain *spaces
}

const day = 24 * 60 * 60 * 1000

// newSubject leaves out an interval whose start was never counted.
func newSubject(item int, ch interval.Chain, s noise.Series, u noise.Usual) *subject {
	from := 0
	for from < len(ch.Intervals) && ch.Intervals[from].Uncounted {
		from++
	}
	if n := len(ch.Intervals); n-from > mostIntervals {
		from = n - mostIntervals
	}
	x := &subject{item: item, list: ch.Intervals[from:], spans: s.Spans[from:], piece: s.Piece, usual: u}
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

// spaces are an item's intervals under each scale of the noise.
type spaces struct{ by [len(scales)]*space }

// covariance is that of the model: counts, which neighbours share, handling, single pieces of usual waste, whatever extra a model adds, and what isn't known of
// the usual waste.
func (x *subject) covariance(scale float64, extra []float64) [][]float64 {
	n := len(x.spans)
	v := make([][]float64, n)
	s2 := float64(scale * scale)
	for i := range v {
		v[i] = make([]float64, i+1)
		sp := &x.spans[i]
		own := sp.Open + sp.Close + float64(x.usual.Phi*sp.Squares) + float64(x.piece*x.usual.Mu*sp.Used) + least*least
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

// under returns the spaces with an extra variance.
func (x *subject) under(extra []float64) *spaces {
	if extra == nil && x.plain != nil {
		return x.plain
	}
	var out spaces
	for i, s := range scales {
		sp, ok := newSpace(x.covariance(s.by, extra), x.y)
		if !ok {
			return nil
		}
		out.by[i] = sp
	}
	if extra == nil {
		x.plain = &out
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
