package outlook

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/forecast"
	"countback/projections/parcel"
)

// past gathers, while a fold runs, what orders don't say: print runs, write-offs, and what really left.
type past struct {
	zone  *time.Location
	runs  map[int][]printed
	gone  []moved // written off, given, used up oneself, added to packs and runs by changes
	taken []moved // by packs
}

// printed is a print run: good pieces, and what was there before it.
type printed struct{ good, before num.Qty }

type moved struct {
	item, day int
	qty       num.Qty
}

func (p *past) see(m fold.Movement) {
	switch m.Column {
	case fold.Made:
		if m.Qty.Sign() > 0 && m.Order == "" {
			p.runs[m.Item] = append(p.runs[m.Item], printed{m.Qty, m.OnHand.Sub(m.Qty)})
		}
	case fold.Given, fold.OwnUse, fold.Lost:
		if m.Kind == event.KindDamage {
			p.gone = append(p.gone, moved{m.Item, DayNumber(m.Ms, p.zone), m.Qty})
		}
	case fold.Packed, fold.IntoRuns:
		day := DayNumber(m.Ms, p.zone)
		if m.Column == fold.Packed {
			p.taken = append(p.taken, moved{m.Item, day, m.Qty})
		}
		for _, u := range m.Singles {
			if u.Line.Pack == nil && u.Line.Make == nil {
				p.gone = append(p.gone, moved{m.Item, day, u.Qty.Times(u.Times)})
			}
		}
	}
}

// series is the uses of each item, and whether specs name it.
type series struct {
	uses [][]forecast.Use
	spec []bool // an order's use through goods or specs is in it
	good []bool // … as a good that customers choose
}

// learn turns the orders of a state into the uses of each item and fits the pattern in which they come.
func (o *Outlook) learn(s *fold.State, p *past, ask Ask) *series {
	list := ordersByDay(s, ask.Zone)
	end := o.Today + 1
	from := end
	if len(list) > 0 {
		from = min(list[0].day, end)
	}
	o.Days, o.Orders = end-from, len(list)
	perDay := make([]float64, o.Days)
	x := &series{make([][]forecast.Use, len(s.Items)), make([]bool, len(s.Items)), make([]bool, len(s.Items))}
	r := replay{s: s, seen: map[string]*taken{}}
	for _, at := range list {
		day := at.day - from
		perDay[day]++
		t := r.whole(at.order)
		if t.err != nil {
			o.Unpacked = t.err
		}
		for _, u := range t.use {
			x.add(u.Item, day, u.Qty)
			x.spec[u.Item] = true
		}
		for _, u := range t.goods {
			x.good[u.Item] = true
		}
	}
	x.ratio(ask.Ratio)
	named := r.named()
	only := make([]bool, len(s.Items)) // by options that were said at packing alone
	for _, m := range p.taken {
		if !x.spec[m.item] && named[m.item] && m.day >= from {
			x.add(m.item, m.day-from, m.qty)
			only[m.item] = true
		}
	}
	for _, m := range p.gone {
		if m.day >= from && !only[m.item] {
			x.add(m.item, m.day-from, m.qty)
		}
	}
	for i := range x.uses {
		slices.SortStableFunc(x.uses[i], func(a, b forecast.Use) int { return cmp.Compare(a.Day, b.Day) })
	}
	o.Arrivals = forecast.Arrive(perDay, weekdayOf(from))
	o.Season = season(perDay)
	o.promise(s, &r, list)
	if len(list) == 0 {
		ask.packing(&r)
	}
	return x
}

func (x *series) add(item, day int, qty num.Qty) {
	x.uses[item] = append(x.uses[item], forecast.Use{Day: day, Qty: qty.Float()})
}

func (x *series) ratio(by map[int]float64) {
	for i := range x.uses {
		f, ok := by[i]
		if !ok {
			continue
		}
		for k := range x.uses[i] {
			x.uses[i][k].Qty *= f
		}
	}
}

// seasonDays is the length of the two spans whose orders are compared.
const seasonDays = 56

// season compares, a year ago, the weeks that were then to come with those that had just been. Without a whole year and eight weeks the year's mean stands for
// the latter.
func season(perDay []float64) float64 {
	at := len(perDay) - 365
	if at < 0 || at+seasonDays > len(perDay) {
		return 0
	}
	then := sum(perDay[at:at+seasonDays]) / seasonDays
	before := sum(perDay[max(0, at-seasonDays):at]) / seasonDays
	if at < seasonDays {
		before = sum(perDay[len(perDay)-seasonDays:]) / seasonDays
	}
	if before == 0 {
		return 0
	}
	return then / before
}

func sum(list []float64) (total float64) {
	for _, x := range list {
		total += x
	}
	return total
}

// packing adds, for a shop without any orders, what packing the goods takes that a person expects to sell: as if each went out alone. What the person says of a
// supply stands.
func (a *Ask) packing(r *replay) {
	extra := make([]float64, len(r.s.Items))
	for i := range r.s.Items {
		perDay, ok := a.Guess[i]
		if !ok || r.s.View.Def(i).Type != "good" {
			continue
		}
		for _, u := range r.take(parcel.Job{Units: []parcel.Units{{Item: i, Count: 1}}, First: true, Opening: true}, nil).use {
			extra[u.Item] += float64(perDay * u.Qty.Float())
		}
	}
	for i, perDay := range extra {
		if _, said := a.Guess[i]; !said && perDay > 0 {
			a.Guess[i] = perDay
		}
	}
}

// dated is an order on the day that counts for it.
type dated struct {
	order *fold.Order
	day   int
}

// ordersByDay lists the orders that were placed or packed, in order of day and number. Orders that were reversed and never packed are none.
func ordersByDay(s *fold.State, zone *time.Location) []dated {
	var list []dated
	for _, number := range slices.Sorted(maps.Keys(s.Orders)) {
		o := s.Orders[number]
		if o.Packs == 0 && !o.Open {
			continue
		}
		ms := o.PlacedMs
		if o.Placed.IsZero() {
			ms = o.Packed
		}
		// a pack may stand before its order: what is known now counts, on the last day at the latest
		list = append(list, dated{o, min(DayNumber(ms, zone), DayNumber(s.AsOf, zone))})
	}
	slices.SortStableFunc(list, func(a, b dated) int { return cmp.Compare(a.day, b.day) })
	return list
}

// taken is what an order takes by the specs in force.
type taken struct {
	use   []parcel.Use // goods and packing, prepared items as their parts
	goods []parcel.Use
	err   error
}

// replay puts orders through the packing spec in force. Most orders are like another one, and those are worked out once.
type replay struct {
	s    *fold.State
	seen map[string]*taken
	key  []byte
}

func (r *replay) whole(o *fold.Order) *taken { return r.take(o.Whole(), nil) }

func (r *replay) take(job parcel.Job, supplied []parcel.Use) *taken {
	if len(supplied) > 0 {
		return r.workOut(job, supplied)
	}
	k := jobKey(r.key[:0], job)
	r.key = k
	if t, ok := r.seen[string(k)]; ok {
		return t
	}
	t := r.workOut(job, nil)
	r.seen[string(k)] = t
	return t
}

func (r *replay) workOut(job parcel.Job, supplied []parcel.Use) *taken {
	s := r.s
	t := &taken{}
	goods := make([]parcel.Use, 0, len(job.Units))
	for _, u := range job.Units {
		goods = append(goods, parcel.Use{Item: u.Item, Qty: num.Whole(u.Count)})
	}
	var spec *event.PackSpec
	if now := s.View.Spec(); now != nil {
		spec = now.Data
	}
	res, err := parcel.Resolve(s.Catalog, s.View, spec, job)
	if err != nil {
		t.err = err
	}
	packing, err := parcel.Parts(s.Catalog, s.View, res.Use)
	if err != nil {
		t.err = err
	}
	if t.goods, err = parcel.Parts(s.Catalog, s.View, goods); err != nil {
		t.err = err
	}
	t.goods = less(t.goods, supplied)
	t.use = slices.Clone(t.goods)
	for _, u := range packing {
		k := slices.IndexFunc(t.use, func(g parcel.Use) bool { return g.Item == u.Item })
		if k < 0 {
			t.use = append(t.use, u)
			continue
		}
		t.use[k].Qty = t.use[k].Qty.Add(u.Qty)
	}
	return t
}

// named says of each item whether the packing spec in force has a line for it.
func (r *replay) named() []bool {
	out := make([]bool, len(r.s.Items))
	now := r.s.View.Spec()
	if now == nil {
		return out
	}
	mark := func(lines []event.Line) {
		for i := range lines {
			if it, ok := r.s.Catalog.Find(lines[i].Item); ok {
				r.s.View.Parts(it.Index, num.Whole(1), func(part int, _ num.Qty) { out[part] = true })
			}
		}
	}
	mark(now.Data.Lines)
	for i := range now.Data.Formats {
		mark(now.Data.Formats[i].Lines)
	}
	return out
}

// less takes what runs for an order supplied off what it takes.
func less(goods, supplied []parcel.Use) []parcel.Use {
	out := slices.Clone(goods)
	for _, u := range supplied {
		for i := range out {
			if out[i].Item == u.Item {
				out[i].Qty = num.Max(num.Qty{}, out[i].Qty.Sub(u.Qty))
			}
		}
	}
	return slices.DeleteFunc(out, func(u parcel.Use) bool { return u.Qty.IsZero() })
}

// Orders that are open for longer than nearly all were, and a week, and two weeks in any case, wait for nothing any more.
const (
	openAtLeast = 14
	openBeyond  = 7
)

// promise adds up what open orders will take.
func (o *Outlook) promise(s *fold.State, r *replay, list []dated) {
	var lags []int
	for _, at := range list {
		if q := at.order; q.Packs > 0 && !q.Placed.IsZero() {
			lags = append(lags, max(0, DayNumber(q.Packed, time.UTC)-DayNumber(q.PlacedMs, time.UTC)))
		}
	}
	slices.Sort(lags)
	keep := openAtLeast
	if n := len(lags); n > 0 {
		keep = max(keep, lags[n-1-n/100]+openBeyond)
	}
	need := make([]num.Qty, len(s.Items))
	for _, at := range list {
		if len(at.order.Remaining()) == 0 {
			continue
		}
		if at.order.Packs == 0 && at.day < o.Today-keep {
			o.Stale = append(o.Stale, at.order.Number)
			continue
		}
		for _, u := range r.take(at.order.Rest(), at.order.Supplied()).use {
			need[u.Item] = need[u.Item].Add(u.Qty)
		}
	}
	for i := range o.Items {
		o.Items[i].Promised = need[o.Items[i].Index]
	}
}
