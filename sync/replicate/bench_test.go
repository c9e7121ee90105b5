//go:build !js

package replicate_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
)

// BenchmarkBacklog takes 10,000 events of one device from a bus into the desk's file, beside the file alone in batches of the same size.
func BenchmarkBacklog(b *testing.B) {
	const events, batch = 10_000, 1000
	d := storetest.NewLog(1, "")
	deskLog := storetest.Some(d, 2)
	phone := storetest.NewLog(2, d.Shop)
	list := []*event.Event{phone.Next(phone.Device(d, "phone"))}
	for i := range events - 1 {
		list = append(list, phone.NextID(phone.IDAt(int64(1000+i)), storetest.Order(fmt.Sprintf("W-%d", i), 1)))
	}
	file := func(b *testing.B) store.Store {
		st, err := sqlite.Create(filepath.Join(b.TempDir(), fmt.Sprintf("%d.db", time.Now().UnixNano())))
		if err != nil {
			b.Fatal(err)
		}
		storetest.Put(b, st, deskLog...)
		return st
	}
	b.Run("store alone", func(b *testing.B) {
		for b.Loop() {
			st := file(b)
			for i := 0; i < events; i += batch {
				storetest.Put(b, st, list[i:i+batch]...)
			}
			st.Close()
		}
	})
	for name, desk := range map[string]bool{"desk": true, "phone": false} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				st := file(b)
				m, err := replicate.New(ctx, replicate.Config{Store: st, Key: d.Key, Shop: d.Shop, Desk: desk})
				if err != nil {
					b.Fatal(err)
				}
				now := time.UnixMilli(storetest.Start)
				out := m.Step(now, replicate.Up{Bus: "bus", Created: 1, Last: events, Batch: batch})
				for i := 0; i < events; i += batch {
					var msgs []replicate.Message
					for k, e := range list[i : i+batch] {
						msgs = append(msgs, replicate.Message{Seq: uint64(i + k + 1), Stored: storetest.Start * 1e6, Subject: replicate.Subject(d.Shop, "log", e.Device), Body: e.Line})
					}
					for _, o := range out {
						if f, ok := o.(replicate.Fetch); ok {
							out = m.Step(now, replicate.Messages{Bus: "bus", Op: f.Op, List: msgs})
							break
						}
					}
				}
				if row, err := st.At(ctx, phone.Key.Device(), events); err != nil || row.N < events {
					b.Fatal(err)
				}
				st.Close()
			}
		})
	}
}
