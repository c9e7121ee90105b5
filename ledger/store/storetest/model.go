package storetest

import (
	"bytes"
	"errors"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/store"
)

// model drives a store and a plain list with the same random inserts, in writes that succeed or fail, and compares all there is to see.
func model(t *testing.T, st store.Store) {
	var logs []*Log
	for n := range 3 {
		logs = append(logs, NewLog(byte(n+1), ""))
	}
	var list []*event.Event
	stop := errors.New("stop")
	rapid.Check(t, func(t *rapid.T) {
		var adding []*event.Event
		fail := rapid.IntRange(0, 3).Draw(t, "fail") == 0
		work := []Log{*logs[0], *logs[1], *logs[2]}
		err := st.Write(ctx, func(tx store.Tx) error {
			for range rapid.IntRange(0, 5).Draw(t, "inserts") {
				l := &work[rapid.IntRange(0, 2).Draw(t, "log")]
				e := l.NextID(logs[0].IDAt(int64(rapid.IntRange(1, 200).Draw(t, "id"))), Order("W-1", 1))
				n, err := tx.Insert(e)
				if adding = append(adding, e); err != nil || n != int64(len(list)+len(adding)) {
					t.Fatalf("number %d, %v", n, err)
				}
			}
			if fail {
				return stop
			}
			return nil
		})
		if fail != errors.Is(err, stop) || !fail && err != nil {
			t.Fatalf("write: %v", err)
		}
		if !fail {
			list = append(list, adding...)
			for i := range logs {
				*logs[i] = work[i]
			}
		}
		heads, err := st.Heads(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range logs {
			if h, ok := heads[l.Key.Device()]; ok != (l.Seq > 0) || ok && h != (store.Head{Seq: l.Seq, Hash: l.Prev}) {
				t.Fatalf("head %v %v, want %d", h, ok, l.Seq)
			}
		}
		after := rapid.IntRange(0, len(list)).Draw(t, "after")
		i := after
		err = st.Scan(ctx, int64(after), func(r store.Row) error {
			if i >= len(list) || !bytes.Equal(r.Line, list[i].Line) || r.N != int64(i+1) {
				t.Fatalf("row %d differs", i)
			}
			i++
			return nil
		})
		if err != nil || i != len(list) {
			t.Fatalf("%d rows of %d, %v", i, len(list), err)
		}
		seen := map[event.ID]int{}
		for _, e := range list {
			seen[e.ID]++
		}
		doubled, err := st.Doubled(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range doubled {
			if seen[id] < 2 {
				t.Fatalf("%s isn't doubled", id)
			}
			delete(seen, id)
		}
		for id, n := range seen {
			if n > 1 {
				t.Fatalf("%s is doubled", id)
			}
		}
	})
}
