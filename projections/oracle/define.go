package oracle

import (
	"math/big"

	"countback/ledger/event"
)

// restated returns what an event restates, or zero.
func restated(e *event.Event) event.ID {
	switch d := e.Data.(type) {
	case *event.Item:
		return d.Restates
	case *event.PackSpec:
		return d.Restates
	case *event.MakeSpec:
		return d.Restates
	}
	return event.ID{}
}

// subject returns the item that an event of setup is about; a packing spec is about the shop.
func subject(e *event.Event) string {
	switch d := e.Data.(type) {
	case *event.Item:
		return d.Item
	case *event.MakeSpec:
		return d.Item
	}
	return ""
}

// define finds out which definitions and specs are void. Items come first, since specs name them.
func (l *ledger) define() {
	l.checkParts()
	for _, e := range l.all {
		d, ok := e.Data.(*event.Item)
		if !ok || !l.valid(e) {
			continue
		}
		f := l.first(d.Item)
		switch {
		case f == nil:
			l.void[e.ID] = "unknown item"
		case d.Type != "" && d.Type != f.Data.(*event.Item).Type || d.Unit != "" && d.Unit != f.Data.(*event.Item).Unit:
			l.void[e.ID] = "another type or unit"
		}
	}
	l.checkRestates(event.KindItem)
	for _, e := range l.all {
		if !l.valid(e) {
			continue
		}
		switch d := e.Data.(type) {
		case *event.Retire:
			if l.first(d.Item) == nil {
				l.void[e.ID] = "unknown item"
			}
		case *event.PackSpec:
			ok := l.linesKnown(d.Lines, e)
			for _, f := range d.Formats {
				ok = ok && l.linesKnown(f.Lines, e)
			}
			if !ok {
				l.void[e.ID] = "unknown item, measure or pack"
			}
		case *event.MakeSpec:
			if !l.stocked(d.Item) || !l.linesKnown(d.Lines, e) {
				l.void[e.ID] = "unknown item, measure or pack"
			}
		}
	}
	l.checkRestates(event.KindPackSpec)
	l.checkRestates(event.KindMakeSpec)
}

// checkParts voids definitions whose parts aren't there, until no more fall.
func (l *ledger) checkParts() {
	for more := true; more; {
		more = false
		for _, e := range l.all {
			d, ok := e.Data.(*event.Item)
			if !ok || !l.valid(e) {
				continue
			}
			for _, p := range d.Parts {
				if l.first(p.Item) == nil {
					l.void[e.ID], more = "unknown part", true
				}
			}
		}
	}
}

func (l *ledger) linesKnown(lines []event.Line, at *event.Event) bool {
	for _, n := range lines {
		if _, ok := l.unitsOf(n.Item, n.Measure, n.Pack, at); !ok || n.Good != "" && l.first(n.Good) == nil {
			return false
		}
	}
	return true
}

// checkRestates voids restatements of the kind that name another kind or item, what isn't there, or close a circle.
func (l *ledger) checkRestates(kind event.Kind) {
	names := map[event.ID]event.ID{}
	for _, e := range l.all {
		r := restated(e)
		if e.Kind != kind || r.IsZero() || !l.valid(e) {
			continue
		}
		for at := r; ; at = names[at] {
			if at == e.ID {
				l.void[e.ID] = "closes a circle"
			}
			if at == e.ID || at.IsZero() {
				break
			}
		}
		if l.void[e.ID] == "" {
			names[e.ID] = r
		}
	}
	for more := true; more; { // what restates a void event restates what isn't there
		more = false
		for _, e := range l.all {
			r := restated(e)
			if e.Kind != kind || r.IsZero() || !l.valid(e) {
				continue
			}
			if t := l.find(r); t == nil || t.Kind != kind || !l.valid(t) || subject(t) != subject(e) {
				l.void[e.ID], more = "restates what isn't there", true
			}
		}
	}
}

// standing returns the chain of events from e to the one that stands in its place.
func (l *ledger) standing(e *event.Event) []*event.Event {
	chain := []*event.Event{e}
	for {
		var last *event.Event
		for _, r := range l.all {
			if restated(r) == e.ID && r.Kind == e.Kind && l.valid(r) {
				last = r
			}
		}
		if last == nil {
			return chain
		}
		chain, e = append(chain, last), last
	}
}

// first returns an item's first definition, or nil.
func (l *ledger) first(item string) *event.Event {
	for _, e := range l.all {
		if d, ok := e.Data.(*event.Item); ok && l.valid(e) && d.Item == item && d.Restates.IsZero() && d.Name != "" && d.Type != "" && d.Unit != "" {
			return e
		}
	}
	return nil
}

// items lists the ids of all items.
func (l *ledger) items() []string {
	ids := map[string]bool{}
	for _, e := range l.all {
		if d, ok := e.Data.(*event.Item); ok && l.valid(e) {
			ids[d.Item] = true
		}
	}
	return keys(ids)
}

// stocked reports whether there is such an item and it has stock of its own.
func (l *ledger) stocked(item string) bool {
	f := l.first(item)
	return f != nil && f.Data.(*event.Item).Type != "prepared"
}

// state is an item's definition from an event on; from nil: from the beginning of time.
type state struct {
	from *event.Event
	def  event.Item
}

// states returns an item's definitions, oldest first.
func (l *ledger) states(item string) []state {
	f := l.first(item)
	if f == nil {
		return nil
	}
	list := []state{{nil, l.overlay(event.Item{}, f)}}
	for _, e := range l.all {
		if d, ok := e.Data.(*event.Item); ok && l.valid(e) && d.Item == item && d.Restates.IsZero() && e != f {
			list = append(list, state{e, l.overlay(list[len(list)-1].def, e)})
		}
	}
	return list
}

// overlay returns the definition with the fields that e names, as restated.
func (l *ledger) overlay(d event.Item, e *event.Event) event.Item {
	for _, step := range l.standing(e) {
		c := step.Data.(*event.Item)
		d.Item = c.Item
		if c.Type != "" {
			d.Type = c.Type
		}
		if c.Unit != "" {
			d.Unit = c.Unit
		}
		if c.Packs != nil {
			d.Packs = c.Packs
		}
		if c.Measures != nil {
			d.Measures = c.Measures
		}
		if c.Class != "" {
			d.Class = c.Class
		}
		if c.Points != nil {
			d.Points = c.Points
		}
		if c.PieceWeight != nil {
			d.PieceWeight = c.PieceWeight
		}
		if c.UnitCost != nil {
			d.UnitCost = c.UnitCost
		}
		if c.Parts != nil {
			d.Parts = c.Parts
		}
	}
	return d
}

// def returns the definition in force at an event, at nil the first.
func (l *ledger) def(item string, at *event.Event) *event.Item {
	var d *event.Item
	for _, s := range l.states(item) {
		if s.from == nil || at != nil && before(s.from, at) {
			d = &s.def
		}
	}
	return d
}

// unitsOf returns the base units of one measure or pack (without either: 1) for an event, and whether there is one.
func (l *ledger) unitsOf(item, measure, pack string, at *event.Event) (*big.Rat, bool) {
	if l.first(item) == nil {
		return nil, false
	}
	if measure == "" && pack == "" {
		return whole(1), true
	}
	var units *big.Rat
	for _, s := range l.states(item) {
		q, ok := s.def.Measures[measure]
		if pack != "" {
			q, ok = s.def.Packs[pack]
		}
		if ok && (units == nil || s.from == nil || before(s.from, at)) {
			units = rat(q)
		}
	}
	return units, units != nil
}

// base converts an entered quantity to base units.
func (l *ledger) base(qty *big.Rat, item, measure, pack string, at *event.Event) *big.Rat {
	units, _ := l.unitsOf(item, measure, pack, at)
	return roundQty(mul(qty, units))
}

// leaves turns a quantity of a named item into the items that have stock: itself, or the parts of a prepared one. It fails where parts go in a circle.
func (l *ledger) leaves(item string, qty *big.Rat, at *event.Event) (map[string]*big.Rat, bool) {
	exact := map[string]*big.Rat{}
	if !l.expand(exact, item, qty, at, nil) {
		return nil, false
	}
	for k, q := range exact {
		exact[k] = roundQty(q)
	}
	return exact, true
}

func (l *ledger) expand(into map[string]*big.Rat, item string, qty *big.Rat, at *event.Event, inside []string) bool {
	for _, outer := range inside {
		if outer == item {
			return false
		}
	}
	d := l.def(item, at)
	if d.Type != "prepared" {
		plus(into, item, qty)
		return true
	}
	inside = append(append([]string{}, inside...), item)
	for _, p := range d.Parts {
		if !l.expand(into, p.Item, mul(qty, rat(p.Qty)), at, inside) {
			return false
		}
	}
	return true
}

// specAt returns the spec of a kind (and item) for an event: the named one or what stands in its place, else the one in force, which may be nil.
func (l *ledger) specAt(kind event.Kind, item string, named event.ID, at *event.Event) event.Data {
	if n := l.find(named); !named.IsZero() && n != nil && l.valid(n) {
		return l.end(n)
	}
	var in *event.Event
	for _, e := range l.all {
		if e.Kind == kind && l.valid(e) && restated(e).IsZero() && subject(e) == item && (in == nil || before(e, at)) {
			in = e
		}
	}
	if in == nil {
		return nil
	}
	return l.end(in)
}

func (l *ledger) end(e *event.Event) event.Data {
	chain := l.standing(e)
	return chain[len(chain)-1].Data
}

// namedOK reports whether an event may name this spec.
func (l *ledger) namedOK(kind event.Kind, item string, named event.ID) bool {
	if named.IsZero() {
		return true
	}
	n := l.find(named)
	return n != nil && n.Data != nil && n.Kind == kind && subject(n) == item && l.void[n.ID] == ""
}
