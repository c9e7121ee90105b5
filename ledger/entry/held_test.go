package entry_test

import (
	"context"
	"fmt"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/catalog"
	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
)

// What is kept from one question to the next is what a first look finds, whatever has come, from whichever device, and whatever was cut off.
func TestHeldIsWhatAFirstLookFinds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ctx := context.Background()
		st := memory.New()
		defer st.Close()
		held := entry.NewHeld(ctx, st)
		first := storetest.NewLog(1, "")
		logs := []*storetest.Log{first, storetest.NewLog(2, first.Shop)}
		starts := map[*storetest.Log][]storetest.Log{}
		for step := range rapid.IntRange(1, 12).Draw(t, "steps") {
			l := rapid.SampledFrom(logs).Draw(t, "log")
			cut := len(starts[l]) > 0 && rapid.IntRange(0, 3).Draw(t, "cut") == 0
			err := st.Write(ctx, func(tx store.Tx) error {
				if cut {
					back := rapid.SampledFrom(starts[l]).Draw(t, "back to")
					if _, err := tx.Cut(l.Key.Device(), back.Seq+1); err != nil {
						return err
					}
					*l = back
					starts[l] = starts[l][:back.Seq]
				}
				for range rapid.IntRange(1, 3).Draw(t, "events") {
					starts[l] = append(starts[l], *l)
					d := rapid.SampledFrom([]event.Data{
						&event.Item{Item: fmt.Sprintf("item-%d", step), Name: "Item", Type: "supply", Unit: "each"},
						&event.Retire{Item: "item-0"}, &event.Reverse{Event: first.IDAt(2), Reason: "slip"}, storetest.Order("W-1", 1),
					}).Draw(t, "data")
					if _, err := tx.Insert(l.Next(d)); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			var in []catalog.Input
			var got *catalog.Catalog
			if rapid.Bool().Draw(t, "inside a transaction") {
				err = st.Write(ctx, func(tx store.Tx) error {
					return held.Within(tx, rapid.SampledFrom(logs).Draw(t, "who records").Key.Device(), func() (err error) {
						in, got, err = held.Catalog()
						return err
					})
				})
			} else {
				in, got, err = held.Catalog()
			}
			fresh, want, err2 := entry.NewHeld(ctx, st).Catalog()
			if err != nil || err2 != nil || !reflect.DeepEqual(ids(in), ids(fresh)) || !reflect.DeepEqual(got, want) {
				t.Fatalf("kept %v, %v\nfresh %v, %v", ids(in), err, ids(fresh), err2)
			}
		}
	})
}

func ids(in []catalog.Input) (out []string) {
	for _, i := range in {
		out = append(out, fmt.Sprint(i.Event.Device, i.Event.Seq, i.Event.Hash, i.Reversed))
	}
	return out
}

func TestCheckAgainstAStore(t *testing.T) {
	ctx := context.Background()
	st := memory.New()
	l := storetest.NewLog(1, "")
	storetest.Put(t, st, storetest.Some(l, 2)...)
	held := entry.NewHeld(ctx, st)
	check := func(d event.Data) error {
		f := []event.Fact{{Time: event.TimeOf(time.UnixMilli(storetest.Start)), Data: d}}
		return entry.Check(f, held, time.UnixMilli(storetest.Start), func(string) error { return nil })
	}
	if err := check(storetest.Order("W-1", 1)); err == nil {
		t.Error("an order for an item that isn't there was taken")
	}
	storetest.Put(t, st, l.Next(&event.Item{Item: "card-a6", Name: "Card", Type: "good", Unit: "each"}))
	if err := check(storetest.Order("W-1", 1)); err != nil {
		t.Error(err)
	}
	pack := &event.Pack{Order: "W-1"}
	if err := check(pack); err == nil {
		t.Error("a pack of an order that isn't there was taken")
	}
	order := l.Next(storetest.Order("W-1", 1))
	storetest.Put(t, st, order)
	if err := check(pack); err != nil {
		t.Error(err)
	}
	reverse := &event.Reverse{Event: order.ID, Reason: "slip"}
	if err := check(reverse); err != nil {
		t.Error(err)
	}
	storetest.Put(t, st, l.Next(reverse))
	if err := check(reverse); err == nil {
		t.Error("an order was reversed twice")
	}
}
