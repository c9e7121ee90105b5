package oracle

import (
	"math/big"
	"slices"
	"sort"

	"countback/ledger/event"
)

// In is what a reference run looks at.
type In struct {
	Events []*event.Event // in any order, of any number of devices
	AsOf   int64          // ms since 1970 UTC: cuts facts after it; 0: no cut
	Known  int64          // ms since 1970 UTC: leaves out what was recorded after it; 0: no cut
	Digits int            // minor units of the shop's currency
}

// Column names one column of the roll-forward.
type Column string

// The columns between opening and closing, in the page's order.
const (
	Opened   Column = "opened"
	Bought   Column = "bought"
	Credited Column = "credited"
	Made     Column = "made"
	Sold     Column = "sold"
	Packed   Column = "packed"
	IntoRuns Column = "into_runs"
	Given    Column = "given"
	OwnUse   Column = "own_use"
	Lost     Column = "lost"
	Gained   Column = "gained"
	Adjusted Column = "adjusted"
)

// Columns lists the columns; Inflow says which of them add to stock, all others are subtracted.
var (
	Columns = []Column{Opened, Bought, Credited, Made, Sold, Packed, IntoRuns, Given, OwnUse, Lost, Gained, Adjusted}
	Inflow  = map[Column]bool{Opened: true, Bought: true, Made: true, Gained: true}
)

// Cost is an amount of the shop's currency under each costing.
type Cost struct{ Average, FIFO *big.Rat }

// Amount is one column's total of one item.
type Amount struct{ Qty, Average, FIFO *big.Rat }

// Layer is a quantity with its value.
type Layer struct{ Qty, Value *big.Rat }

// Item is one item's stock, and how it came to be.
type Item struct {
	ID            string
	OnHand        *big.Rat
	Average, FIFO *big.Rat          // value
	Columns       map[Column]Amount // every column
	Layers        []Layer           // first-in first-out, oldest first
	ShortAverage  []Layer           // shortfalls, oldest first
	ShortFIFO     []Layer
}

// OrderLine is what an order cost of one item: goods, packing and returns netted.
type OrderLine struct {
	Item          string
	Qty           *big.Rat
	Average, FIFO *big.Rat
	Provisional   bool
}

// Order is an order with a pack that moves, or a run.
type Order struct {
	Order, Zone    string
	Packed         int64 // first pack's time, ms; 0 without a pack
	Parcels        int
	Goods, Packing Cost
	Postage        Cost // the same under both costings
	Lines          []OrderLine
}

// Out is what the page says about a ledger.
type Out struct {
	Items   []Item // all but prepared ones, by id
	Orders  []Order
	Void    map[event.ID]string // with the reason; a doubled id whose other event counts is not here
	Pending []event.ID          // packs, in fold order
	OnOrder map[string]*big.Rat // base units, above 0 only
}

// ledger is everything that a run knows while it goes through the events.
type ledger struct {
	in      In
	all     []*event.Event // known ones, one for each id, in fold order
	void    map[event.ID]string
	gone    map[event.ID]bool // reversed, or restating what was reversed
	stocks  map[string]*stock
	orders  map[string]*order
	pending []event.ID
}

// Run works out a ledger's figures.
func Run(in In) Out {
	l := &ledger{in: in, void: map[event.ID]string{}, gone: map[event.ID]bool{}, stocks: map[string]*stock{}, orders: map[string]*order{}}
	l.load()
	l.reversals()
	l.define()
	l.checkFacts()
	for _, id := range l.items() {
		if l.def(id, nil).Type != "prepared" {
			l.stocks[id] = newStock()
		}
	}
	asserts := l.assertions()
	for _, e := range l.all {
		if l.counts(e) {
			l.fold(e, asserts)
		}
	}
	return l.out()
}

// load keeps the known events, of one id the one with the smallest source, in fold order.
func (l *ledger) load() {
	best := map[event.ID]*event.Event{}
	for _, e := range l.in.Events {
		if l.in.Known != 0 && e.ID.Ms() > l.in.Known {
			continue
		}
		b := best[e.ID]
		if b == nil || source(e) < source(b) || source(e) == source(b) && e.Seq < b.Seq {
			best[e.ID] = e
		}
	}
	for _, e := range best {
		l.all = append(l.all, e)
		if e.Fault != nil {
			l.void[e.ID] = "shape"
		}
	}
	sort.Slice(l.all, func(i, j int) bool { return before(l.all[i], l.all[j]) })
}

func source(e *event.Event) string { return "/shop/" + e.Shop + "/device/" + e.Device }

// before is the fold order; an id stands once only, so no two are equal.
func before(a, b *event.Event) bool {
	if a.Time.Ms() != b.Time.Ms() {
		return a.Time.Ms() < b.Time.Ms()
	}
	if a.Kind != b.Kind && rank[a.Kind] != rank[b.Kind] {
		return rank[a.Kind] < rank[b.Kind]
	}
	return a.ID.Compare(b.ID) < 0
}

var rank = map[event.Kind]int{
	event.KindShop: 0, event.KindItem: 0, event.KindRetire: 0, event.KindPackSpec: 0, event.KindMakeSpec: 0, event.KindDevice: 0, event.KindRevoke: 0,
	event.KindOrder: 1, event.KindPurchase: 1,
	event.KindRestock: 2, event.KindCredit: 2,
	event.KindReprint: 3,
	event.KindPack:    4, event.KindDamage: 4,
	event.KindReturn:  5,
	event.KindCount:   6,
	event.KindReverse: 7, event.KindDecide: 7, event.KindClose: 7,
}

var reversible = []event.Kind{event.KindOrder, event.KindPack, event.KindReturn, event.KindPurchase, event.KindRestock, event.KindCredit,
	event.KindReprint, event.KindDamage, event.KindCount, event.KindPackSpec, event.KindMakeSpec, event.KindRetire}

var facts = []event.Kind{event.KindOrder, event.KindPack, event.KindReturn, event.KindPurchase, event.KindRestock, event.KindCredit,
	event.KindReprint, event.KindDamage, event.KindCount}

// find returns the event of an id, or nil.
func (l *ledger) find(id event.ID) *event.Event {
	for _, e := range l.all {
		if e.ID == id {
			return e
		}
	}
	return nil
}

// valid reports whether e is there for others to refer to.
func (l *ledger) valid(e *event.Event) bool {
	return e.Data != nil && l.void[e.ID] == "" && !l.gone[e.ID]
}

// cut reports whether as-of leaves e out.
func (l *ledger) cut(e *event.Event) bool {
	return l.in.AsOf != 0 && e.Time.Ms() > l.in.AsOf && slices.Contains(facts, e.Kind)
}

// counts reports whether e takes part in the fold.
func (l *ledger) counts(e *event.Event) bool { return l.valid(e) && !l.cut(e) }

// reversals marks what is reversed, and what restates something reversed.
func (l *ledger) reversals() {
	for _, e := range l.all {
		d, ok := e.Data.(*event.Reverse)
		if !ok {
			continue
		}
		target := l.find(d.Event)
		switch {
		case target == nil: // it waits
		case !slices.Contains(reversible, target.Kind):
			l.void[e.ID] = "its event can't be reversed"
		default:
			l.gone[target.ID] = true
		}
	}
	for more := true; more; {
		more = false
		for _, e := range l.all {
			if r := restated(e); !l.gone[e.ID] && !r.IsZero() && l.gone[r] && l.find(r) != nil && l.find(r).Kind == e.Kind {
				l.gone[e.ID], more = true, true
			}
		}
	}
}

func (l *ledger) out() Out {
	o := Out{Void: map[event.ID]string{}, Pending: l.pending, OnOrder: l.onOrder()}
	for _, e := range l.all {
		if l.void[e.ID] != "" && !l.gone[e.ID] && !l.cut(e) {
			o.Void[e.ID] = l.void[e.ID]
		}
	}
	for _, id := range keys(l.stocks) {
		o.Items = append(o.Items, l.stocks[id].out(id))
	}
	for _, number := range keys(l.orders) {
		if ord := l.orders[number]; len(ord.moved) > 0 || ord.runs > 0 {
			o.Orders = append(o.Orders, ord.out(number))
		}
	}
	return o
}
