package paged

import (
	"bytes"
	"context"
	"maps"
	"slices"
	"sync"

	"countback/ledger/event"
	"countback/ledger/store"
)

// Store is a ledger on a disk. Make one with Open or New.
type Store struct {
	disk    Disk
	writing sync.Mutex // held through a whole Write

	mu     sync.Mutex // of what follows
	x      *index
	stale  bool // the disk holds something else than x says
	closed bool
	cache  cache
}

// Open opens the ledger on a disk; where there is none it is empty.
func Open(ctx context.Context, d Disk) (*Store, error) {
	s := New(d)
	return s, s.refresh(ctx)
}

// New is Open without a look at the disk, which the first call of the store takes.
func New(d Disk) *Store { return &Store{disk: d, x: newIndex(), stale: true} }

func (s *Store) open(op string) error {
	if s.closed {
		return store.Fail(op, "ledger", store.ErrClosed, nil)
	}
	return nil
}

// Version returns a number that changes with each write to the ledger, by whomever, as far as this process has heard.
func (s *Store) Version() int64 { return s.disk.Seen() }

// known returns the index, after a look at the disk if somebody has written to it.
func (s *Store) known(ctx context.Context, op string) (*index, error) {
	s.mu.Lock()
	err := s.open(op)
	x, fresh := s.x, !s.stale && s.disk.Seen() <= s.x.meta.version
	s.mu.Unlock()
	if err != nil || fresh {
		return x, err
	}
	if err := s.refresh(ctx); err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.x, nil
}

// look runs fn with the index.
func (s *Store) look(ctx context.Context, op string, fn func(*index)) error {
	x, err := s.known(ctx, op)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	fn(x)
	return nil
}

// refresh reads what others have written.
func (s *Store) refresh(ctx context.Context) error {
	const attempts = 20
	for range attempts {
		done, err := s.catchUp(ctx)
		if done || err != nil {
			return err
		}
	}
	return damaged("its index", nil)
}

type part struct {
	first int64
	b     []byte
}

// catchUp is one attempt of refresh. It is done unless somebody has written, or refreshed, between its two reads.
func (s *Store) catchUp(ctx context.Context) (done bool, err error) {
	head, err := s.disk.Get(ctx, "v", "h")
	if err != nil {
		return false, err
	}
	m, err := decodeMeta(head[0])
	if err != nil {
		return false, err
	}
	heads, err := decodeHeads(head[1])
	if err != nil {
		return false, err
	}
	s.mu.Lock()
	x := s.x
	if x.meta.cuts != m.cuts || x.meta.version > m.version {
		x = newIndex()
	}
	if x.meta == m { // a transaction may be reading it: nothing is touched
		s.stale = false
		s.mu.Unlock()
		return true, nil
	}
	have, from := int64(len(x.rows)), max(x.tail, 1)
	s.mu.Unlock()
	var parts []part
	if have < m.last {
		err = s.disk.Range(ctx, indexKey(from), "i0", func(key string, b []byte) error {
			first, err := firstOf(key)
			parts = append(parts, part{first, b})
			return err
		})
		if err != nil {
			return false, err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if int64(len(x.rows)) != have || x.meta == m {
		return false, nil
	}
	for _, p := range parts {
		if err := x.takeIndex(p.first, p.b, m.last); err != nil {
			return false, err
		}
	}
	if int64(len(x.rows)) != m.last {
		return false, nil
	}
	if x.meta, x.heads = m, heads; s.x != x {
		s.x = x
		s.cache.clear()
	}
	s.stale = false
	return true, nil
}

// Scan implements store.Store.
func (s *Store) Scan(ctx context.Context, after int64, fn func(store.Row) error) error {
	return s.scan(ctx, after, func(*index, *row) bool { return true }, fn)
}

// ScanKinds implements store.Store.
func (s *Store) ScanKinds(ctx context.Context, kinds []event.Kind, after int64, fn func(store.Row) error) error {
	return s.scan(ctx, after, func(x *index, r *row) bool { return slices.Contains(kinds, event.Kind(x.names[r.kind])) }, fn)
}

func (s *Store) scan(ctx context.Context, after int64, want func(*index, *row) bool, fn func(store.Row) error) error {
	var list []int64
	err := s.look(ctx, "read", func(x *index) {
		for n := max(after, 0) + 1; n <= int64(len(x.rows)); n++ {
			if r := &x.rows[n-1]; !r.dead() && want(x, r) {
				list = append(list, n)
			}
		}
	})
	if err != nil {
		return err
	}
	return s.each(ctx, list, fn)
}

// ScanSince implements store.Store.
func (s *Store) ScanSince(ctx context.Context, ms int64, fn func(store.Row) error) error {
	var list []int64
	err := s.look(ctx, "read", func(x *index) {
		for i := range x.rows {
			if r := &x.rows[i]; !r.dead() && r.ms >= ms {
				list = append(list, int64(i+1))
			}
		}
		slices.SortStableFunc(list, func(a, b int64) int { return cmpMs(x, a, b) })
	})
	if err != nil {
		return err
	}
	return s.each(ctx, list, fn)
}

func cmpMs(x *index, a, b int64) int {
	switch p, q := x.rows[a-1].ms, x.rows[b-1].ms; {
	case p < q:
		return -1
	case p > q:
		return 1
	}
	return 0
}

// rows returns the rows of some numbers; the lines belong to the caller.
func (s *Store) rows(ctx context.Context, list []int64) (out []store.Row, err error) {
	err = s.each(ctx, list, func(r store.Row) error {
		out = append(out, store.Row{N: r.N, Line: bytes.Clone(r.Line)})
		return nil
	})
	return out, err
}

// ByID implements store.Store.
func (s *Store) ByID(ctx context.Context, id event.ID) ([]store.Row, error) {
	var list []int64
	if err := s.look(ctx, "look up an event", func(x *index) { list = x.byID(id) }); err != nil {
		return nil, err
	}
	return s.rows(ctx, list)
}

// ByOrder implements store.Store.
func (s *Store) ByOrder(ctx context.Context, order string) ([]store.Row, error) {
	var list []int64
	sum := orderSum(order)
	err := s.look(ctx, "look up an order", func(x *index) {
		for i := range x.rows {
			if r := &x.rows[i]; sum != 0 && r.order == sum && !r.dead() {
				list = append(list, int64(i+1))
			}
		}
	})
	if err != nil {
		return nil, err
	}
	rows, err := s.rows(ctx, list)
	return slices.DeleteFunc(rows, func(r store.Row) bool { // two numbers may share a sum
		e, err := event.ParseLine(r.Line)
		return err == nil && store.OrderOf(e) != order
	}), err
}

// At implements store.Store.
func (s *Store) At(ctx context.Context, device string, seq int64) (store.Row, error) {
	var n int64
	if err := s.look(ctx, "look up an event", func(x *index) { n = x.place(device, seq) }); err != nil {
		return store.Row{}, err
	}
	if n == 0 {
		return store.Row{}, store.NoEvent(device, seq)
	}
	rows, err := s.rows(ctx, []int64{n})
	if err == nil && len(rows) == 0 {
		err = store.NoEvent(device, seq)
	}
	if err != nil {
		return store.Row{}, err
	}
	return rows[0], nil
}

// Heads implements store.Store.
func (s *Store) Heads(ctx context.Context) (heads map[string]store.Head, err error) {
	err = s.look(ctx, "read the logs", func(x *index) { heads = maps.Clone(x.heads) })
	return heads, err
}

// Last implements store.Store.
func (s *Store) Last(ctx context.Context) (n int64, err error) {
	err = s.look(ctx, "read", func(x *index) { n = int64(len(x.rows)) })
	return n, err
}

// Doubled implements store.Store.
func (s *Store) Doubled(ctx context.Context) (list []event.ID, err error) {
	err = s.look(ctx, "read", func(x *index) {
		x.needIDs()
		list = slices.SortedFunc(maps.Keys(x.more), event.ID.Compare)
	})
	return list, err
}

// DoubledAfter implements store.Store.
func (s *Store) DoubledAfter(ctx context.Context, after int64) (list []event.ID, err error) {
	err = s.look(ctx, "read", func(x *index) {
		x.needIDs()
		found := map[event.ID]bool{}
		for id, numbers := range x.more {
			if numbers[len(numbers)-1] > after {
				found[id] = true
			}
		}
		list = slices.SortedFunc(maps.Keys(found), event.ID.Compare)
	})
	return list, err
}

// Local implements store.Store. The keys' order is made here: the disk's is that of UTF-16.
func (s *Store) Local(ctx context.Context, prefix string, fn func(key string, value []byte) error) error {
	if _, err := s.known(ctx, "read what is kept aside"); err != nil {
		return err
	}
	var list []Pair
	from := noteKey(prefix)
	err := s.disk.Range(ctx, from, from+"\uffff", func(key string, value []byte) error {
		list = append(list, Pair{key[len(notePrefix):], value})
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortFunc(list, func(a, b Pair) int { return bytes.Compare([]byte(a.Key), []byte(b.Key)) })
	for _, p := range list {
		if err := fn(p.Key, p.Value[1:]); err != nil {
			return err
		}
	}
	return ctx.Err()
}

const notePrefix = "n/"

func noteKey(key string) string { return notePrefix + key }

// Close implements store.Store.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	return s.disk.Close()
}
