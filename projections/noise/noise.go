package noise

import (
	"math"
	"slices"

	"countback/projections/chance"
	"countback/projections/interval"
)

// Span is an interval in numbers, base units: Open and Close are the variances of its counts.
type Span struct {
	Used, Unknown, Squares float64
	Open, Close            float64
	Days                   float64
	Uncounted              bool // its start was never counted: it teaches nothing about usual waste
}

// Series is the spans of one item, in order of time, and its usual use, in base units. Spans before From teach about waste and are not judged.
type Series struct {
	Spans []Span
	Piece float64
	From  int
}

const day = 24 * 60 * 60 * 1000

// SeriesOf puts a chain's intervals in numbers. The usual use is Σq² ÷ Σq, the size of the use that a typical unit was part of; an item that was never used
// counts as used one by one.
func SeriesOf(ch interval.Chain) Series {
	var used, squares float64
	for i := range ch.Intervals {
		used += ch.Intervals[i].Used.Float()
		squares += ch.Intervals[i].Squares.Float()
	}
	s := Series{Piece: 1}
	if used > 0 && squares > 0 {
		s.Piece = squares / used
	}
	for i := range ch.Intervals {
		n := &ch.Intervals[i]
		span := Span{
			Used: n.Used.Float(), Unknown: n.Unknown.Float(), Squares: n.Squares.Float(),
			Close: CountVariance(n.To, s.Piece), Days: float64(n.To.Ms-n.From.Ms) / day, Uncounted: n.Uncounted,
		}
		if !n.Uncounted {
			span.Open = CountVariance(n.From, s.Piece)
		}
		s.Spans = append(s.Spans, span)
	}
	return s
}

// Usual is what the other items teach about waste and handling.
type Usual struct {
	Mu             float64 // usual waste as a share of use
	MuVariance     float64 // of it for one more item: how well it is known, and how far items differ in their waste
	Phi            float64
	PhiLogVariance float64
	Spans          int     // of how many intervals it was learnt
	apart          float64 // variance of waste between items
}

const (
	startPhi   = 0.02
	startCount = 2.0  // the start counts like two intervals that show just it
	cut        = 0.1  // of the weight at each end
	wasteGuess = 0.03 // standard deviation of the usual waste where no other item says anything
	startApart = 1e-6 // variance of waste between items: 0.1 % apart …
	apartCount = 1.0  // … counts like one item that shows it
	aside      = 0.01 // chance, over a table, of setting an item aside where nothing is amiss
	passes     = 4    // at most, of setting aside
	rounds     = 4    // in which the figures are settled: each needs the others
	crowd      = 40   // items from which leaving one out hardly moves what all say, so that one round is enough
)

// Others estimates for each series what all others teach. An item whose whole history is no chance even so, at one in a hundred over the table, is set
// aside, and the rest is learnt anew: in a shop of four items nothing can be left out at the edges, and what was lost of one would be the others' usual waste.
func Others(all []Series) []Usual {
	lists := make([][]Span, len(all))
	items := 0
	for i, s := range all {
		for _, n := range s.Spans {
			if !n.Uncounted && n.Used > 0 {
				lists[i] = append(lists[i], n)
			}
		}
		if len(lists[i]) > 0 {
			items++
		}
	}
	kept := slices.Clone(lists)
	out := make([]Usual, len(all))
	var e estimator
	again := rounds
	if items > crowd {
		again = 1
	}
	for range passes {
		whole := e.of(kept, -1, Usual{Phi: startPhi, apart: startApart}, rounds)
		wild := false
		for i := range all {
			out[i] = whole
			if len(kept[i]) > 0 {
				out[i] = e.of(kept, i, whole, again)
			}
		}
		for i, list := range kept {
			if len(list) == 0 {
				continue
			}
			if p := out[i].Sum(list, all[i].Piece).Chance(); 2*min(p, 1-p) < aside/float64(items) {
				kept[i], wild = nil, true
			}
		}
		if !wild {
			break
		}
	}
	return out
}

// estimator keeps its lists from one item to the next.
type estimator struct {
	x, w       []float64
	dev, items []chance.Deviation
}

// of estimates from all lists but one, beginning with a first guess.
func (e *estimator) of(lists [][]Span, without int, u Usual, rounds int) Usual {
	factor := chance.TrimmedVariance(cut)
	var total, noise, between float64
	for range rounds {
		e.x, e.w, e.dev, e.items = e.x[:0], e.w[:0], e.dev[:0], e.items[:0]
		total, noise, between = 0, 0, 0
		for i, list := range lists {
			if i == without {
				continue
			}
			item := 0.0
			for _, n := range list {
				v := max(n.Open+n.Close+float64(u.Phi*n.Squares), tiny) / float64(n.Used*n.Used)
				w := 1 / (v + u.apart) // an item that is counted to the piece is still but one item
				e.x, e.w = append(e.x, n.Unknown/n.Used), append(e.w, w)
				item += w
				noise += float64(w*w) * v
			}
			total += item
			between += float64(item * item)
		}
		u.Mu = 0
		if m := chance.Trimmed(e.x, e.w, cut); m > 0 {
			u.Mu = m
		}
		for i, list := range lists {
			if i != without && len(list) > 0 {
				e.item(list, u)
			}
		}
		u.Phi, u.PhiLogVariance = chance.Spread(e.dev, startPhi, startCount)
		u.apart, _ = chance.Spread(e.items, startApart, apartCount)
	}
	u.MuVariance = u.apart + wasteGuess*wasteGuess
	if total > 0 {
		mean := factor * (noise + float64(u.apart*between)) / float64(total*total)
		u.MuVariance = u.apart + 1/(1/mean+1/float64(wasteGuess*wasteGuess))
	}
	u.Spans = len(e.dev)
	return u
}

// item notes how far an item's intervals lie from its own waste, and its own waste from the usual. What differs from item to item is no noise of
// handling: without that, one item that drifts would make every other look uncertain. The only interval of an item is compared with the usual waste.
func (e *estimator) item(list []Span, u Usual) {
	var off, used, squares, products, weights float64
	for _, n := range list {
		w := 1 / max(n.Open+n.Close+float64(u.Phi*n.Squares), tiny)
		beyond := n.Unknown - float64(u.Mu*n.Used)
		off, used, squares = off+beyond, used+n.Used, squares+n.Squares
		products += float64(w * n.Used * beyond)
		weights += float64(w * n.Used * n.Used)
	}
	own, share := 0.0, 1.0
	if k := float64(len(list)); k > 1 {
		own, share = products/weights, (k-1)/k
	}
	for _, n := range list {
		v := max(n.Open+n.Close+float64(u.Phi*n.Squares), tiny)
		lever := 1.0 // part of the variance that is left after the item's own mean was fitted
		if len(list) > 1 {
			lever = max(1-float64(n.Used*n.Used)/float64(v*weights), 0.05)
		}
		e.dev = append(e.dev, chance.Deviation{
			Off: (n.Unknown - float64((u.Mu+own)*n.Used)) / math.Sqrt(lever), Known: n.Open + n.Close, Squares: n.Squares, Weight: share,
		})
	}
	first, last := list[0], list[len(list)-1]
	e.items = append(e.items, chance.Deviation{Off: off, Known: first.Open + last.Close + float64(u.Phi*squares), Squares: float64(used * used), Weight: 1})
}

// Sum is several neighbouring intervals taken as one: the counts between them cancel.
type Sum struct {
	Unknown, Used float64
	Waste         float64 // usual: μ·used
	Counting      float64 // variance of the first and the last count
	Handling      float64 // variance
	WasteVariance float64 // of the usual waste
	piece         float64
	logVariance   float64
}

// Sum adds up spans of a series, at least one, that follow one another.
func (u Usual) Sum(spans []Span, piece float64) Sum {
	s := Sum{Counting: spans[0].Open + spans[len(spans)-1].Close, piece: piece, logVariance: u.PhiLogVariance}
	squares := 0.0
	for _, n := range spans {
		s.Unknown += n.Unknown
		s.Used += n.Used
		squares += n.Squares
	}
	s.Waste = float64(u.Mu * s.Used)
	s.Handling = float64(u.Phi * squares)
	s.WasteVariance = float64(float64(s.Used*s.Used) * u.MuVariance)
	return s
}

// variance is that of what goes beyond the usual waste, above 0.
func (s Sum) variance() float64 { return max(s.Counting+s.Handling+s.WasteVariance, tiny) }

// tiny is the variance of what can't vary: a sealed pack that nobody used. One unit is then worlds away.
const tiny = 1e-9

// freedom returns the degrees of freedom of a variance of which handling is a part.
func (s Sum) freedom(v float64) float64 {
	share := s.Handling / v
	if share == 0 {
		return math.Inf(1)
	}
	return 2 / (float64(share*share) * s.logVariance)
}

// Chance is the chance of seeing as much or more where nothing but the usual waste was lost.
func (s Sum) Chance() float64 {
	v := s.variance()
	return chance.Above((s.Unknown-s.Waste)/sqrt(v), s.freedom(v))
}

// Bounds hold what was really lost, usual waste included, in 95 % of cases; below 0 it is a gain.
func (s Sum) Bounds() (low, high float64) {
	v := max(s.Counting+s.Handling, tiny)
	low, high = chance.Bounds(s.Unknown-s.Waste, v, s.piece, chance.Student(0.975, s.freedom(v)))
	return low + s.Waste, high + s.Waste
}

// Detectable is the loss beyond the usual waste that is found in 90 % of cases by a one-sided test at a level.
func (s Sum) Detectable(level float64) float64 {
	v := s.variance()
	return chance.Detectable(v, s.piece, chance.Student(1-level, s.freedom(v)), 0.9)
}

// Verdict is what a table says of one item.
type Verdict struct {
	Tested     int     // how many intervals were taken together; 0: there is none, and the rest is empty
	From       int     // the first of them
	Sum        Sum     // of them
	Chance     float64 // of seeing as much where nothing is amiss
	Signal     bool    // more than chance
	Detectable float64 // the loss beyond the usual waste that would be a signal in 90 % of cases
}

const (
	together = 3    // intervals that are tested as one
	falsely  = 0.05 // share of false ones among the signals
)

// Judge tests the last three intervals of each item. One that begins uncounted is tested only where there is no other.
func Judge(all []Series) []Verdict {
	out := make([]Verdict, len(all))
	usual := Others(all)
	var p []float64
	var at []int
	for i := range all {
		s := &all[i]
		n := len(s.Spans)
		if n <= s.From {
			continue
		}
		from := max(s.From, n-together)
		for from < n-1 && s.Spans[from].Uncounted {
			from++
		}
		v := Verdict{Tested: n - from, From: from, Sum: usual[i].Sum(s.Spans[from:], s.Piece)}
		v.Chance = v.Sum.Chance()
		out[i] = v
		p, at = append(p, v.Chance), append(at, i)
	}
	signals := 0
	found := chance.Discoveries(p, falsely)
	for _, f := range found {
		if f {
			signals++
		}
	}
	for k, i := range at {
		v := &out[i]
		v.Signal = found[k]
		rank := signals
		if !v.Signal {
			rank++ // what it would be if it were one
		}
		v.Detectable = v.Sum.Detectable(falsely * float64(rank) / float64(len(p)))
	}
	return out
}

func sqrt(x float64) float64 { return math.Sqrt(max(0, x)) }
