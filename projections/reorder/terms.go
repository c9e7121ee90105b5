package reorder

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/forecast"
)

// Terms is what a person asks for.
type Terms struct {
	Service   float64    // share of cases in which stock is to last until the goods come, from 0.5 to 0.999
	Cover     int        // days for which to buy, after the goods came
	OrderCost *num.Money // of placing an order; nil: economic quantities aren't asked for
	Holding   float64    // yearly cost of holding, as a share of the goods' cost
	Lead      int        // days assumed where nothing says how long a delivery takes; 0: none
}

// The usual terms.
const (
	UsualService = 0.95
	UsualCover   = 56
)

// Paths is how many paths of a simulation a service level asks for: so that ten of them lie beyond it, within reason.
func Paths(service float64) int {
	return min(max(int(math.Ceil(10/(1-service))), 500), 3000)
}

// lead is how long a delivery takes, in days.
type lead struct {
	usual, most int
	from        string // item, deliveries, assumed; empty: it isn't known
}

// printing is the lead time of what is made here.
var printing = lead{1, 1, "printed here"}

// by is the last day ahead on which an order comes in time in a share of cases; false if it lies beyond what was looked at. It may be before today.
func (l lead) by(out forecast.RunOut, service float64) (day int, ok bool) {
	late := func(day int) float64 {
		sum, weight := 0.0, 0.0
		for k := l.usual; k <= l.most; k++ {
			w := float64(l.most - k + 1)
			sum += float64(w * out.By(day+k-1))
			weight += w
		}
		return sum / weight
	}
	risk := 1 - service + 1e-12
	day = -l.most
	if late(out.Horizon-l.most) <= risk {
		return 0, false
	}
	for late(day+1) <= risk {
		day++
	}
	return day, true
}

// bought is how an item was last bought.
type bought struct {
	units    num.Qty   // of the line, in base units
	money    num.Money // the line's landed cost
	pack     string
	supplier string
}

// buying is what past deliveries say.
type buying struct {
	last  map[int]bought
	leads map[string]lead // by supplier
}

func pastBuying(l *fold.Log, asOf int64) buying {
	b := buying{map[int]bought{}, map[string]lead{}}
	view := l.Catalog.Start()
	placed := map[event.ID]int64{}
	came := map[event.ID]bool{}
	days := map[string][]int{}
	l.Events(func(e *event.Event, reversed bool) {
		if reversed || e.Time.Ms() > asOf {
			return
		}
		view.To(e.Key())
		switch d := e.Data.(type) {
		case *event.Purchase:
			placed[e.ID] = e.Time.Ms()
		case *event.Restock:
			b.delivery(l, view, d)
			at, ok := placed[d.Purchase]
			if ok && !came[d.Purchase] && d.Supplier != "" && e.Time.Ms() >= at {
				came[d.Purchase] = true
				days[d.Supplier] = append(days[d.Supplier], int((e.Time.Ms()-at+12*3600_000)/86400_000))
			}
		}
	})
	for supplier, list := range days {
		slices.Sort(list)
		b.leads[supplier] = lead{list[len(list)/2], list[len(list)-1], "deliveries"}
	}
	return b
}

func (b *buying) delivery(l *fold.Log, view *catalog.View, d *event.Restock) {
	costs, ok := landed.Costs(d, l.Digits())
	if !ok {
		return
	}
	for i, line := range d.Lines {
		it, ok := l.Catalog.Find(line.Item)
		if !ok || it.Prepared() {
			continue
		}
		units, ok := view.Units(it.Index, *line.Qty, "", line.Pack)
		if !ok || units.Sign() <= 0 {
			continue
		}
		b.last[it.Index] = bought{money: costs[i], units: units, pack: line.Pack, supplier: d.Supplier}
	}
}

// lead finds how long a delivery of an item takes.
func (b *buying) lead(def *catalog.Def, supplier string, t Terms) lead {
	if def.LeadDays != nil {
		l := lead{*def.LeadDays, *def.LeadDays, "item"}
		if def.LeadDaysMax != nil {
			l.most = max(l.usual, *def.LeadDaysMax)
		}
		return l
	}
	if def.LeadDaysMax != nil {
		return lead{*def.LeadDaysMax, *def.LeadDaysMax, "item"}
	}
	if l, ok := b.leads[supplier]; ok && supplier != "" {
		return l
	}
	if t.Lead > 0 {
		return lead{t.Lead, t.Lead, "assumed"}
	}
	return lead{}
}

// packOf is the pack in which to buy: the one last bought, else the smallest; each is its base units. An item without packs is bought by the base unit.
func (b *buying) packOf(s *fold.State, item int, def *catalog.Def) (name string, each num.Qty) {
	if last := b.last[item]; last.pack != "" {
		if n, ok := s.View.Unit(item, "pack", last.pack); ok {
			return last.pack, n
		}
	}
	for _, p := range sortedKeys(def.Packs) {
		if n := def.Packs[p]; name == "" || n.Less(each) {
			name, each = p, n
		}
	}
	if name == "" {
		each = num.Whole(1)
	}
	return name, each
}

func sortedKeys(m map[string]num.Qty) []string {
	list := make([]string, 0, len(m))
	for k := range m { // sorted below
		list = append(list, k)
	}
	slices.SortFunc(list, strings.Compare)
	return list
}

// dateText writes a day number as in 2026-05-02.
func dateText(day int) string { return time.Unix(int64(day)*86400, 0).UTC().Format("2006-01-02") }

// byCover orders lines by the median run-out, then the early one, then the id.
func byCover(a, b *Item) int {
	return cmp.Or(cmp.Compare(a.P50, b.P50), cmp.Compare(a.P10, b.P10), strings.Compare(a.Item, b.Item))
}
