package fold_test

import (
	"bytes"
	"context"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
	"countback/projections/fold"
	"countback/projections/oracle"
)

// A store that is read again says what a first reading says, whatever has come and whatever was cut off; and what was read before stays as it was.
func TestReadingAgainSaysTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ctx := context.Background()
		st := memory.New()
		defer st.Close()
		first := storetest.NewLog(1, "")
		logs := map[string]*storetest.Log{}
		logOf := func(device string) *storetest.Log {
			if logs[device] == nil {
				logs[device] = storetest.NewLog(byte(2+len(logs)), first.Shop)
			}
			return logs[device]
		}
		seal := func(l *storetest.Log, e *event.Event) *event.Event {
			data := e.Data
			if data == nil { // of a kind that the program doesn't know
				data = &event.Retire{Item: "x"}
			}
			u := event.Unsigned{ID: e.ID, Shop: l.Shop, Device: l.Key.Device(), Time: e.Time, Seq: l.Seq + 1, Prev: l.Prev, Data: data}
			head, err := u.Head()
			if err != nil {
				t.Fatal(err)
			}
			if e.Data == nil {
				head = bytes.Replace(head, []byte("countback.retire.v1"), []byte("countback."+string(e.Kind)+".v1"), 1)
				head = bytes.Replace(head, []byte(`{"item":"x"}`), []byte(`{}`), 1)
			}
			return l.Seal(head)
		}
		reading := fold.NewReading(st)
		var before *fold.Log
		said := ""
		starts := map[string][]storetest.Log{} // of each log, as it was before each of its events
		for events := rapid.Permutation(oracle.Ledger(t, rapid.IntRange(5, 40).Draw(t, "size"))).Draw(t, "arrival"); len(events) > 0; {
			n := rapid.IntRange(1, len(events)).Draw(t, "batch")
			cut := rapid.IntRange(0, 2).Draw(t, "cut") == 0
			err := st.Write(ctx, func(tx store.Tx) error {
				for _, e := range events[:n] {
					l := logOf(e.Device)
					if was := starts[e.Device]; cut && len(was) > 0 {
						cut = false
						at := rapid.IntRange(0, len(was)-1).Draw(t, "back to")
						if _, err := tx.Cut(l.Key.Device(), int64(at)+1); err != nil {
							return err
						}
						*l, starts[e.Device] = was[at], was[:at]
					}
					starts[e.Device] = append(starts[e.Device], *l)
					if _, err := tx.Insert(seal(l, e)); err != nil {
						return err
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			events = events[n:]
			log, err := reading.Read(ctx)
			fresh, err2 := fold.Read(ctx, fold.Stored(st), fold.Choice{})
			if err != nil || err2 != nil {
				t.Fatal(err, err2)
			}
			if got, want := all(log), all(fresh); got != want {
				t.Fatalf("read again:\n%s\n\nread for the first time:\n%s", got, want)
			}
			if before != nil && all(before) != said {
				t.Fatalf("an earlier reading said\n%s\n\nand now says\n%s", said, all(before))
			}
			before, said = log, all(log)
		}
	})
}
