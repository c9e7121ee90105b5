package entry

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/near"
)

// Known is what the check may ask of the ledger. Errors are faults of the machine and are handed on as they are.
type Known interface {
	// Setup returns all events of the kinds shop, item, retire, packspec and makespec.
	Setup() ([]catalog.Input, error)
	// Event returns the event with an id; false if there is none.
	Event(id event.ID) (*event.Event, bool, error)
	// Reversed reports whether an event has been reversed.
	Reversed(id event.ID) (bool, error)
	// Order reports whether any order or pack event has that order number, reversed ones included: to its packs and returns a reversed
	// order stays known.
	Order(number string) (bool, error)
}

// Built is implemented by a Known that has the catalog of its Setup at hand.
type Built interface {
	// Catalog returns what Setup does, and the catalog of it. Both stay the callee's own.
	Catalog() ([]catalog.Input, *catalog.Catalog, error)
}

// Error is the first fault of a list of facts.
type Error struct {
	Index int    // of the fact in the list, from 0
	Field string // as in lines[0].item; empty where the fact as a whole is wrong
	Why   string // what is wrong
	Hint  string // what to do; may be empty
}

// Error says what is wrong and what to do in one line. It leaves the fact's place to the caller, who knows file and line.
func (e *Error) Error() string {
	var b strings.Builder
	if e.Field != "" {
		b.WriteString(e.Field + ": ")
	}
	b.WriteString(e.Why)
	if e.Hint != "" {
		b.WriteString("; " + e.Hint)
	}
	return b.String()
}

// Check judges facts that are to be recorded at the instant now. The facts are of the right shape already ([event.Check]). The first
// fault is returned as an *Error: definitions come first, because what is wrong in them makes other facts wrong too, then the facts in
// their order. Any other error is one that k returned.
//
// Of facts with one id the first counts, and a fact whose id the ledger holds is passed over: recording skips both. zone returns an
// error for a time zone that isn't known here; the zones are data on a disk, so the caller brings them.
//
// The cost of a fact does not depend on the size of the ledger, apart from what k takes to answer; k is asked for an event or an order only where a fact refers to it.
func Check(facts []event.Fact, k Known, now time.Time, zone func(string) error) error {
	c, err := newChecker(facts, k)
	if err != nil {
		return err
	}
	c.now, c.zone = now.UnixMilli(), zone
	for _, pass := range []func(){c.times, c.setup, c.circles, c.weighings, c.rest} {
		pass()
		switch {
		case c.err != nil:
			return c.err
		case c.fault != nil:
			return c.fault
		}
	}
	return nil
}

// checker carries one call of Check.
type checker struct {
	facts []event.Fact
	skip  []bool // a later fact with an id that stands in the list already, or a definition that the ledger holds
	k     Known
	now   int64
	zone  func(string) error

	before *catalog.Catalog // of the ledger alone
	after  *catalog.Catalog // of ledger and list
	end    *catalog.View    // after's, behind its last change
	setups []catalog.Input  // of ledger and list
	ids    map[event.ID]int // of the list, and made-up ones for definitions without an id
	made   []event.ID       // by fact: its id, or the made-up one

	numbers map[string]bool    // orders that the list itself makes known: true where it says what they held
	formats []string           // of every packing spec there ever was
	refs    map[event.ID]*ref  // what facts refer to, as far as looked up
	chains  map[event.ID]chain // of restatements, as far as followed
	weights map[int]error      // what is wrong with a count by weight

	fault *Error
	err   error
}

func newChecker(facts []event.Fact, k Known) (*checker, error) {
	held, before, err := catalogOf(k)
	if err != nil {
		return nil, err
	}
	c := &checker{
		facts: facts, k: k,
		skip:   make([]bool, len(facts)),
		made:   make([]event.ID, len(facts)),
		ids:    make(map[event.ID]int, len(facts)),
		refs:   map[event.ID]*ref{},
		chains: map[event.ID]chain{},
		before: before,
		setups: slices.Clip(held), // appending copies it
	}
	var ledger map[event.ID]bool // made where a fact has an id
	for i := range facts {
		c.made[i] = facts[i].ID
		if c.made[i].IsZero() {
			if setup(facts[i].Data) {
				c.made[i] = unrecorded(i)
				c.ids[c.made[i]] = i
			}
		} else {
			if ledger == nil {
				ledger = make(map[event.ID]bool, len(held))
				for _, h := range held {
					ledger[h.Event.ID] = true
				}
			}
			if _, twice := c.ids[c.made[i]]; twice || ledger[c.made[i]] {
				c.skip[i] = true
				continue
			}
			c.ids[c.made[i]] = i
		}
		if d := facts[i].Data; setup(d) {
			c.setups = append(c.setups, catalog.Input{Event: &event.Event{ID: c.made[i], Kind: d.Kind(), Version: 1, Time: facts[i].Time, Data: d}})
		}
	}
	c.after = c.before
	if len(c.setups) > len(held) {
		c.after = catalog.Build(c.setups)
	}
	c.end = c.after.End()
	return c, nil
}

func catalogOf(k Known) ([]catalog.Input, *catalog.Catalog, error) {
	if b, ok := k.(Built); ok {
		return b.Catalog()
	}
	held, err := k.Setup()
	if err != nil {
		return nil, nil, err
	}
	return held, catalog.Build(held), nil
}

// unrecorded is an id for the definition at place i of a list, until recording gives it one. Like that one it stands behind all ids of
// the ledger and in the order of the list; its time is one that no recorded id carries.
func unrecorded(i int) event.ID {
	id := event.ID{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}
	for b := 0; b < 8; b++ {
		id[15-b] = byte(uint64(i) >> (8 * b))
	}
	return id
}

func setup(d event.Data) bool {
	switch d.(type) {
	case *event.Shop, *event.Item, *event.Retire, *event.PackSpec, *event.MakeSpec:
		return true
	}
	return false
}

// each calls fn for the facts that count, until a fault is found.
func (c *checker) each(fn func(i int, f *event.Fact)) {
	for i := range c.facts {
		if c.skip[i] {
			continue
		}
		if fn(i, &c.facts[i]); c.fault != nil || c.err != nil {
			return
		}
	}
}

// fail keeps the first fault, unless the ledger holds the fact already. That is asked only here, so a list without faults costs no look-up.
func (c *checker) fail(i int, field, hint, why string, args ...any) {
	if c.fault != nil || c.err != nil || c.skip[i] {
		return
	}
	if id := c.facts[i].ID; !id.IsZero() {
		_, held, err := c.k.Event(id)
		if err != nil || held {
			c.err, c.skip[i] = err, true
			return
		}
	}
	c.fault = &Error{Index: i, Field: field, Why: fmt.Sprintf(why, args...), Hint: hint}
}

// The first instant that an id or a fact may carry.
var earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

const day = 24 * 60 * 60 * 1000

// times looks at the clock.
func (c *checker) times() {
	c.each(func(i int, f *event.Fact) {
		switch ms := f.Time.Ms(); {
		case ms > c.now+day:
			c.fail(i, "time", "correct the date, or the clock of this device", "%s is more than a day in the future", f.Time)
		case ms < earliest:
			c.fail(i, "time", "correct the date", "%s is before the year 2000", f.Time)
		}
		if f.ID.IsZero() {
			return
		}
		if ms := f.ID.Ms(); ms > c.now+day || ms < earliest {
			at := time.UnixMilli(ms).UTC().Format(time.DateOnly)
			c.fail(i, "id", "leave the id out, or make one of the present", "%s carries the day %s, and ids run from the year 2000 to a day ahead", f.ID, at)
		}
	})
}

// item returns an item, or fails with the names nearest to it.
func (c *checker) item(i int, field, id string) (*catalog.Item, bool) {
	if it, ok := c.after.Find(id); ok {
		return it, true
	}
	c.fail(i, field, c.meant(id), "item %s is not defined", id)
	return nil, false
}

// meant advises on an unknown item.
func (c *checker) meant(id string) string {
	names := make([]string, len(c.after.Items))
	for n, it := range c.after.Items {
		names[n] = it.ID
	}
	define := "define it first (kind item)"
	if alike := near.Names(id, names); len(alike) > 0 {
		return "write " + orList(alike) + ", or " + define
	}
	return define
}

// stocked returns an item that has stock of its own; doing is what the fact would do with it.
func (c *checker) stocked(i int, field, id, doing string) (*catalog.Item, bool) {
	it, ok := c.item(i, field, id)
	if ok && it.Prepared() {
		c.fail(i, field, "record it for its parts: "+c.partsOf(it), "item %s is prepared from its parts and has no stock of its own, so it can't be %s", id, doing)
		return nil, false
	}
	return it, ok
}

func (c *checker) partsOf(it *catalog.Item) string {
	var names []string
	for _, p := range c.end.Def(it.Index).Parts {
		names = append(names, p.Item)
	}
	return andList(names)
}

// unit fails if the item never had the pack or measure; what is "pack" or "measure".
func (c *checker) unit(i int, field string, it *catalog.Item, what, name string) {
	if name == "" {
		return
	}
	if _, ok := c.end.Unit(it.Index, what, name); ok {
		return
	}
	def := c.end.Def(it.Index)
	own, other, otherWhat := def.Packs, def.Measures, "measure"
	if what == "measure" {
		own, other, otherWhat = def.Measures, def.Packs, "pack"
	}
	hint := fmt.Sprintf("give the quantity in %s, or add the %s to the item", it.Unit(), what)
	if names := slices.Sorted(maps.Keys(own)); len(names) > 0 {
		hint = "it has " + andList(names) + "; " + hint
	}
	if _, ok := other[name]; ok {
		hint = fmt.Sprintf("%s is a %s of it; %s", name, otherWhat, hint)
	}
	c.fail(i, field, hint, "item %s has no %s %s", it.ID, what, name)
}

func andList(names []string) string { return list(names, " and ") }
func orList(names []string) string  { return list(names, " or ") }

// list writes up to eight names as a sentence would.
func list(names []string, last string) string {
	const most = 8
	if n := len(names); n > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", n-most)
	} else if n > 1 {
		return strings.Join(names[:n-1], ", ") + last + names[n-1]
	}
	return strings.Join(names, "")
}
