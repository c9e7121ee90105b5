package closing

import (
	"bytes"
	"context"
	"slices"

	"countback/ledger/event"
	"countback/projections/fold"
)

// Late is an event that changes what was closed before it came.
type Late struct {
	Event event.ID
	Kind  event.Kind
	Ms    int64
	About string // the item or order, or the event that it is about

	at place
}

// late lists the events that now covers and old doesn't, and that act before the end of the periods that old closed: facts of that time, and what acts on that
// time by reference. It also returns those periods as they look now. A definition is listed only where those periods have become different at all, since
// most of what is defined later touches nothing before it.
func (l *Ledger) late(ctx context.Context, old, now *covered, end int64) ([]Late, *cut, error) {
	fresh := map[event.ID]bool{}
	now.log.Refs(func(r fold.Ref) {
		if !old.covers(r.Device, r.Seq) {
			fresh[r.ID] = true
		}
	})
	is := now.at(end, fresh)
	if len(fresh) == 0 {
		return nil, is, nil
	}
	f := finder{old: old, now: now, end: end, is: is, changed: is.print != old.at(end, nil).print}
	f.look(fresh)
	if err := f.open(ctx, l.src, fresh); err != nil {
		return nil, nil, err
	}
	var list, rest []Late
	now.log.Refs(func(r fold.Ref) {
		if !fresh[r.ID] {
			return
		}
		e := Late{Event: r.ID, Kind: r.Kind, Ms: r.Ms, at: place{r.Device, r.Seq}}
		switch {
		case f.acts(r):
			list = append(list, e)
		case f.changed && r.Kind != event.KindClose && r.Kind != event.KindDevice && r.Kind != event.KindPurchase:
			rest = append(rest, e)
		}
	})
	if len(list) == 0 { // two that each make up for the other's absence: better both than none
		list = rest
	}
	return list, is, l.about(ctx, list)
}

// finder says which events act on what was closed.
type finder struct {
	old, now *covered
	end      int64
	is       *cut
	changed  bool                  // the closed periods look different now
	was      map[event.ID]fold.Ref // events of the closed periods that fresh ones are about
	held     map[event.ID]fold.Ref // the same, as they are now
	orders   map[event.ID]bool     // orders of which the closed periods have a pack
	firsts   map[event.ID]bool     // definitions that hold from the beginning of time
	cut      map[event.ID]bool     // revocations that take something out of the closed periods
	idle     map[event.ID]bool     // what is void or pending now
	named    map[event.ID]bool     // what events of the closed periods name that were void without it
}

// look gathers what acts needs to know of other events.
func (f *finder) look(fresh map[event.ID]bool) {
	f.was, f.held = map[event.ID]fold.Ref{}, map[event.ID]fold.Ref{}
	f.firsts, f.cut = map[event.ID]bool{}, map[event.ID]bool{}
	if !f.changed {
		return
	}
	about := map[event.ID]bool{}
	revokes := map[event.ID]*event.Revoke{}
	seen := map[string]bool{}
	f.now.log.Events(func(e *event.Event, reversed bool) {
		if !reversed {
			f.first(e, seen, f.firsts)
		}
		if !fresh[e.ID] {
			return
		}
		about[e.ID] = true // of a doubled id
		switch d := e.Data.(type) {
		case *event.Reverse:
			about[d.Event] = true
		case *event.Decide:
			about[d.Event] = true
		case *event.Revoke:
			revokes[e.ID] = d
		}
	})
	before, seen := map[event.ID]bool{}, map[string]bool{}
	f.old.log.Events(func(e *event.Event, reversed bool) {
		if !reversed {
			f.first(e, seen, before)
		}
	})
	f.old.log.Refs(func(r fold.Ref) {
		if r.Ms > f.end && !f.reaches(f.old.log, r, before) {
			return
		}
		if about[r.ID] || fresh[r.ID] {
			f.was[r.ID] = r
		}
		for id, d := range revokes {
			if d.Device == r.Device && r.Seq > d.Last {
				f.cut[id] = true
			}
		}
	})
	f.now.log.Refs(func(r fold.Ref) {
		if about[r.ID] {
			f.held[r.ID] = r
		}
	})
}

// open looks into what a fold's reader leaves closed: it finds the fresh orders of which the closed periods have a pack, and what events name that were void
// in the closed periods and aren't any more, a spec or a purchase that came later.
func (f *finder) open(ctx context.Context, src fold.Source, fresh map[event.ID]bool) error {
	if !f.changed {
		return nil
	}
	void := map[event.ID]bool{}
	for _, n := range f.old.at(f.end, nil).state.Notices {
		void[n.Event] = void[n.Event] || n.Topic == "void"
	}
	f.named, f.orders, f.idle = map[event.ID]bool{}, map[event.ID]bool{}, map[event.ID]bool{}
	for _, n := range f.is.state.Notices {
		f.idle[n.Event] = f.idle[n.Event] || n.Topic == "void" || n.Topic == "pending"
		if n.Topic == "void" {
			delete(void, n.Event)
		}
	}
	scan := event.NewScanner()
	return src.Lines(ctx, func(line []byte) error {
		in, err := scan.Line(line)
		order := in.Kind == event.KindOrder && fresh[in.ID]
		if err != nil || !order && !void[in.ID] {
			return err
		}
		e, err := event.ParseLine(bytes.Clone(line))
		if err != nil {
			return err
		}
		switch d := e.Data.(type) {
		case *event.Order:
			o := f.is.state.Orders[d.Order]
			f.orders[in.ID] = o != nil && (o.Packs > 0 || len(o.Pending) > 0)
		case *event.Pack:
			f.named[d.Spec] = true
		case *event.Reprint:
			f.named[d.Spec] = true
		case *event.Restock:
			f.named[d.Purchase] = true
		}
		return nil
	})
}

// first notes the definitions that hold from the beginning of time: the first of each item and of each spec.
func (f *finder) first(e *event.Event, seen map[string]bool, firsts map[event.ID]bool) {
	name := ""
	switch d := e.Data.(type) {
	case *event.Item:
		if d.Restates.IsZero() && d.Name != "" && d.Type != "" && d.Unit != "" {
			name = "item " + d.Item
		}
	case *event.PackSpec:
		if d.Restates.IsZero() {
			name = "spec"
		}
	case *event.MakeSpec:
		if d.Restates.IsZero() {
			name = "make " + d.Item
		}
	}
	if name != "" && !seen[name] {
		seen[name] = true
		firsts[e.ID] = true
	}
}

// acts reports whether a fresh event acts on the closed periods.
func (f *finder) acts(r fold.Ref) bool {
	if _, doubled := f.was[r.ID]; doubled && f.changed { // it took the id of an event that was closed
		return true
	}
	if f.named[r.ID] {
		return true
	}
	switch r.Kind {
	case event.KindPack, event.KindReturn, event.KindRestock, event.KindCredit, event.KindReprint, event.KindDamage:
		// One that moves nothing itself may still supply an order, or use its lines up.
		return f.is.moved[r.ID] || f.changed && r.Ms <= f.end && !r.Reversed && !f.idle[r.ID]
	case event.KindCount: // one that agrees, or a figure of a session, moves nothing itself
		return r.Ms <= f.end && !r.Reversed
	}
	if !f.changed {
		return false
	}
	switch r.Kind {
	case event.KindOrder:
		return f.orders[r.ID]
	case event.KindReverse:
		target, ok := f.was[f.target(r.ID)]
		return ok && !target.Reversed
	case event.KindDecide:
		target, ok := f.held[f.target(r.ID)]
		return ok && target.Ms <= f.end
	case event.KindItem, event.KindPackSpec, event.KindMakeSpec:
		return !r.Reversed && f.reaches(f.now.log, r, f.firsts)
	case event.KindRevoke:
		return f.cut[r.ID]
	}
	return false
}

func (f *finder) target(id event.ID) event.ID {
	e, _ := f.now.log.Event(id)
	switch d := e.Data.(type) {
	case *event.Reverse:
		return d.Event
	case *event.Decide:
		return d.Event
	}
	return event.ID{}
}

// reaches reports whether the span of a definition, or of the one whose place it takes, begins before the end of the closed periods. firsts are those that
// hold from the beginning of time.
func (f *finder) reaches(log *fold.Log, r fold.Ref, firsts map[event.ID]bool) bool {
	switch r.Kind {
	case event.KindItem, event.KindPackSpec, event.KindMakeSpec:
	default:
		return false
	}
	id, ms := r.ID, r.Ms
	for range log.Len() { // a circle is void and must not hang
		e, ok := log.Event(id)
		if !ok {
			return false
		}
		ms = e.Time.Ms()
		next := event.Restated(e.Data)
		if next.IsZero() {
			break
		}
		id = next
	}
	return ms <= f.end || firsts[id]
}

// about says what the events are about.
func (l *Ledger) about(ctx context.Context, list []Late) error {
	if len(list) == 0 {
		return nil
	}
	want := map[place]*Late{}
	for i := range list {
		want[list[i].at] = &list[i]
	}
	scan := event.NewScanner()
	return l.src.Lines(ctx, func(line []byte) error {
		in, err := scan.Line(line)
		if err != nil {
			return err
		}
		late := want[place{in.Device, in.Seq}]
		if late == nil {
			return nil
		}
		e, err := event.ParseLine(bytes.Clone(line))
		if err != nil {
			return err
		}
		late.About = subject(e.Data)
		return nil
	})
}

// subject names what an event is about, in a word or a few.
func subject(d event.Data) string {
	switch d := d.(type) {
	case *event.Order:
		return d.Order
	case *event.Pack:
		return d.Order
	case *event.Return:
		return d.Order
	case *event.Restock:
		return items(d.Lines, func(l event.RestockLine) string { return l.Item })
	case *event.Credit:
		return items(d.Lines, func(l event.CreditLine) string { return l.Item })
	case *event.Reprint:
		return d.Item
	case *event.Damage:
		return d.Item
	case *event.Count:
		return d.Item
	case *event.Item:
		return d.Item
	case *event.MakeSpec:
		return d.Item
	case *event.Reverse:
		return d.Event.String()
	case *event.Decide:
		return d.Event.String()
	case *event.Revoke:
		return d.Device
	}
	return ""
}

// items names the items of lines, each once, in their order.
func items[T any](lines []T, item func(T) string) string {
	var out []string
	for _, l := range lines {
		if id := item(l); !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	const most = 3
	text := ""
	for i, id := range out {
		switch {
		case i == most:
			return text + " …"
		case i > 0:
			text += " "
		}
		text += id
	}
	return text
}
