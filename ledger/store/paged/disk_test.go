package paged_test

import (
	"bytes"
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/paged"
	"countback/ledger/store/storetest"
)

var ctx = context.Background()

// disk is a disk in memory.
type disk struct {
	holding sync.Mutex
	mu      sync.Mutex
	values  map[string][]byte
	seen    int64
	deaf    bool  // doesn't hear of what others write
	fail    error // of the next commits
}

func newDisk() *disk { return &disk{values: map[string][]byte{}} }

func (d *disk) Hold(ctx context.Context) (func(), error) {
	d.holding.Lock()
	return d.holding.Unlock, ctx.Err()
}

func (d *disk) Get(_ context.Context, keys ...string) (out [][]byte, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, k := range keys {
		out = append(out, bytes.Clone(d.values[k]))
	}
	return out, nil
}

func (d *disk) Keys(_ context.Context, from, to string) (out []string, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, k := range slices.Sorted(maps.Keys(d.values)) {
		if k >= from && k < to {
			out = append(out, k)
		}
	}
	return out, nil
}

func (d *disk) Range(ctx context.Context, from, to string, fn func(string, []byte) error) error {
	keys, err := d.Keys(ctx, from, to)
	if err != nil {
		return err
	}
	values, err := d.Get(ctx, keys...)
	if err != nil {
		return err
	}
	for i, k := range keys {
		if err := fn(k, values[i]); err != nil {
			return err
		}
	}
	return nil
}

func (d *disk) Commit(_ context.Context, b paged.Batch) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fail != nil {
		return d.fail
	}
	if held, ok := d.values[b.Guard.Key]; ok != (b.Guard.Value != nil) || !bytes.Equal(held, b.Guard.Value) {
		return store.Fail("record", "ledger", store.ErrBusy, nil)
	}
	for _, k := range b.Drop {
		delete(d.values, k)
	}
	for _, p := range b.Clear {
		maps.DeleteFunc(d.values, func(k string, _ []byte) bool { return strings.HasPrefix(k, p) })
	}
	for _, p := range b.Put {
		d.values[p.Key] = bytes.Clone(p.Value)
	}
	d.seen = max(d.seen, b.Version)
	return nil
}

func (d *disk) Seen() int64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.deaf {
		return 0
	}
	return d.seen
}

func (d *disk) Close() error { return nil }

func open(t testing.TB, d paged.Disk) *paged.Store {
	t.Helper()
	s, err := paged.Open(ctx, d)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T) store.Store { return open(t, newDisk()) })
}

// twin is two stores over one disk of which every call takes the other one, as two processes do.
type twin struct {
	store.Store
	list [2]*paged.Store
	n    atomic.Int64
}

func (w *twin) next() *paged.Store {
	return w.list[w.n.Add(1)%2]
}

func (w *twin) Close() error { return errors.Join(w.list[0].Close(), w.list[1].Close()) }

func (w *twin) Write(ctx context.Context, fn func(store.Tx) error) error {
	return w.next().Write(ctx, fn)
}

func (w *twin) Scan(ctx context.Context, after int64, fn func(store.Row) error) error {
	return w.next().Scan(ctx, after, fn)
}

func (w *twin) ByID(ctx context.Context, id event.ID) ([]store.Row, error) {
	return w.next().ByID(ctx, id)
}

func (w *twin) At(ctx context.Context, device string, seq int64) (store.Row, error) {
	return w.next().At(ctx, device, seq)
}

func (w *twin) Heads(ctx context.Context) (map[string]store.Head, error) { return w.next().Heads(ctx) }
func (w *twin) Last(ctx context.Context) (int64, error)                  { return w.next().Last(ctx) }
func (w *twin) Doubled(ctx context.Context) ([]event.ID, error)          { return w.next().Doubled(ctx) }

func (w *twin) SaveCheckpoint(ctx context.Context, c store.Checkpoint) error {
	return w.next().SaveCheckpoint(ctx, c)
}

func (w *twin) Checkpoints(ctx context.Context, key string) ([]store.Checkpoint, error) {
	return w.next().Checkpoints(ctx, key)
}

func (w *twin) CheckpointState(ctx context.Context, c store.Checkpoint) ([]byte, error) {
	return w.next().CheckpointState(ctx, c)
}

// Two processes that share a disk are one store to whoever asks now the one and now the other.
func TestTwoProcesses(t *testing.T) {
	storetest.Run(t, func(t *testing.T) store.Store {
		d := newDisk()
		a, b := open(t, d), open(t, d)
		return &twin{Store: a, list: [2]*paged.Store{a, b}}
	})
}

// Whoever hasn't heard of what another wrote builds on it all the same.
func TestWritingLooksFirst(t *testing.T) {
	d := newDisk()
	d.deaf = true
	a, b := open(t, d), open(t, d)
	l := storetest.NewLog(1, "")
	es := storetest.Some(l, 8)
	for i, e := range es {
		storetest.Put(t, []*paged.Store{a, b}[i%2], e)
	}
	if got := storetest.Lines(t, open(t, d)); len(got) != len(es) {
		t.Errorf("%d lines", len(got))
	}
}

// A failure of the disk leaves the store as it was, and the next write works.
func TestAFailingDisk(t *testing.T) {
	d := newDisk()
	s := open(t, d)
	es := storetest.Some(storetest.NewLog(1, ""), 4)
	storetest.Put(t, s, es[:2]...)
	d.fail = store.Fail("record", "ledger", store.ErrFull, nil)
	err := s.Write(ctx, func(tx store.Tx) error { _, err := tx.Insert(es[2]); return err })
	if !errors.Is(err, store.ErrFull) {
		t.Error(err)
	}
	d.fail = nil
	if got := storetest.Lines(t, s); len(got) != 2 {
		t.Errorf("%d lines after the failure", len(got))
	}
	storetest.Put(t, s, es[2:]...)
	if got := storetest.Lines(t, s); len(got) != 4 {
		t.Errorf("%d lines", len(got))
	}
}

// Whatever is written in whatever portions, and cut, a store that opens the disk anew knows the same as the one that wrote.
func TestOpenedAnew(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		d := newDisk()
		s := open(t, d)
		main := storetest.NewLog(1, "")
		var log []*event.Event
		for range rapid.IntRange(1, 12).Draw(r, "writes") {
			if len(log) > 3 && rapid.IntRange(0, 3).Draw(r, "cut") == 0 {
				at := rapid.IntRange(2, len(log)-1).Draw(r, "at")
				other := storetest.NewLog(1, "")
				other.Seq, other.Prev = int64(at), log[at-1].Hash
				e := other.NextID(other.IDAt(100+int64(at)), storetest.Order("X", int64(at)))
				err := s.Write(ctx, func(tx store.Tx) error {
					if _, err := tx.Cut(e.Device, e.Seq); err != nil {
						return err
					}
					_, err := tx.Insert(e)
					return err
				})
				if err != nil {
					r.Fatal(err)
				}
				log = append(log[:at:at], e)
				main = other
				continue
			}
			es := storetest.Some(main, rapid.IntRange(1, 150).Draw(r, "events"))
			storetest.Put(t, s, es...)
			log = append(log, es...)
		}
		again := open(t, d)
		for _, st := range []*paged.Store{s, again} {
			got := storetest.Lines(t, st)
			if !slices.EqualFunc(got, log, func(g []byte, e *event.Event) bool { return bytes.Equal(g, e.Line) }) {
				r.Fatalf("%d lines, want %d", len(got), len(log))
			}
			last := log[len(log)-1]
			if row, err := st.At(ctx, last.Device, last.Seq); err != nil || !bytes.Equal(row.Line, last.Line) {
				r.Fatal(err)
			}
		}
	})
}
