package main

import (
	"context"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
)

// foundShop begins the log of a founding desk and records the shop's settings.
func (m *Main) foundShop(ctx context.Context, s store.Store, k *key.Key, f founding) error {
	zone, err := loadZone(f.zone)
	if err != nil {
		return err
	}
	shop := event.Shop{Name: f.shop, Currency: f.currency, Zone: f.zone, Costing: f.costing}
	_, err = record.Found(ctx, s, k, m.Now, m.Entropy, f.device, shop, event.TimeOf(m.Now().In(zone)))
	return err
}

// succeed begins the log of a new device that takes the place of an old one. The old key endorses the new one, so that whoever
// trusts the old log can trust the one that goes on.
func (m *Main) succeed(ctx context.Context, s store.Store, old, fresh *key.Key, shop, name string) error {
	const role = "desk"
	endorsement, err := old.Sign(key.Admit, key.SucceedPayload(shop, fresh.Public(), role, old.Device()))
	if err != nil {
		return err
	}
	device := event.Device{Key: fresh.Public(), Name: name, Role: role, By: old.Device(), Endorsement: endorsement, Succeeds: old.Device()}
	return record.Join(ctx, s, fresh, m.Now, m.Entropy, shop, device, event.TimeOf(m.Now()))
}
