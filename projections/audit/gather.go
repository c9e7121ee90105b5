package audit

import (
	"cmp"
	"maps"
	"slices"

	"countback/ledger/event"
	"countback/projections/bridge"
	"countback/projections/fold"
	"countback/projections/interval"
	"countback/projections/noise"
)

// Shop is a ledger with what audits of its items share.
type Shop struct {
	Record *bridge.Record
	Table  *interval.Table

	subjects []*subject
	unpacked []bridge.Unpacked // by when they should have been packed
	lag      int64             // ms, from placing to packing, the usual
	late     int64             // ms, after which nearly all were packed
}

// Read runs a log twice: once for bridges, once for intervals.
func Read(l *fold.Log, run fold.Run) *Shop {
	s := &Shop{Record: bridge.Read(l, run), Table: interval.Read(l, run)}
	all := make([]noise.Series, len(s.Table.Chains))
	for i, ch := range s.Table.Chains {
		all[i] = noise.SeriesOf(ch)
	}
	for i, u := range noise.Others(all) {
		s.subjects = append(s.subjects, newSubject(i, s.Table.Chains[i], all[i], u, s.Record.State.View.Def(i).Unit == "each"))
	}
	s.findUnpacked()
	return s
}

const (
	lateAtLeast = 14 * day
	lateBeyond  = 7 * day
)

// findUnpacked lists the orders that were placed, are older than nearly all were when they were packed, and of which nothing was ever packed.
func (s *Shop) findUnpacked() {
	st := s.Record.State
	var lags []int64
	var open []*fold.Order
	for _, number := range slices.Sorted(maps.Keys(st.Orders)) {
		o := st.Orders[number]
		switch {
		case o.Placed.IsZero():
		case o.Packs > 0:
			lags = append(lags, max(0, o.Packed-o.PlacedMs))
		case o.Open && o.Runs == 0:
			open = append(open, o)
		}
	}
	slices.Sort(lags)
	s.late = lateAtLeast
	if n := len(lags); n > 0 {
		s.lag = lags[n/2]
		s.late = max(s.late, lags[n-1-n/100]+lateBeyond)
	}
	for _, o := range open {
		if o.PlacedMs < s.asOf()-s.late {
			s.unpacked = append(s.unpacked, s.Record.Whole(o))
		}
	}
	slices.SortStableFunc(s.unpacked, func(a, b bridge.Unpacked) int { return cmp.Compare(a.Ms, b.Ms) })
}

func (s *Shop) asOf() int64 {
	if t := s.Record.State.AsOf; t != 0 {
		return t
	}
	last := int64(0)
	for _, ch := range s.Table.Chains {
		if n := len(ch.Intervals); n > 0 {
			last = max(last, ch.Intervals[n-1].To.Ms)
		}
	}
	return last
}

// says is the log Bayes factor of a fixed effect on an item against nothing, over the scales.
func (x *subject) says(effect []float64) float64 {
	sp := x.under()
	if sp == nil {
		return 0
	}
	var ab [len(scales)][2]float64
	for i := range scales {
		w := sp.by[i].whiten(effect)
		ab[i] = [2]float64{dot(w, w), dot(w, sp.by[i].y)}
	}
	return x.ratio(sp, &ab, 1)
}

func (x *subject) ratio(sp *spaces, ab *[len(scales)][2]float64, size float64) float64 {
	var with, without [len(scales)]float64
	for i := range scales {
		without[i] = sp.by[i].chance + sp.by[i].base
		with[i] = without[i] + float64(size*ab[i][1]) - float64(0.5*size*size*ab[i][0])
	}
	return logSum(with[:]) - logSum(without[:])
}

// most and fewest that another item may say for or against a cause, in logarithms: one item's own trouble must not decide for all.
const (
	sayFor     = 5.0
	sayAgainst = -4.0
)

// others is what all other items say of effects on them, as a log Bayes factor against nothing, and of how many it speaks for them. say gives an item's word, false
// where it has none.
func (s *Shop) others(item int, say func(x *subject) (float64, bool)) (log float64, short int) {
	for _, x := range s.subjects {
		if x.item == item || len(x.spans) == 0 {
			continue
		}
		d, ok := say(x)
		if !ok {
			continue
		}
		if d > 0.5 {
			short++
		}
		log += min(sayFor, max(sayAgainst, d))
	}
	return log, short
}

func idsOf(list []bridge.Unpacked) []event.ID {
	out := make([]event.ID, len(list))
	for i := range list {
		out[i] = list[i].Placed
	}
	return out
}
