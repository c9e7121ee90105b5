package entry

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/store"
)

// Held answers what Check asks of a ledger from its store. It keeps the definitions that it has read and looks only at what has arrived since, so that a
// process that goes on recording pays for a fact and not for the catalog. To be sure of what stands, ask it inside the transaction that records; it is not
// safe for several goroutines.
type Held struct {
	ctx      context.Context
	store    store.Store
	scanner  *event.Scanner
	through  int64            // number of arrival up to which everything was looked at, 0: nothing was
	ends     map[string]int64 // the last sequence of each log that was kept something of
	setup    []*event.Event
	reversed map[event.ID]bool
	inputs   []catalog.Input
	built    *catalog.Catalog // of inputs; nil: to be built
	tx       store.Tx         // the transaction that records, within Within
	own      string           // the device that records in it
}

// NewHeld returns what a store holds.
func NewHeld(ctx context.Context, s store.Store) *Held {
	return &Held{ctx: ctx, store: s, scanner: event.NewScanner()}
}

var settingKinds = []event.Kind{event.KindShop, event.KindItem, event.KindRetire, event.KindPackSpec, event.KindMakeSpec, event.KindReverse}

// tooMany is the number of new events from which on reading all definitions anew is quicker than looking at each of them.
const tooMany = 1000

var errAnew = errors.New("to be read anew")

// Within runs check with answers from inside a transaction that has inserted nothing yet, by which device records. Where the last event of its own log is
// all that has arrived, which is so for whoever records one fact after the other, the transaction knows it already and the store isn't asked.
func (h *Held) Within(tx store.Tx, device string, check func() error) error {
	h.tx, h.own = tx, device
	defer func() { h.tx, h.own = nil, "" }()
	return check()
}

// ownNext returns what has arrived since it was read, as far as the transaction knows: nothing, or one event of the own log.
func (h *Held) ownNext() (row *store.Row, known bool, err error) {
	look, ok := h.tx.(store.Looker)
	if !ok {
		return nil, false, nil
	}
	last, err := h.tx.Last()
	if err != nil || last == h.through {
		return nil, true, err
	}
	head, err := h.tx.Head(h.own)
	if err != nil || last != h.through+1 || head.Seq == 0 {
		return nil, false, err
	}
	r, err := look.At(h.own, head.Seq)
	return &r, r.N == last, err
}

// read takes in what has arrived. Where a log was cut (store.Tx.Cut) the event that was put in its place arrives, at a sequence that was read before: then
// all is read anew.
func (h *Held) read() error {
	if h.through == 0 {
		return h.anew()
	}
	n := 0
	look := func(r store.Row) error {
		l, err := h.scanner.Line(r.Line)
		if err != nil {
			return damaged(r, err)
		}
		if n++; n > tooMany || l.Seq <= h.ends[l.Device] {
			return errAnew
		}
		if slices.Contains(settingKinds, l.Kind) {
			err = h.take(r)
		}
		h.through = r.N
		return err
	}
	row, known, err := h.ownNext()
	switch {
	case err != nil:
		return err
	case !known:
		err = h.store.Scan(h.ctx, h.through, look)
	case row != nil:
		err = look(*row)
	}
	if err == errAnew {
		return h.anew()
	}
	return err
}

func (h *Held) anew() error {
	h.through, h.ends = 0, map[string]int64{}
	h.setup, h.reversed, h.inputs, h.built = nil, map[event.ID]bool{}, nil, nil
	last, err := h.store.Last(h.ctx)
	if err != nil {
		return err
	}
	err = h.store.ScanKinds(h.ctx, settingKinds, 0, func(r store.Row) error {
		if r.N > last {
			return nil // it came meanwhile, and is for the next time
		}
		return h.take(r)
	})
	if err == nil {
		h.through = last
	}
	return err
}

func (h *Held) take(r store.Row) error {
	e, err := event.ParseLine(bytes.Clone(r.Line))
	if err != nil {
		return damaged(r, err)
	}
	if d, ok := e.Data.(*event.Reverse); ok {
		h.reversed[d.Event] = true
	} else if e.Kind != event.KindReverse {
		h.setup = append(h.setup, e)
	}
	h.ends[e.Device] = e.Seq
	h.built = nil
	return nil
}

func damaged(r store.Row, err error) error {
	return store.Fail("read the ledger", fmt.Sprintf("event number %d", r.N), store.ErrDamaged, err)
}

// Setup implements Known.
func (h *Held) Setup() ([]catalog.Input, error) {
	in, _, err := h.Catalog()
	return in, err
}

// Catalog implements Built.
func (h *Held) Catalog() ([]catalog.Input, *catalog.Catalog, error) {
	if err := h.read(); err != nil {
		return nil, nil, err
	}
	if h.built == nil {
		h.inputs = make([]catalog.Input, len(h.setup))
		for i, e := range h.setup {
			h.inputs[i] = catalog.Input{Event: e, Reversed: h.reversed[e.ID] && e.Kind.Reversible()}
		}
		h.built = catalog.Build(h.inputs)
	}
	return h.inputs, h.built, nil
}

// Event implements Known. Of events with one id the one of the smallest source counts.
func (h *Held) Event(id event.ID) (*event.Event, bool, error) {
	rows, err := h.store.ByID(h.ctx, id)
	if err != nil {
		return nil, false, err
	}
	var first *event.Event
	for _, r := range rows {
		e, err := event.ParseLine(r.Line)
		if err != nil {
			return nil, false, store.Fail("read the ledger", "event "+id.String(), store.ErrDamaged, err)
		}
		if first == nil || e.Device < first.Device {
			first = e
		}
	}
	return first, first != nil, nil
}

// Reversed implements Known.
func (h *Held) Reversed(id event.ID) (bool, error) {
	err := h.read()
	return h.reversed[id], err
}

// Order implements Known.
func (h *Held) Order(number string) (bool, error) {
	rows, err := h.store.ByOrder(h.ctx, number)
	if err != nil {
		return false, err
	}
	for _, r := range rows {
		e, err := event.ParseLine(r.Line)
		if err == nil && (e.Kind == event.KindOrder || e.Kind == event.KindPack) {
			return true, nil
		}
	}
	return false, nil
}
