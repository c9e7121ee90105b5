package audit

import (
	"countback/ledger/event"
	"countback/projections/bridge"
)

// parts are what share of the orders that stand open were packed without being entered; the rest were called off.
var parts = [...]float64{1, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4}

// missing are orders that were placed and never packed, tested together over all items with what they would have taken.
func (g *gathering) missing() {
	var in, all []bridge.Unpacked
	for _, u := range g.shop.unpacked {
		k := g.at(u.Ms + g.shop.lag)
		if k < 0 {
			continue
		}
		all = append(all, u)
		if g.has(k) {
			in = append(in, u)
		}
	}
	if len(in) == 0 {
		return
	}
	sets := [][]bridge.Unpacked{in}
	if len(all) > len(in) {
		sets = append(sets, all)
	}
	for _, set := range sets {
		effects := g.shop.effects(set)
		own := effects[g.item]
		if own == nil {
			return
		}
		for _, part := range parts {
			if g.slight(scaled(own, part)) {
				continue
			}
			log, short := g.shop.others(g.item, func(x *subject) (float64, bool) {
				if effects[x.item] == nil {
					return 0, false
				}
				return x.says(scaled(effects[x.item], part)), true
			})
			c := column{cause: MissingEntry, x: scaled(own, part), fixed: true, log: log, events: idsOf(in), at: short, text: "open"}
			g.add(c, odds[MissingEntry]/float64(len(sets)*len(parts)))
		}
	}
}

func scaled(x []float64, by float64) []float64 {
	if x == nil {
		return nil
	}
	out := make([]float64, len(x))
	for i := range x {
		out[i] = float64(x[i] * by)
	}
	return out
}

// effects is what orders would have taken of each item, by interval.
func (s *Shop) effects(orders []bridge.Unpacked) [][]float64 {
	out := make([][]float64, len(s.subjects))
	for _, u := range orders {
		for _, use := range u.Use {
			x := s.subjects[use.Item]
			k := x.at(u.Ms + s.lag)
			if k < 0 {
				continue
			}
			if out[use.Item] == nil {
				out[use.Item] = make([]float64, len(x.list))
			}
			out[use.Item][k] += use.Qty.Float()
		}
	}
	return out
}

// forgotten are shares of the orders that may never have been entered: from 1 to 40 %, each a fifth more than the one before.
var forgotten = func() (list []float64) {
	for f := 0.01; f < 0.4; f *= 1.2 {
		list = append(list, f)
	}
	return list
}()

const (
	leastShort = 3 // supplies short in the ratio of the mean order
	sameCount  = 2 * day
)

// ratioMissing are packs that left no trace at all: in one interval, or in the whole window, all supplies are short in the ratio of what orders took.
func (g *gathering) ratioMissing() {
	var inside []int
	for k := range g.list {
		if g.has(k) && g.used[k] > 0 {
			inside = append(inside, k)
		}
	}
	sets := make([][]int, 0, len(inside)+1)
	for i := range inside {
		sets = append(sets, inside[i:i+1])
	}
	if len(inside) > 1 {
		sets = append(sets, inside)
	}
	for _, set := range sets {
		own := make([]float64, len(g.list))
		for _, k := range set {
			own[k] = g.used[k]
		}
		log := make([]float64, len(forgotten))
		short := make([]int, len(forgotten))
		for _, x := range g.shop.subjects {
			if x.item == g.item || len(x.spans) == 0 || g.shop.Record.State.View.Def(x.item).Type != "supply" {
				continue
			}
			sp, ab := g.shared(x, set)
			if sp == nil {
				continue
			}
			for i, f := range forgotten {
				d := x.ratio(sp, &ab, f)
				if d > 0.5 {
					short[i]++
				}
				log[i] += min(sayFor, max(sayAgainst, d))
			}
		}
		for i, f := range forgotten {
			if short[i]+1 < leastShort || g.slight(scaled(own, f)) {
				continue
			}
			g.add(column{cause: MissingEntry, x: scaled(own, f), fixed: true, log: log[i], events: []event.ID{g.list[set[len(set)-1]].To.Event}, at: short[i], text: "ratio"},
				odds[MissingEntry]*missingAtAll/float64(len(sets)*len(forgotten)))
		}
	}
}

// shared is what another item's use in the same intervals is worth under each of its spaces; nil where it wasn't counted then.
func (g *gathering) shared(x *subject, set []int) (*spaces, [len(scales)][2]float64) {
	var ab [len(scales)][2]float64
	e := make([]float64, len(x.list))
	any := false
	for _, k := range set {
		if at := x.like(g.list[k].From.Ms, g.list[k].To.Ms); at >= 0 && x.used[at] > 0 {
			e[at], any = x.used[at], true
		}
	}
	sp := x.under()
	if !any || sp == nil {
		return nil, ab
	}
	for i := range scales {
		w := sp.by[i].whiten(e)
		ab[i] = [2]float64{dot(w, w), dot(w, sp.by[i].y)}
	}
	return sp, ab
}

// slight reports whether an effect is so small in the window that this item wouldn't show it: whatever other items say of it, it explains nothing here.
func (g *gathering) slight(x []float64) bool {
	sum, variance := 0.0, 0.0
	v := g.covariance(1, nil)
	for k := range x {
		sum += float64(x[k] * g.inside[k])
		for j := range k + 1 {
			w := float64(g.inside[k] * g.inside[j] * v[k][j])
			if j < k {
				w = float64(2 * w)
			}
			variance += w
		}
	}
	return float64(sum*sum) < variance
}

// missingAtAll is how likely packs are to leave no trace at all, beside those whose order stands open.
const missingAtAll = 0.25

// like is the interval of an item that was counted when another's was, -1 if there is none.
func (x *subject) like(from, to int64) int {
	for k := range x.list {
		if near(x.list[k].From.Ms, from) && near(x.list[k].To.Ms, to) {
			return k
		}
	}
	return -1
}

func near(a, b int64) bool { return max(a-b, b-a) <= sameCount }
