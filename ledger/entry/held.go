package entry

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/store"
)

// Held answers what Check asks of a ledger from its store. It keeps the definitions that it has read and reads only what has arrived since, so that a process
// that goes on recording pays for a fact and not for the catalog. To be sure of what stands, ask it inside the transaction that records; it is not safe for
// several goroutines.
type Held struct {
	ctx      context.Context
	store    store.Store
	through  int64 // number of arrival of the last definition or reversal that was read
	ends     map[string]end
	setup    []*event.Event
	reversed map[event.ID]bool
	inputs   []catalog.Input
	built    *catalog.Catalog // of inputs; nil: to be built
}

// end is the last event that was read of a log. While it stands, all before it do: a store only ever cuts off the end of a log.
type end struct {
	n, seq int64
	hash   string
}

// NewHeld returns what a store holds.
func NewHeld(ctx context.Context, s store.Store) *Held {
	h := &Held{ctx: ctx, store: s}
	h.forget()
	return h
}

func (h *Held) forget() {
	h.through, h.ends = 0, map[string]end{}
	h.setup, h.reversed, h.inputs, h.built = nil, map[event.ID]bool{}, nil, nil
}

var settingKinds = []event.Kind{event.KindShop, event.KindItem, event.KindRetire, event.KindPackSpec, event.KindMakeSpec, event.KindReverse}

var errCut = errors.New("a log was cut")

// read takes in what has arrived. Where a log was cut (store.Tx.Cut) it begins anew.
func (h *Held) read() error {
	for device, end := range h.ends {
		if end.n == h.through {
			continue // the scan below meets it
		}
		r, err := h.store.At(h.ctx, device, end.seq)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return err
		}
		if err != nil || event.HashLine(r.Line) != end.hash {
			h.forget()
			break
		}
	}
	err := h.scan()
	if err == errCut {
		h.forget()
		err = h.scan()
	}
	return err
}

// scan reads from the last event on, that one included, if there is one.
func (h *Held) scan() error {
	last := h.through
	err := h.store.ScanKinds(h.ctx, settingKinds, max(last-1, 0), func(r store.Row) error {
		if r.N == last {
			last = 0 // it stands; numbers are never given again
			return nil
		}
		if last > 0 {
			return errCut
		}
		return h.take(r)
	})
	if err == nil && last > 0 {
		return errCut
	}
	return err
}

func (h *Held) take(r store.Row) error {
	e, err := event.ParseLine(bytes.Clone(r.Line))
	if err != nil {
		return store.Fail("read the ledger", fmt.Sprintf("event number %d", r.N), store.ErrDamaged, err)
	}
	if d, ok := e.Data.(*event.Reverse); ok {
		h.reversed[d.Event] = true
	} else if e.Kind != event.KindReverse {
		h.setup = append(h.setup, e)
	}
	h.ends[e.Device] = end{r.N, e.Seq, e.Hash}
	h.through, h.built = r.N, nil
	return nil
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
			return nil, false, store.Fail("read the ledger", id.String(), store.ErrDamaged, err)
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
