package bridge

import (
	"errors"
	"slices"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
)

// Window is the time of a bridge: what lies after From up to To.
type Window struct {
	From, To event.Key
	FromMs   int64      // instant at which it begins
	ToMs     int64      // and at which it ends
	Box      event.ID   // R, the restock or print run that it is about; zero: none came before its end
	Twins    []event.ID // restocks that are near-identical to R
	RanOut   bool       // it ends with nothing left, or by a count less than one use
	Counted  bool       // it ends with a count
}

// Days is its exact length in ms; see day.
func (w *Window) length() int64 { return w.ToMs - w.FromMs }

const day = 24 * 60 * 60 * 1000

// Ask says which window is wanted: instants in ms, 0 where the rules of the package comment choose. From is inclusive, To as well.
type Ask struct{ From, To int64 }

// ErrNothing is returned of an item that never came in, was never used and never counted.
var ErrNothing = errors.New("nothing of it ever moved")

// ErrOrder is returned where a window would end before it begins.
var ErrOrder = errors.New("the window ends before it begins")

// Window finds the window that was asked for.
func (r *Record) Window(item int, ask Ask) (Window, error) {
	list := r.moves[item]
	if len(list) == 0 {
		return Window{}, ErrNothing
	}
	var w Window
	if ask.To != 0 {
		w.To, w.ToMs = event.Key{Ms: ask.To, Rank: 255}, ask.To
		if i := r.lastBy(item, w.To); i >= 0 {
			w.RanOut, w.Counted = r.empty(item, &list[i]), list[i].Kind == event.KindCount
		}
	} else {
		r.end(item, &w)
	}
	if err := r.begin(item, &w, ask.From); err != nil {
		return w, err
	}
	return w, nil
}

// Before returns up to n windows before one, the latest first: each is about the box before, and ends where the one after it begins.
func (r *Record) Before(item int, w Window, n int) []Window {
	var out []Window
	for range n {
		next := Window{To: w.From, ToMs: w.FromMs}
		i := r.lastBy(item, next.To)
		if i < 0 {
			break
		}
		next.Counted = r.moves[item][i].Kind == event.KindCount
		next.RanOut = r.empty(item, &r.moves[item][i])
		if err := r.begin(item, &next, 0); err != nil || next.Box.IsZero() || next.length() <= 0 {
			break
		}
		out = append(out, next)
		w = next
	}
	return out
}

// lastBy is the index of the item's last movement up to a place, -1 if there is none.
func (r *Record) lastBy(item int, at event.Key) int {
	list := r.moves[item]
	for i := len(list) - 1; i >= 0; i-- {
		if !at.Before(keyOf(&list[i])) {
			return i
		}
	}
	return -1
}

func keyOf(m *fold.Movement) event.Key { return event.Key{Ms: m.Ms, Rank: m.Kind.Rank(), ID: m.Event} }

// end finds where the window ends if nobody says so.
func (r *Record) end(item int, w *Window) {
	list := r.moves[item]
	last := -1
	for i := len(list) - 1; i >= 0; i-- {
		// Of several movements of one event the last says what is on hand after it.
		if (i+1 == len(list) || list[i+1].Event != list[i].Event) && r.empty(item, &list[i]) {
			w.To, w.ToMs, w.RanOut, w.Counted = keyOf(&list[i]), list[i].Ms, true, list[i].Kind == event.KindCount
			return
		}
		if last < 0 && list[i].Kind == event.KindCount {
			last = i
		}
	}
	if last >= 0 {
		w.To, w.ToMs, w.Counted = keyOf(&list[last]), list[last].Ms, true
		return
	}
	w.ToMs = r.asOf()
	w.To = event.Key{Ms: w.ToMs, Rank: 255}
}

// asOf is the end of the fold, or of what moved where it has none.
func (r *Record) asOf() int64 {
	if r.State.AsOf != 0 {
		return r.State.AsOf
	}
	last := int64(0)
	for _, list := range r.moves {
		if n := len(list); n > 0 {
			last = max(last, list[n-1].Ms)
		}
	}
	return last
}

// empty reports whether nothing is left after a movement, or, by a count, less than the smallest line of the specs in force.
func (r *Record) empty(item int, m *fold.Movement) bool {
	if m.OnHand.Sign() <= 0 {
		return true
	}
	if m.Kind != event.KindCount {
		return false
	}
	least, ok := r.smallest(item, keyOf(m))
	return ok && m.OnHand.Less(least)
}

// smallest is the smallest quantity of an item that a line of the specs in force takes.
func (r *Record) smallest(item int, at event.Key) (least num.Qty, ok bool) {
	v := r.Log.Catalog.At(at)
	look := func(lines []event.Line) {
		for i := range lines {
			l := &lines[i]
			it, found := r.Log.Catalog.Find(l.Item)
			if !found {
				continue
			}
			each, found := v.Units(it.Index, l.Qty, l.Measure, l.Pack)
			if !found {
				continue
			}
			v.Parts(it.Index, each, func(part int, qty num.Qty) {
				if part == item && qty.Sign() > 0 && (!ok || qty.Less(least)) {
					least, ok = qty, true
				}
			})
		}
	}
	if s := v.Spec(); s != nil {
		look(s.Data.Lines)
		for i := range s.Data.Formats {
			look(s.Data.Formats[i].Lines)
		}
	}
	for i := range r.Log.Catalog.Items {
		if mk := v.Make(i); mk != nil {
			look(mk.Data.Lines)
		}
	}
	return least, ok
}

// begin finds R and where the window begins; from is what was asked for, 0 for nothing.
func (r *Record) begin(item int, w *Window, from int64) error {
	list := r.moves[item]
	box := r.box(item, w.To)
	if box >= 0 {
		box, w.Twins = r.firstOf(item, box, w.To)
		w.Box = list[box].Event
	}
	switch {
	case from != 0:
		w.From, w.FromMs = event.Key{Ms: from - 1, Rank: 255, ID: lastID}, from
		if box >= 0 && !w.From.Before(keyOf(&list[box])) {
			w.Box, w.Twins = event.ID{}, nil // it stands before the window, and is part of what was there
		}
	case box >= 0:
		r.justBefore(item, w, box)
	default:
		r.first(w, list)
	}
	if w.To.Before(w.From) || w.ToMs < w.FromMs {
		return ErrOrder
	}
	return nil
}

var lastID = event.ID{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}

// box is the index of the last movement up to a place by which goods came in, or were made where none ever came; -1 if there is none.
func (r *Record) box(item int, to event.Key) int {
	list := r.moves[item]
	for _, kind := range []event.Kind{event.KindRestock, event.KindReprint} {
		for i := len(list) - 1; i >= 0; i-- {
			if m := &list[i]; m.Kind == kind && m.Column.In() && m.Qty.Sign() > 0 && !to.Before(keyOf(m)) {
				return i
			}
		}
	}
	return -1
}

// justBefore begins a window behind the last count before R, or at R.
func (r *Record) justBefore(item int, w *Window, box int) {
	list := r.moves[item]
	at := keyOf(&list[box])
	for i := box - 1; i >= 0; i-- {
		if m := &list[i]; m.Kind == event.KindCount && keyOf(m).Before(at) {
			w.From, w.FromMs = keyOf(m), m.Ms
			return
		}
	}
	w.From, w.FromMs = before(at), at.Ms
}

// first begins a window of an item that never came in: behind its first count, else at what moved first.
func (r *Record) first(w *Window, list moves) {
	for i := range list {
		if list[i].Kind == event.KindCount && keyOf(&list[i]).Before(w.To) {
			w.From, w.FromMs = keyOf(&list[i]), list[i].Ms
			return
		}
	}
	w.From, w.FromMs = before(keyOf(&list[0])), list[0].Ms
}

// before is the last place before an event's.
func before(k event.Key) event.Key {
	for i := len(k.ID) - 1; i >= 0; i-- {
		k.ID[i]--
		if k.ID[i] != 0xff {
			break
		}
	}
	return k
}

const near = 3 * day

// firstOf returns the first of the near-identical restocks that end with the one at an index, and all of them but that one.
func (r *Record) firstOf(item, box int, to event.Key) (int, []event.ID) {
	list := r.moves[item]
	own := r.lineOf(item, list[box].Event)
	if own == nil {
		return box, nil
	}
	first := box
	twins := []event.ID{}
	for i := box - 1; i >= 0 && list[i].Ms >= list[first].Ms-near; i-- {
		m := &list[i]
		if m.Kind != event.KindRestock || m.Column != fold.Bought || m.Event == list[first].Event {
			continue
		}
		if l := r.lineOf(item, m.Event); l != nil && sameLine(l, own) {
			twins = append(twins, list[first].Event)
			first = i
		}
	}
	slices.Reverse(twins)
	return first, twins
}

// lineOf is the first line of an item in a restock.
func (r *Record) lineOf(item int, id event.ID) *event.RestockLine {
	e, ok := r.Log.Event(id)
	if !ok {
		return nil
	}
	d, ok := e.Data.(*event.Restock)
	if !ok {
		return nil
	}
	name := r.Log.Catalog.Items[item].ID
	for i := range d.Lines {
		if d.Lines[i].Item == name {
			return &d.Lines[i]
		}
	}
	return nil
}

func sameLine(a, b *event.RestockLine) bool {
	return a.Pack == b.Pack && a.Qty.Cmp(*b.Qty) == 0 && a.Cost.Cmp(*b.Cost) == 0
}
