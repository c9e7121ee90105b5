package audit

import (
	"math"

	"countback/ledger/event"
)

// column is one model of the unknown: what it adds to each interval, of free size or fixed.
type column struct {
	cause  Cause
	x      []float64 // the effect, in base units where the size is fixed, else for a size of 1
	fixed  bool
	loss   bool    // a free size is above 0
	log    float64 // logarithm of its odds against none, before the data
	inside float64 // share of the effect that lies in the window: Σ x·inside
	extra  int     // whose variance it brings along: index into the fits' extras, 0 for none

	per    []float64 // what it goes with, in each whole interval, where it lasts
	place  string    // the format or good whose uses it is about; "" for all
	onset  int64     // ms from which it holds, where it has one
	events []event.ID
	text   string // what it found, for the words
	costed bool   // a cost speaks for a unit slip
	at     int    // interval or count that it is about
}

// The extras: what single pieces add to the variance of a loss.
const (
	noExtra = iota
	steadyExtra
	driftExtra
	bothExtras
	extras
)

// fitted is a column divided by the factor of each space.
type fitted struct {
	*column
	by [extras][]whitened
}

type whitened struct {
	x    []float64
	a, b float64 // x'V⁻¹x and x'V⁻¹y
}

// model is one or two columns with what the data say of them.
type model struct {
	one, two *fitted // nil: none; two nil: one alone
	log      float64 // of prior odds times likelihood
	qty      [2]float64
}

// fit holds an item's models.
type fit struct {
	*subject
	inside []float64 // of each interval: the share of it that belongs to the window
	in     [extras]*spaces
	cols   []*fitted
	models []model
}

func (f *fit) whiten(c *column) *fitted {
	out := &fitted{column: c}
	for e := range f.in {
		if f.in[e] == nil {
			continue
		}
		if e != noExtra && e&c.extra == 0 && c.extra != noExtra {
			continue
		}
		for _, s := range f.in[e].by {
			w := whitened{x: s.whiten(c.x)}
			w.a, w.b = dot(w.x, w.x), dot(w.x, s.y)
			out.by[e] = append(out.by[e], w)
		}
	}
	return out
}

// alone is the log likelihood of one column's model, over the scales, and the size that it finds.
func (f *fit) alone(c *fitted) (float64, float64) {
	e := c.extra
	var terms, sizes [noises]float64
	n := len(f.in[e].by)
	for i, sp := range f.in[e].by {
		w := &c.by[e][i]
		bf, size := c.one(w.a, w.b)
		terms[i] = sp.chance + sp.base + bf
		sizes[i] = size
	}
	total := logSum(terms[:n])
	size := 0.0
	for i := range n {
		size += float64(math.Exp(terms[i]-total) * sizes[i])
	}
	return total, size
}

// one is the log Bayes factor of a column against none, where a is x'V⁻¹x and b is x'V⁻¹y, and its size.
func (c *column) one(a, b float64) (bf, size float64) {
	if c.fixed {
		return b - float64(0.5*a), 1
	}
	if a <= 0 {
		return math.Inf(-1), 0
	}
	root := math.Sqrt(a)
	bf, z := free(b/root, c.loss)
	return bf, z / root
}

// crossed is what two columns have in common under each noise.
type crossed [noises]float64

// atMost is the log likelihood of two columns at their best sizes, whatever the prior says of those: what they say together is no more. It also gives what they have in common.
func (f *fit) atMost(p, q *fitted) (float64, *crossed) {
	e := p.extra | q.extra
	var cross crossed
	most := math.Inf(-1)
	for i, sp := range f.in[e].by {
		u, v := &p.by[e][i], &q.by[e][i]
		cross[i] = dot(u.x, v.x)
		chi := 0.0
		if u.a > 0 {
			chi = float64(u.b*u.b) / u.a
			if rest := v.a - float64(cross[i]*cross[i])/u.a; rest > float64(1e-9*v.a) {
				left := v.b - float64(cross[i]*u.b)/u.a
				chi += float64(left*left) / rest
			}
		}
		most = max(most, sp.chance+sp.base+float64(0.5*chi))
	}
	return most + math.Log(float64(len(f.in[e].by))), &cross
}

// pair is the log likelihood of two columns together and their sizes. The second's size is worked out beside the best size of the first, and the first's
// prior is that of its own: for two columns that say different things that is the whole, and two that say the same are never a pair.
func (f *fit) pair(p, q *fitted, cross *crossed) (float64, [2]float64) {
	e := p.extra | q.extra
	var terms [noises]float64
	var sizes [noises][2]float64
	n := len(f.in[e].by)
	for i, sp := range f.in[e].by {
		bf, size := both(p.column, q.column, &p.by[e][i], &q.by[e][i], cross[i])
		terms[i] = sp.chance + sp.base + bf
		sizes[i] = size
	}
	total := logSum(terms[:n])
	var out [2]float64
	for i := range n {
		w := math.Exp(terms[i] - total)
		out[0] += float64(w * sizes[i][0])
		out[1] += float64(w * sizes[i][1])
	}
	return total, out
}

// both is the log Bayes factor of two columns against none, where cross is x'V⁻¹x of the two.
func both(p, q *column, u, v *whitened, cross float64) (float64, [2]float64) {
	switch {
	case p.fixed && q.fixed:
		return u.b + v.b - float64(0.5*(u.a+v.a)) - cross, [2]float64{1, 1}
	case p.fixed:
		bf, size := q.one(v.a, v.b-cross)
		return u.b - float64(0.5*u.a) + bf, [2]float64{1, size}
	case q.fixed:
		bf, size := p.one(u.a, u.b-cross)
		return v.b - float64(0.5*v.a) + bf, [2]float64{size, 1}
	}
	// Both are free: the part of the second that the first can't explain, then the first beside it.
	rest := v.a - float64(cross*cross)/u.a
	if u.a <= 0 || rest <= float64(1e-6*v.a) {
		return math.Inf(-1), [2]float64{}
	}
	root := math.Sqrt(rest)
	second, z := free((v.b-float64(cross*u.b)/u.a)/root, q.loss)
	size := z / root
	left := u.b - float64(cross*size)
	chi := float64(0.5*u.b*u.b) / u.a // of the first at its best, without the second
	first, z1 := free(left/math.Sqrt(u.a), p.loss)
	// The likelihood of the two together is χ² of the first plus that of the rest; only the first's prior looks at the size that it has beside the second.
	first += chi - float64(0.5*left*left)/u.a
	return first + second, [2]float64{z1 / math.Sqrt(u.a), size}
}
