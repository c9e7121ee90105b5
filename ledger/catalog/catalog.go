package catalog

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"countback/ledger/event"
	"countback/ledger/num"
)

// Def is an item as it is defined at a moment. Packs and Measures are those that it names itself; [Item.Pack] and [Item.Measure] also look back.
type Def struct {
	Name, Type, Unit string
	Packs, Measures  map[string]num.Qty
	Class            string
	Points           num.Qty
	Place, Supplier  string
	LeadDays         *int
	LeadDaysMax      *int
	Tolerance        *event.Tolerance
	PieceWeight      *num.Qty
	UnitCost         *num.Money
	Barcode          string
	Price            *num.Money
	Parts            []event.Part
}

// Spec is one revision of the packing spec, as it stands after restatements.
type Spec struct {
	Event event.ID // the revision in force
	By    event.ID // what stands in its place; the same where nothing does
	Data  *event.PackSpec
}

// Make is one revision of an item's make spec.
type Make struct {
	Event event.ID
	By    event.ID
	Data  *event.MakeSpec
}

// Shop is the shop's settings: currency and zone hold for all time as first given.
type Shop struct {
	Name, Currency, Zone, Costing, Keeper string
}

// Catalog is what the setup events say over all time.
type Catalog struct {
	Items []*Item             // by id
	Shop  Shop                // the latest
	Void  map[event.ID]string // with the reason; what was reversed is not listed

	index    map[string]int
	changes  []change
	specs    []*Spec
	makes    [][]*Make // by item
	specByID map[event.ID]*Spec
	makeByID map[event.ID]*Make
	goneByID map[event.ID]*event.Event // specs that were reversed, or restate a reversed one

	ended sync.Once
	end   *View // the view that End returns
}

// Item is one item over all time.
type Item struct {
	ID    string
	Index int
	first *Def
	units map[string][]dated // every pack and measure ever, by "pack name" or "measure name"
}

// Prepared reports whether the item stands for its parts; the type never changes.
func (it *Item) Prepared() bool { return it.first.Type == "prepared" }

// Unit is the base unit; it never changes.
func (it *Item) Unit() string { return it.first.Unit }

// First is the first definition, which holds from the beginning of time.
func (it *Item) First() *Def { return it.first }

type dated struct {
	at    event.Key
	value num.Qty
}

// change is what happens to the view at one place of the order.
type change struct {
	at     event.Key
	item   int // -1: spec
	fields *event.Item
	retire bool
	spec   *Spec
	mk     *Make
}

// Input is a setup event with what the ledger knows about it.
type Input struct {
	Event    *event.Event
	Reversed bool
}

// Build folds setup events: kinds shop, item, retire, packspec and makespec, in any order. Others, and events without data, are passed over.
func Build(in []Input) *Catalog {
	b := &builder{
		c: &Catalog{
			Void:     map[event.ID]string{},
			index:    map[string]int{},
			specByID: map[event.ID]*Spec{},
			makeByID: map[event.ID]*Make{},
			goneByID: map[event.ID]*event.Event{},
		},
		byID:     map[event.ID]Input{},
		badParts: map[event.ID]bool{},
		restater: map[event.ID][]*event.Event{},
		isGone:   map[event.ID]bool{},
		ends:     map[event.ID]*event.Event{},
	}
	for _, i := range in {
		if i.Event.Data == nil {
			continue
		}
		b.byID[i.Event.ID] = i
		b.events = append(b.events, i)
	}
	slices.SortFunc(b.events, func(x, y Input) int { return x.Event.Key().Compare(y.Event.Key()) })
	b.shop()
	for settled := false; !settled; {
		b.firstDefinitions()
		settled = b.checkItems()
	}
	b.restatements(func(k event.Kind) bool { return k == event.KindItem })
	b.itemChanges() // from here on it is known which packs and measures there ever were
	b.checkSpecs()
	b.restatements(func(k event.Kind) bool { return k == event.KindPackSpec || k == event.KindMakeSpec })
	b.specs()
	slices.SortStableFunc(b.c.changes, func(x, y change) int { return x.at.Compare(y.at) })
	return b.c
}

type builder struct {
	c        *Catalog
	events   []Input // in fold order
	byID     map[event.ID]Input
	badParts map[event.ID]bool           // item events whose parts aren't there: they define nothing
	restater map[event.ID][]*event.Event // of an id, in fold order
	isGone   map[event.ID]bool           // reversed, or restates what is gone
	ends     map[event.ID]*event.Event   // found by standsFor
}

func (b *builder) void(e *event.Event, why string, args ...any) {
	if _, ok := b.c.Void[e.ID]; !ok {
		b.c.Void[e.ID] = fmt.Sprintf(why, args...)
	}
}

func (b *builder) isVoid(e *event.Event) bool { _, ok := b.c.Void[e.ID]; return ok }

func (b *builder) shop() {
	s := &b.c.Shop
	for _, i := range b.events {
		d, ok := i.Event.Data.(*event.Shop)
		if !ok {
			continue
		}
		for _, f := range []struct {
			to   *string
			from string
			once bool
		}{{&s.Name, d.Name, false}, {&s.Costing, d.Costing, false}, {&s.Keeper, d.Keeper, false}, {&s.Currency, d.Currency, true}, {&s.Zone, d.Zone, true}} {
			if f.from != "" && (!f.once || *f.to == "") {
				*f.to = f.from
			}
		}
	}
}

// firstDefinitions finds every item and gives it its place by id.
func (b *builder) firstDefinitions() {
	first := map[string]*Item{}
	b.c.Items = nil
	clear(b.c.index)
	for _, i := range b.events {
		d, ok := i.Event.Data.(*event.Item)
		if !ok || !d.Restates.IsZero() || d.Name == "" || d.Type == "" || d.Unit == "" || first[d.Item] != nil || b.badParts[i.Event.ID] {
			continue
		}
		def := &Def{Points: num.Whole(1)}
		def.apply(d)
		it := &Item{ID: d.Item, first: def, units: map[string][]dated{}}
		first[d.Item] = it
		b.c.Items = append(b.c.Items, it)
	}
	slices.SortFunc(b.c.Items, func(x, y *Item) int { return strings.Compare(x.ID, y.ID) })
	for n, it := range b.c.Items {
		it.Index = n
		b.c.index[it.ID] = n
	}
	b.c.makes = make([][]*Make, len(b.c.Items))
}

// Apply sets the fields that d names.
func (def *Def) apply(d *event.Item) {
	set := func(to *string, from string) {
		if from != "" {
			*to = from
		}
	}
	set(&def.Name, d.Name)
	set(&def.Type, d.Type)
	set(&def.Unit, d.Unit)
	set(&def.Class, d.Class)
	set(&def.Place, d.Place)
	set(&def.Supplier, d.Supplier)
	set(&def.Barcode, d.Barcode)
	if d.Packs != nil {
		def.Packs = d.Packs
	}
	if d.Measures != nil {
		def.Measures = d.Measures
	}
	if d.Points != nil {
		def.Points = *d.Points
	}
	if d.LeadDays != nil {
		def.LeadDays = d.LeadDays
	}
	if d.LeadDaysMax != nil {
		def.LeadDaysMax = d.LeadDaysMax
	}
	if d.Tolerance != nil {
		def.Tolerance = d.Tolerance
	}
	if d.PieceWeight != nil {
		def.PieceWeight = d.PieceWeight
	}
	if d.UnitCost != nil {
		def.UnitCost = d.UnitCost
	}
	if d.Price != nil {
		def.Price = d.Price
	}
	if d.Parts != nil {
		def.Parts = d.Parts
	}
}

func (it *Item) knows(unit, name string) bool {
	if name == "" {
		return true
	}
	return len(it.units[unit+" "+name]) > 0
}

// item finds an item that e refers to, or voids e.
func (b *builder) item(e *event.Event, id string) *Item {
	n, ok := b.c.index[id]
	if !ok {
		b.void(e, "item %s is not defined", id)
		return nil
	}
	return b.c.Items[n]
}

// checkItems voids item and retire events that refer to items that aren't there, or that name another type or unit. It returns false if an
// item's definition fell by that, so that what is defined has to be found again.
func (b *builder) checkItems() (settled bool) {
	settled = true
	clear(b.c.Void)
	for _, i := range b.events {
		e := i.Event
		switch d := e.Data.(type) {
		case *event.Item:
			if it := b.item(e, d.Item); it != nil && (d.Type != "" && d.Type != it.first.Type || d.Unit != "" && d.Unit != it.first.Unit) {
				b.void(e, "item %s is a %s in %s; type and unit never change: define a new item", it.ID, it.first.Type, it.first.Unit)
			}
			for _, p := range d.Parts {
				if b.item(e, p.Item) == nil && !b.badParts[e.ID] {
					b.badParts[e.ID] = true
					settled = false
				}
			}
		case *event.Retire:
			b.item(e, d.Item)
		}
	}
	return settled
}

// checkSpecs voids specs that refer to items, packs or measures that never were.
func (b *builder) checkSpecs() {
	for _, i := range b.events {
		e := i.Event
		lines := func(list []event.Line) {
			for n := range list {
				l := &list[n]
				if it := b.item(e, l.Item); it != nil && !(it.knows("measure", l.Measure) && it.knows("pack", l.Pack)) {
					b.void(e, "item %s has no %s", l.Item, l.Measure+l.Pack)
				}
				if l.Good != "" {
					b.item(e, l.Good)
				}
			}
		}
		switch d := e.Data.(type) {
		case *event.PackSpec:
			lines(d.Lines)
			for _, f := range d.Formats {
				lines(f.Lines)
			}
		case *event.MakeSpec:
			if it := b.item(e, d.Item); it != nil && it.Prepared() {
				b.void(e, "item %s is prepared from its parts; a print run makes goods or supplies", d.Item)
			}
			lines(d.Lines)
		}
	}
}

// restatements links each restatement to what it restates, takes along what restates a reversed event, and voids bad ones with all that restate them.
func (b *builder) restatements(of func(event.Kind) bool) {
	by := map[event.ID][]*event.Event{} // what restates an id, bad ones included, in fold order
	for _, i := range b.events {
		if r := event.Restated(i.Event.Data); !r.IsZero() && of(i.Event.Kind) {
			by[r] = append(by[r], i.Event)
		}
	}
	b.spread(by, func(i Input) bool { return i.Reversed }, func(e *event.Event) bool {
		was := b.isGone[e.ID]
		b.isGone[e.ID] = true
		return !was
	})
	circles := b.circles()
	for _, i := range b.events {
		r := event.Restated(i.Event.Data)
		if r.IsZero() || !of(i.Event.Kind) || b.isVoid(i.Event) {
			continue
		}
		switch target, ok := b.byID[r]; {
		case !ok:
			b.void(i.Event, "it restates %s, which isn't there", r)
		case target.Event.Kind != i.Event.Kind || itemOf(target.Event.Data) != itemOf(i.Event.Data):
			b.void(i.Event, "it restates %s, which is about something else", r)
		case circles[i.Event.ID]:
			b.void(i.Event, "its restatements close a circle")
		}
	}
	b.spread(by, func(i Input) bool { return b.isVoid(i.Event) && !b.gone(i.Event) }, func(e *event.Event) bool {
		was := b.isVoid(e)
		b.void(e, "it restates %s, which is void", event.Restated(e.Data))
		return !was && !b.gone(e)
	})
	for id, list := range by {
		b.restater[id] = slices.DeleteFunc(list, func(e *event.Event) bool { return b.isVoid(e) || b.gone(e) })
	}
}

// spread marks every event that starts something, and all that restate it, one after the other, as long as mark says that it was new.
func (b *builder) spread(by map[event.ID][]*event.Event, starts func(Input) bool, mark func(*event.Event) bool) {
	var todo []*event.Event
	for _, i := range b.events {
		if starts(i) {
			mark(i.Event)
			todo = append(todo, i.Event)
		}
	}
	for len(todo) > 0 {
		e := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		for _, r := range by[e.ID] {
			if mark(r) {
				todo = append(todo, r)
			}
		}
	}
}

func itemOf(d event.Data) string {
	switch d := d.(type) {
	case *event.Item:
		return d.Item
	case *event.MakeSpec:
		return d.Item
	}
	return ""
}

// circles finds the events whose restatements come back to themselves. Each chain is walked once.
func (b *builder) circles() map[event.ID]bool {
	in := map[event.ID]bool{}
	walk := map[event.ID]int{} // the walk, from 1, that came by first
	for n, i := range b.events {
		var path []event.ID
		for id := i.Event.ID; ; {
			if w := walk[id]; w != 0 {
				if w == n+1 { // this walk's own path: it has closed
					for _, on := range path[slices.Index(path, id):] {
						in[on] = true
					}
				}
				break
			}
			at, ok := b.byID[id]
			if !ok {
				break
			}
			walk[id] = n + 1
			path = append(path, id)
			if id = event.Restated(at.Event.Data); id.IsZero() {
				break
			}
		}
	}
	return in
}

// gone reports whether the event, or anything that it restates, was reversed.
func (b *builder) gone(e *event.Event) bool { return b.isGone[e.ID] }

// standsFor returns the event that stands in e's place: the end of the chain of last restatements.
func (b *builder) standsFor(e *event.Event) *event.Event {
	list := b.restater[e.ID]
	if len(list) == 0 {
		return e
	}
	end, ok := b.ends[e.ID]
	if !ok {
		end = b.standsFor(list[len(list)-1])
		b.ends[e.ID] = end
	}
	return end
}

// itemChanges lays every item's fields in order of time; a restatement's fields act at the time of what it restates.
func (b *builder) itemChanges() {
	firstSeen := map[string]bool{}
	type fieldsAt struct {
		at     event.Key
		item   int
		fields []*event.Item
	}
	var list []fieldsAt
	for _, i := range b.events {
		d, ok := i.Event.Data.(*event.Item)
		if !ok || !d.Restates.IsZero() || b.isVoid(i.Event) {
			continue
		}
		at := i.Event.Key()
		if !firstSeen[d.Item] && d.Name != "" && d.Type != "" && d.Unit != "" {
			firstSeen[d.Item] = true
			at = event.Key{Ms: beginning}
		}
		f := fieldsAt{at: at, item: b.c.index[d.Item], fields: []*event.Item{d}}
		for e := i.Event; ; {
			rs := b.restater[e.ID]
			if len(rs) == 0 {
				break
			}
			e = rs[len(rs)-1]
			f.fields = append(f.fields, e.Data.(*event.Item))
		}
		list = append(list, f)
	}
	slices.SortStableFunc(list, func(x, y fieldsAt) int { return x.at.Compare(y.at) })
	for _, f := range list {
		it := b.c.Items[f.item]
		for _, d := range f.fields {
			if f.at.Ms == beginning {
				it.first.apply(d)
			}
			b.c.changes = append(b.c.changes, change{at: f.at, item: f.item, fields: d})
		}
		// what the group leaves in force at its end is what can be looked back to
		packs, measures := map[string]num.Qty(nil), map[string]num.Qty(nil)
		for _, d := range f.fields {
			if d.Packs != nil {
				packs = d.Packs
			}
			if d.Measures != nil {
				measures = d.Measures
			}
		}
		for name, v := range packs {
			it.units["pack "+name] = append(it.units["pack "+name], dated{f.at, v})
		}
		for name, v := range measures {
			it.units["measure "+name] = append(it.units["measure "+name], dated{f.at, v})
		}
	}
	for _, i := range b.events {
		if d, ok := i.Event.Data.(*event.Retire); ok && !b.isVoid(i.Event) && !i.Reversed {
			b.c.changes = append(b.c.changes, change{at: i.Event.Key(), item: b.c.index[d.Item], retire: true})
		}
	}
}

const beginning = -1 << 63

func (b *builder) specs() {
	for _, i := range b.events {
		if b.gone(i.Event) { // whatever else is wrong with it
			delete(b.c.Void, i.Event.ID)
			b.c.goneByID[i.Event.ID] = i.Event
			continue
		}
		if b.isVoid(i.Event) {
			continue
		}
		end := b.standsFor(i.Event)
		at := i.Event.Key()
		switch d := i.Event.Data.(type) {
		case *event.PackSpec:
			s := &Spec{i.Event.ID, end.ID, end.Data.(*event.PackSpec)}
			b.c.specByID[i.Event.ID] = s
			if !d.Restates.IsZero() {
				continue
			}
			if len(b.c.specs) == 0 {
				at = event.Key{Ms: beginning}
			}
			b.c.specs = append(b.c.specs, s)
			b.c.changes = append(b.c.changes, change{at: at, item: -1, spec: s})
		case *event.MakeSpec:
			m := &Make{i.Event.ID, end.ID, end.Data.(*event.MakeSpec)}
			b.c.makeByID[i.Event.ID] = m
			if !d.Restates.IsZero() {
				continue
			}
			n := b.c.index[d.Item]
			if len(b.c.makes[n]) == 0 {
				at = event.Key{Ms: beginning}
			}
			b.c.makes[n] = append(b.c.makes[n], m)
			b.c.changes = append(b.c.changes, change{at: at, item: n, mk: m})
		}
	}
}

// Find returns the item of an id.
func (c *Catalog) Find(id string) (*Item, bool) {
	n, ok := c.index[id]
	if !ok {
		return nil, false
	}
	return c.Items[n], true
}

// Named returns the packing spec that a pack names: that revision, or what stands in its place, or, if that was reversed, the one in
// force. It returns false if the id names none.
func (v *View) Named(id event.ID) (*event.PackSpec, bool) {
	if s, ok := v.c.specByID[id]; ok {
		return s.Data, true
	}
	if e, ok := v.c.goneByID[id]; ok && e.Kind == event.KindPackSpec {
		if v.spec == nil {
			return nil, true
		}
		return v.spec.Data, true
	}
	return nil, false
}

// NamedMake does for a run of the item with index n what Named does for a pack. The spec has to be of that item.
func (v *View) NamedMake(n int, id event.ID) (*event.MakeSpec, bool) {
	item := v.c.Items[n].ID
	if m, ok := v.c.makeByID[id]; ok && m.Data.Item == item {
		return m.Data, true
	}
	if e, ok := v.c.goneByID[id]; ok && itemOf(e.Data) == item {
		if v.makes[n] == nil {
			return nil, true
		}
		return v.makes[n].Data, true
	}
	return nil, false
}
