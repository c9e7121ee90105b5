package resume

import (
	"bytes"
	"context"
	"errors"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/fold"
)

var (
	errEnough = errors.New("enough has been seen")
	errDoubt  = errors.New("the checkpoint may not hold")
)

// tail is a source of what a fold from a checkpoint needs of a ledger. It ends with errDoubt where the checkpoint doesn't hold.
type tail struct {
	st     store.Store
	at     event.Key
	after  int64 // what arrived by then is part of the checkpoint
	last   int64 // what arrived after it isn't looked at
	sn     *fold.Snapshot
	acts   []act
	awaits map[event.ID]bool
	unlike map[fold.Place]bool
	scan   *event.Scanner

	logs   map[string]bool // devices of which something was handed over
	sent   map[int64]bool  // numbers of what was handed over, orders and packs aside
	orders map[string]bool // order numbers; true: nothing may stand before the checkpoint
	named  []event.ID      // deliveries and purchases that the tail names
	events int             // behind the checkpoint
	order  event.Order
	pack   event.Pack
}

func newTail(st store.Store, c *candidate, sn *fold.Snapshot, last int64) *tail {
	return &tail{
		st: st, at: c.Position, after: c.Arrived, last: last, sn: sn, acts: c.acts, awaits: set(sn.Awaits...), unlike: set(sn.Unlike...), scan: event.NewScanner(),
		logs: map[string]bool{}, sent: map[int64]bool{}, orders: map[string]bool{},
	}
}

// Lines implements fold.Source.
func (t *tail) Lines(ctx context.Context, fn func([]byte) error) error {
	for _, step := range []func(context.Context, func([]byte) error) error{t.always, t.behind, t.mentioned} {
		if err := step(ctx, fn); err != nil {
			return err
		}
	}
	for _, check := range []func(context.Context) error{t.checkActs, t.checkOrders, t.checkLogs} {
		if err := check(ctx); err != nil {
			return err
		}
	}
	return nil
}

// light reads a row's envelope, and reports whether the fold is to see it at all.
func (t *tail) light(r store.Row) (l event.Light, ok bool, err error) {
	if r.N > t.last {
		return l, false, nil
	}
	l, err = t.scan.Line(r.Line)
	unlike := t.unlike[fold.Place{Device: l.Device, Seq: l.Seq}]
	if unlike && (l.Kind == event.KindDevice || l.Kind == event.KindShop || l.Kind == event.KindRevoke) {
		return l, false, errDoubt // another event has its id, and yet it tells who belongs to the shop
	}
	return l, err == nil && !foreign(&l) && !unlike, err
}

func (t *tail) hand(r store.Row, l *event.Light, fn func([]byte) error) error {
	t.logs[l.Device] = true
	if l.Kind != event.KindOrder && l.Kind != event.KindPack {
		t.sent[r.N] = true
	}
	return fn(r.Line)
}

var isAlways = set(always...)

// always hands over what speaks about all time.
func (t *tail) always(ctx context.Context, fn func([]byte) error) error {
	return t.st.ScanKinds(ctx, always, 0, func(r store.Row) error {
		l, ok, err := t.light(r)
		if !ok {
			return err
		}
		return t.hand(r, &l, fn)
	})
}

// behind hands over what stands behind the checkpoint.
func (t *tail) behind(ctx context.Context, fn func([]byte) error) error {
	return t.st.ScanSince(ctx, t.at.Ms, func(r store.Row) error {
		l, ok, err := t.light(r)
		if !ok || isAlways[l.Kind] || !t.at.Before(keyOf(&l)) {
			return err
		}
		t.events++
		if err := t.look(r, &l); err != nil {
			return err
		}
		return t.hand(r, &l, fn)
	})
}

// look notes what an event behind the checkpoint names.
func (t *tail) look(r store.Row, l *event.Light) error {
	late := r.N > t.after
	if late && t.awaits[l.ID] {
		return errDoubt
	}
	switch {
	case l.Kind == event.KindOrder && t.scan.Order(l.Raw, &t.order):
		t.mention(t.order.Order, late)
		return nil
	case l.Kind == event.KindPack && t.scan.Pack(l.Raw, &t.pack):
		t.mention(t.pack.Order, false)
		return nil
	}
	e, err := event.ParseLine(bytes.Clone(r.Line))
	if err != nil || e.Fault != nil {
		return err
	}
	if d, ok := e.Data.(*event.Count); ok && t.sn.Continues(d.Session, l.Ms) {
		return errDoubt
	}
	t.name(e)
	t.mention(store.OrderOf(e), late && e.Kind == event.KindOrder)
	return nil
}

// name notes the delivery or purchase that an event names, whatever that turns out to be: a restock may name a credit, which names a delivery.
func (t *tail) name(e *event.Event) {
	switch d := e.Data.(type) {
	case *event.Restock:
		t.named = append(t.named, d.Purchase)
	case *event.Credit:
		t.named = append(t.named, d.Restock)
	}
}

func (t *tail) mention(order string, fresh bool) {
	if order != "" && (fresh || !t.orders[order]) {
		t.orders[order] = fresh
	}
}

// mentioned hands over the deliveries and purchases that events behind the checkpoint name and that stand before it.
func (t *tail) mentioned(ctx context.Context, fn func([]byte) error) error {
	for len(t.named) > 0 {
		id := t.named[0]
		t.named = t.named[1:]
		if id.IsZero() {
			continue
		}
		rows, err := t.st.ByID(ctx, id)
		if err != nil {
			return err
		}
		for _, r := range rows {
			l, ok, err := t.light(r)
			if err != nil {
				return err
			}
			if !ok || t.sent[r.N] || l.Kind == event.KindOrder || l.Kind == event.KindPack {
				continue
			}
			e, err := event.ParseLine(r.Line)
			if err != nil {
				return err
			}
			t.name(e)
			if err := t.hand(r, &l, fn); err != nil {
				return err
			}
		}
	}
	return nil
}

// checkActs looks at what late reversals and decisions name.
func (t *tail) checkActs(ctx context.Context) error {
	for _, a := range t.acts {
		rows, err := t.st.ByID(ctx, a.target)
		if err != nil {
			return err
		}
		if len(rows) == 0 || a.reverse && t.awaits[a.target] {
			return errDoubt
		}
		for _, r := range rows {
			e, err := event.ParseLine(r.Line)
			if err != nil {
				return err
			}
			if !t.at.Before(e.Key()) || isAlways[e.Kind] {
				return errDoubt
			}
			if a.reverse && e.Kind == event.KindOrder {
				t.mention(store.OrderOf(e), true)
			}
		}
	}
	return nil
}

// checkOrders makes sure that of each order of the tail all is known that stands before.
func (t *tail) checkOrders(ctx context.Context) error {
	for number, fresh := range t.orders {
		if !fresh && t.sn.Holds(number) {
			continue
		}
		rows, err := t.st.ByOrder(ctx, number)
		if err != nil {
			return err
		}
		for _, r := range rows {
			l, err := t.scan.Line(r.Line)
			if err != nil {
				return err
			}
			if !t.at.Before(keyOf(&l)) {
				return errDoubt
			}
		}
	}
	return nil
}

// checkLogs makes sure that the fold sees every device: of several it asks more than of one.
func (t *tail) checkLogs(ctx context.Context) error {
	heads, err := t.st.Heads(ctx)
	if err != nil {
		return err
	}
	for device := range heads {
		if !t.logs[device] {
			return errDoubt
		}
	}
	return nil
}
