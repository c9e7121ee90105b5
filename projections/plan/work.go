package plan

import (
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/parcel"
)

// work is one order worked out.
type work struct {
	order   *fold.Order
	job     parcel.Job
	parcels []parcel.Parcel
	left    []parcel.Units // no format takes them
	why     string         // it can't be packed as things are
	waits   bool           // for a decision: it needs nothing
	ready   bool

	need    []parcel.Use // prepared items as their parts; goods less what runs for the order supplied
	cuts    []piece
	makeUp  []parcel.Use // prepared pieces, those inside others included
	zoned   []parcel.Use // by lines for zones
	options []optionUse  // by lines for options
	retired []int        // goods that it holds
	unknown []string     // options of the order that no line of the spec asks for
}

// piece is a number of equal pieces to be cut or weighed out.
type piece struct {
	item    int
	measure string
	size    num.Qty // base units
	n       num.Qty
}

type optionUse struct {
	option string
	use    parcel.Use
}

// workOut applies the packing spec, which may be nil, to what remains of an order.
func workOut(s *fold.State, spec *event.PackSpec, o *fold.Order) *work {
	w := &work{order: o, job: o.Rest()}
	if len(o.Pending) > 0 {
		w.waits, w.why = true, "a pack of it waits for a decision: countback decide "+o.Pending[0].String()+" keep|drop"
		return w
	}
	if err := w.resolve(s, spec); err != nil {
		w.why = strings.TrimPrefix(err.Error(), parcel.ErrVoid.Error()+": ")
		if names := w.circle(s, spec); names != nil {
			w.why = "parts go in a circle: " + strings.Join(names, " holds ")
		}
		w.why += "; correct the definition, or the packing spec"
		w.parcels, w.need, w.cuts, w.makeUp, w.zoned, w.options = nil, nil, nil, nil, nil, nil
	}
	for _, u := range w.left {
		w.why = "no parcel format takes " + num.Whole(u.Count).String() + " of " + s.Catalog.Items[u.Item].ID + "; correct the packing spec, or the item's class and points"
	}
	return w
}

func (w *work) resolve(s *fold.State, spec *event.PackSpec) error {
	job := w.job
	var err error
	job.Tell = func(single parcel.Single) {
		if e := w.single(s, spec, single); e != nil && err == nil {
			err = e
		}
	}
	res, e := parcel.Resolve(s.Catalog, s.View, spec, job)
	if e != nil {
		return e
	}
	if err != nil {
		return err
	}
	w.parcels, w.left = res.Parcels, res.Left
	goods := make([]parcel.Use, len(job.Units))
	for i, u := range job.Units {
		goods[i] = parcel.Use{Item: u.Item, Qty: num.Whole(u.Count)}
	}
	if err := w.needs(s, goods, res.Use); err != nil {
		return err
	}
	for _, list := range [][]parcel.Use{goods, res.Use} {
		for _, u := range list {
			w.prepare(s, u.Item, u.Qty)
		}
	}
	for _, o := range job.Options {
		if !named(spec, o) && !slices.Contains(w.unknown, o) {
			w.unknown = append(w.unknown, o)
		}
	}
	return nil
}

// circle finds a prepared item of the order or of the packing spec whose parts come back to it, and returns the names on the way; nil if there is none.
func (w *work) circle(s *fold.State, spec *event.PackSpec) []string {
	var path []int
	done := map[int]bool{}
	var visit func(int) []string
	visit = func(n int) []string {
		if at := slices.Index(path, n); at >= 0 {
			var names []string
			for _, i := range append(slices.Clone(path[at:]), n) {
				names = append(names, s.Catalog.Items[i].ID)
			}
			return names
		}
		if done[n] || !s.Catalog.Items[n].Prepared() {
			return nil
		}
		done[n] = true
		path = append(path, n)
		for _, p := range s.View.Def(n).Parts {
			if it, ok := s.Catalog.Find(p.Item); ok {
				if names := visit(it.Index); names != nil {
					return names
				}
			}
		}
		path = path[:len(path)-1]
		return nil
	}
	for _, u := range w.job.Units {
		if names := visit(u.Item); names != nil {
			return names
		}
	}
	var lines []event.Line
	if spec != nil {
		lines = slices.Clone(spec.Lines)
		for _, f := range spec.Formats {
			lines = append(lines, f.Lines...)
		}
	}
	for _, l := range lines {
		if it, ok := s.Catalog.Find(l.Item); ok {
			if names := visit(it.Index); names != nil {
				return names
			}
		}
	}
	return nil
}

// needs adds up goods and packing by item.
func (w *work) needs(s *fold.State, goods, packing []parcel.Use) error {
	parts, err := parcel.Parts(s.Catalog, s.View, goods)
	if err != nil {
		return err
	}
	for _, sp := range w.order.Supplied() {
		for i := range parts {
			if parts[i].Item == sp.Item {
				parts[i].Qty = parts[i].Qty.Sub(num.Min(sp.Qty, parts[i].Qty))
			}
		}
	}
	used, err := parcel.Parts(s.Catalog, s.View, packing)
	if err != nil {
		return err
	}
	used = slices.DeleteFunc(used, func(u parcel.Use) bool { return s.View.Retired(u.Item) })
	for _, u := range append(parts, used...) {
		if !u.Qty.IsZero() {
			w.need = addUse(w.need, u.Item, u.Qty)
		}
	}
	for _, u := range parts {
		if !u.Qty.IsZero() && s.View.Retired(u.Item) {
			w.retired = append(w.retired, u.Item)
		}
	}
	return nil
}

// prepare notes prepared pieces that have to be made up, those inside them too, and lengths that go into them. That parts don't run in a circle has been found
// out before.
func (w *work) prepare(s *fold.State, item int, qty num.Qty) {
	if !s.Catalog.Items[item].Prepared() || qty.IsZero() {
		return
	}
	w.makeUp = addUse(w.makeUp, item, qty)
	for _, p := range s.View.Def(item).Parts {
		it, ok := s.Catalog.Find(p.Item)
		if !ok {
			continue
		}
		if it.Unit() == "mm" && !it.Prepared() && !s.View.Retired(it.Index) {
			w.cuts = append(w.cuts, piece{it.Index, measureOf(s.View.Def(it.Index), p.Qty), p.Qty, qty})
		}
		w.prepare(s, it.Index, qty.Times(p.Qty))
	}
}

// single notes what one line of the spec asks for: pieces of a measure, what an option brings, what a zone brings.
func (w *work) single(s *fold.State, spec *event.PackSpec, one parcel.Single) error {
	lines := spec.Lines
	if one.Format >= 0 {
		lines = spec.Formats[one.Format].Lines
	}
	if s.View.Retired(one.Item) {
		return nil
	}
	l := &lines[one.Line]
	all := one.Qty.Times(one.Times)
	if l.Option != "" {
		w.options = append(w.options, optionUse{l.Option, parcel.Use{Item: one.Item, Qty: all}})
	}
	if l.Zones != nil {
		w.zoned = addUse(w.zoned, one.Item, all)
	}
	it := s.Catalog.Items[one.Item]
	if l.Pack != "" || l.Measure == "" && it.Unit() != "mm" || it.Prepared() || one.Qty.IsZero() {
		return nil
	}
	each, ok := s.View.Units(one.Item, l.Qty, l.Measure, "")
	if !ok || each.IsZero() {
		return nil
	}
	p := piece{item: one.Item, measure: l.Measure, size: each, n: one.Qty.Part(one.Times, each)} // a whole number, since a use is each times whole pieces
	if l.Measure == "" {
		p.measure = measureOf(s.View.Def(one.Item), each)
	} else if size, ok := s.View.Unit(one.Item, "measure", l.Measure); ok && l.Qty.IsWhole() {
		p.size, p.n = size, l.Qty.Times(p.n)
	}
	w.cuts = append(w.cuts, p)
	return nil
}

// measureOf is the measure of an item that has exactly a size; of several the first by name; "" if none has.
func measureOf(def *catalog.Def, size num.Qty) (name string) {
	for m, q := range def.Measures {
		if q.Cmp(size) == 0 && (name == "" || m < name) {
			name = m
		}
	}
	return name
}

func named(spec *event.PackSpec, option string) bool {
	if spec == nil {
		return false
	}
	asks := func(l event.Line) bool { return l.Option == option }
	return slices.ContainsFunc(spec.Lines, asks) || slices.ContainsFunc(spec.Formats, func(f event.Format) bool { return slices.ContainsFunc(f.Lines, asks) })
}

func addUse(list []parcel.Use, item int, qty num.Qty) []parcel.Use {
	for i := range list {
		if list[i].Item == item {
			list[i].Qty = list[i].Qty.Add(qty)
			return list
		}
	}
	return append(list, parcel.Use{Item: item, Qty: qty})
}
