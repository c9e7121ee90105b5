package storetest

import (
	"bytes"
	"errors"
	"maps"
	"slices"
	"testing"

	"countback/ledger/event"
	"countback/ledger/store"
)

// branches returns a founder's log of six events and another ending of three behind its third, of which the last has the id of the first log's fifth.
func branches() (es, other []*event.Event) {
	l := NewLog(1, "")
	es = Some(l, 3)
	c := l.Copy()
	es = append(es, Some(l, 3)...)
	other = append(other, c.NextID(c.IDAt(104), Order("W-900", 9)), c.NextID(c.IDAt(105), Count("board", 44)), c.NextID(es[1].ID, Order("W-901", 2)))
	return es, other
}

func swap(st store.Store, es, other []*event.Event) (cut [][]byte, err error) {
	err = st.Write(ctx, func(tx store.Tx) error {
		if cut, err = tx.Cut(es[0].Device, other[0].Seq); err != nil {
			return err
		}
		for _, e := range other {
			if _, err := tx.Insert(e); err != nil {
				return err
			}
		}
		return nil
	})
	return cut, err
}

func cut(t *testing.T, st store.Store) {
	es, other := branches()
	second := NewLog(2, es[0].Shop)
	b := []*event.Event{second.Next(second.Device(NewLog(1, ""), "phone")), second.NextID(es[4].ID, Order("W-104", 1))}
	Put(t, st, append(slices.Clone(es), b...)...)
	save(t, st, point("stock", 30, 8))
	got, err := swap(st, es, other)
	if err != nil {
		t.Fatal(err)
	}
	wantLines(t, got, es[3:]...)
	wantLines(t, Lines(t, st), slices.Concat(es[:3], b, other)...)
	if h := must[map[string]store.Head](t)(st.Heads(ctx)); h[es[0].Device] != (store.Head{Seq: 6, Hash: other[2].Hash}) || len(h) != 2 {
		t.Errorf("heads are %v", h)
	}
	for i, e := range other {
		r := must[store.Row](t)(st.At(ctx, e.Device, e.Seq))
		if r.N != int64(9+i) {
			t.Errorf("number %d is given again, or one is left out", r.N)
		}
		wantLines(t, [][]byte{r.Line}, e)
	}
	if n := must[int64](t)(st.Last(ctx)); n != 11 {
		t.Errorf("last is %d", n)
	}
	// The old order is gone from the searches, and its id is no longer doubled; another now is.
	wantLines(t, linesOf(must[[]store.Row](t)(st.ByID(ctx, es[3].ID))))
	wantLines(t, linesOf(must[[]store.Row](t)(st.ByOrder(ctx, store.OrderOf(other[0])))), other[0])
	for _, e := range es[3:] {
		if o := store.OrderOf(e); o != "" {
			for _, r := range must[[]store.Row](t)(st.ByOrder(ctx, o)) {
				if bytes.Equal(r.Line, e.Line) {
					t.Errorf("order %s still finds what was cut", o)
				}
			}
		}
	}
	if d := must[[]event.ID](t)(st.Doubled(ctx)); !slices.Equal(d, []event.ID{es[1].ID}) {
		t.Errorf("doubled are %v", d)
	}
	if d := must[[]event.ID](t)(st.DoubledAfter(ctx, 8)); !slices.Equal(d, []event.ID{es[1].ID}) {
		t.Errorf("doubled after 8 are %v", d)
	}
	// Checkpoints that knew what was cut are gone and don't come back.
	wantPoints(t, st, "stock")
	save(t, st, point("stock", 30, 8), point("stock", 20, 7))
	wantPoints(t, st, "stock")
	save(t, st, point("stock", 30, 9))
	wantPoints(t, st, "stock", point("stock", 30, 9))
}

func cutRefused(t *testing.T, st store.Store) {
	es, other := branches()
	Put(t, st, es...)
	save(t, st, point("stock", 30, 6))
	err := st.Write(ctx, func(tx store.Tx) error {
		_, err := tx.Cut(es[0].Device, 4)
		return err
	})
	if !errors.Is(err, store.ErrChain) {
		t.Errorf("a log was cut short and nothing put in the place: %v", err)
	}
	stop := errors.New("stop")
	err = st.Write(ctx, func(tx store.Tx) error {
		for _, seq := range []int64{-1, 0, 7} {
			if _, err := tx.Cut(es[0].Device, seq); !errors.Is(err, store.ErrNotFound) {
				t.Errorf("cut at %d: %v", seq, err)
			}
		}
		must[[][]byte](t)(tx.Cut(es[0].Device, 4))
		for _, e := range other {
			must[int64](t)(tx.Insert(e))
		}
		if h := must[store.Head](t)(tx.Head(es[0].Device)); h.Hash != other[2].Hash {
			t.Errorf("the transaction sees %v", h)
		}
		return stop
	})
	if !errors.Is(err, stop) {
		t.Error(err)
	}
	wantLines(t, Lines(t, st), es...)
	wantPoints(t, st, "stock", point("stock", 30, 6))
	Put(t, st, es...) // the same bytes again change nothing
	// From the first event on, within one Write that has inserted before, and once more afterwards.
	l := NewLog(1, "")
	l.Seq, l.Prev = 0, event.FirstPrev
	again := []*event.Event{l.NextID(l.IDAt(100), l.Device(nil, "desk"))}
	for range 2 {
		if _, err := swap(st, es, again); err != nil {
			t.Fatal(err)
		}
		wantLines(t, Lines(t, st), again...)
		if _, err := swap(st, es, es); err != nil {
			t.Fatal(err)
		}
		wantLines(t, Lines(t, st), es...)
	}
}

func notes(t *testing.T, st store.Store) {
	want := map[string]string{}
	set := func(pairs ...string) {
		t.Helper()
		err := st.Write(ctx, func(tx store.Tx) error {
			for i := 0; i < len(pairs); i += 2 {
				var v []byte
				if delete(want, pairs[i]); pairs[i+1] != "" {
					v, want[pairs[i]] = []byte(pairs[i+1]), pairs[i+1]
				}
				if err := tx.SetLocal(pairs[i], v); err != nil {
					return err
				}
				clear(v) // the store keeps its own copy
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	check := func(prefix string, keys ...string) {
		t.Helper()
		var got []string
		err := st.Local(ctx, prefix, func(k string, v []byte) error {
			if got = append(got, k); want[k] != string(v) {
				t.Errorf("%s is %q, want %q", k, v, want[k])
			}
			return nil
		})
		if err != nil || !slices.Equal(got, keys) {
			t.Errorf("prefix %q: %v %v, want %v", prefix, got, err, keys)
		}
	}
	check("")
	set("a/2", "two", "a/1", "one", "b", "\x00\xff")
	check("", "a/1", "a/2", "b")
	check("a/", "a/1", "a/2")
	check("a/2", "a/2")
	check("c")
	set("a/1", "uno", "a/2", "", "none", "")
	check("", slices.Sorted(maps.Keys(want))...)
	// With its transaction or not at all, beside events.
	stop := errors.New("stop")
	es := Some(NewLog(1, ""), 2)
	for _, fail := range []error{stop, nil} {
		err := st.Write(ctx, func(tx store.Tx) error {
			must[int64](t)(tx.Insert(es[0]))
			if err := tx.SetLocal("a/3", []byte("three")); err != nil {
				t.Error(err)
			}
			return fail
		})
		if err != fail {
			t.Error(err)
		}
		if fail == nil {
			want["a/3"] = "three"
		}
		check("", slices.Sorted(maps.Keys(want))...)
	}
	wantLines(t, Lines(t, st), es[0])
	err := st.Local(ctx, "", func(string, []byte) error { return stop })
	if !errors.Is(err, stop) {
		t.Error(err)
	}
}
