package purchases

import (
	"context"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/fold"
)

// Of is the part of a ledger that says what suppliers still owe: setup, purchases, deliveries and reversals. It is read by itself, so that a report
// that needn't go through the packs needn't do so for what is on order either.
func Of(s store.Store) fold.Source { return owing{s} }

type owing struct{ s store.Store }

var owingKinds = []event.Kind{
	event.KindShop, event.KindItem, event.KindRetire, event.KindPackSpec, event.KindMakeSpec,
	event.KindDevice, event.KindRevoke, event.KindPurchase, event.KindRestock, event.KindReverse,
}

// Lines implements fold.Source. One id may stand in two logs under different kinds, and which one counts is for the fold to say: then it gets both.
func (o owing) Lines(ctx context.Context, fn func([]byte) error) error {
	ids, err := o.s.Doubled(ctx)
	if err != nil {
		return err
	}
	sent := map[int64]bool{}
	for _, id := range ids {
		rows, err := o.s.ByID(ctx, id)
		if err != nil {
			return err
		}
		for _, r := range rows {
			sent[r.N] = true
			if err := fn(r.Line); err != nil {
				return err
			}
		}
	}
	return o.s.ScanKinds(ctx, owingKinds, 0, func(r store.Row) error {
		if sent[r.N] {
			return nil
		}
		return fn(r.Line)
	})
}
