package audit

import (
	"cmp"
	"math"
	"slices"
)

// weighed is what the models of the unknown say together.
type weighed struct {
	weight map[Cause]float64
	lead   map[Cause]float64 // posterior of the models in which no other cause explains more
	qty    map[Cause]float64 // of the window, where the cause holds
	best   map[Cause]*column // its likeliest model
	size   map[Cause]float64 // of that model
	log    map[Cause]float64 // log Bayes factor of that model alone against none
}

const (
	topOfCause = 3    // models of each cause that are looked at beside every other one
	atOnce     = 0.03 // how likely a second cause is beside a first, compared with what it is by itself
	nothing    = 20.0 // of the best: a pair that is so far behind adds nothing to any figure that is shown
	behind     = 14.0 // of the best, beyond which no more than the best of a cause is looked at beside others
)

// weigh works out the posterior of all models: none, each column alone, and pairs of them.
func (g *gathering) weigh() weighed {
	out := weighed{map[Cause]float64{}, map[Cause]float64{}, map[Cause]float64{}, map[Cause]*column{}, map[Cause]float64{}, map[Cause]float64{}}
	if g.in[noExtra] = g.under(); g.in[noExtra] == nil || len(g.list) == 0 {
		out.weight[None], out.lead[None] = 1, 1
		return out
	}
	g.whitenAll()
	var terms [len(scales)]float64
	for i, s := range g.in[noExtra].by {
		terms[i] = s.chance + s.base
	}
	none := logSum(terms[:])
	g.models = append(g.models, model{log: none})
	alone := make([]float64, len(g.cols))
	for i, c := range g.cols {
		log, size := g.alone(c)
		alone[i] = c.log + log
		g.models = append(g.models, model{c, nil, alone[i], [2]float64{size, 0}})
		if b := out.best[c.cause]; b == nil || alone[i]-none > out.log[c.cause] {
			out.best[c.cause], out.size[c.cause], out.log[c.cause] = c.column, size, alone[i]-none
		}
	}
	g.pairs(alone)
	g.sum(&out)
	return out
}

// whitenAll finds what lasting losses of single pieces add to the variance, and divides all columns by every factor.
func (g *gathering) whitenAll() {
	for _, c := range g.cols {
		f := g.whiten(c.column)
		*c = *f
	}
	for e, cause := range [extras]Cause{steadyExtra: SteadyLoss, driftExtra: SpecDrift} {
		if cause == "" {
			continue
		}
		best, most, size := (*fitted)(nil), math.Inf(-1), 0.0
		for _, c := range g.cols {
			if c.cause != cause {
				continue
			}
			plain := *c.column
			plain.extra = noExtra
			log, s := g.alone(&fitted{&plain, c.by})
			if log += c.log; log > most {
				best, most, size = c, log, s
			}
		}
		extra := make([]float64, len(g.list))
		if best != nil && size > 0 {
			for k := range extra {
				lost := math.Abs(float64(size * best.x[k]))
				if cause == SpecDrift { // whether a use takes one more is chance only while not every one does
					lost *= max(0, 1-size)
				}
				extra[k] = float64(g.single * lost)
			}
		}
		grains := steadyGrains[:]
		if cause == SpecDrift {
			grains = driftGrains[:]
		}
		g.in[e] = g.with(extra, grains)
	}
	g.in[bothExtras] = g.in[steadyExtra]
	for e := range g.in {
		if g.in[e] == nil {
			g.in[e] = g.in[noExtra]
		}
	}
	for _, c := range g.cols {
		*c = *g.whiten(c.column)
	}
}

// pairs looks at the best of each cause beside every other model.
func (g *gathering) pairs(alone []float64) {
	order := make([]int, len(g.cols))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(alone[b], alone[a]) })
	chosen := make([]bool, len(g.cols))
	seen := map[Cause]int{}
	var first []int
	for _, i := range order {
		c := g.cols[i]
		if seen[c.cause] == 0 || seen[c.cause] < topOfCause && alone[i] > alone[order[0]]-behind {
			seen[c.cause]++
			chosen[i] = true
			first = append(first, i)
		}
	}
	best := max(alone[order[0]], g.models[0].log)
	for _, i := range first {
		for j := range g.cols {
			p, q := g.cols[i], g.cols[j]
			if i == j || chosen[j] && j < i || !together(p.column, q.column) {
				continue
			}
			odds := p.log + q.log + math.Log(atOnce)
			most, cross := g.atMost(p, q)
			if most+odds < best-nothing {
				continue
			}
			log, sizes := g.pair(p, q, cross)
			if math.IsNaN(log) || math.IsInf(log, 0) {
				continue
			}
			m := model{p, q, log + odds, sizes}
			best = max(best, m.log)
			if alone[j] > alone[i] {
				m.one, m.two, m.qty = q, p, [2]float64{sizes[1], sizes[0]}
			}
			g.models = append(g.models, m)
		}
	}
}

// together reports whether two models can both hold: two of one cause only where they are about different things.
func together(p, q *column) bool {
	if p.cause != q.cause {
		return true
	}
	switch p.cause {
	case None, OneOffLoss, DoubleEntry, CountSlip:
		return p.at != q.at
	}
	return false
}

// sum adds the posterior up by cause.
func (g *gathering) sum(out *weighed) {
	logs := make([]float64, len(g.models))
	for i := range g.models {
		logs[i] = g.models[i].log
	}
	total := logSum(logs)
	for i := range g.models {
		m := &g.models[i]
		w := math.Exp(m.log - total)
		named := false
		add := func(c *column, size float64, again bool) {
			if c.cause == None {
				return
			}
			if !named {
				out.lead[c.cause] += w
			}
			named = true
			if !again {
				out.weight[c.cause] += w
			}
			out.qty[c.cause] += float64(w * size * c.inside)
		}
		if m.one != nil {
			add(m.one.column, m.qty[0], false)
		}
		if m.two != nil {
			add(m.two.column, m.qty[1], m.one.cause == m.two.cause)
		}
		if !named {
			out.weight[None] += w
			out.lead[None] += w
		}
	}
	for _, c := range causes {
		if out.weight[c] > 0 {
			out.qty[c] /= out.weight[c]
		}
	}
	out.qty[None] = 0
}
