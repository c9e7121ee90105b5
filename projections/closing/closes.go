package closing

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/projections/fold"
)

// Office works out who is the keeper, and which events stand behind the end of a revoked log, from the events of the kinds device, shop and revoke that are
// handed to it.
type Office func(members []*event.Event) (keeper string, void func(device string, seq int64) bool)

// ByChain is the office of a shop as its devices' signatures tell it.
func ByChain(shop string) Office {
	return func(members []*event.Event) (string, func(string, int64) bool) {
		m := chain.Of(shop, members)
		return m.Keeper(), m.Void
	}
}

// Gap is a part of a log that a close covers and that isn't here.
type Gap struct {
	Device   string
	From, To int64 // sequences
	Other    bool  // the log is here, but it isn't the one that was closed
}

// String says what is waited for.
func (g Gap) String() string {
	if g.Other {
		return fmt.Sprintf("waiting for %s %d: the event that is here isn't the one that was closed", g.Device, g.To)
	}
	return fmt.Sprintf("waiting for %s %d…%d", g.Device, g.From, g.To)
}

// Close is a close that counts.
type Close struct {
	Period  Period
	Event   *event.Event
	Data    *event.Close
	Waiting []Gap // by device
}

// covers reports whether an event at a place of a log is covered.
func covers(upto map[string]event.LogHead, device string, seq int64) bool {
	h, ok := upto[device]
	return ok && seq <= h.Seq
}

// Ledger is what a ledger says about closing.
type Ledger struct {
	Closed []*Close                 // in turn: one for each month, without gaps
	Void   []fold.Notice            // closes that don't count, with the reason
	Heads  map[string]event.LogHead // how far each log is held

	src     fold.Source
	zone    *time.Location
	members []*event.Event
	office  Office
	kept    []*covered // what was read last
}

// Read reads the closes of a ledger. zone is the shop's.
func Read(ctx context.Context, src fold.Source, zone *time.Location, office Office) (*Ledger, error) {
	l := &Ledger{Heads: map[string]event.LogHead{}, src: src, zone: zone, office: office}
	var closes []*event.Event
	scan := event.NewScanner()
	err := src.Lines(ctx, func(line []byte) error {
		in, err := scan.Line(line)
		if err != nil {
			return fmt.Errorf("an event of the ledger can't be read: %w; run countback verify", err)
		}
		if in.Seq > l.Heads[in.Device].Seq {
			l.Heads[in.Device] = event.LogHead{Seq: in.Seq}
		}
		switch in.Kind {
		case event.KindClose, event.KindDevice, event.KindShop, event.KindRevoke:
		default:
			return nil
		}
		e, err := event.ParseLine(bytes.Clone(line))
		switch {
		case err != nil:
			return fmt.Errorf("an event of the ledger can't be read: %w; run countback verify", err)
		case e.Data == nil: // void by its shape, or of a later version
		case e.Kind == event.KindClose:
			closes = append(closes, e)
		default:
			l.members = append(l.members, e)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	hashes, err := l.hashes(ctx, closes)
	if err != nil {
		return nil, err
	}
	for device, h := range l.Heads {
		h.Hash = hashes[place{device, h.Seq}]
		l.Heads[device] = h
	}
	l.settle(closes, hashes)
	return l, nil
}

type place struct {
	device string
	seq    int64
}

// hashes returns the hashes of the events at the heads, and of those up to which the closes cover.
func (l *Ledger) hashes(ctx context.Context, closes []*event.Event) (map[place]string, error) {
	want := map[place]string{}
	for device, h := range l.Heads {
		want[place{device, h.Seq}] = ""
	}
	for _, e := range closes {
		for device, h := range e.Data.(*event.Close).Upto {
			want[place{device, h.Seq}] = ""
		}
	}
	scan := event.NewScanner()
	err := l.src.Lines(ctx, func(line []byte) error {
		in, err := scan.Line(line)
		if err != nil {
			return err
		}
		at := place{in.Device, in.Seq}
		if _, ok := want[at]; ok {
			sum := sha256.Sum256(line)
			want[at] = hex.EncodeToString(sum[:])
		}
		return nil
	})
	return want, err
}

// settle finds the closes that count.
func (l *Ledger) settle(closes []*event.Event, hashes map[place]string) {
	_, void := l.office(l.members)
	why := map[event.ID]string{}
	waiting := map[event.ID][]Gap{}
	turn := inTurn(closes)
	for _, e := range turn {
		waiting[e.ID] = l.gaps(e, hashes)
		if len(waiting[e.ID]) == 0 && l.keeperOf(e) != e.Device {
			why[e.ID] = "it was closed on a device that isn't the keeper; only the keeper closes"
		}
	}
	for i, e := range slices.Backward(turn) { // what a close that counts covers counts too, whatever was revoked later
		if why[e.ID] == "" && void(e.Device, e.Seq) && !slices.ContainsFunc(turn[i+1:], func(later *event.Event) bool { return why[later.ID] == "" && knew(later, e) }) {
			why[e.ID] = "it was recorded on a device after the event up to which the device was trusted"
		}
	}
	var last *Close
	for _, e := range turn {
		d := e.Data.(*event.Close)
		p, err := ParsePeriod(d.Period)
		switch {
		case why[e.ID] != "":
		case err != nil:
			why[e.ID] = err.Error()
		case last == nil:
		case !last.Period.Before(p):
			why[e.ID] = p.String() + " was closed already; the first close of a period counts"
		case p != last.Period.Next():
			why[e.ID] = "after " + last.Period.String() + " comes " + last.Period.Next().String() + ", which wasn't closed"
		case !knew(e, last.Event) || !reaches(d.Upto, last.Data.Upto):
			why[e.ID] = "it covers less than the close of " + last.Period.String() + " before it"
		}
		if reason := why[e.ID]; reason != "" {
			l.Void = append(l.Void, fold.Notice{Event: e.ID, Topic: "void", About: "close", Why: reason, Choices: []string{"nothing is to be done: closed figures stay as they are"}})
			continue
		}
		last = &Close{Period: p, Event: e, Data: d, Waiting: waiting[e.ID]}
		l.Closed = append(l.Closed, last)
	}
}

// knew reports whether a close was made by a device that held an event of the other's place: its own log up to itself, and what it covers.
func knew(later, e *event.Event) bool {
	return later.Device == e.Device && later.Seq > e.Seq || covers(later.Data.(*event.Close).Upto, e.Device, e.Seq)
}

// reaches reports whether a coverage holds another.
func reaches(upto, before map[string]event.LogHead) bool {
	for device, h := range before {
		if upto[device].Seq < h.Seq {
			return false
		}
	}
	return true
}

// inTurn orders closes: one that knew of another comes after it; else the fold order decides.
func inTurn(list []*event.Event) []*event.Event {
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b *event.Event) int { return a.Key().Compare(b.Key()) })
	var out []*event.Event
	for len(list) > 0 {
		at := slices.IndexFunc(list, func(e *event.Event) bool {
			return !slices.ContainsFunc(list, func(other *event.Event) bool { return other != e && knew(e, other) && !knew(other, e) })
		})
		at = max(at, 0) // they can only be forged to know each other in a circle
		out = append(out, list[at])
		list = slices.Delete(list, at, at+1)
	}
	return out
}

// gaps returns what a close covers that isn't here.
func (l *Ledger) gaps(e *event.Event, hashes map[place]string) (list []Gap) {
	upto := e.Data.(*event.Close).Upto
	for _, device := range slices.Sorted(maps.Keys(upto)) {
		h, held := upto[device], l.Heads[device].Seq
		switch {
		case held < h.Seq:
			list = append(list, Gap{Device: device, From: held + 1, To: h.Seq})
		case hashes[place{device, h.Seq}] != h.Hash:
			list = append(list, Gap{Device: device, From: h.Seq, To: h.Seq, Other: true})
		}
	}
	return list
}

// keeperOf returns the keeper by the events that a close covers.
func (l *Ledger) keeperOf(e *event.Event) string {
	upto := e.Data.(*event.Close).Upto
	var held []*event.Event
	for _, m := range l.members {
		if covers(upto, m.Device, m.Seq) {
			held = append(held, m)
		}
	}
	keeper, _ := l.office(held)
	return keeper
}

// Keeper returns the device that closes, by all that is held.
func (l *Ledger) Keeper() string {
	keeper, _ := l.office(l.members)
	return keeper
}

// Last returns the last close, nil if nothing is closed.
func (l *Ledger) Last() *Close {
	if n := len(l.Closed); n > 0 {
		return l.Closed[n-1]
	}
	return nil
}

// Find returns the close of a period, nil if it isn't closed.
func (l *Ledger) Find(p Period) *Close {
	for _, c := range l.Closed {
		if c.Period == p {
			return c
		}
	}
	return nil
}
