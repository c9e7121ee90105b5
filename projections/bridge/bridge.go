package bridge

import (
	"cmp"
	"math/big"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
)

// The names of the parts, in the order in which a bridge lists them.
const (
	Receipts       = "receipts"
	OrderVolume    = "order_volume"
	OrderMix       = "order_mix"
	SpecChange     = "spec_change"
	PackingChanges = "packing_changes"
	Returns        = "returns"
	PrintRuns      = "print_runs"
	WriteOffs      = "write_offs"
	Unknown        = "unknown"
	Price          = "price" // in money alone
)

// Sub is a line below a part.
type Sub struct {
	Name   string
	Qty    num.Qty
	Events []event.ID
}

// Part is one part of a bridge. Below 0 it made stock smaller than was expected.
type Part struct {
	Name   string
	Qty    num.Qty
	Value  book.Amounts
	Events []event.ID
	Sub    []Sub
}

// Bridge is the way from what was expected to what was, in base units and money.
type Bridge struct {
	Window
	Item        int
	Opening     num.Qty
	ExpectedIn  num.Qty
	ExpectedOut num.Qty
	ActualOut   num.Qty // what left in whatever way, returns netted and what counts found missing included: opening + what came in - actual
	Expected    num.Qty // on hand at the end
	Actual      num.Qty
	Parts       []Part // all but price, in their order
	Price       book.Amounts

	ExpectedValue, ActualValue book.Amounts
	UnitCost                   book.Amounts // where the window begins

	Orders         int    // first packed in the window
	BaselineOrders int    // in the baseline
	BaselineMs     int64  // its length
	Why            string // why nothing is expected; empty where something is
	CountedTo      int64  // ms of the last count in the window, 0: there is none, and nothing is known to be unknown
	Early          *big.Rat
	costing        book.Costing
}

const (
	baselineDays = 90
	leastDays    = 14
	leastOrders  = 20
)

// Of works out the bridge of an item over a window. zone is the shop's: purchases are due at the start of a day.
func (r *Record) Of(item int, w Window, zone *time.Location) Bridge {
	b := builder{r: r, item: item, Bridge: Bridge{Window: w, Item: item, costing: r.State.Costing()}}
	b.window()
	b.baseline()
	b.expect(zone)
	b.parts()
	b.money()
	b.early()
	return b.Bridge
}

// builder holds a bridge on its way.
type builder struct {
	Bridge
	r    *Record
	item int
	in   []fold.Movement // inside the window
	base []fold.Movement // inside the baseline
	s0   *revision

	packs, before []pack
	due           []event.ID // purchases that should have come
	baseRuns      *big.Rat   // of print runs, a ms: good, normal and abnormal pieces together
	baseKinds     [3]*big.Rat
	bought        num.Qty
}

func ratOf(q num.Qty) *big.Rat {
	n, ok := q.Scaled()
	if !ok {
		x, _ := new(big.Rat).SetString(q.String())
		return x
	}
	return big.NewRat(n, 1_000_000)
}

// rounded rounds once, half to even, to 6 places.
func rounded(x *big.Rat) num.Qty {
	n := new(big.Int).Mul(x.Num(), big.NewInt(1_000_000))
	rest := new(big.Int)
	n.QuoRem(n, x.Denom(), rest)
	twice := new(big.Int).Lsh(new(big.Int).Abs(rest), 1)
	if c := twice.Cmp(x.Denom()); c > 0 || c == 0 && n.Bit(0) == 1 {
		n.Add(n, big.NewInt(int64(x.Sign())))
	}
	if n.IsInt64() {
		return num.QtyMillionths(n.Int64())
	}
	high, low := new(big.Int).QuoRem(n, big.NewInt(1_000_000_000_000_000), new(big.Int)) // beyond 64 bits by sums of what was entered: put together from two halves
	return num.Whole(high.Int64()).Times(num.Whole(1_000_000_000)).Add(num.QtyMillionths(low.Int64()))
}

// window gathers what moved inside the window and what was there before.
func (b *builder) window() {
	list := b.r.moves[b.item]
	for i := range list {
		switch k := keyOf(&list[i]); {
		case !b.From.Before(k):
			b.Opening = list[i].OnHand
			b.Actual, b.ActualValue = list[i].OnHand, list[i].Balance
		case !b.To.Before(k):
			b.in = append(b.in, list[i])
			b.Actual, b.ActualValue = list[i].OnHand, list[i].Balance
			if list[i].Kind == event.KindCount {
				b.CountedTo = list[i].Ms
			}
		}
	}
	b.packs = b.r.between(b.From, b.To)
	for i := range b.packs {
		if b.packs[i].first {
			b.Orders++
		}
	}
}

// baseline finds the time before the window that the expectation goes by.
func (b *builder) baseline() {
	from := b.FromMs - baselineDays*day
	if b.r.Begun > from {
		from = b.r.Begun
	}
	b.BaselineMs = max(0, b.FromMs-from)
	begins := event.Key{Ms: from - 1, Rank: 255, ID: lastID}
	b.before = b.r.between(begins, b.From)
	for i := range b.before {
		if b.before[i].first {
			b.BaselineOrders++
		}
	}
	list := b.r.moves[b.item]
	for i := range list {
		if k := keyOf(&list[i]); begins.Before(k) && !b.From.Before(k) {
			b.base = append(b.base, list[i])
		}
	}
	switch {
	case b.BaselineMs < leastDays*day:
		b.Why = "less than 14 days of history lie before it"
	case b.BaselineOrders < leastOrders:
		b.Why = "fewer than 20 orders were packed in the 90 days before it"
	}
	if b.Why == "" {
		b.s0 = b.r.known(b.From)
	}
}

// kindsOf divides what a print run used among good pieces, normal and abnormal spoilage.
func (r *Record) kindsOf(m *fold.Movement) [3]*big.Rat {
	out := [3]*big.Rat{ratOf(m.Qty), new(big.Rat), new(big.Rat)}
	e, ok := r.Log.Event(m.Event)
	if !ok {
		return out
	}
	d, ok := e.Data.(*event.Reprint)
	if !ok {
		return out
	}
	good, spoiled := ratOf(*d.Good), ratOf(*d.Spoiled)
	n := new(big.Rat).Add(good, spoiled)
	if n.Sign() == 0 {
		return out
	}
	normal := new(big.Rat)
	if it, ok := r.Log.Catalog.Find(d.Item); ok {
		v := r.Log.Catalog.At(e.Key())
		var spec *event.MakeSpec
		if mk := v.Make(it.Index); mk != nil {
			spec = mk.Data
		}
		if !d.Spec.IsZero() {
			if named, ok := v.NamedMake(it.Index, d.Spec); ok {
				spec = named
			}
		}
		if spec != nil && spec.NormalSpoilage != nil {
			normal.Mul(ratOf(*spec.NormalSpoilage), n)
		}
	}
	if normal.Cmp(spoiled) > 0 {
		normal.Set(spoiled)
	}
	each := new(big.Rat).Quo(out[0], n)
	abnormal := new(big.Rat).Sub(spoiled, normal)
	out[1].Mul(normal, each)
	out[2].Mul(abnormal, each)
	out[0].Sub(out[0], out[1]).Sub(out[0], out[2])
	return out
}

// parts works out all parts but price.
func (b *builder) parts() {
	actual := b.total(b.packs, nil)
	volume, mix, spec := b.steps(actual)
	receipts := b.receipts()
	changes := b.packingChanges()
	returns := b.simple(Returns, func(m *fold.Movement) bool { return m.Column == fold.Sold && m.Qty.Sign() < 0 })
	runs := b.printRuns()
	offs := b.writeOffs()
	unknown := b.simple(Unknown, func(m *fold.Movement) bool {
		return m.Kind == event.KindCount && (m.Column == fold.Lost || m.Column == fold.Gained)
	})
	b.Parts = []Part{receipts, volume, mix, spec, changes, returns, runs, offs, unknown}
	rest := b.Actual.Sub(b.Expected)
	for _, p := range b.Parts {
		rest = rest.Sub(p.Qty)
	}
	b.Parts[1].Qty = b.Parts[1].Qty.Add(rest) // what rounding left
	b.ActualOut = b.Opening.Add(b.bought).Sub(b.Actual)
}

// steps divides the step in what orders took by their number, their mix and the specs.
func (b *builder) steps(actual num.Qty) (volume, mix, spec Part) {
	volume, mix, spec = Part{Name: OrderVolume}, Part{Name: OrderMix}, Part{Name: SpecChange}
	for i := range b.packs {
		volume.Events = append(volume.Events, b.packs[i].key.ID)
	}
	if b.Why != "" {
		volume.Qty = actual.Neg()
		return volume, mix, spec
	}
	mix.Events = volume.Events
	n0, n1 := b.n0(), big.NewRat(int64(b.Orders), 1)
	if b.Orders == 0 && len(b.packs) > 0 { // only the rest of orders, and what was sent again: each counts as an order
		n1.SetInt64(int64(len(b.packs)))
	}
	var u [2][2]*big.Rat // by mix and spec
	u[0][0] = b.mean(b.before, b.BaselineOrders, b.s0)
	u[0][1], u[1][0], u[1][1] = u[0][0], u[0][0], u[0][0]
	if len(b.packs) > 0 {
		u[0][1] = b.weighted()
		u[1][0] = new(big.Rat).Quo(ratOf(b.total(b.packs, b.s0)), n1)
		u[1][1] = new(big.Rat).Quo(ratOf(actual), n1)
		spec.Events = b.specs()
	}
	f := func(n, m, s int) *big.Rat { return new(big.Rat).Mul([2]*big.Rat{n0, n1}[n], u[m][s]) }
	volume.Qty = rounded(shapley(f, func(k, a, c int) (int, int, int) { return k, a, c }))
	mix.Qty = rounded(shapley(f, func(k, a, c int) (int, int, int) { return a, k, c }))
	spec.Qty = rounded(shapley(f, func(k, a, c int) (int, int, int) { return a, c, k }))
	return volume, mix, spec
}

// shapley is minus one factor's share of the step of f from (0, 0, 0) to (1, 1, 1): the mean over the six orders of what it changes when its turn comes. place puts
// the factor's own value and those of the two others in f's order.
func shapley(f func(n, m, s int) *big.Rat, place func(own, a, b int) (int, int, int)) *big.Rat {
	sum := new(big.Rat)
	for _, x := range []struct {
		a, b   int
		orders int64 // of six, in which the others stand like this
	}{{0, 0, 2}, {1, 0, 1}, {0, 1, 1}, {1, 1, 2}} {
		step := new(big.Rat).Sub(f(place(0, x.a, x.b)), f(place(1, x.a, x.b)))
		sum.Add(sum, step.Mul(step, big.NewRat(x.orders, 6)))
	}
	return sum
}

// weighted is U(M0, S1): each revision counts by its share of the window's packs.
func (b *builder) weighted() *big.Rat {
	share := map[int32]int64{}
	var revs []int32
	for i := range b.packs {
		v := b.packs[i].rev
		if share[v] == 0 {
			revs = append(revs, v)
		}
		share[v]++
	}
	sum := new(big.Rat)
	for _, v := range revs {
		x := b.mean(b.before, b.BaselineOrders, b.r.revs[v])
		sum.Add(sum, x.Mul(x, big.NewRat(share[v], int64(len(b.packs)))))
	}
	return sum
}

// specs are the events that made the specs of the window what they are, as far as they aren't those of its beginning.
func (b *builder) specs() []event.ID {
	var out []event.ID
	add := func(id event.ID, at event.Key) {
		if b.From.Before(at) && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	b.r.Log.Events(func(e *event.Event, reversed bool) {
		if reversed || b.r.Log.Catalog.Void[e.ID] != "" {
			return
		}
		switch d := e.Data.(type) {
		case *event.PackSpec:
			if !d.Restates.IsZero() || !b.To.Before(e.Key()) {
				add(e.ID, e.Key())
			}
		case *event.Item:
			if len(d.Parts) > 0 || len(d.Measures) > 0 || d.Points != nil || d.Class != "" {
				if !d.Restates.IsZero() || !b.To.Before(e.Key()) {
					add(e.ID, e.Key())
				}
			}
		}
	})
	return out
}

// receipts is what came in beside what should have.
func (b *builder) receipts() Part {
	p := Part{Name: Receipts, Qty: b.ExpectedIn.Neg()}
	sub := func(name string, m *fold.Movement, qty num.Qty) {
		if qty.IsZero() {
			return
		}
		p.Qty = p.Qty.Add(qty)
		b.bought = b.bought.Add(qty)
		p.Events = appendOnce(p.Events, m.Event)
		p.Sub = addSub(p.Sub, name, qty, m.Event)
	}
	for i := range b.in {
		switch m := &b.in[i]; m.Column {
		case fold.Bought:
			sub("received", m, m.Qty)
		case fold.Made:
			sub("made", m, m.Qty)
		case fold.Credited:
			sub("sent back", m, m.Qty.Neg())
		case fold.Opened:
			sub("found at the first count", m, m.Qty)
		}
	}
	if !b.ExpectedIn.IsZero() {
		var events []event.ID
		if !b.Box.IsZero() {
			events = append(events, b.Box)
		}
		events = append(events, b.due...)
		p.Sub = append(p.Sub, Sub{"expected", b.ExpectedIn.Neg(), events})
		for _, id := range b.due {
			p.Events = appendOnce(p.Events, id)
		}
	}
	return p
}

func appendOnce(list []event.ID, id event.ID) []event.ID {
	if n := len(list); n > 0 && list[n-1] == id || slices.Contains(list, id) {
		return list
	}
	return append(list, id)
}

func addSub(list []Sub, name string, qty num.Qty, id event.ID) []Sub {
	i := slices.IndexFunc(list, func(s Sub) bool { return s.Name == name })
	if i < 0 {
		i = len(list)
		list = append(list, Sub{Name: name})
	}
	list[i].Qty = list[i].Qty.Add(qty)
	list[i].Events = appendOnce(list[i].Events, id)
	return list
}

// packingChanges is what packs took beside what their specs say.
func (b *builder) packingChanges() Part {
	p := Part{Name: PackingChanges}
	k := 0
	for i := range b.packs {
		at := &b.packs[i]
		var took num.Qty
		for ; k < len(b.in) && !at.key.Before(keyOf(&b.in[k])); k++ {
			if m := &b.in[k]; m.Event == at.key.ID && (m.Column == fold.Sold || m.Column == fold.Packed) {
				took = took.Add(m.Qty)
			}
		}
		if diff := b.r.of(at, b.r.was(at), b.item).Sub(took); !diff.IsZero() {
			p.Qty = p.Qty.Add(diff)
			p.Events = append(p.Events, at.key.ID)
		}
	}
	return p
}

// simple is a part that the records hold as it is, with nothing expected of it.
func (b *builder) simple(name string, is func(*fold.Movement) bool) Part {
	p := Part{Name: name}
	for i := range b.in {
		m := &b.in[i]
		if name == Unknown && m.Kind == event.KindCount && m.Column != fold.Opened {
			p.Events = appendOnce(p.Events, m.Event) // a count that agrees says something too
		}
		if !is(m) || m.Qty.IsZero() {
			continue
		}
		qty := m.Qty
		if !m.Column.In() {
			qty = qty.Neg()
		}
		p.Qty = p.Qty.Add(qty)
		p.Events = appendOnce(p.Events, m.Event)
	}
	return p
}

// printRuns is what print runs used beside the baseline's use a day, good pieces, normal and abnormal spoilage apart.
func (b *builder) printRuns() Part {
	p := Part{Name: PrintRuns}
	var kinds [3]*big.Rat
	var total num.Qty
	length := big.NewRat(b.length(), 1)
	for k := range kinds {
		kinds[k] = new(big.Rat).Mul(b.baseKinds[k], length)
	}
	whole := new(big.Rat).Mul(b.baseRuns, length)
	var events [3][]event.ID
	for i := range b.in {
		m := &b.in[i]
		if m.Column != fold.IntoRuns || m.Qty.IsZero() {
			continue
		}
		total = total.Add(m.Qty)
		p.Events = append(p.Events, m.Event)
		for k, x := range b.r.kindsOf(m) {
			if x.Sign() != 0 {
				events[k] = append(events[k], m.Event)
			}
			kinds[k].Sub(kinds[k], x)
		}
	}
	p.Qty = rounded(whole.Sub(whole, ratOf(total)))
	rest := p.Qty
	for k, name := range [3]string{"good pieces", "normal spoilage", "abnormal spoilage"} {
		q := rounded(kinds[k])
		if q.IsZero() && len(events[k]) == 0 {
			continue
		}
		rest = rest.Sub(q)
		p.Sub = append(p.Sub, Sub{name, q, events[k]})
	}
	if len(p.Sub) > 0 {
		p.Sub[0].Qty = p.Sub[0].Qty.Add(rest)
	}
	return p
}

// writeOffs is what was written off, given away or taken for own use, by reason.
func (b *builder) writeOffs() Part {
	p := Part{Name: WriteOffs}
	for i := range b.in {
		m := &b.in[i]
		if m.Kind != event.KindDamage || m.Qty.IsZero() {
			continue
		}
		reason := "other"
		if e, ok := b.r.Log.Event(m.Event); ok {
			if d, ok := e.Data.(*event.Damage); ok {
				reason = d.Reason
			}
		}
		p.Qty = p.Qty.Sub(m.Qty)
		p.Events = append(p.Events, m.Event)
		p.Sub = addSub(p.Sub, reason, m.Qty.Neg(), m.Event)
	}
	slices.SortFunc(p.Sub, func(x, y Sub) int { return cmp.Compare(x.Name, y.Name) })
	return p
}

// Prices lists the receipts of the window, which moved the price.
func (b *Bridge) Prices() []event.ID {
	for i := range b.Parts {
		if b.Parts[i].Name == Receipts {
			var out []event.ID
			for _, s := range b.Parts[i].Sub {
				if s.Name != "expected" {
					out = append(out, s.Events...)
				}
			}
			return out
		}
	}
	return nil
}

// Part returns the part of a name.
func (b *Bridge) Part(name string) *Part {
	i := slices.IndexFunc(b.Parts, func(p Part) bool { return p.Name == name })
	if i < 0 {
		return nil
	}
	return &b.Parts[i]
}
