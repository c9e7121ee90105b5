package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/store"
)

// Run checks every promise of store.Store on stores that open makes, each empty.
func Run(t *testing.T, open func(t *testing.T) store.Store) {
	for _, c := range []struct {
		name string
		test func(*testing.T, store.Store)
	}{
		{"an empty store", empty},
		{"lines come back byte for byte in order of arrival", roundTrip},
		{"a scan starts after a number and ends with an error", scanPart},
		{"a part of a log", logPart},
		{"a log has no gap and no wrong prevhash", continues},
		{"the same bytes again change nothing", again},
		{"another event at a place is a fork", fork},
		{"a failed write leaves nothing", allOrNothing},
		{"a transaction sees its own inserts", ownInserts},
		{"after a refused insert the transaction goes on", goesOn},
		{"kinds", kinds},
		{"events since an instant", since},
		{"order numbers", orders},
		{"order numbers of later versions", laterVersions},
		{"doubled ids", doubled},
		{"void events are kept", void},
		{"reads inside a scan and a write", nested},
		{"a cancelled context stops", cancelled},
		{"checkpoints", checkpoints},
		{"of two checkpoints the one that knew more stays", compareAndSet},
		{"another branch takes the end of a log", cut},
		{"a cut that is refused or undone", cutRefused},
		{"notes of this replica", notes},
		{"several writers", writers},
		{"a closed store", closed},
		{"every write of a job fails once", faultLoop},
		{"like a plain list", model},
	} {
		t.Run(c.name, func(t *testing.T) {
			st := open(t)
			defer st.Close()
			c.test(t, st)
		})
	}
}

var ctx = context.Background()

func must[T any](t *testing.T) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// Put inserts events in one write.
func Put(t testing.TB, st store.Store, events ...*event.Event) {
	t.Helper()
	err := st.Write(ctx, func(tx store.Tx) error {
		for _, e := range events {
			if _, err := tx.Insert(e); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Lines returns all lines in order of arrival.
func Lines(t testing.TB, st store.Store) [][]byte {
	t.Helper()
	var out [][]byte
	last := int64(0)
	err := st.Scan(ctx, 0, func(r store.Row) error {
		if r.N <= last {
			t.Errorf("number %d after %d", r.N, last)
		}
		last = r.N
		out = append(out, bytes.Clone(r.Line))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func wantLines(t *testing.T, got [][]byte, want ...*event.Event) {
	t.Helper()
	if !slices.EqualFunc(got, want, func(g []byte, w *event.Event) bool { return bytes.Equal(g, w.Line) }) {
		t.Errorf("got %d lines, want %d, or they differ:\n%s", len(got), len(want), bytes.Join(got, []byte("\n")))
	}
}

func linesOf(rows []store.Row) (out [][]byte) {
	for _, r := range rows {
		out = append(out, r.Line)
	}
	return out
}

func empty(t *testing.T, st store.Store) {
	if n := must[int64](t)(st.Last(ctx)); n != 0 {
		t.Errorf("last is %d", n)
	}
	if h := must[map[string]store.Head](t)(st.Heads(ctx)); len(h) != 0 {
		t.Errorf("heads are %v", h)
	}
	if len(Lines(t, st)) != 0 || len(must[[]event.ID](t)(st.Doubled(ctx))) != 0 {
		t.Error("it isn't empty")
	}
	l := NewLog(1, "")
	if _, err := st.At(ctx, l.Key.Device(), 1); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("At: %v", err)
	}
	err := st.Write(ctx, func(tx store.Tx) error {
		if h := must[store.Head](t)(tx.Head(l.Key.Device())); h != store.EmptyHead {
			t.Errorf("head is %v", h)
		}
		if must[bool](t)(tx.Has(l.IDAt(1))) || must[bool](t)(tx.Has(event.ID{})) {
			t.Error("it has an event")
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

func roundTrip(t *testing.T, st store.Store) {
	a := NewLog(1, "")
	ea := Some(a, 6)
	b := NewLog(2, a.Shop)
	b1, b2 := b.Next(b.Device(a, "phone")), b.Next(&event.Retire{Item: "ruled ‹card› \"a\" \\ ~", Note: "ö"})
	Put(t, st, ea[:3]...)
	Put(t, st, b1, ea[3])
	Put(t, st, ea[4], ea[5], b2)
	want := []*event.Event{ea[0], ea[1], ea[2], b1, ea[3], ea[4], ea[5], b2}
	wantLines(t, Lines(t, st), want...)
	heads := must[map[string]store.Head](t)(st.Heads(ctx))
	if len(heads) != 2 || heads[ea[0].Device] != (store.Head{Seq: 6, Hash: ea[5].Hash}) || heads[b1.Device] != (store.Head{Seq: 2, Hash: b2.Hash}) {
		t.Errorf("heads are %v", heads)
	}
	for i, e := range want {
		r := must[store.Row](t)(st.At(ctx, e.Device, e.Seq))
		wantLines(t, [][]byte{r.Line}, e)
		if r.N != int64(i+1) {
			t.Errorf("number %d, want %d", r.N, i+1)
		}
		wantLines(t, linesOf(must[[]store.Row](t)(st.ByID(ctx, e.ID))), e)
	}
	if n := must[int64](t)(st.Last(ctx)); n != 8 {
		t.Errorf("last is %d", n)
	}
	for _, seq := range []int64{-1, 0, 7, event.MaxSeq} {
		if _, err := st.At(ctx, ea[0].Device, seq); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("At %d: %v", seq, err)
		}
	}
}

func logPart(t *testing.T, st store.Store) {
	a, b := NewLog(1, ""), NewLog(2, "")
	es := Some(a, 9)
	Put(t, st, es[:4]...)
	b.Shop = a.Shop
	Put(t, st, b.Next(b.Device(a, "phone")))
	Put(t, st, es[4:]...)
	for _, part := range [][2]int64{{1, 9}, {-3, 2}, {4, 6}, {9, 9}, {5, 4}, {8, 1 << 40}, {10, 12}} {
		var got [][]byte
		err := store.Log(ctx, st, es[0].Device, part[0], part[1], func(r store.Row) error { got = append(got, bytes.Clone(r.Line)); return nil })
		if err != nil {
			t.Fatal(err)
		}
		from, to := min(max(part[0]-1, 0), 9), min(max(part[1], 0), 9)
		wantLines(t, got, es[from:max(from, to)]...)
	}
	stop, seen := errors.New("stop"), 0
	err := store.Log(ctx, st, es[0].Device, 1, 9, func(store.Row) error {
		if seen++; seen == 3 {
			return stop
		}
		return nil
	})
	if !errors.Is(err, stop) || seen != 3 {
		t.Errorf("%v after %d", err, seen)
	}
	if err := store.Log(ctx, st, "nobody", 1, 9, func(store.Row) error { return stop }); err != nil {
		t.Error(err)
	}
}

func scanPart(t *testing.T, st store.Store) {
	es := Some(NewLog(1, ""), 20)
	Put(t, st, es...)
	for _, after := range []int64{-5, 0, 1, 7, 19, 20, 21, 1 << 40} {
		var got [][]byte
		err := st.Scan(ctx, after, func(r store.Row) error { got = append(got, bytes.Clone(r.Line)); return nil })
		if err != nil {
			t.Fatal(err)
		}
		wantLines(t, got, es[min(max(after, 0), 20):]...)
	}
	stop, seen := errors.New("stop"), 0
	err := st.Scan(ctx, 0, func(store.Row) error {
		if seen++; seen == 3 {
			return stop
		}
		return nil
	})
	if !errors.Is(err, stop) || seen != 3 {
		t.Errorf("%v after %d", err, seen)
	}
}

func insert(st store.Store, e *event.Event) (n int64, err error) {
	err = st.Write(ctx, func(tx store.Tx) error { n, err = tx.Insert(e); return err })
	return n, err
}

func continues(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	es := Some(l, 4)
	other := NewLog(1, "")
	other.Prev = es[1].Hash
	first := other.Next(Order("x", 1)) // sequence 1 with a prevhash that isn't zero
	for _, c := range []struct {
		e    *event.Event
		want error
	}{{es[1], store.ErrChain}, {first, store.ErrChain}, {es[0], nil}, {es[2], store.ErrChain}, {es[3], store.ErrChain}, {es[1], nil}} {
		if _, err := insert(st, c.e); !errors.Is(err, c.want) {
			t.Errorf("event %d: %v, want %v", c.e.Seq, err, c.want)
		} else if err != nil && store.Hint(err) == "" {
			t.Errorf("event %d: %v has no hint", c.e.Seq, err)
		}
	}
	branch := l.Copy()
	branch.Seq, branch.Prev = 2, es[0].Hash
	if _, err := insert(st, branch.Next(Order("x", 1))); !errors.Is(err, store.ErrChain) {
		t.Errorf("wrong prevhash: %v", err)
	}
	wantLines(t, Lines(t, st), es[:2]...)
}

func again(t *testing.T, st store.Store) {
	es := Some(NewLog(1, ""), 5)
	Put(t, st, es...)
	for i, e := range es {
		if n, err := insert(st, e); err != nil || n != int64(i+1) {
			t.Errorf("event %d again: number %d, %v", e.Seq, n, err)
		}
	}
	wantLines(t, Lines(t, st), es...)
	if d := must[[]event.ID](t)(st.Doubled(ctx)); len(d) != 0 {
		t.Errorf("doubled: %v", d)
	}
}

func fork(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	es := Some(l, 3)
	twin := l.Copy()
	Put(t, st, es...)
	Put(t, st, l.Next(Order("W-1", 1)))
	if _, err := insert(st, twin.Next(Order("W-2", 1))); !errors.Is(err, store.ErrFork) || store.Hint(err) == "" {
		t.Errorf("a fork: %v", err)
	}
	if n := must[int64](t)(st.Last(ctx)); n != 4 {
		t.Errorf("last is %d", n)
	}
}

func allOrNothing(t *testing.T, st store.Store) {
	es := Some(NewLog(1, ""), 6)
	Put(t, st, es[:2]...)
	stop := errors.New("the check said no")
	err := st.Write(ctx, func(tx store.Tx) error {
		for _, e := range es[2:] {
			must[int64](t)(tx.Insert(e))
		}
		return stop
	})
	if !errors.Is(err, stop) {
		t.Errorf("got %v", err)
	}
	wantLines(t, Lines(t, st), es[:2]...)
	for _, e := range es[2:] {
		if rows := must[[]store.Row](t)(st.ByID(ctx, e.ID)); len(rows) != 0 {
			t.Errorf("event %d is found", e.Seq)
		}
	}
	Put(t, st, es[2:]...)
	wantLines(t, Lines(t, st), es...)
}

func ownInserts(t *testing.T, st store.Store) {
	es := Some(NewLog(1, ""), 6)
	Put(t, st, es[:2]...)
	err := st.Write(ctx, func(tx store.Tx) error {
		for i, e := range es[2:] {
			if must[bool](t)(tx.Has(e.ID)) {
				t.Errorf("has %d before", e.Seq)
			}
			n := must[int64](t)(tx.Insert(e))
			if again := must[int64](t)(tx.Insert(e)); n != int64(i+3) || again != n {
				t.Errorf("numbers %d and %d", n, again)
			}
			if last := must[int64](t)(tx.Last()); last != n {
				t.Errorf("last is %d, want %d", last, n)
			}
			if h := must[store.Head](t)(tx.Head(e.Device)); h != (store.Head{Seq: e.Seq, Hash: e.Hash}) {
				t.Errorf("head is %v", h)
			}
			if !must[bool](t)(tx.Has(e.ID)) {
				t.Errorf("hasn't %d after", e.Seq)
			}
			wantLines(t, linesOf(must[[]store.Row](t)(tx.ByID(e.ID))), e)
			if l, ok := tx.(store.Looker); ok {
				if r := must[store.Row](t)(l.At(e.Device, e.Seq)); r.N != n || !bytes.Equal(r.Line, e.Line) {
					t.Errorf("At gives number %d, want %d", r.N, n)
				}
				for _, seq := range []int64{0, e.Seq + 1} {
					if _, err := l.At(e.Device, seq); !errors.Is(err, store.ErrNotFound) {
						t.Errorf("At %d: %v", seq, err)
					}
				}
			}
		}
		wantLines(t, linesOf(must[[]store.Row](t)(tx.ByID(es[0].ID))), es[0])
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	wantLines(t, Lines(t, st), es...)
}

func goesOn(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	es := Some(l, 2)
	twin := l.Copy()
	third, wrong := l.Next(Order("W-1", 1)), twin.Next(Order("W-2", 1))
	late := twin.Next(Order("W-3", 1))
	Put(t, st, es...)
	err := st.Write(ctx, func(tx store.Tx) error {
		if _, err := tx.Insert(late); !errors.Is(err, store.ErrChain) {
			t.Errorf("a gap: %v", err)
		}
		must[int64](t)(tx.Insert(third))
		if _, err := tx.Insert(wrong); !errors.Is(err, store.ErrFork) {
			t.Errorf("a fork: %v", err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	wantLines(t, Lines(t, st), es[0], es[1], third)
}

func kinds(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	es := Some(l, 40)
	es = append(es, l.Foreign("countback.count.v2", `{"item":"board"}`), l.Foreign("countback.inkwell.v1", `{}`))
	Put(t, st, es...)
	for _, ask := range [][]event.Kind{
		{}, {event.KindDevice}, {event.KindShop, event.KindDevice}, {event.KindCount}, {event.KindDamage, event.KindCount},
		{event.KindOrder}, {event.KindPack, event.KindOrder}, {event.KindCount, event.KindPack}, {"inkwell"}, {event.KindCount, event.KindCount},
	} {
		for _, after := range []int64{0, 1, 17} {
			var want []*event.Event
			for i, e := range es {
				if int64(i) >= after && slices.Contains(ask, e.Kind) {
					want = append(want, e)
				}
			}
			var got [][]byte
			err := st.ScanKinds(ctx, ask, after, func(r store.Row) error { got = append(got, bytes.Clone(r.Line)); return nil })
			if err != nil {
				t.Fatal(err)
			}
			wantLines(t, got, want...)
		}
	}
}

// Facts come late and in any order of time; equal times keep the order of arrival.
func since(t *testing.T, st store.Store) {
	a := NewLog(1, "")
	b := NewLog(2, a.Shop)
	at := func(l *Log, ms int64) *event.Event {
		e := l.At(ms, Count("board", 1))
		Put(t, st, e)
		return e
	}
	first, late, early := at(a, 5000), at(a, 9000), at(b, -3000)
	same, zero, other := at(a, 5000), at(b, 0), at(b, 5001)
	noTime := a.Seal(bytes.Replace(a.Copy().At(1, Count("board", 1)).Line[:lenHead(a.Copy().At(1, Count("board", 1)).Line)], []byte("1970"), []byte("1969-"), 1))
	Put(t, st, noTime)
	order := []*event.Event{early, zero, noTime, first, same, other, late}
	for _, c := range []struct {
		ms   int64
		from int
	}{{-1 << 62, 0}, {-3000, 0}, {-2999, 1}, {0, 1}, {1, 3}, {5000, 3}, {5001, 5}, {5002, 6}, {9000, 6}, {9001, 7}, {1 << 62, 7}} {
		for range 2 { // before the first checkpoint and after it
			var got [][]byte
			seen := map[int64]bool{}
			err := st.ScanSince(ctx, c.ms, func(r store.Row) error {
				got, seen[r.N] = append(got, bytes.Clone(r.Line)), true
				must[[]store.Row](t)(st.ByOrder(ctx, "W-1")) // a scan may be looked around in
				return nil
			})
			if err != nil || len(seen) != len(got) {
				t.Fatalf("since %d: %v, %d numbers of %d", c.ms, err, len(seen), len(got))
			}
			wantLines(t, got, order[c.from:]...)
			save(t, st, point("stock", 1, 1))
		}
	}
	stop := errors.New("stop")
	if err := st.ScanSince(ctx, 0, func(store.Row) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("got %v", err)
	}
	c, cancel := context.WithCancel(ctx)
	cancel()
	if err := st.ScanSince(c, 0, func(store.Row) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

func lenHead(line []byte) int { return bytes.Index(line, []byte(`,"sig":`)) }

func orders(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	one := num.Whole(1)
	named := []event.Data{
		Order("W-7", 2), &event.Pack{Order: "W-7"},
		&event.Return{Order: "W-7", Lines: []event.ReturnLine{{Item: "card-a6", Qty: one, Condition: "scrap"}}},
		&event.Reprint{Item: "card-a6", Good: &one, Spoiled: &one, Order: "W-7"},
		&event.Damage{Item: "card-a6", Qty: one, Reason: "gift", Order: "W-7"},
	}
	var want []*event.Event
	for _, e := range Some(l, 6) {
		Put(t, st, e)
	}
	for _, d := range named {
		e := l.Next(d)
		want = append(want, e)
		Put(t, st, e, l.Next(Order("w-7", 1)), l.Next(Count("W-7", 1)))
	}
	wantLines(t, linesOf(must[[]store.Row](t)(st.ByOrder(ctx, "W-7"))), want...)
	for _, none := range []string{"", "W-8", "W-", "%"} {
		if rows := must[[]store.Row](t)(st.ByOrder(ctx, none)); len(rows) != 0 {
			t.Errorf("order %q has %d events", none, len(rows))
		}
	}
}

func laterVersions(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	Put(t, st, Some(l, 2)...)
	a := l.Foreign("countback.pack.v2", `{"x":{"order":"no"},"order":"W-7"}`)
	b := l.Foreign("countback.pack.v1", `{"order":"W-7","bogus":"1"}`) // of the wrong shape: void
	c := l.Foreign("countback.pack.v2", `{"order":["W-7"]}`)
	Put(t, st, a, b, c)
	wantLines(t, linesOf(must[[]store.Row](t)(st.ByOrder(ctx, "W-7"))), a)
}

func doubled(t *testing.T, st store.Store) {
	a, b := NewLog(1, ""), NewLog(2, "")
	Put(t, st, Some(a, 2)...)
	Put(t, st, Some(b, 2)...)
	same, other := a.IDAt(90), a.IDAt(80)
	ea, eb := a.NextID(same, Order("W-1", 1)), b.NextID(same, Order("W-1", 1))
	Put(t, st, ea)
	if d := must[[]event.ID](t)(st.Doubled(ctx)); len(d) != 0 {
		t.Errorf("doubled before: %v", d)
	}
	Put(t, st, eb)
	wantLines(t, linesOf(must[[]store.Row](t)(st.ByID(ctx, same))), ea, eb)
	Put(t, st, a.NextID(other, Order("W-2", 1)), b.NextID(other, Order("W-3", 1))) // both within one write
	if d := must[[]event.ID](t)(st.Doubled(ctx)); !slices.Equal(d, []event.ID{other, same}) {
		t.Errorf("doubled: %v", d)
	}
	for after, want := range [][]event.ID{0: {other, same}, 3: {other, same}, 4: {other, same}, 5: {other, same}, 6: {other}, 7: {other}, 8: nil, 9: nil} {
		if d := must[[]event.ID](t)(st.DoubledAfter(ctx, int64(after))); want != nil && !slices.Equal(d, want) || after >= 8 && len(d) != 0 {
			t.Errorf("doubled after %d: %v, want %v", after, d, want)
		}
	}
	twice := a.IDAt(70)
	Put(t, st, a.NextID(twice, Order("W-4", 1)), a.NextID(twice, Order("W-4", 1)))
	if d := must[[]event.ID](t)(st.Doubled(ctx)); !slices.Contains(d, twice) {
		t.Errorf("doubled: %v", d)
	}
}

func void(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	Put(t, st, Some(l, 2)...)
	line := l.Foreign("countback.order.v1", `{"wrong":"1"}`)
	head := bytes.Replace(line.Line[:bytes.Index(line.Line, []byte(`,"sig":`))], []byte(`"id":"0`), []byte(`"id":"U`), 1)
	l.Seq, l.Prev = 2, line.Prev
	noID := l.Seal(head)
	next := l.Seal(bytes.Replace(bytes.Replace(head, []byte(`"devseq":3`), []byte(`"devseq":4`), 1), []byte(line.Prev), []byte(noID.Hash), 1))
	if noID.Fault == nil || !noID.ID.IsZero() || next.Fault == nil {
		t.Fatal("the test's events aren't faulty")
	}
	Put(t, st, noID, next)
	if got := Lines(t, st); len(got) != 4 || !bytes.Equal(got[2], noID.Line) || !bytes.Equal(got[3], next.Line) {
		t.Error("a void event didn't come back")
	}
	if rows := must[[]store.Row](t)(st.ByID(ctx, event.ID{})); len(rows) != 0 {
		t.Error("the zero id finds events")
	}
	if d := must[[]event.ID](t)(st.Doubled(ctx)); len(d) != 0 {
		t.Errorf("doubled: %v", d)
	}
}

func nested(t *testing.T, st store.Store) {
	l := NewLog(1, "")
	es := Some(l, 5)
	Put(t, st, es...)
	err := st.Scan(ctx, 0, func(r store.Row) error {
		e := must[*event.Event](t)(event.ParseLine(bytes.Clone(r.Line)))
		must[store.Row](t)(st.At(ctx, e.Device, e.Seq))
		if e.Seq == 2 {
			Put(t, st, l.Next(Order("W-1", 1)))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	err = st.Write(ctx, func(tx store.Tx) error {
		must[int64](t)(tx.Insert(l.Next(Order("W-2", 1))))
		if n := must[int64](t)(st.Last(ctx)); n != 6 {
			t.Errorf("a read inside a write sees %d events, want 6", n)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func cancelled(t *testing.T, st store.Store) {
	es := Some(NewLog(1, ""), 3)
	Put(t, st, es...)
	c, cancel := context.WithCancel(ctx)
	cancel()
	if err := st.Write(c, func(store.Tx) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("Write: %v", err)
	}
	if err := st.Scan(c, 0, func(store.Row) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("Scan: %v", err)
	}
	wantLines(t, Lines(t, st), es...)
}

func closed(t *testing.T, st store.Store) {
	es := Some(NewLog(1, ""), 1)
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	_, heads := st.Heads(ctx)
	_, at := st.At(ctx, es[0].Device, 1)
	for name, err := range map[string]error{
		"Write": st.Write(ctx, func(store.Tx) error { return nil }), "Scan": st.Scan(ctx, 0, func(store.Row) error { return nil }), "Heads": heads, "At": at,
	} {
		if !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func writers(t *testing.T, st store.Store) {
	const each = 25
	done := make(chan error)
	for w := range 4 {
		go func() {
			l := NewLog(byte(w+1), "")
			for _, e := range Some(l, each) {
				if _, err := insert(st, e); err != nil {
					done <- fmt.Errorf("writer %d: %w", w, err)
					return
				}
			}
			done <- nil
		}()
	}
	for range 4 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	heads := must[map[string]store.Head](t)(st.Heads(ctx))
	if len(heads) != 4 || len(Lines(t, st)) != 4*each {
		t.Errorf("%d logs, %d lines", len(heads), len(Lines(t, st)))
	}
}
