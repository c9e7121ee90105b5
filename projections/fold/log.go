package fold

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"countback/ledger/catalog"
	"countback/ledger/event"
)

// Source is where a ledger's lines come from, in order of arrival.
type Source interface {
	Lines(ctx context.Context, fn func(line []byte) error) error
}

// Log is a ledger's events, decoded as far as a fold needs before it runs, and what is known about them over all time.
type Log struct {
	Catalog *catalog.Catalog

	devices  []string
	recs     []rec                     // in fold order
	other    map[event.ID]*event.Event // all but orders and packs
	reversed map[event.ID]bool
	decided  map[event.ID]bool // the last decision: keep
	notices  []Notice          // found while reading
	unknown  map[string]int    // kinds that this program doesn't know, with their number of events
	unlike   []Place           // of events that another of their id, which isn't the same in all, has taken the id of
	known    int64
}

// rec is one event of the log. Orders and packs keep their bytes and are decoded as the fold comes to them: they are nearly all
// of a ledger, and bytes are what a collector need not look into.
type rec struct {
	key  event.Key
	kind kindCode
	off  bool // reversed: only an order still means something
	dev  uint16
	seq  int32
	size int32
	at   int32 // of the bytes in their slab
	slab *[]byte
	e    *event.Event
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

// Choice is which events a fold looks at.
type Choice struct {
	Known int64 // if not 0, leaves out what was recorded after this instant, in milliseconds, by its id's time

	// Covers, if given, leaves out every event at a place of a log for which it is false: the event isn't there at all, so that it neither moves stock nor
	// reverses, decides, restates, defines or revokes anything, nor takes the id of another.
	Covers func(device string, seq int64) bool
}

const slabSize = 1 << 20

// reader gathers the events of a log.
type reader struct {
	log     *Log
	scan    *event.Scanner
	devices map[string]uint16
	slab    *[]byte
	covers  func(device string, seq int64) bool
}

// Read takes the events of a ledger. Lines that aren't event lines at all are an error: a store never holds one.
func Read(ctx context.Context, src Source, choice Choice) (*Log, error) {
	r := &reader{
		log: &Log{
			other:    map[event.ID]*event.Event{},
			reversed: map[event.ID]bool{},
			decided:  map[event.ID]bool{},
			unknown:  map[string]int{},
			known:    choice.Known,
		},
		scan:    event.NewScanner(),
		devices: map[string]uint16{},
		covers:  choice.Covers,
	}
	if err := src.Lines(ctx, r.line); err != nil {
		return nil, err
	}
	return r.finish(), nil
}

func (r *reader) line(line []byte) error {
	l, err := r.scan.Line(line)
	if err != nil {
		return fmt.Errorf("an event of the ledger can't be read: %w; run countback verify", err)
	}
	if r.log.known != 0 && l.ID.Ms() > r.log.known || r.covers != nil && !r.covers(l.Device, l.Seq) {
		return nil
	}
	dev, ok := r.devices[l.Device]
	if !ok {
		dev = uint16(len(r.log.devices))
		r.devices[l.Device] = dev
		r.log.devices = append(r.log.devices, l.Device)
	}
	rc := rec{key: event.Key{Ms: l.Ms, Rank: l.Kind.Rank(), ID: l.ID}, dev: dev, seq: int32(l.Seq)}
	if l.Fault == nil && l.Version == 1 && (l.Kind == event.KindOrder || l.Kind == event.KindPack) {
		rc.kind = codes[l.Kind]
		r.keep(&rc, l.Raw)
		r.log.recs = append(r.log.recs, rc)
		return nil
	}
	e, err := event.ParseLine(slices.Clone(line))
	if err != nil {
		return fmt.Errorf("an event of the ledger can't be read: %w; run countback verify", err)
	}
	r.event(rc, e)
	return nil
}

func (r *reader) event(rc rec, e *event.Event) {
	switch {
	case e.Fault == nil && !e.Understood():
		r.log.unknown[string(e.Kind)]++
		return
	case e.Fault != nil:
		rc.kind = isVoid
	default:
		rc.kind = isOther
		if c, ok := codes[e.Kind]; ok {
			rc.kind = c
		}
	}
	rc.e = e
	r.log.recs = append(r.log.recs, rc)
}

func (r *reader) keep(rc *rec, raw []byte) {
	if r.slab == nil || cap(*r.slab)-len(*r.slab) < len(raw) {
		s := make([]byte, 0, max(slabSize, len(raw)))
		r.slab = &s
	}
	rc.slab, rc.at, rc.size = r.slab, int32(len(*r.slab)), int32(len(raw))
	*r.slab = append(*r.slab, raw...)
}

// finish sorts, and settles what acts by reference.
func (r *reader) finish() *Log {
	l := r.log
	byKey := func(a, b rec) int {
		if c := a.key.Compare(b.key); c != 0 {
			return c
		}
		return cmp.Compare(l.devices[a.dev], l.devices[b.dev])
	}
	if !slices.IsSortedFunc(l.recs, byKey) {
		slices.SortFunc(l.recs, byKey)
	}
	if len(l.devices) > 1 {
		l.dropDoubled()
		l.dropRevoked()
	}
	l.reversals()
	for i := range l.recs {
		if rc := &l.recs[i]; rc.kind == isVoid && !rc.off {
			l.notice(rc.key.ID, "void", string(rc.e.Kind), rc.e.Fault.Error(), "record it anew")
			if _, setup := codes[rc.e.Kind]; rc.key.Rank > 0 && setup {
				l.notices[len(l.notices)-1].from = rc.key.Ms
			}
		}
	}
	l.dropRecs(func(i int) bool { return l.recs[i].kind == isVoid })
	for i := range l.recs {
		if rc := &l.recs[i]; rc.e != nil {
			l.other[rc.key.ID] = rc.e
		}
	}
	l.decisions()
	var setup []catalog.Input
	for i := range l.recs {
		if rc := &l.recs[i]; rc.kind == isSetup {
			setup = append(setup, catalog.Input{Event: rc.e, Reversed: l.reversed[rc.key.ID]})
		}
	}
	l.Catalog = catalog.Build(setup)
	for id, why := range l.Catalog.Void {
		l.notice(id, "void", string(l.other[id].Kind), why, "record it anew")
	}
	return l
}

// dropDoubled keeps, of events with one id, the one of the smallest source.
func (l *Log) dropDoubled() {
	first := make(map[event.ID]int, len(l.recs))
	gone := map[int]bool{}
	for i := range l.recs {
		id := l.recs[i].key.ID
		k, ok := first[id]
		if !ok {
			first[id] = i
			continue
		}
		drop := i
		if l.devices[l.recs[i].dev] < l.devices[l.recs[k].dev] {
			first[id], drop = i, k
		}
		gone[drop] = true
		a, b := &l.recs[k], &l.recs[i]
		if a.key != b.key || a.kind != b.kind || string(l.raw(a)) != string(l.raw(b)) {
			l.notice(id, "doubled", "", "two devices recorded different facts under this id; that of "+l.devices[l.recs[first[id]].dev]+" counts", "record the other anew")
		}
	}
	for i := range gone {
		rc := &l.recs[i]
		if w := &l.recs[first[rc.key.ID]]; w.key != rc.key || w.about() != rc.about() {
			l.unlike = append(l.unlike, Place{l.devices[rc.dev], int64(rc.seq)})
		}
	}
	l.dropRecs(func(i int) bool { return gone[i] })
}

// about is the event's kind, also where its data are of the wrong shape.
func (rc *rec) about() event.Kind {
	switch {
	case rc.e != nil:
		return rc.e.Kind
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
// from members at all is the chain's matter and settled before a store takes them.
func (l *Log) dropRevoked() {
	last := map[string]int64{}
	for i := range l.recs {
		rc := &l.recs[i]
		if rc.e == nil {
			continue
		}
		if d, ok := rc.e.Data.(*event.Revoke); ok {
			if n, seen := last[d.Device]; !seen || d.Last < n {
				last[d.Device] = d.Last
			}
		}
	}
	if len(last) == 0 {
		return
	}
	l.dropRecs(func(i int) bool {
		rc := &l.recs[i]
		n, ok := last[l.devices[rc.dev]]
		if !ok || int64(rc.seq) <= n {
			return false
		}
		l.notice(rc.key.ID, "void", "", "it was recorded on a device after the event up to which the device was trusted", "record it anew if it is true")
		return true
	})
}

func (l *Log) raw(rc *rec) []byte {
	if rc.e != nil {
		return rc.e.Raw
	}
	return (*rc.slab)[rc.at : rc.at+rc.size]
}

// reversals marks what is left out. A reversal of what can't be reversed is void; one of an event that isn't there waits.
func (l *Log) reversals() {
	targets := map[event.ID][]*event.Event{}
	for i := range l.recs {
		if e := l.recs[i].e; e != nil {
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
		if rc.e != nil && !rc.e.Kind.Reversible() {
			for _, e := range by {
				l.notice(e.ID, "void", "reverse", fmt.Sprintf("a %s can't be reversed; record what is right instead", rc.e.Kind))
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

// decisions finds the last decision on each event. One on an event that isn't there is void.
func (l *Log) decisions() {
	by := map[event.ID][]event.ID{}
	for i := range l.recs { // in fold order: the last one stays
		if e := l.recs[i].e; e != nil {
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
		if rc := &l.recs[i]; rc.e != nil {
			fn(rc.e, rc.off)
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
		kind := event.KindPack
		switch {
		case rc.e != nil:
			kind = rc.e.Kind
		case rc.kind == isOrder:
			kind = event.KindOrder
		}
		fn(Ref{rc.key.ID, kind, rc.key.Ms, l.devices[rc.dev], int64(rc.seq), rc.off})
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
