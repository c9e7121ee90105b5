package fold

import (
	"slices"
	"strings"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/parcel"
)

// Order is what a fold knows of one order number.
type Order struct {
	Number  string
	Zone    string // of the last pack that moved
	Packed  int64  // ms of the first pack that moved, if Packs > 0
	Packs   int    // that moved
	Parcels int64
	Goods   book.Amounts
	Packing book.Amounts
	Postage num.Money
	Lines   []OrderLine // by item, if the run keeps them
	Runs    int         // print runs for the order
	Pending []event.ID  // packs that wait for a decision

	Placed   event.ID // the order event that holds; zero if none does
	PlacedMs int64
	Open     bool // placed, not reversed

	placed  placed
	rare    *rare // nil for most orders
	whole   bool  // packed is exactly what was placed: used() is the same list
	parcels bool  // a parcel went
	listed  bool  // in the state's maybe
}

// rare is what few orders have. There may be millions of orders, and each byte of one counts.
type rare struct {
	reversed placed  // where nothing else is known
	used     []goods // packed, if that isn't the whole as placed
	takes    []take
	supplied []goods
	past     []packed
}

var nothing rare

// seen returns what is rare, to be read only; more what may be changed.
func (o *Order) seen() *rare {
	if o.rare == nil {
		return &nothing
	}
	return o.rare
}

func (o *Order) more() *rare {
	if o.rare == nil {
		o.rare = new(rare)
	}
	return o.rare
}

// used is what packs that moved held, resends left out.
func (o *Order) used() []goods {
	if o.whole {
		return o.placed.lines
	}
	return o.seen().used
}

// use adds what a pack held.
func (o *Order) use(lines []goods) {
	if len(o.used()) == 0 && o.placed.basket != nil && len(lines) > 0 && len(lines) == len(o.placed.lines) && &lines[0] == &o.placed.lines[0] {
		o.whole = true
		return
	}
	m := o.more()
	if o.whole {
		m.used, o.whole = slices.Clone(o.placed.lines), false
	}
	for _, l := range lines {
		m.used = addGoods(m.used, l.item, l.qty)
	}
}

// OrderLine is what an order took of one item; returns are netted.
type OrderLine struct {
	Item        int
	Qty         num.Qty
	Cost        book.Amounts
	Provisional bool
}

// placed is an order as placed.
type placed struct {
	id      event.ID
	ms      int64
	*basket // nil: it isn't known
}

// basket is what an order is for. Orders that say the same share one; it never changes.
type basket struct {
	zone    string
	lines   []goods
	options []string
}

type goods struct {
	item int
	qty  num.Qty
}

// take is what one pack took of one good from stock, or what is left of it after returns.
type take struct {
	item int
	qty  num.Qty
	cost book.Amounts
}

// packed is a pack that moved, as far as doubles are recognised by it.
type packed struct {
	dev   uint16
	ms    int64
	lines []goods
}

func (s *State) orderOf(number string) *Order {
	if o, ok := s.Orders[number]; ok {
		return o
	}
	return s.newOrder(strings.Clone(number))
}

func (s *State) orderAt(number []byte) *Order {
	if o, ok := s.Orders[string(number)]; ok { // the compiler makes no text of it
		return o
	}
	return s.newOrder(string(number))
}

const orderBlock = 64

func (s *State) newOrder(number string) *Order {
	if len(s.fresh) == 0 {
		s.fresh = make([]Order, orderBlock)
	}
	o := &s.fresh[0]
	s.fresh = s.fresh[1:]
	o.Number = number
	s.Orders[number] = o
	s.list(o)
	return o
}

// list keeps an order in mind for the next snapshot.
func (s *State) list(o *Order) {
	if s.marking && !o.listed {
		o.listed = true
		s.maybe = append(s.maybe, o)
	}
}

// unfinished reports whether later packs may still build on what the order is: nothing has left yet, or not all.
func (o *Order) unfinished() bool { return o.Packs == 0 || o.Open && !o.complete() }

// complete reports whether the order was placed and all of it is packed. It then stays so.
func (o *Order) complete() bool {
	if !o.Open || o.placed.basket == nil {
		return false
	}
	for _, l := range o.placed.lines {
		if sumOf(o.used(), l.item).Less(l.qty) {
			return false
		}
	}
	return true
}

// Remaining returns what was placed and not yet packed, by item; empty if nothing is.
func (o *Order) Remaining() []parcel.Use {
	var out []parcel.Use
	if !o.Open {
		return nil
	}
	for _, l := range o.placed.lines {
		if left := l.qty.Sub(sumOf(o.used(), l.item)); left.Sign() > 0 {
			out = append(out, parcel.Use{Item: l.item, Qty: left})
		}
	}
	return out
}

// PlacedLines returns the lines as placed, summed by item.
func (o *Order) PlacedLines() []parcel.Use {
	if o.placed.basket == nil {
		return nil
	}
	out := make([]parcel.Use, len(o.placed.lines))
	for i, l := range o.placed.lines {
		out[i] = parcel.Use{Item: l.item, Qty: l.qty}
	}
	return out
}

// Cost is what the order took, goods and packing.
func (o *Order) Cost() book.Amounts { return o.Goods.Add(o.Packing) }

func sumOf(list []goods, item int) num.Qty {
	for _, g := range list {
		if g.item == item {
			return g.qty
		}
	}
	return num.Qty{}
}

func addGoods(list []goods, item int, qty num.Qty) []goods {
	for i := range list {
		if list[i].item == item {
			list[i].qty = list[i].qty.Add(qty)
			return list
		}
	}
	return append(list, goods{item, qty})
}

func (o *Order) line(item int, qty num.Qty, cost book.Amounts, provisional bool) {
	for i := range o.Lines {
		if l := &o.Lines[i]; l.Item == item {
			l.Qty = l.Qty.Add(qty)
			l.Cost = l.Cost.Add(cost)
			l.Provisional = l.Provisional || provisional
			return
		}
	}
	o.Lines = append(o.Lines, OrderLine{item, qty, cost, provisional})
}

// decodePack reads a pack's data, to be used up to the next call, and finds its order.
func (s *State) decodePack(rc *rec) (*event.Pack, *Order, error) {
	v, raw := s.log.stored(rc)
	if raw != nil {
		d, err := event.DecodeData(event.KindPack, raw)
		if err != nil {
			return nil, nil, err
		}
		p := d.(*event.Pack)
		return p, s.orderOf(p.Order), nil
	}
	number := v.bytes()
	if err := v.pack(&s.pack); err != nil {
		return nil, nil, err
	}
	o := s.orderAt(number)
	s.pack.Order = o.Number
	return &s.pack, o, nil
}

const mostBaskets = 1 << 16

// place reads what an order event says, against the items there are.
func (s *State) place(rc *rec) (number []byte, p placed, err error) {
	v, raw := s.log.stored(rc)
	if raw != nil {
		d, err := event.DecodeData(event.KindOrder, raw)
		if err != nil {
			return nil, placed{}, err
		}
		o := d.(*event.Order)
		lines, err := s.goods(o.Lines)
		return []byte(o.Order), placed{rc.key.ID, rc.key.Ms, &basket{o.Zone, lines, o.Options}}, err
	}
	number = v.bytes()
	v.b = v.bytes()
	for len(s.baskets) <= v.part.index {
		s.baskets = append(s.baskets, map[string]*basket{})
	}
	known := s.baskets[v.part.index]
	b, ok := known[string(v.b)]
	if !ok {
		key := string(v.b)
		b = &basket{zone: v.text()}
		if b.lines, err = s.goods(v.goods(nil)); err != nil {
			return nil, placed{}, err
		}
		b.options = v.options(nil)
		if len(known) >= mostBaskets {
			clear(known)
		}
		known[key] = b
	}
	return number, placed{rc.key.ID, rc.key.Ms, b}, nil
}

func (s *State) goods(lines []event.Goods) ([]goods, error) {
	out := make([]goods, 0, len(lines))
	for _, l := range lines {
		item, err := s.find(l.Item)
		if err != nil {
			return nil, err
		}
		out = addGoods(out, item, l.Qty)
	}
	return out, nil
}

// placeOrder makes an order known. Of several the last before the first pack that moves holds; a reversed one only where there is no other.
func (s *State) placeOrder(rc *rec) error {
	number, p, err := s.place(rc)
	if err != nil {
		return err
	}
	o := s.orderAt(number)
	if rc.off {
		if o.Packs == 0 || o.seen().reversed.basket == nil {
			o.more().reversed = p
		}
		return nil
	}
	if o.Packs > 0 {
		if o.Placed != p.id {
			s.note("order_again", o.Number, "order "+o.Number+" was placed again after it was packed; the later entry changes nothing", "countback reverse "+p.id.String()+" --reason …")
		}
		if o.Placed.IsZero() {
			o.Placed, o.PlacedMs, o.Open = p.id, p.ms, true
			s.list(o)
		}
		return nil
	}
	if o.placed.basket != nil {
		s.note("order_again", o.Number, "order "+o.Number+" was placed more than once before it was packed; the last entry holds", "countback reverse "+o.placed.id.String()+" --reason …")
	}
	o.placed, o.Placed, o.PlacedMs, o.Open = p, p.id, p.ms, true
	return nil
}

// know finds what an order was placed as, for a pack of it: before this place, else after it, whatever the run's end; else one that was reversed.
func (s *State) know(o *Order) *placed {
	if o.placed.basket != nil {
		return &o.placed
	}
	var stands, off *placed
	s.placedLater(o.Number, func(rc *rec) bool {
		_, p, err := s.place(rc)
		switch {
		case err != nil:
		case !rc.off:
			stands = &p
		case off == nil:
			off = &p
		}
		return stands == nil
	})
	switch {
	case stands != nil:
		return stands
	case o.seen().reversed.basket != nil:
		return &o.rare.reversed
	}
	return off
}

// suppliedBy books a print run for the order: its cost is goods, and its good pieces need not come from stock.
func (o *Order) suppliedBy(s *State, item int, good num.Qty, cost book.Amounts, provisional bool) {
	o.Runs++
	o.Goods = o.Goods.Add(cost)
	if s.keep {
		o.line(item, good, cost, provisional)
	}
	if good.Sign() > 0 {
		m := o.more()
		m.supplied = addGoods(m.supplied, item, good)
	}
}

func (s *State) returned(d *event.Return) error {
	var uses []parcel.Use
	for _, l := range d.Lines {
		item, err := s.find(l.Item)
		if err != nil {
			return err
		}
		if l.Condition == "saleable" {
			uses = append(uses, parcel.Use{Item: item, Qty: l.Qty})
		}
	}
	parts, err := parcel.Parts(s.Catalog, s.View, uses)
	if err != nil {
		return err
	}
	o := s.orderOf(d.Order)
	for _, u := range parts {
		qty, cost := o.takeBack(u.Item, u.Qty)
		if rest := u.Qty.Sub(qty); rest.Sign() > 0 {
			id := s.Catalog.Items[u.Item].ID
			s.note("return_beyond", d.Order, rest.String()+" of "+id+" came back that order "+d.Order+" did not take from stock; they moved nothing", "count "+id+", or record what they are")
		}
		if qty.IsZero() {
			continue
		}
		adjusted := s.Items[u.Item].Account.Receive(qty, cost, s.cur.key.ID)
		o.Goods = o.Goods.Sub(cost)
		if s.keep {
			o.line(u.Item, qty.Neg(), cost.Neg(), false)
		}
		s.move(u.Item, Sold, qty.Neg(), cost.Neg(), d.Order)
		s.adjust(u.Item, adjusted, d.Order)
	}
	return nil
}

// takeBack gives up to n of what the order's packs took, last packed first, at the cost at which they took it.
func (o *Order) takeBack(item int, n num.Qty) (qty num.Qty, cost book.Amounts) {
	takes := o.seen().takes
	for i := len(takes) - 1; i >= 0 && qty.Less(n); i-- {
		t := &takes[i]
		if t.item != item || t.qty.IsZero() {
			continue
		}
		rest := n.Sub(qty)
		if t.qty.Cmp(rest) <= 0 {
			qty, cost = qty.Add(t.qty), cost.Add(t.cost)
			*t = take{item: item}
			continue
		}
		part := t.cost.Part(rest, t.qty)
		t.qty, t.cost = t.qty.Sub(rest), t.cost.Sub(part)
		qty, cost = n, cost.Add(part)
	}
	return qty, cost
}
