package fold

import (
	"fmt"

	"countback/ledger/catalog"
	"countback/ledger/chain"
	"countback/ledger/event"
)

// Log is a ledger's events, decoded as far as a fold needs before it runs, and what is known about them over all time.
type Log struct {
	Catalog *catalog.Catalog

	devices  []string
	recs     []rec                     // in fold order
	slabs    []slab                    // bytes of orders and packs
	events   []*event.Event            // all others
	other    map[event.ID]*event.Event // all but orders and packs
	reversed map[event.ID]bool
	decided  map[event.ID]bool // the last decision: keep
	notices  []Notice          // found while reading
	unknown  map[string]int    // kinds that this program doesn't know, with their number of events
	unlike   []Place           // of events that another of their id, which isn't the same in all, has taken the id of
	known    int64
	falls    bool // ids don't rise as they arrived, so that some may stand twice
}

// rec is one event of the log. It holds no pointer: there may be millions, and a collector would look at each.
type rec struct {
	key  event.Key
	seq  int32
	at   uint32 // of an order's or a pack's bytes in their slab; of any other, in events
	slab uint32
	dev  uint16
	kind kindCode
	off  bool // reversed: only an order still means something
}

// event returns what was read of an event that is neither an order nor a pack in the right version; nil for those.
func (l *Log) event(rc *rec) *event.Event {
	if rc.kind == isOrder || rc.kind == isPack {
		return nil
	}
	return l.events[rc.at]
}

type kindCode uint8

const (
	isSetup kindCode = iota
	isOrder
	isPack
	isPurchase
	isRestock
	isCredit
	isReprint
	isDamage
	isReturn
	isCount
	isOther
	isVoid // fails the check of shape
)

var codes = map[event.Kind]kindCode{
	event.KindShop: isSetup, event.KindItem: isSetup, event.KindRetire: isSetup, event.KindPackSpec: isSetup, event.KindMakeSpec: isSetup,
	event.KindDevice: isSetup, event.KindRevoke: isSetup,
	event.KindOrder: isOrder, event.KindPack: isPack, event.KindPurchase: isPurchase, event.KindRestock: isRestock, event.KindCredit: isCredit, event.KindReprint: isReprint,
	event.KindDamage: isDamage, event.KindReturn: isReturn, event.KindCount: isCount,
}

// settle finds what acts by reference.
func (l *Log) settle() {
	if len(l.devices) > 1 {
		l.dropRevoked()
	}
	if l.falls { // of several logs too: whose ids rise all the way are all different
		l.dropDoubled()
	}
	l.reversals()
	for i := range l.recs {
		if rc := &l.recs[i]; rc.kind == isVoid && !rc.off {
			e := l.event(rc)
			l.notice(rc.key.ID, "void", string(e.Kind), e.Fault.Error(), "record it anew")
			if _, setup := codes[e.Kind]; rc.key.Rank > 0 && setup {
				l.notices[len(l.notices)-1].from = rc.key.Ms
			}
		}
	}
	l.decisions()
	l.dropRecs(func(i int) bool { return l.recs[i].kind == isVoid })
	for i := range l.recs {
		if e := l.event(&l.recs[i]); e != nil {
			l.other[e.ID] = e
		}
	}
	var setup []catalog.Input
	for i := range l.recs {
		if rc := &l.recs[i]; rc.kind == isSetup {
			setup = append(setup, catalog.Input{Event: l.event(rc), Reversed: l.reversed[rc.key.ID]})
		}
	}
	l.Catalog = catalog.Build(setup)
	for id, why := range l.Catalog.Void {
		l.notice(id, "void", string(l.other[id].Kind), why, "record it anew")
	}
}

// dropDoubled keeps, of events with one id, the one of the smallest source, and in one log the first.
func (l *Log) dropDoubled() {
	first := make(map[event.ID]int, len(l.recs))
	gone := map[int]bool{}
	for i := range l.recs {
		id := l.recs[i].key.ID
		if id.IsZero() { // it can't be read
			continue
		}
		k, ok := first[id]
		if !ok {
			first[id] = i
			continue
		}
		drop := i
		a, b := &l.recs[k], &l.recs[i]
		if l.devices[b.dev] < l.devices[a.dev] || b.dev == a.dev && b.seq < a.seq {
			first[id], drop = i, k
		}
		gone[drop] = true
		if a.key != b.key || a.kind != b.kind || l.said(a) != l.said(b) {
			which := "two devices recorded different facts under this id; that of " + l.devices[l.recs[first[id]].dev] + " counts"
			if a.dev == b.dev {
				which = "device " + l.devices[a.dev] + " recorded different facts under this id; the first counts"
			}
			l.notice(id, "doubled", "", which, "record the other anew")
		}
	}
	for i := range gone {
		rc := &l.recs[i]
		if w := &l.recs[first[rc.key.ID]]; w.key != rc.key || l.about(w) != l.about(rc) {
			l.unlike = append(l.unlike, Place{l.devices[rc.dev], int64(rc.seq)})
		}
	}
	l.dropRecs(func(i int) bool { return gone[i] })
}

// about is the event's kind, also where its data are of the wrong shape.
func (l *Log) about(rc *rec) event.Kind {
	switch e := l.event(rc); {
	case e != nil:
		return e.Kind
	case rc.kind == isOrder:
		return event.KindOrder
	}
	return event.KindPack
}

func (l *Log) dropRecs(gone func(i int) bool) {
	n := 0
	for i := range l.recs {
		if !gone(i) {
			l.recs[n] = l.recs[i]
			n++
		}
	}
	clear(l.recs[n:])
	l.recs = l.recs[:n]
}

// dropRevoked drops what a revoked device recorded after the last of its events that the keeper let stand. Which events came
// from members at all is the chain's matter and settled before a store takes them. It goes before dropDoubled: what is void takes no other event's id.
func (l *Log) dropRevoked() {
	void := l.void()
	if void == nil {
		return
	}
	l.dropRecs(func(i int) bool {
		rc := &l.recs[i]
		if !void(l.devices[rc.dev], int64(rc.seq)) {
			return false
		}
		l.notice(rc.key.ID, "void", "", "it was recorded on a device after the event up to which the device was trusted", "record it anew if it is true")
		return true
	})
}

// void returns what says whether an event stands behind the end of a revoked log, nil if nobody was revoked. Whose revocations count the chain knows, from
// the founder's first event on; in a part of a ledger without that one, each is taken at its word.
func (l *Log) void() func(device string, seq int64) bool {
	var told []*event.Event
	last := map[string]int64{}
	for i := range l.recs {
		e := l.event(&l.recs[i])
		if e == nil {
			continue
		}
		switch d := e.Data.(type) {
		case *event.Device, *event.Shop:
			told = append(told, e)
		case *event.Revoke:
			told = append(told, e)
			if n, seen := last[d.Device]; !seen || d.Last < n {
				last[d.Device] = d.Last
			}
		}
	}
	if len(last) == 0 {
		return nil
	}
	if m := chain.Of(told[0].Shop, told); m.Keeper() != "" {
		return m.Void
	}
	return func(device string, seq int64) bool {
		n, ok := last[device]
		return ok && seq > n
	}
}

// reversals marks what is left out. A reversal of what can't be reversed is void; one of an event that isn't there waits.
func (l *Log) reversals() {
	targets := map[event.ID][]*event.Event{}
	for i := range l.recs {
		if e := l.event(&l.recs[i]); e != nil {
			if d, ok := e.Data.(*event.Reverse); ok {
				targets[d.Event] = append(targets[d.Event], e)
			}
		}
	}
	if len(targets) == 0 {
		return
	}
	found := map[event.ID]bool{}
	for i := range l.recs {
		rc := &l.recs[i]
		by, ok := targets[rc.key.ID]
		if !ok {
			continue
		}
		found[rc.key.ID] = true
		if of := l.event(rc); of != nil && !of.Kind.Reversible() {
			for _, e := range by {
				l.notice(e.ID, "void", "reverse", fmt.Sprintf("a %s can't be reversed; record what is right instead", of.Kind))
			}
			continue
		}
		l.reversed[rc.key.ID] = true
		rc.off = true
	}
	for id, by := range targets {
		if found[id] {
			continue
		}
		for _, e := range by {
			l.notice(e.ID, "waiting", "reverse", fmt.Sprintf("it reverses %s, which isn't here", id))
		}
	}
}

// decisions finds the last decision on each event. One on an event that isn't there is void; one on a void event has nothing to decide, as on any that is no pack.
func (l *Log) decisions() {
	by := map[event.ID][]event.ID{}
	for i := range l.recs { // in fold order: the last one stays
		if e := l.event(&l.recs[i]); e != nil && e.Fault == nil {
			if d, ok := e.Data.(*event.Decide); ok {
				l.decided[d.Event] = *d.Keep
				by[d.Event] = append(by[d.Event], e.ID)
			}
		}
	}
	if len(by) == 0 {
		return
	}
	for i := range l.recs {
		delete(by, l.recs[i].key.ID)
	}
	for id, decides := range by {
		for _, d := range decides {
			l.notice(d, "void", "decide", fmt.Sprintf("it decides on %s, which isn't here", id), "decide again on the event that is meant")
		}
	}
}

// Events lists the events that the program understands and that are of the right shape, in fold order, without orders and packs; reversed ones included.
func (l *Log) Events(fn func(e *event.Event, reversed bool)) {
	for i := range l.recs {
		if e := l.event(&l.recs[i]); e != nil {
			fn(e, l.recs[i].off)
		}
	}
}

// Ref names an event of a log that stands: of the right shape, not doubled, and not behind the end of a revoked log.
type Ref struct {
	ID       event.ID
	Kind     event.Kind
	Ms       int64
	Device   string
	Seq      int64
	Reversed bool
}

// Refs lists every event that stands, in fold order, orders and packs included.
func (l *Log) Refs(fn func(Ref)) {
	for i := range l.recs {
		rc := &l.recs[i]
		fn(Ref{rc.key.ID, l.about(rc), rc.key.Ms, l.devices[rc.dev], int64(rc.seq), rc.off})
	}
}

// Len returns the number of events that a fold goes through.
func (l *Log) Len() int { return len(l.recs) }

// Unknown returns the kinds that this program doesn't know, with their number of events. Reports say so, and nothing is closed.
func (l *Log) Unknown() map[string]int { return l.unknown }

// Reversed reports whether an event was reversed.
func (l *Log) Reversed(id event.ID) bool { return l.reversed[id] }

// Event returns an event that is neither an order nor a pack.
func (l *Log) Event(id event.ID) (*event.Event, bool) { e, ok := l.other[id]; return e, ok }
