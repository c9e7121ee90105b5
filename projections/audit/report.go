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
	join(&u, parts)
	w := words{st: st, shop: s, g: g, u: &u, b: b, parts: parts, rep: &out}
	for _, c := range causes {
		if weights[c] <= 0 {
			continue
		}
		f := Finding{Cause: c, weight: weights[c], Weight: chance.Text(round(weights[c])), Qty: chance.Text(qty[c]), Events: []string{}, Against: []string{}, Do: []string{}}
		out.Findings = append(out.Findings, f)
	}
	sort.SliceStable(out.Findings, func(i, k int) bool { return out.Findings[i].weight > out.Findings[k].weight })
	rank(out.Findings, u.lead, w.alike())
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

// join brings the causes of the unknown and those of the bridge's parts together: both at once is less likely than either, as for any two. Of two at once the likelier
// one by itself leads.
func join(u *weighed, parts []partCause) {
	calm, some := u.weight[None], 1-u.weight[None]
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
	below := 1 / all // of the unknown's causes, where they lead: alone, or beside a lesser change
	for i := range parts {
		if float64(calm*o[i]) <= some {
			below += float64(atOnce*o[i]) / all
		}
	}
	for _, c := range causes {
		if c != None && u.weight[c] > 0 {
			u.weight[c] = float64(u.weight[c] * beside)
			u.lead[c] = float64(u.lead[c] * below)
		}
	}
	u.weight[None] = calm / all
	u.lead[None] = u.weight[None]
	for i, p := range parts {
		with := o[i] + float64(atOnce*o[i]*(single-o[i]))
		u.weight[p.cause] = float64(with*(calm+float64(atOnce*some))) / all
		u.qty[p.cause] = p.qty
		for k := range parts {
			if k != i && (o[k] > o[i] || o[k] == o[i] && k < i) {
				with -= float64(atOnce * o[i] * o[k])
			}
		}
		u.lead[p.cause] = float64(with*calm) / all
		if float64(calm*o[i]) > some {
			u.lead[p.cause] += float64(atOnce*with*some) / all
		}
	}
}

// round keeps a weight short of certainty: the model itself may be wrong.
func round(w float64) float64 { return min(w, 0.9999) }

// rank gives one rank to those that aren't further than a group apart from the first of it. The first rank is about what leads: a cause that is likely beside another one is
// no other reading of the same data, and stands behind it. Of two that can't be told apart whatever their weights the heavier one says where both stand, and what the
// others are measured by is the weight of both: what the one lacks the other has.
func rank(list []Finding, lead map[Cause]float64, alike [][2]Cause) {
	of := func(f *Finding) float64 { return lead[f.Cause] }
	for at := 1; len(list) > 0; at++ {
		n := first(list, of, alike)
		for i := range n {
			list[i].Rank = at
		}
		list = list[n:]
		of = func(f *Finding) float64 { return f.weight }
	}
}

// first sorts a list and returns how many share its first rank.
func first(list []Finding, of func(f *Finding) float64, alike [][2]Cause) int {
	stands, measure := map[Cause]float64{}, map[Cause]float64{}
	for i := range list {
		c := list[i].Cause
		stands[c] = of(&list[i])
		measure[c] = stands[c]
	}
	for _, p := range alike {
		a, ok1 := stands[p[0]]
		b, ok2 := stands[p[1]]
		if !ok1 || !ok2 {
			continue
		}
		for _, c := range p {
			stands[c], measure[c] = max(stands[c], a, b), max(measure[c], a+b)
		}
	}
	slices.SortStableFunc(list, func(a, b Finding) int { return cmp.Compare(stands[b.Cause], stands[a.Cause]) })
	top := math.Log(measure[list[0].Cause])
	n := 1
	for n < len(list) && math.Log(stands[list[n].Cause]) >= top-group {
		n++
	}
	return n
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
