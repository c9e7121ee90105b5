package entry

import (
	"fmt"

	"countback/ledger/event"
)

// ref is an event that a fact refers to, in the ledger or in the list.
type ref struct {
	found    bool
	kind     event.Kind
	data     event.Data // nil for a kind that the program doesn't know, and for a void event
	void     bool
	reversed bool // in the ledger; a reversal in the same list may come later, and then nothing is wrong yet
}

// refer looks an event up, once for each id. The ledger comes first: a fact of the list with the same id is not going to be recorded.
func (c *checker) refer(id event.ID) *ref {
	if r, ok := c.refs[id]; ok {
		return r
	}
	r := &ref{}
	c.refs[id] = r
	e, held, err := c.k.Event(id)
	switch {
	case err != nil:
		c.err = err
	case held:
		*r = ref{found: true, kind: e.Kind, data: e.Data, void: e.Fault != nil}
		if _, void := c.before.Void[id]; void {
			r.void = true
		}
		if r.reversed, err = c.k.Reversed(id); err != nil {
			c.err = err
		}
	default:
		if i, ok := c.ids[id]; ok && !c.facts[i].ID.IsZero() {
			d := c.facts[i].Data
			*r = ref{found: true, kind: d.Kind(), data: d}
		}
	}
	return r
}

// need looks up an event that must be of a kind and count; it fails and returns nil if it isn't or doesn't.
func (c *checker) need(i int, field string, id event.ID, kind event.Kind) *ref {
	r := c.refer(id)
	hint := "copy the id of the " + string(kind) + " from countback history ITEM"
	switch {
	case c.err != nil:
	case !r.found:
		c.fail(i, field, hint, "no event has the id %s", id)
	case r.kind != kind:
		c.fail(i, field, hint, "%s is of the kind %s, not %s", id, r.kind, kind)
	case r.void || r.data == nil:
		c.fail(i, field, "record the "+string(kind)+" anew first (countback review says why)", "%s %s doesn't count", kind, id)
	case r.reversed:
		c.fail(i, field, hint+" that stands in its place", "%s %s was reversed", kind, id)
	default:
		return r
	}
	return nil
}

// instead says what to do where an event can't be reversed.
var instead = map[event.Kind]string{
	event.KindReverse: "record again the fact that it took out",
	event.KindDecide:  "record another decide on the same event; the last one counts",
	event.KindItem:    "record another item with what changes, or one that restates it",
	event.KindShop:    "record another shop with what changes",
	event.KindClose:   "a closed month stays as it is; what is corrected later shows in the next one",
	event.KindDevice:  "revoke the device (countback revoke)",
	event.KindRevoke:  "pair the device anew (countback pair)",
}

func (c *checker) reverse(i int, d *event.Reverse) {
	r := c.refer(d.Event)
	switch {
	case c.err != nil:
	case d.Event == c.facts[i].ID:
		c.fail(i, "event", "name the event to take out", "it would reverse itself")
	case !r.found:
		c.fail(i, "event", "copy the id from countback history", "no event has the id %s", d.Event)
	case !r.kind.Known():
		c.fail(i, "event", "use a newer program", "%s is of the kind %s, which this program doesn't know", d.Event, r.kind)
	case !r.kind.Reversible():
		what := "a " + string(r.kind)
		if r.kind == event.KindItem {
			what = "an item"
		}
		c.fail(i, "event", instead[r.kind], "%s is %s, which can't be reversed", d.Event, what)
	case r.reversed:
		c.fail(i, "event", "nothing is left to do; to undo a reversal record the fact again", "%s %s was reversed already", r.kind, d.Event)
	}
}

// decide settles whether a pack counts; no other kind waits for a decision.
func (c *checker) decide(i int, d *event.Decide) {
	c.need(i, "event", d.Event, event.KindPack)
}

// close looks for what it accepts; its figures are worked out by whoever makes it.
func (c *checker) close(i int, d *event.Close) {
	for n, id := range d.Accepted {
		if r := c.refer(id); c.err == nil && !r.found {
			c.fail(i, fmt.Sprintf("accepted[%d]", n), "close again, with the questions as they are now", "no event has the id %s", id)
		}
	}
}

// spec looks at a spec that a pack or a run names. One that was reversed may be named: what is in force then counts.
func (c *checker) spec(i int, id event.ID, kind event.Kind, item string) {
	if id.IsZero() {
		return
	}
	ok := false
	if kind == event.KindPackSpec {
		_, ok = c.end.Named(id)
	} else if it, found := c.after.Find(item); found {
		_, ok = c.end.NamedMake(it.Index, id)
	}
	if ok {
		return
	}
	r := c.refer(id)
	if d, isMake := r.data.(*event.MakeSpec); isMake && kind == event.KindMakeSpec && d.Item != item {
		c.fail(i, "spec", "name one of "+item+", or leave it out for the one in force", "%s is the make spec of %s, not of %s", id, d.Item, item)
	}
	if c.need(i, "spec", id, kind) != nil {
		c.fail(i, "spec", "leave it out for the spec in force", "%s %s doesn't count", kind, id)
	}
}

// chain is what is known of the restatements from one event on.
type chain struct {
	walking bool
	hint    string
	why     string // empty: sound
}

// restates looks at what a definition takes the place of.
func (c *checker) restates(i int, id event.ID) {
	if id.IsZero() {
		return
	}
	d := c.facts[i].Data
	r := c.need(i, "restates", id, d.Kind())
	if r == nil {
		return
	}
	if was, is := subject(r.data), subject(d); was != is {
		c.fail(i, "restates", "name an event of "+is, "%s is about %s, not %s", id, was, is)
	}
	if ch := c.follow(c.made[i], d); ch.why != "" {
		c.fail(i, "restates", ch.hint, "%s", ch.why)
	}
}

// follow goes along restatements to their end: to restate what restates a reversed event, or itself, has no effect.
func (c *checker) follow(id event.ID, d event.Data) chain {
	if ch, ok := c.chains[id]; ok {
		if ch.walking {
			ch = chain{why: "the restatements close a circle at " + id.String(), hint: "restate the event that was first recorded"}
		}
		return ch
	}
	next := event.Restated(d)
	if next.IsZero() || c.err != nil {
		return chain{}
	}
	c.chains[id] = chain{walking: true}
	var ch chain
	switch r := c.refer(next); {
	case !r.found || r.data == nil: // said where it is named
	case r.reversed:
		ch = chain{why: string(r.kind) + " " + next.String() + ", which it goes back to, was reversed", hint: "record it without restates"}
	default:
		ch = c.follow(next, r.data)
	}
	c.chains[id] = ch
	return ch
}

// subject is the item that a definition is about; all packing specs are about the same.
func subject(d event.Data) string {
	switch d := d.(type) {
	case *event.Item:
		return d.Item
	case *event.MakeSpec:
		return d.Item
	}
	return ""
}
