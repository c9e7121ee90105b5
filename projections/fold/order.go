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

	placed   placed
	reversed placed // where nothing else is known
	used     []goods
	takes    []take
	supplied []goods
	past     []packed
	parcels  bool // a parcel went
	listed   bool // in the state's maybe
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
	known   bool
	id      event.ID
	ms      int64
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
	o, ok := s.Orders[number]
	if !ok {
		o = &Order{Number: strings.Clone(number)}
		s.Orders[o.Number] = o
		s.list(o)
	}
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
func (o *Order) unfinished() bool {
	if o.Packs == 0 {
		return true
	}
	if !o.Open {
		return false
	}
	for _, l := range o.placed.lines {
		if sumOf(o.used, l.item).Less(l.qty) {
			return true
		}
	}
	return false
}

// Remaining returns what was placed and not yet packed, by item; empty if nothing is.
func (o *Order) Remaining() []parcel.Use {
	var out []parcel.Use
	if !o.Open {
		return nil
	}
	for _, l := range o.placed.lines {
		if left := l.qty.Sub(sumOf(o.used, l.item)); left.Sign() > 0 {
			out = append(out, parcel.Use{Item: l.item, Qty: left})
		}
	}
	return out
}

// PlacedLines returns the lines as placed, summed by item.
func (o *Order) PlacedLines() []parcel.Use {
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

func (o *Order) line(s *State, item int, qty num.Qty, cost book.Amounts, provisional bool) {
	if !s.keep {
		return
	}
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

// decodeOrder reads an order's data; the result is used again by the next call.
func (s *State) decodeOrder(rc *rec) (*event.Order, error) {
	v, raw := s.log.stored(rc)
	if raw != nil {
		d, err := event.DecodeData(event.KindOrder, raw)
		if err != nil {
			return nil, err
		}
		return d.(*event.Order), nil
	}
	o := &s.order
	*o = event.Order{Order: string(v.bytes()), Zone: v.text(), Lines: v.goods(o.Lines[:0]), Options: v.options(o.Options[:0])}
	return o, nil // what it was worth moves nothing
}

func (s *State) decodePack(rc *rec) (*event.Pack, error) {
	v, raw := s.log.stored(rc)
	if raw != nil {
		d, err := event.DecodeData(event.KindPack, raw)
		if err != nil {
			return nil, err
		}
		return d.(*event.Pack), nil
	}
	return v.pack(&s.pack)
}

// place reads what an order event says, against the items there are.
func (s *State) place(rc *rec) (number string, p placed, err error) {
	d, err := s.decodeOrder(rc)
	if err != nil {
		return "", placed{}, err
	}
	lines, err := s.goods(d.Lines)
	if err != nil {
		return "", placed{}, err
	}
	return d.Order, placed{true, rc.key.ID, rc.key.Ms, d.Zone, lines, slices.Clone(d.Options)}, nil
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
	o := s.orderOf(number)
	if rc.off {
		if o.Packs == 0 || !o.reversed.known {
			o.reversed = p
		}
		return nil
	}
	if o.Packs > 0 {
		if o.Placed != p.id {
			s.note("order_again", number, "order "+number+" was placed again after it was packed; the later entry changes nothing", "countback reverse "+p.id.String()+" --reason …")
		}
		if o.Placed.IsZero() {
			o.Placed, o.PlacedMs, o.Open = p.id, p.ms, true
			s.list(o)
		}
		return nil
	}
	if o.placed.known {
		s.note("order_again", number, "order "+number+" was placed more than once before it was packed; the last entry holds", "countback reverse "+o.placed.id.String()+" --reason …")
	}
	o.placed, o.Placed, o.PlacedMs, o.Open = p, p.id, p.ms, true
	return nil
}

// know finds what an order was placed as, for a pack of it: before this place, else after it, whatever the run's end; else one that was reversed.
func (s *State) know(o *Order) *placed {
	if o.placed.known {
		return &o.placed
	}
	if s.later == nil {
		s.later = map[string][]int{}
		for i := s.at + 1; i < len(s.log.recs); i++ {
			if rc := &s.log.recs[i]; rc.kind == isOrder {
				if d, err := s.decodeOrder(rc); err == nil {
					s.later[d.Order] = append(s.later[d.Order], i)
				}
			}
		}
	}
	var off *placed
	for _, i := range s.later[o.Number] {
		if i <= s.at {
			continue
		}
		rc := &s.log.recs[i]
		_, p, err := s.place(rc)
		switch {
		case err != nil:
		case !rc.off:
			return &p
		case off == nil:
			off = &p
		}
	}
	if o.reversed.known {
		return &o.reversed
	}
	return off
}

// suppliedBy books a print run for the order: its cost is goods, and its good pieces need not come from stock.
func (o *Order) suppliedBy(s *State, item int, good num.Qty, cost book.Amounts, provisional bool) {
	o.Runs++
	o.Goods = o.Goods.Add(cost)
	o.line(s, item, good, cost, provisional)
	if good.Sign() > 0 {
		o.supplied = addGoods(o.supplied, item, good)
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
		o.line(s, u.Item, qty.Neg(), cost.Neg(), false)
		s.move(u.Item, Sold, qty.Neg(), cost.Neg(), d.Order)
		s.adjust(u.Item, adjusted, d.Order)
	}
	return nil
}

// takeBack gives up to n of what the order's packs took, last packed first, at the cost at which they took it.
func (o *Order) takeBack(item int, n num.Qty) (qty num.Qty, cost book.Amounts) {
	for i := len(o.takes) - 1; i >= 0 && qty.Less(n); i-- {
		t := &o.takes[i]
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
