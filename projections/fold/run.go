package fold

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"countback/ledger/catalog"
	"countback/ledger/currency"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/parcel"
)

// Column is one column of the roll-forward, without opening and closing.
type Column uint8

// The columns in the contract's order. Opened, Bought, Made and Gained come in; the others go out, Credited and Adjusted signed.
const (
	Opened Column = iota
	Bought
	Credited
	Made
	Sold
	Packed
	IntoRuns
	Given
	OwnUse
	Lost
	Gained
	Adjusted
	Columns // their number
)

var columnNames = [Columns]string{"opened", "bought", "credited", "made", "sold", "packed", "into_runs", "given", "own_use", "lost", "gained", "adjusted"}

func (c Column) String() string { return columnNames[c] }

// In reports whether the column comes in.
func (c Column) In() bool { return c == Opened || c == Bought || c == Made || c == Gained }

// Entry is a quantity and its value under both costings.
type Entry struct {
	Qty   num.Qty
	Value book.Amounts
}

// Movement is what one event did to one column of one item. On hand and value after it stand in the item's account.
type Movement struct {
	Event  event.ID
	Kind   event.Kind
	Ms     int64
	Order  string // of packs, returns and runs for an order
	Item   int
	Column Column
	Entry
	OnHand  num.Qty      // after it
	Balance book.Amounts // value on hand after it
	Singles []Single     // of what packs and runs used, where the run asks for them; to be read only
}

// Item is the state of one item.
type Item struct {
	Account   book.Account
	Totals    [Columns]Entry
	LastCount int64 // ms of the last count, if Counted
	Counted   bool
	opened    bool // a receipt, make or count stands before
	noCost    bool // a use without a known cost has been noted
	moves     int64
}

// Run says how far to fold, and what to keep and tell on the way.
type Run struct {
	AsOf     int64          // ms; facts after it are left out. 0: none are
	Orders   bool           // keep what each order took, by line
	Observe  func(Movement) // called for every movement, in order; nil: none
	Singles  bool           // movements come with their single uses
	Count    func(Counted)  // called for every count before it moves anything; nil: none
	Pack     func(PackSeen) // called for every pack that moves, before it does; nil: none
	Progress func(done, of int)

	From  *Snapshot       // start after it instead of from nothing; the log must hold what stands behind it
	Marks []int64         // ms, rising: hand over a snapshot of the state before the first event after each
	Mark  func(*Snapshot) // called for every mark behind From that can be taken, and for the end
}

// State is where a fold has come to.
type State struct {
	Items    []Item // by the catalog's index
	Orders   map[string]*Order
	Notices  []Notice
	Catalog  *catalog.Catalog
	View     *catalog.View
	AsOf     int64
	Unknown  map[string]int
	costing  book.Costing
	digits   int
	keep     bool
	observe  func(Movement)
	singles  bool
	counted  func(Counted)
	packing  func(PackSeen)
	told     []Single // of the next movement
	log      *Log
	cur      *rec
	pack     event.Pack
	sessions sessions
	later    *numbers             // orders still to come, once one was asked for
	baskets  []map[string]*basket // of each part, by their bytes
	fresh    []Order              // memory for the next orders
	backs    map[string]bool      // numbers of which something comes back
	cache    packCache
	at       int // index of cur
	mover    *mover
	from     *Snapshot
	marking  bool     // snapshots will be asked for
	maybe    []*Order // while marking, those of which a snapshot may have to tell
}

// Costing is the shop's own.
func (s *State) Costing() book.Costing { return s.costing }

// Digits is the number of minor-unit digits of the shop's currency.
func (s *State) Digits() int { return s.digits }

// Digits is the number of minor-unit digits of the shop's currency, 2 where it is not known.
func (l *Log) Digits() int {
	if d, ok := currency.Digits(l.Catalog.Shop.Currency); ok {
		return d
	}
	return 2
}

// Run folds the log up to an instant. It returns nil only where Run.From names items that the log doesn't know.
func (l *Log) Run(run Run) *State {
	s := &State{
		Items:   make([]Item, len(l.Catalog.Items)),
		Catalog: l.Catalog,
		View:    l.Catalog.Start(),
		AsOf:    run.AsOf,
		Unknown: l.unknown,
		costing: book.ParseCosting(l.Catalog.Shop.Costing),
		digits:  l.Digits(),
		keep:    run.Orders,
		observe: run.Observe,
		singles: run.Singles,
		counted: run.Count,
		packing: run.Pack,
		log:     l,
		from:    run.From,
		marking: run.Mark != nil,
		backs:   map[string]bool{},
	}
	for _, e := range l.events {
		if d, ok := e.Data.(*event.Return); ok {
			s.backs[d.Order] = true
		}
	}
	until := run.AsOf
	if until == 0 {
		until = math.MaxInt64
	}
	s.sessions = s.findSessions(until)
	first, end := 0, len(l.recs)
	if run.From != nil {
		first = sort.Search(end, func(i int) bool { return run.From.Position.Before(l.recs[i].key) })
	}
	s.Orders = make(map[string]*Order, l.orders(first, until))
	if run.From != nil {
		if !s.restore(run.From) {
			return nil
		}
		s.Unknown = run.From.Unknown
	}
	s.startMover()
	defer s.endMover()
	marks := run.Marks
	marked := first // no snapshot before it
	for i := first; i < end; i++ {
		rc := &l.recs[i]
		if rc.key.Ms > until {
			end = i
			break
		}
		for len(marks) > 0 && marks[0] < rc.key.Ms {
			marked = s.mark(run, marked, i)
			marks = marks[1:]
		}
		if run.Progress != nil && i&0xfff == 0 {
			run.Progress(i, len(l.recs))
		}
		if rc.off && rc.kind != isOrder || rc.kind == isSetup || rc.kind == isOther {
			continue
		}
		if s.to(i); !s.aside() {
			s.step()
		}
	}
	s.endMover()
	s.View.To(event.Key{Ms: until, Rank: 255})
	s.mark(run, marked, end)
	s.finish(until)
	return s
}

// to goes to a record, with the definitions that are in force there.
func (s *State) to(at int) {
	s.at, s.cur = at, &s.log.recs[at]
	s.View.To(s.cur.key)
}

// step does what the record says that the state has gone to.
func (s *State) step() {
	if err := s.apply(s.cur); err != nil && !s.cur.off {
		s.note("void", string(s.kind()), plainVoid(err), "record it anew")
	}
}

// orders counts the order events from an index up to an instant.
func (l *Log) orders(first int, until int64) (n int) {
	for i := first; i < len(l.recs) && l.recs[i].key.Ms <= until; i++ {
		if l.recs[i].kind == isOrder {
			n++
		}
	}
	return n
}

// mark hands over a snapshot of what stands before the record at an index, if anything has come since the last one.
func (s *State) mark(run Run, last, at int) int {
	if run.Mark == nil || at <= last {
		return last
	}
	if s.mover != nil {
		s.mover.wait()
	}
	if sn := s.snapshot(at); sn != nil {
		run.Mark(sn)
	}
	return at
}

func plainVoid(err error) string {
	if errors.Is(err, parcel.ErrVoid) {
		return err.Error()[len("void: "):]
	}
	return err.Error()
}

func voidf(format string, args ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{parcel.ErrVoid}, args...)...)
}

func (s *State) apply(rc *rec) error {
	switch rc.kind {
	case isOrder:
		return s.placeOrder(rc)
	case isPack:
		return s.packOrder(rc)
	}
	switch d := s.log.event(rc).Data.(type) {
	case *event.Purchase:
		return s.purchase(d)
	case *event.Restock:
		return s.restock(d)
	case *event.Credit:
		return s.credit(d)
	case *event.Reprint:
		return s.reprint(d)
	case *event.Damage:
		return s.damage(d)
	case *event.Return:
		return s.returned(d)
	case *event.Count:
		return s.count()
	}
	return nil
}

func (s *State) kind() event.Kind {
	switch s.cur.kind {
	case isOrder:
		return event.KindOrder
	case isPack:
		return event.KindPack
	}
	return s.log.event(s.cur).Kind
}

func (s *State) note(topic, about, why string, choices ...string) {
	s.Notices = append(s.Notices, Notice{Event: s.cur.key.ID, Topic: topic, About: about, Why: why, Choices: choices})
}

func (s *State) finish(until int64) {
	for _, n := range s.log.notices {
		if n.from <= until {
			s.Notices = append(s.Notices, n)
		}
	}
	s.Notices = sortNotices(s.Notices)
	s.cache = packCache{}
	s.later, s.baskets = nil, nil
}

// find returns the index of an item that has stock, or an error that makes the event void.
func (s *State) find(id string) (int, error) {
	it, ok := s.Catalog.Find(id)
	if !ok {
		return 0, voidf("item %s is not defined", id)
	}
	return it.Index, nil
}

func (s *State) stocked(id string) (int, error) {
	n, err := s.find(id)
	if err == nil && s.Catalog.Items[n].Prepared() {
		return 0, voidf("item %s is prepared from its parts and has no stock of its own; name the parts", id)
	}
	return n, err
}

// estimate is the item's own unit cost, in force now.
func (s *State) estimate(item int) *num.Money { return s.View.Def(item).UnitCost }

// move books one entry in a column and tells the observer.
func (s *State) move(item int, col Column, qty num.Qty, value book.Amounts, order string) {
	s.moved(item, col, qty, &value, order)
}

func (s *State) moved(item int, col Column, qty num.Qty, value *book.Amounts, order string) {
	it := &s.Items[item]
	it.moves++
	t := &it.Totals[col]
	t.Qty = t.Qty.Add(qty)
	t.Value.Raise(value)
	if s.observe != nil {
		s.tell(item, col, Entry{qty, *value}, order)
	}
}

func (s *State) tell(item int, col Column, e Entry, order string) {
	acc := &s.Items[item].Account
	s.observe(Movement{
		Event: s.cur.key.ID, Kind: s.kind(), Ms: s.cur.key.Ms, Order: order,
		Item: item, Column: col, Entry: e,
		OnHand: acc.OnHand(), Balance: acc.Value(), Singles: s.told,
	})
}

func (s *State) adjust(item int, adjusted book.Amounts, order string) {
	if !adjusted.IsZero() {
		s.move(item, Adjusted, num.Qty{}, adjusted, order)
	}
}

// issue takes n out of an item's stock and says when no cost was known.
func (s *State) issue(item int, n num.Qty) book.Issued {
	out := s.Items[item].Account.Issue(n, s.estimate(item))
	if out.NoCost {
		s.noCost(item)
	}
	return out
}

// noCost says once for each item that it was used at no cost.
func (s *State) noCost(item int) {
	if s.Items[item].noCost {
		return
	}
	s.Items[item].noCost = true
	id := s.Catalog.Items[item].ID
	s.note("no_cost", id, "nothing says yet what "+id+" costs: it counts as 0 until a restock, or an estimate, says so", "countback item "+id+" --unit-cost AMOUNT")
}

func (s *State) damage(d *event.Damage) error {
	n, err := s.find(d.Item)
	if err != nil {
		return err
	}
	qty, ok := s.View.Units(n, d.Qty, d.Measure, "")
	if !ok {
		return voidf("item %s has no %s", d.Item, d.Measure)
	}
	uses, err := parcel.Parts(s.Catalog, s.View, []parcel.Use{{Item: n, Qty: qty}})
	if err != nil {
		return err
	}
	col := Lost
	switch d.Reason {
	case "sample", "gift":
		col = Given
	case "own_use":
		col = OwnUse
	}
	for _, u := range uses {
		out := s.issue(u.Item, u.Qty)
		s.move(u.Item, col, u.Qty, out.Cost, "")
	}
	return nil
}

func (s *State) reprint(d *event.Reprint) error {
	made, err := s.stocked(d.Item)
	if err != nil {
		return err
	}
	var spec *event.MakeSpec
	if now := s.View.Make(made); now != nil {
		spec = now.Data
	}
	if !d.Spec.IsZero() {
		var ok bool
		if spec, ok = s.View.NamedMake(made, d.Spec); !ok {
			return voidf("make spec %s isn't there, or is of another item", d.Spec)
		}
	}
	n := d.Good.Add(*d.Spoiled)
	var each singles
	var tell func(parcel.Single)
	if s.singles {
		each = singles{c: s.Catalog, v: s.View}
		tell = each.tell(Line{Make: spec})
	}
	use, err := parcel.Run(s.Catalog, s.View, spec, n, d.Cycles, tell)
	if err != nil {
		return err
	}
	use, below, err := parcel.Apply(s.Catalog, s.View, use, d.Changes)
	if err != nil {
		return err
	}
	if use, err = parcel.Parts(s.Catalog, s.View, use); err != nil {
		return err
	}
	s.belowZero(below)
	var cost book.Amounts
	provisional := false
	for _, u := range use {
		out := s.issue(u.Item, u.Qty)
		cost = cost.Add(out.Cost)
		provisional = provisional || out.Provisional
		if s.singles {
			s.told = each.of(u.Item, u.Qty, false)
		}
		s.move(u.Item, IntoRuns, u.Qty, out.Cost, d.Order)
	}
	s.told = nil
	if d.Order != "" {
		s.orderOf(d.Order).suppliedBy(s, made, *d.Good, cost, provisional)
		return nil
	}
	loss := abnormal(cost, *d.Good, *d.Spoiled, spec)
	it := &s.Items[made]
	var adjusted book.Amounts
	if d.Good.Sign() > 0 {
		adjusted = it.Account.Receive(*d.Good, cost.Sub(loss), s.cur.key.ID)
		it.opened = true
	}
	s.move(made, Made, *d.Good, cost, "")
	if !loss.IsZero() {
		s.move(made, Lost, num.Qty{}, loss, "")
	}
	s.adjust(made, adjusted, "")
	return nil
}

// abnormal is the cost of the pieces spoiled beyond what is normal, cost·a/n with a = max(0, spoiled - normal·n), which IAS 2 (paragraph
// 16) keeps out of the cost of what was made. With no good piece it is the whole cost.
func abnormal(cost book.Amounts, good, spoiled num.Qty, spec *event.MakeSpec) book.Amounts {
	if good.IsZero() {
		return cost
	}
	n := good.Add(spoiled)
	var normal num.Qty
	if spec != nil && spec.NormalSpoilage != nil {
		normal = *spec.NormalSpoilage
	}
	return shareAbove(cost, spoiled, normal, n)
}

func (s *State) belowZero(items []int) {
	for _, i := range items {
		id := s.Catalog.Items[i].ID
		s.note("below_zero", id, "the changes take more of "+id+" away than the spec uses; 0 was used", "reverse it and record it anew if that is wrong")
	}
}
