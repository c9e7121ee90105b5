package main

import (
	"context"
	"maps"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/projections/fold"
	"countback/projections/oracle"
	"countback/projections/purchases"
)

// What is on order is read from the few kinds that speak of it, and is the same as from the whole ledger: also where one id stands in two logs, under one kind or
// under two, and whatever was known when.
func TestOnOrderOfAPartIsThatOfTheWhole(t *testing.T) {
	some := 0
	rapid.Check(t, func(t *rapid.T) {
		events := oracle.Ledger(t, 40)
		if len(events) > 1 && rapid.Bool().Draw(t, "one id for two kinds") {
			a, b := rapid.SampledFrom(events).Draw(t, "a"), rapid.SampledFrom(events).Draw(t, "b")
			if a.Device != b.Device {
				a.ID = b.ID
			}
		}
		s := memory.New()
		filled(t, s, events)
		d := &desk{ctx: context.Background(), store: s}
		asOf, known := int64(0), int64(0)
		if rapid.Bool().Draw(t, "cut") {
			asOf = rapid.SampledFrom(events).Draw(t, "as of").Time.Ms()
		}
		if rapid.Bool().Draw(t, "known") {
			known = rapid.SampledFrom(events).Draw(t, "known by").ID.Ms()
		}
		got, err := d.onOrder(asOf, known)
		if err != nil {
			t.Fatal(err)
		}
		whole, err := fold.Read(d.ctx, fold.Stored(s), fold.Choice{Known: known})
		if err != nil {
			t.Fatal(err)
		}
		want := map[string]string{}
		for item, q := range purchases.OnOrder(purchases.Open(whole, asOf)) {
			if q.Sign() > 0 {
				want[whole.Catalog.Items[item].ID] = q.String()
			}
		}
		text := map[string]string{}
		for item, q := range got {
			text[item] = q.String()
		}
		if !maps.Equal(text, want) {
			t.Errorf("as of %d, known %d: %v, the whole ledger says %v\n%s", asOf, known, text, want, oracle.Text(events))
		}
		some += len(want)
	})
	if some == 0 {
		t.Error("nothing was ever on order")
	}
}

// fill puts events into a store, each log in its order.
func filled(t *rapid.T, s store.Store, events []*event.Event) {
	sorted := slices.Clone(events)
	slices.SortStableFunc(sorted, func(a, b *event.Event) int { return int(a.Seq - b.Seq) })
	prev := map[string]string{}
	err := s.Write(context.Background(), func(tx store.Tx) error {
		for _, e := range sorted {
			if e.Data == nil { // of a shape that is void, which says nothing of purchases
				e = &event.Event{ID: e.ID, Device: e.Device, Shop: e.Shop, Seq: e.Seq, Time: e.Time, Data: &event.Reverse{Event: e.ID, Reason: "void"}}
			}
			u := event.Unsigned{ID: e.ID, Shop: e.Shop, Device: e.Device, Time: e.Time, Seq: e.Seq, Prev: prev[e.Device], Data: e.Data}
			if u.Prev == "" {
				u.Prev = event.FirstPrev
			}
			head, err := u.Head()
			if err != nil {
				return err
			}
			line, err := event.Seal(head, strings.Repeat("A", 86))
			if err != nil {
				return err
			}
			sealed, err := event.ParseLine(line)
			if err != nil {
				return err
			}
			if _, err := tx.Insert(sealed); err != nil {
				return err
			}
			prev[e.Device] = sealed.Hash
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
