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
	join(weights, qty, parts)
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

// join brings the causes of the unknown and those of the bridge's parts together: both at once is less likely than either, as for any two.
func join(weights, qty map[Cause]float64, parts []partCause) {
	calm, some := weights[None], 1-weights[None]
	o := make([]float64, len(parts))
	single, double := 0.0, 0.0
	for i, p := range parts {
		o[i] = min(float64(odds[p.cause]*math.Exp(p.log)), 1e12)
		double += float64(atOnce * single * o[i])
		single += o[i]
	}
	changed := single + double
	all := calm + some + float64(calm*changed) + float64(atOnce*some*changed)
	beside := (1 + float64(atOnce*changed)) / all
	for _, c := range causes {
		if c != None && weights[c] > 0 {
			weights[c] = float64(weights[c] * beside)
		}
	}
	weights[None] = calm / all
	for i, p := range parts {
		with := o[i] + float64(atOnce*o[i]*(single-o[i]))
		weights[p.cause] = float64(with*(calm+float64(atOnce*some))) / all
		qty[p.cause] = p.qty
	}
}

// round keeps a weight short of certainty: the model itself may be wrong.
func round(w float64) float64 { return min(w, 0.9999) }

// rank gives one rank to those that aren't further than a group apart from the first of it. Of two that can't be told apart whatever their weights the heavier one says where
// both stand, and what the others are measured by is the weight of both: what the one lacks the other has.
func rank(list []Finding, alike [][2]Cause) {
	stands, measure := make([]float64, len(list)), make([]float64, len(list))
	for i := range list {
		stands[i], measure[i] = list[i].weight, list[i].weight
	}
	for _, pair := range alike {
		a := slices.IndexFunc(list, func(f Finding) bool { return f.Cause == pair[0] })
		b := slices.IndexFunc(list, func(f Finding) bool { return f.Cause == pair[1] })
		if a >= 0 && b >= 0 {
			both, more := list[a].weight+list[b].weight, max(list[a].weight, list[b].weight)
			measure[a], measure[b] = max(measure[a], both), max(measure[b], both)
			stands[a], stands[b] = max(stands[a], more), max(stands[b], more)
		}
	}
	order := make([]int, len(list))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(stands[b], stands[a]) })
	at, top := 0, math.Inf(1)
	for _, i := range order {
		if at == 0 || math.Log(stands[i]) < top-group {
			at, top = at+1, math.Log(measure[i])
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
