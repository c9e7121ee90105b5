package audit

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"countback/projections/bridge"
	"countback/projections/chance"
	"countback/projections/report"
)

// Finding is one cause with what speaks for it.
type Finding struct {
	Cause   Cause    `json:"cause"`
	Rank    int      `json:"rank"`
	Weight  string   `json:"weight"` // how likely it has a part in it, between 0 and 1
	Qty     string   `json:"qty"`    // what it explains in the window, base units; what took away is above 0
	Events  []string `json:"events"` // that speak for it
	Why     string   `json:"why"`
	Against []string `json:"against"` // events that speak against it
	Settle  string   `json:"settle"`  // which record or count would tell it from those of its rank
	Do      []string `json:"do"`      // what to do about it if it is so, as a person would type or do it

	weight float64
}

// Report is the audit of an item.
type Report struct {
	bridge.Report
	Findings []Finding `json:"findings"`
	Again    string    `json:"again,omitempty"` // why to count again
}

const (
	group  = 2.0  // of the log Bayes factor: causes that aren't further apart share a rank
	listed = 0.02 // of the weight: less isn't worth a line
)

// Of audits an item over a window, and sets earlier windows beside its bridge. The bridges are those of the window and of windows before it.
func (s *Shop) Of(st report.Style, bridges []bridge.Bridge) Report {
	b := &bridges[0]
	out := Report{Report: s.Record.ReportOf(st, bridges), Findings: []Finding{}}
	x := s.subjects[b.Item]
	g := &gathering{fit: &fit{subject: x, inside: inWindow(x, b.Window)}, shop: s, w: b.Window, receipts: s.Record.Receipts(b.Item)}
	g.sizes()
	if len(x.list) > 0 && g.last() >= 0 {
		g.columns()
	} else {
		g.list = nil
	}
	u := g.weigh()
	weights, qty := u.weight, u.qty
	parts := s.parts(b.Item, b)
	calm := 1.0
	for i := range parts {
		p := &parts[i]
		o := float64(odds[p.cause] * math.Exp(p.log))
		w := o / (1 + o)
		if math.IsInf(o, 1) {
			w = 1
		}
		weights[p.cause], qty[p.cause] = w, p.qty
		calm = float64(calm * (1 - w))
	}
	weights[None] = float64(weights[None] * calm)
	w := words{st: st, shop: s, g: g, u: &u, b: b, parts: parts, rep: &out}
	for _, c := range causes {
		if weights[c] <= 0 {
			continue
		}
		f := Finding{Cause: c, weight: weights[c], Weight: chance.Text(round(weights[c])), Qty: chance.Text(qty[c]), Events: []string{}, Against: []string{}, Do: []string{}}
		out.Findings = append(out.Findings, f)
	}
	sort.SliceStable(out.Findings, func(i, k int) bool { return out.Findings[i].weight > out.Findings[k].weight })
	rank(out.Findings, w.alike())
	out.Findings = slices.DeleteFunc(out.Findings, func(f Finding) bool { return f.Rank > 1 && f.weight < listed })
	for i := range out.Findings {
		w.fill(&out.Findings[i])
	}
	for i := range out.Findings {
		w.settle(&out.Findings[i], out.Findings)
	}
	out.Again = w.again()
	return out
}

// round keeps a weight short of certainty: the model itself may be wrong.
func round(w float64) float64 { return min(w, 0.9999) }

// rank gives one rank to those that aren't further than a group apart from the first of it. Two that can't be told apart whatever their weights count as one there, with
// both weights: what the one lacks the other has.
func rank(list []Finding, alike [][2]Cause) {
	together := make([]float64, len(list))
	for i := range list {
		together[i] = list[i].weight
	}
	for _, pair := range alike {
		a := slices.IndexFunc(list, func(f Finding) bool { return f.Cause == pair[0] })
		b := slices.IndexFunc(list, func(f Finding) bool { return f.Cause == pair[1] })
		if a >= 0 && b >= 0 {
			sum := list[a].weight + list[b].weight
			together[a], together[b] = max(together[a], sum), max(together[b], sum)
		}
	}
	order := make([]int, len(list))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(together[b], together[a]) })
	at, top := 0, math.Inf(1)
	for _, i := range order {
		if log := math.Log(together[i]); at == 0 || log < top-group {
			at, top = at+1, log
		}
		list[i].Rank = at
	}
	slices.SortStableFunc(list, func(a, b Finding) int { return cmp.Compare(a.Rank, b.Rank) })
}

// sizes reads the packs that the item ever came in.
func (g *gathering) sizes() {
	packs := g.shop.Record.State.View.Def(g.item).Packs
	seen := map[string]bool{}
	add := func(name string, size float64) {
		if name != "" && !seen[name] {
			seen[name] = true
			g.names, g.packs = append(g.names, name), append(g.packs, size)
		}
	}
	var names []string
	for name := range packs {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		add(name, packs[name].Float())
	}
	for i := range g.receipts {
		r := &g.receipts[i]
		if r.Line.Pack != "" && r.Line.Qty.Sign() > 0 {
			add(r.Line.Pack, r.Qty.Float()/r.Line.Qty.Float())
		}
	}
}
