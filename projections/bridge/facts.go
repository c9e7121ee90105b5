package bridge

import (
	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/parcel"
)

// Receipt is one line of a delivery that stands, in the ledger's order.
type Receipt struct {
	Event    event.ID
	Ms       int64
	Device   string
	Line     *event.RestockLine
	Supplier string
	Ref      string
	Qty      num.Qty // base units
	Cost     num.Money
	Expected *num.Qty // base units
}

// Receipts lists the deliveries of an item.
func (r *Record) Receipts(item int) []Receipt {
	moved := map[event.ID]bool{}
	for i := range r.moves[item] {
		if m := &r.moves[item][i]; m.Kind == event.KindRestock {
			moved[m.Event] = true
		}
	}
	if len(moved) == 0 {
		return nil
	}
	view := r.Log.Catalog.Start()
	name := r.Log.Catalog.Items[item].ID
	var list []Receipt
	r.Log.Events(func(e *event.Event, reversed bool) {
		d, ok := e.Data.(*event.Restock)
		if !ok || reversed || !moved[e.ID] {
			return
		}
		costs, ok := landed.Costs(d, r.Log.Digits())
		if !ok {
			return
		}
		view.To(e.Key())
		for i := range d.Lines {
			l := &d.Lines[i]
			if l.Item != name {
				continue
			}
			x := Receipt{Event: e.ID, Ms: e.Time.Ms(), Device: e.Device, Line: l, Supplier: d.Supplier, Ref: d.Ref, Cost: costs[i]}
			if x.Qty, ok = view.Units(item, *l.Qty, "", l.Pack); !ok {
				continue
			}
			if l.Expected != nil {
				if q, ok := view.Units(item, *l.Expected, "", l.Pack); ok {
					x.Expected = &q
				}
			}
			list = append(list, x)
		}
	})
	return list
}

// Weighed is what one pack takes of an item under the specs in force at one place.
type Weighed struct {
	Ms    int64
	First bool // of its order
	Qty   num.Qty
}

// Weigh puts every pack up to a place through the specs in force where a window begins.
func (r *Record) Weigh(item int, w Window) []Weighed {
	s0 := r.known(w.From)
	packs := r.between(event.Key{}, w.To)
	out := make([]Weighed, len(packs))
	for i := range packs {
		out[i] = Weighed{packs[i].key.Ms, packs[i].first, r.of(&packs[i], s0, item)}
	}
	return out
}

// RunUse is what one print run used of an item, by what became of the pieces.
type RunUse struct {
	Event event.ID
	Ms    int64
	Use   [3]num.Qty // for good pieces, normal and abnormal spoilage
	Each  num.Qty    // for one piece
}

// Runs lists the print runs that used an item.
func (r *Record) Runs(item int) []RunUse {
	var out []RunUse
	for i := range r.moves[item] {
		m := &r.moves[item][i]
		if m.Column != fold.IntoRuns || m.Qty.IsZero() {
			continue
		}
		u := RunUse{Event: m.Event, Ms: m.Ms}
		for k, x := range r.kindsOf(m) {
			u.Use[k] = rounded(x)
		}
		if e, ok := r.Log.Event(m.Event); ok {
			if d, ok := e.Data.(*event.Reprint); ok {
				if n := d.Good.Add(*d.Spoiled); n.Sign() > 0 {
					u.Each = m.Qty.Part(num.Whole(1), n)
				}
			}
		}
		out = append(out, u)
	}
	return out
}

// Unpacked is an order that was placed and of which nothing was ever packed, with what it would have taken of each item.
type Unpacked struct {
	Number string
	Placed event.ID
	Ms     int64
	Use    []parcel.Use
}

// Whole works out what an order would have taken as a whole, by the specs in force when it was placed.
func (r *Record) Whole(o *fold.Order) Unpacked {
	u := Unpacked{Number: o.Number, Placed: o.Placed, Ms: o.PlacedMs}
	v := r.Log.Catalog.At(event.Key{Ms: o.PlacedMs, Rank: 255})
	job := o.Whole()
	var goods []parcel.Use
	for _, g := range job.Units {
		goods = append(goods, parcel.Use{Item: g.Item, Qty: num.Whole(g.Count)})
	}
	u.Use, _ = parcel.Parts(r.Log.Catalog, v, goods)
	var spec *event.PackSpec
	if s := v.Spec(); s != nil {
		spec = s.Data
	}
	res, err := parcel.Resolve(r.Log.Catalog, v, spec, job)
	if err != nil {
		return u
	}
	packing, _ := parcel.Parts(r.Log.Catalog, v, res.Use)
	u.Use = append(u.Use, packing...)
	return u
}

// View returns the definitions and specs in force at an instant.
func (r *Record) View(ms int64) *catalog.View {
	return r.Log.Catalog.At(event.Key{Ms: ms, Rank: 255})
}
