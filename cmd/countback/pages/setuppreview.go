package pages

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/parcel"
)

// specPreview says what the last orders or runs would use and cost under an edited spec, beside the present one. Costs are today's: what is on hand of each item is
// worth, by the shop's costing.
type specPreview struct {
	What      string // "the last 120 packs"
	Rows      []previewRow
	Same      int    // items that don't change
	Now, Then string // cost in all
	Each      string // "order" or "good piece"
	NowEach   string
	ThenEach  string
	Currency  string
	Changed   bool
	Orders    []previewOrder
	Differ    int // orders that differ
	Left      []string
	Why       string // why there is nothing to compare
	Soon      bool   // the last packs are still being looked up; a script asks again
}

type previewRow struct {
	ID, Name, Unit    string
	Now, Then, Change string
	CostNow, CostThen string
	change            num.Money
}

type previewOrder struct {
	Order             string
	ParcelsNow        string
	ParcelsThen       string
	CostNow, CostThen string
	Change            string
	change            num.Money
}

// mostJobs is how many of the last packs, or runs, a spec is tried on.
const (
	mostJobs  = 200
	mostRuns  = 50
	mostShown = 8 // orders that differ most
)

// pastJob is a pack as it was, without the split and the changes of the person who packed it.
type pastJob struct {
	order string
	job   parcel.Job
}

// pastJobs are the last packs that moved, oldest first.
func (l *Look) pastJobs() []pastJob {
	list, _ := once(l, "past packs", func() ([]pastJob, error) {
		var ring []pastJob
		run := l.Run
		run.Pack = func(p fold.PackSeen) {
			j := parcel.Job{Units: slices.Clone(p.Job.Units), Zone: p.Job.Zone, Options: slices.Clone(p.Job.Options), First: p.Job.First, Opening: p.Job.Opening, Joined: p.Job.Joined}
			if ring = append(ring, pastJob{strings.Clone(p.Order), j}); len(ring) > 4*mostJobs {
				ring = slices.Clone(ring[len(ring)-mostJobs:])
			}
		}
		l.Log.Run(run)
		return ring[max(0, len(ring)-mostJobs):], nil
	})
	return list
}

// prices tells what a quantity of an item costs today.
type prices struct {
	state *fold.State
	view  *catalog.View
}

func (p prices) of(item int, q num.Qty) num.Money {
	costing := p.state.Costing()
	a := &p.state.Items[item].Account
	if on := a.OnHand(); on.Sign() > 0 {
		return a.Value()[costing].Part(q, on)
	}
	each, _ := a.UnitCost(p.view.Def(item).UnitCost)
	return each[costing].Times(q)
}

func (p prices) sum(use []parcel.Use) (sum num.Money) {
	for _, u := range use {
		sum = sum.Add(p.of(u.Item, u.Qty))
	}
	return sum
}

// compare fills in the rows and sums of what is used now and would be used then.
func (v *view) compare(p *specPreview, now, then map[int]num.Qty, each num.Qty) {
	l := v.look
	pr := prices{l.State(), l.View}
	digits := l.Log.Digits()
	var sumNow, sumThen num.Money
	seen := map[int]bool{}
	for item := range now {
		seen[item] = true
	}
	for item := range then {
		seen[item] = true
	}
	for item := range seen {
		a, b := now[item], then[item]
		costA, costB := pr.of(item, a), pr.of(item, b)
		sumNow, sumThen = sumNow.Add(costA), sumThen.Add(costB)
		it := l.Catalog.Items[item]
		row := previewRow{
			ID: it.ID, Name: l.View.Def(item).Name, Unit: unitWord(it.Unit()), Now: a.String(), Then: b.String(),
			CostNow: costA.StringFixed(digits), CostThen: costB.StringFixed(digits), change: costB.Sub(costA),
		}
		if d := b.Sub(a); !d.IsZero() {
			row.Change = d.String()
			if d.Sign() > 0 {
				row.Change = "+" + row.Change
			}
			p.Changed = true
		} else {
			p.Same++
		}
		p.Rows = append(p.Rows, row)
	}
	slices.SortFunc(p.Rows, func(a, b previewRow) int {
		return cmp.Or(boolOrder(b.Change != "")-boolOrder(a.Change != ""), b.change.Abs().Cmp(a.change.Abs()), strings.Compare(a.ID, b.ID))
	})
	p.Now, p.Then, p.Currency = sumNow.StringFixed(digits), sumThen.StringFixed(digits), l.Shop.Currency
	if each.Sign() > 0 {
		one := num.Whole(1)
		p.NowEach, p.ThenEach = sumNow.Part(one, each).StringFixed(min(digits+2, 8)), sumThen.Part(one, each).StringFixed(min(digits+2, 8))
	}
}

// tried is what a packing spec makes of one past pack.
type tried struct {
	parcels string
	use     []parcel.Use
	left    []parcel.Units
	cost    num.Money
	err     error
}

// try works out what a spec makes of past packs.
func (l *Look) try(spec *event.PackSpec, jobs []pastJob) []tried {
	pr := prices{l.State(), l.View}
	out := make([]tried, len(jobs))
	for i, j := range jobs {
		r, use, err := l.resolve(spec, j.job)
		out[i] = tried{parcelsText(r), use, r.Left, pr.sum(use), err}
	}
	return out
}

// present is what the spec in force makes of the last packs.
func (l *Look) present() []tried {
	list, _ := once(l, "past packs by the present spec", func() ([]tried, error) {
		var spec *event.PackSpec
		if s := l.View.Spec(); s != nil {
			spec = s.Data
		}
		return l.try(spec, l.pastJobs()), nil
	})
	return list
}

// past looks the last packs up, and what the present spec makes of them.
func (l *Look) past() error {
	l.present()
	return nil
}

// packPreview tries a packing spec, nil for none, on the last packs.
func (v *view) packPreview(spec *event.PackSpec) *specPreview {
	l := v.look
	jobs, before := l.pastJobs(), l.present()
	p := &specPreview{What: theLast(len(jobs), "pack", "packs"), Each: "pack"}
	if len(jobs) == 0 {
		p.Why = "Nothing was packed yet, so there is nothing to try it on."
		return p
	}
	after := before
	if s := l.View.Spec(); s == nil || s.Data != spec {
		after = l.try(spec, jobs)
	}
	digits := l.Log.Digits()
	now, then := map[int]num.Qty{}, map[int]num.Qty{}
	left := set{}
	for i, j := range jobs {
		a, b := &before[i], &after[i]
		if b.err != nil {
			p.Why = "It can't be tried: " + strings.TrimPrefix(b.err.Error(), parcel.ErrVoid.Error()+": ") + "."
			return p
		}
		if a.err != nil {
			continue
		}
		addUse(now, a.use)
		addUse(then, b.use)
		for _, u := range b.left {
			left.add(l.Catalog.Items[u.Item].ID)
		}
		o := previewOrder{Order: j.order, ParcelsNow: a.parcels, ParcelsThen: b.parcels, CostNow: a.cost.StringFixed(digits), CostThen: b.cost.StringFixed(digits), change: b.cost.Sub(a.cost)}
		if o.change.IsZero() && o.ParcelsNow == o.ParcelsThen {
			continue
		}
		if o.Change = o.change.StringFixed(digits); o.change.Sign() > 0 {
			o.Change = "+" + o.Change
		}
		p.Differ++
		p.Orders = append(p.Orders, o)
	}
	slices.SortStableFunc(p.Orders, func(a, b previewOrder) int { return b.change.Abs().Cmp(a.change.Abs()) })
	p.Orders = p.Orders[:min(len(p.Orders), mostShown)]
	p.Left = left.list()
	v.compare(p, now, then, num.Whole(int64(len(jobs))))
	return p
}

func theLast(n int, one, many string) string {
	if n == 1 {
		return "the last " + one
	}
	return "the last " + Count(n, one, many)
}

// resolve is what a spec makes of a pack, prepared pieces as their parts.
func (l *Look) resolve(spec *event.PackSpec, job parcel.Job) (parcel.Result, []parcel.Use, error) {
	r, err := parcel.Resolve(l.Catalog, l.View, spec, job)
	if err != nil {
		return r, nil, err
	}
	use, err := parcel.Parts(l.Catalog, l.View, r.Use)
	return r, use, err
}

func addUse(sum map[int]num.Qty, use []parcel.Use) {
	for _, u := range use {
		sum[u.Item] = sum[u.Item].Add(u.Qty)
	}
}

func parcelsText(r parcel.Result) string {
	count := map[string]int64{}
	var names []string
	for _, p := range r.Parcels {
		if count[p.Format] == 0 {
			names = append(names, p.Format)
		}
		count[p.Format] += p.Times
	}
	for i, n := range names {
		if count[n] > 1 {
			names[i] = fmt.Sprintf("%d × %s", count[n], n)
		}
	}
	if len(names) == 0 {
		return "no parcel"
	}
	return strings.Join(names, ", ")
}

// makePreview tries a make spec, nil for none, on the last runs of an item, or on one of a hundred pieces where there was none.
func (v *view) makePreview(it *catalog.Item, spec *event.MakeSpec) *specPreview {
	l := v.look
	p := &specPreview{Each: "piece"}
	if spec == nil {
		p.Why = "There is no make spec yet: a run uses nothing but what is said with it."
		return p
	}
	var present *event.MakeSpec
	if s := l.View.Make(it.Index); s != nil {
		present = s.Data
	}
	now, then := map[int]num.Qty{}, map[int]num.Qty{}
	var pieces num.Qty
	try := func(n num.Qty, cycles *num.Qty) error {
		for _, x := range []struct {
			spec *event.MakeSpec
			sum  map[int]num.Qty
		}{{present, now}, {spec, then}} {
			use, err := parcel.Run(l.Catalog, l.View, x.spec, n, cycles, nil)
			if err == nil {
				use, err = parcel.Parts(l.Catalog, l.View, use)
			}
			if err != nil {
				return err
			}
			addUse(x.sum, use)
		}
		pieces = pieces.Add(n)
		return nil
	}
	runs := 0
	var err error
	for _, e := range v.allOf(event.KindReprint) {
		d := e.Data.(*event.Reprint)
		if d.Item != it.ID || runs == mostRuns {
			continue
		}
		runs++
		err = errors.Join(err, try(d.Good.Add(*d.Spoiled), d.Cycles))
	}
	p.What = theLast(runs, "print run", "print runs")
	if runs == 0 {
		p.What = "a print run of 100 pieces"
		err = try(num.Whole(100), nil)
	}
	if err != nil {
		p.Why = "It can't be tried: " + strings.TrimPrefix(err.Error(), parcel.ErrVoid.Error()+": ") + "."
		return p
	}
	v.compare(p, now, then, pieces)
	return p
}
