package record

import (
	"context"
	"fmt"
	"io"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
)

// ErrFounded is wrapped where a shop should be founded, or a log begun, in a ledger that has it already.
var ErrFounded = fmt.Errorf("the ledger is in use already: %w", store.ErrExists)

// Found begins a shop in an empty ledger, in one transaction: the device event of the founding desk, which endorses itself, and the shop's settings. It
// returns the shop id, which is the desk's device id. name is the desk's name, at the time of both events.
func Found(ctx context.Context, st store.Store, k *key.Key, now func() time.Time, entropy io.Reader, name string, shop event.Shop, at event.Time) (string, error) {
	id := k.Device()
	const role = "desk"
	endorsement, err := k.Sign(key.Admit, key.AdmitPayload(id, k.Public(), role))
	if err != nil {
		return "", err
	}
	device := &event.Device{Key: k.Public(), Name: name, Role: role, By: id, Endorsement: endorsement}
	r := &Recorder{Store: st, Key: k, Shop: id, Now: now, Entropy: entropy}
	err = st.Write(ctx, func(tx store.Tx) error {
		if last, err := tx.Last(); err != nil {
			return err
		} else if last > 0 {
			return fmt.Errorf("%w; choose an empty folder for a new shop", ErrFounded)
		}
		return r.begin(ctx, tx, at, device, &shop)
	})
	if err != nil {
		return "", err
	}
	return id, nil
}

// Join begins this device's log in a shop that another has admitted it to. The ledger may hold the others' logs already.
func Join(ctx context.Context, st store.Store, k *key.Key, now func() time.Time, entropy io.Reader, shop string, device event.Device, at event.Time) error {
	r := &Recorder{Store: st, Key: k, Shop: shop, Now: now, Entropy: entropy}
	if device.Key != k.Public() {
		return fmt.Errorf("join the shop: %w: the admission is for another device; pair again", key.ErrKey)
	}
	return st.Write(ctx, func(tx store.Tx) error {
		head, err := tx.Head(k.Device())
		if err == nil && head.Seq > 0 {
			err = fmt.Errorf("%w; this device's log has begun", ErrFounded)
		}
		if err != nil {
			return err
		}
		return r.begin(ctx, tx, at, &device)
	})
}

// begin appends the first events of the own log.
func (r *Recorder) begin(ctx context.Context, tx store.Tx, at event.Time, list ...event.Data) error {
	head := store.EmptyHead
	gen, err := newIDs(ctx, r, tx, head)
	if err != nil {
		return err
	}
	for _, d := range list {
		id, err := gen.next()
		if err != nil {
			return err
		}
		if head, err = r.append(tx, head, event.Fact{ID: id, Time: at, Data: d}); err != nil {
			return err
		}
	}
	return nil
}
