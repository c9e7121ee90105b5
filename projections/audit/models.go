package audit

import (
	"fmt"
	"math"
	"slices"

	"countback/ledger/event"
	"countback/projections/bridge"
	"countback/projections/fold"
)

// gathering turns what is known of an item into columns.
type gathering struct {
	*fit
	shop     *Shop
	w        bridge.Window
	receipts []bridge.Receipt
	packs    []float64 // sizes of the item's packs
	names    []string  // of them
}

// inWindow is the share of each interval that belongs to the window: those whose last count lies in it, and part of one that only ends behind it.
func inWindow(x *subject, w bridge.Window) []float64 {
	out := make([]float64, len(x.list))
	for k := range x.list {
		from, to := x.list[k].From.Ms, x.list[k].To.Ms
		switch {
		case to <= w.FromMs || from >= w.ToMs:
		case to <= w.ToMs && from >= w.FromMs:
			out[k] = 1
		case to > from:
			out[k] = float64(min(to, w.ToMs)-max(from, w.FromMs)) / float64(to-from)
		}
	}
	return out
}

// overlap is the share of an interval from which on it counts as one of the window.
const overlap = 0.2

func (g *gathering) has(k int) bool { return k >= 0 && g.inside[k] >= overlap }

// add takes a column in, with its odds against none spread over all columns of the cause.
func (g *gathering) add(c column, odds float64) {
	if odds <= 0 {
		return
	}
	for k := range c.x {
		c.inside += float64(c.x[k] * g.inside[k])
	}
	c.log += math.Log(odds)
	g.cols = append(g.cols, &fitted{column: &c})
}

// unit is an effect on one interval.
func (g *gathering) unit(k int, size float64) []float64 {
	x := make([]float64, len(g.list))
	x[k] = size
	return x
}

// last is the last interval of the window, -1 if it has none.
func (g *gathering) last() int {
	for k := len(g.inside) - 1; k >= 0; k-- {
		if g.has(k) {
			return k
		}
	}
	return -1
}

// columns gathers all models but those of more than one item.
func (g *gathering) columns() {
	g.losses()
	g.drifts()
	g.lasting(SteadyLoss, g.days, steadyExtra, "", odds[SteadyLoss])
	g.shortPacks()
	g.doubles()
	g.slips()
	g.countSlips()
	g.missing()
	g.ratioMissing()
}

// losses are single losses: of an interval of the window, and, as none of the window's causes, what went wrong in others.
func (g *gathering) losses() {
	inside := 0
	for k := range g.list {
		if g.has(k) {
			inside++
		}
	}
	for k := range g.list {
		if g.has(k) {
			g.add(column{cause: OneOffLoss, x: g.unit(k, 1), loss: true, at: k}, odds[OneOffLoss]/float64(inside))
			continue
		}
		g.add(column{cause: None, x: g.unit(k, 1), at: k}, elsewhere)
	}
}

// elsewhere are the odds that something happened to one interval outside the window, whatever it was.
const elsewhere = 0.02

const (
	leastLasting = 3 // intervals that drift or a steady loss cover
	steps        = 3 // beginnings looked at in each interval
	fromStart    = 0.25
)

// drifts are specs that say too little: of all that is used, or of what one format or one good's runs use, where that is neither nearly all of it nor hardly any.
func (g *gathering) drifts() {
	places := g.places()
	all := odds[SpecDrift]
	if len(places) > 0 {
		all *= wholeDrift
	}
	g.lasting(SpecDrift, g.used, driftExtra, "", all)
	for _, p := range places {
		g.lasting(SpecDrift, p.used, driftExtra, p.name, odds[SpecDrift]*(1-wholeDrift)/float64(len(places)))
	}
}

const (
	wholeDrift = 0.6 // how likely a drift is in all that is used where it is used in several places
	partAtMost = 0.9 // share of use beyond which one place is as good as all
)

// place is where something is used: a format, or the runs of a good.
type place struct {
	name string
	used []float64
	sum  float64
}

// places are those that use a part of the item that is worth looking at by itself, in the order of first use.
func (g *gathering) places() []place {
	var list []place
	all := 0.0
	for k := range g.list {
		all += g.used[k]
		for _, l := range g.list[k].Lines {
			name := placeOf(l.Line)
			if name == "" {
				continue
			}
			i := slices.IndexFunc(list, func(p place) bool { return p.name == name })
			if i < 0 {
				i = len(list)
				list = append(list, place{name: name, used: make([]float64, len(g.list))})
			}
			q := l.Qty.Float()
			list[i].used[k] += q
			list[i].sum += q
		}
	}
	return slices.DeleteFunc(list, func(p place) bool { return p.sum > float64(partAtMost*all) || p.sum < float64((1-partAtMost)*all) })
}

// placeOf names the format or the good that a line of a spec is about; "" for the lines of all parcels, and what no line asked for.
func placeOf(l fold.Line) string {
	switch {
	case l.Make != nil:
		return l.Make.Item
	case l.Pack != nil && l.Format >= 0:
		return l.Pack.Formats[l.Format].Format
	}
	return ""
}

// lasting are causes that begin at an instant and last to the window's end, or go on. A loss that went on from the start has a quarter of the odds.
func (g *gathering) lasting(c Cause, per []float64, extra int, place string, odds float64) {
	last := g.last()
	if last < 0 {
		return
	}
	type begin struct {
		ms    int64
		share float64
	}
	var list []begin
	for k := 0; k <= last; k++ {
		from, to := g.list[k].From.Ms, g.list[k].To.Ms
		for i := range int64(steps) {
			list = append(list, begin{from + (to-from)*i/steps, 1})
		}
	}
	list = slices.DeleteFunc(list, func(b begin) bool { return g.covers(b.ms, len(g.list)-1) < leastLasting })
	if len(list) == 0 {
		return
	}
	for i := range list {
		list[i].share = (1 - fromStart) / float64(len(list))
	}
	list[0].share += fromStart
	ends := []int{len(g.list) - 1}
	if last < len(g.list)-1 {
		ends = append(ends, last)
	}
	for _, b := range list {
		for _, end := range ends {
			if g.covers(b.ms, end) < leastLasting {
				continue
			}
			x := make([]float64, len(g.list))
			for k := 0; k <= end; k++ {
				x[k] = float64(per[k] * g.share(k, b.ms))
			}
			p := float64(odds*b.share) / float64(len(ends))
			col := column{cause: c, x: x, per: per, loss: true, onset: b.ms, extra: extra, place: place}
			if c == SpecDrift {
				less := col
				less.x, less.text = negated(x), "less"
				g.add(less, 0.15*p)
				p *= 0.85
			}
			g.add(col, p)
		}
	}
}

func negated(x []float64) []float64 {
	out := make([]float64, len(x))
	for i := range x {
		out[i] = -x[i]
	}
	return out
}

// covers is how many intervals up to one lie wholly or partly behind an instant.
func (g *gathering) covers(ms int64, end int) (n int) {
	for k := 0; k <= end; k++ {
		if g.share(k, ms) > 0.3 {
			n++
		}
	}
	return n
}

// shortPacks are packs that hold less than they say, from one delivery of a supplier on.
func (g *gathering) shortPacks() {
	suppliers := []string{""}
	for _, r := range g.receipts {
		if r.Supplier != "" && !slices.Contains(suppliers, r.Supplier) {
			suppliers = append(suppliers, r.Supplier)
		}
	}
	if len(suppliers) == 2 {
		suppliers = suppliers[:1] // all are of one, or say nothing
	}
	var list []column
	for _, from := range suppliers {
		var of []bridge.Receipt
		for _, r := range g.receipts {
			if (from == "" || r.Supplier == from) && g.at(r.Ms) >= 0 {
				of = append(of, r)
			}
		}
		counted := 1.0
		for _, r := range g.receipts {
			if r.Expected != nil && r.Qty.Less(*r.Expected) {
				counted = 2 // it has come short before, and was seen
			}
		}
		for i := range of {
			c := column{cause: ShortPack, x: make([]float64, len(g.list)), loss: true, onset: of[i].Ms, text: of[i].Supplier, log: math.Log(counted)}
			seen := map[int]bool{}
			for _, r := range of[i:] {
				k := g.at(r.Ms)
				c.x[k] += r.Qty.Float()
				seen[k] = true
				c.events = append(c.events, r.Event)
			}
			if len(seen) >= 2 && slices.ContainsFunc(of[i:], func(r bridge.Receipt) bool { return g.has(g.at(r.Ms)) }) {
				list = append(list, c)
			}
		}
	}
	for i, c := range list {
		share := 0.6 / float64(len(list))
		if i == 0 {
			share += 0.4
		}
		g.add(c, odds[ShortPack]*share)
	}
}

const nearMs = 3 * day

// doubles are deliveries that were entered twice.
func (g *gathering) doubles() {
	var list []column
	var inside []bool
	for i := range g.receipts {
		b := &g.receipts[i]
		for j := i - 1; j >= 0 && g.receipts[j].Ms >= b.Ms-nearMs; j-- {
			a := &g.receipts[j]
			k := g.at(b.Ms)
			if a.Event == b.Event || a.Line.Pack != b.Line.Pack || a.Line.Qty.Cmp(*b.Line.Qty) != 0 || a.Line.Cost.Cmp(*b.Line.Cost) != 0 || k < 0 {
				continue
			}
			c := column{cause: DoubleEntry, x: g.unit(k, b.Qty.Float()), fixed: true, events: []event.ID{a.Event, b.Event}, at: k}
			switch {
			case a.Ref != "" && a.Ref == b.Ref:
				c.log, c.text = math.Log(4), "both name "+a.Ref
			case a.Ref != "" && b.Ref != "":
				c.log, c.text = -math.Log(12), "they name different papers, "+a.Ref+" and "+b.Ref
			}
			if a.Device != b.Device {
				c.log += math.Log(2)
			}
			list, inside = append(list, c), append(inside, g.has(k))
			break
		}
	}
	for i, c := range list {
		if !inside[i] {
			c.cause = None
		}
		g.add(c, odds[DoubleEntry])
	}
}

// slips are deliveries entered in the wrong unit: packs for pieces, pieces for packs, another pack.
func (g *gathering) slips() {
	var list []column
	for i := range g.receipts {
		r := &g.receipts[i]
		k := g.at(r.Ms)
		if k < 0 {
			continue
		}
		n := r.Line.Qty.Float()
		entered := r.Qty.Float()
		type truth struct {
			qty  float64
			text string
		}
		var all []truth
		if r.Line.Pack != "" {
			all = append(all, truth{n, fmt.Sprintf("%s single ones, not %s of %s", r.Line.Qty, r.Line.Qty, r.Line.Pack)})
		}
		for p, size := range g.packs {
			if g.names[p] != r.Line.Pack && size != 1 {
				all = append(all, truth{float64(n * size), fmt.Sprintf("%s of %s", r.Line.Qty, g.names[p])})
			}
		}
		for _, t := range all {
			if t.qty == entered || t.qty <= 0 || entered <= 0 {
				continue
			}
			c := column{cause: UnitSlip, x: g.unit(k, entered-t.qty), fixed: true, events: []event.ID{r.Event}, text: t.text, at: k}
			ratio, ok := g.costRatio(i)
			if ok {
				c.costed = true
				c.log = costSays(ratio, math.Log(entered/t.qty))
			}
			c.log -= math.Log(float64(len(all)))
			list = append(list, c)
		}
	}
	for _, c := range list {
		share := 1 / float64(max(1, len(g.receipts)))
		if !g.has(c.at) {
			c.cause = None
		}
		g.add(c, odds[UnitSlip]*share)
	}
}

// costRatio is the logarithm of how many times the usual cost of a base unit is that of one delivery: by the middle one of the others, else by the item's own estimate.
func (g *gathering) costRatio(i int) (float64, bool) {
	own := g.receipts[i].Cost.Float()
	if own <= 0 {
		return 0, false
	}
	var others []float64
	for j := range g.receipts {
		if r := &g.receipts[j]; j != i && r.Cost.Sign() > 0 && r.Qty.Sign() > 0 {
			others = append(others, r.Cost.Float()/r.Qty.Float())
		}
	}
	usual := 0.0
	if n := len(others); n > 0 {
		slices.Sort(others)
		usual = others[n/2]
	} else if c := g.shop.Record.State.View.Def(g.item).UnitCost; c != nil {
		usual = c.Float()
	}
	if usual <= 0 {
		return 0, false
	}
	return math.Log(usual / (own / g.receipts[i].Qty.Float())), true
}

// costSays is the log likelihood ratio of a cost that is out of line by ratio, where a slip would put it out of line by factor: prices vary by a seventh or so,
// now and then by much more.
func costSays(ratio, factor float64) float64 {
	density := func(x float64) float64 {
		return float64(0.9/0.15*math.Exp(-float64(x*x)/(2*0.15*0.15))) + float64(0.1/0.8*math.Exp(-float64(x*x)/(2*0.8*0.8)))
	}
	return math.Log(density(ratio-factor)) - math.Log(density(ratio))
}

// shelved is how long after a count an entry of a delivery may be about goods that were on the shelf when it was made.
const shelved = 14 * day

// alreadyThere are deliveries that were entered right after a count and counted before: the count finds them too many, and the next one too few.
func (g *gathering) alreadyThere(k int, share float64) {
	for i := range g.receipts {
		r := &g.receipts[i]
		if g.at(r.Ms) != k+1 || r.Ms > g.list[k].To.Ms+shelved {
			continue
		}
		x := g.unit(k, -r.Qty.Float())
		x[k+1] = r.Qty.Float()
		g.add(column{cause: CountSlip, x: x, fixed: true, events: []event.ID{g.list[k].To.Event, r.Event}, text: onShelf, at: k}, 0.1*share)
	}
}

// onShelf marks a count that already held what was entered after it.
const onShelf = "it already held the delivery that was entered right after it"

// countSlips are counts that were read or written down wrongly: the next count takes the difference back.
func (g *gathering) countSlips() {
	var at []int
	for k := range g.list {
		// Count k stands at the end of interval k.
		if k+1 < len(g.list) && (g.has(k) || g.has(k+1)) {
			at = append(at, k)
		}
	}
	// The window's first count stands at the end of the interval before it, or at the chain's beginning.
	for _, k := range at {
		share := odds[CountSlip] / float64(len(at))
		event := []event.ID{g.list[k].To.Event}
		x := g.unit(k, 1)
		x[k+1] = -1
		g.add(column{cause: CountSlip, x: x, loss: true, events: event, at: k}, 0.2*share)
		g.add(column{cause: CountSlip, x: negated(x), loss: true, events: event, at: k}, 0.2*share)
		for _, m := range misreadings(g.list[k].To.Figure, g.packs) {
			s := g.unit(k, m.off)
			s[k+1] = -m.off
			g.add(column{cause: CountSlip, x: s, fixed: true, events: event, text: m.text, at: k}, 0.5*share*m.chance)
		}
		g.alreadyThere(k, share)
	}
}
