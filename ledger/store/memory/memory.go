// Package memory keeps a ledger in memory: for tests, and as the working copy of a program that keeps the bytes elsewhere.
package memory

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"maps"
	"slices"
	"sync"

	"countback/ledger/event"
	"countback/ledger/store"
)

// Store is a ledger in memory. Make one with New.
type Store struct {
	writing sync.Mutex   // held through a whole Write
	mu      sync.RWMutex // held while committed is read or changed
	data    data
	points  map[string][]saved
	closed  bool
}

// saved is a checkpoint with its checksum.
type saved struct {
	store.Checkpoint
	sum [sha256.Size]byte
}

type entry struct {
	store.Row
	kind event.Kind
	ms   int64
	id   event.ID
}

// data is what has been stored: everything, or what one transaction adds.
type data struct {
	rows    []entry
	logs    map[string][]int64 // device → numbers, by sequence
	heads   map[string]store.Head
	ids     map[event.ID][]int64
	orders  map[string][]int64
	doubled map[event.ID]bool
	local   map[string][]byte // in what a transaction adds, nil values are to be removed
	cut     int64             // the last number of before the last Cut
}

func newData() data {
	return data{
		logs: map[string][]int64{}, heads: map[string]store.Head{}, ids: map[event.ID][]int64{},
		orders: map[string][]int64{}, doubled: map[event.ID]bool{}, local: map[string][]byte{},
	}
}

// New returns an empty store.
func New() *Store { return &Store{data: newData(), points: map[string][]saved{}} }

func (s *Store) open(op string) error {
	if s.closed {
		return store.Fail(op, "ledger", store.ErrClosed, nil)
	}
	return nil
}

// Write implements store.Store.
func (s *Store) Write(ctx context.Context, fn func(store.Tx) error) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.RLock()
	err := s.open("record")
	s.mu.RUnlock()
	if err != nil {
		return err
	}
	t := &tx{base: &s.data, add: newData()}
	if err := fn(t); err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.open("record"); err != nil {
		return err
	}
	if err := t.endCuts(); err != nil {
		return err
	}
	if t.base != &s.data {
		s.data, s.points = *t.base, map[string][]saved{}
	}
	s.data.take(t.add)
	return nil
}

// take adds what a transaction has added. Slices are only ever appended to, so readers go on with what they hold.
func (d *data) take(add data) {
	d.rows = append(d.rows, add.rows...)
	maps.Copy(d.heads, add.heads)
	maps.Copy(d.doubled, add.doubled)
	for k, v := range add.logs {
		d.logs[k] = append(d.logs[k], v...)
	}
	for k, v := range add.ids {
		d.ids[k] = append(d.ids[k], v...)
	}
	for k, v := range add.orders {
		d.orders[k] = append(d.orders[k], v...)
	}
	for k, v := range add.local {
		if d.local[k] = v; v == nil {
			delete(d.local, k)
		}
	}
}

// Scan implements store.Store.
func (s *Store) Scan(ctx context.Context, after int64, fn func(store.Row) error) error {
	return s.scan(ctx, after, func(event.Kind) bool { return true }, fn)
}

// ScanKinds implements store.Store.
func (s *Store) ScanKinds(ctx context.Context, kinds []event.Kind, after int64, fn func(store.Row) error) error {
	return s.scan(ctx, after, func(k event.Kind) bool { return slices.Contains(kinds, k) }, fn)
}

// ScanSince implements store.Store.
func (s *Store) ScanSince(ctx context.Context, ms int64, fn func(store.Row) error) error {
	all, err := s.after(0)
	if err != nil {
		return err
	}
	var rows []entry
	for _, r := range all {
		if r.Line != nil && r.ms >= ms {
			rows = append(rows, r)
		}
	}
	slices.SortStableFunc(rows, func(a, b entry) int { return cmp.Compare(a.ms, b.ms) })
	return each(ctx, rows, func(entry) bool { return true }, fn)
}

func (s *Store) scan(ctx context.Context, after int64, want func(event.Kind) bool, fn func(store.Row) error) error {
	rows, err := s.after(after)
	if err != nil {
		return err
	}
	return each(ctx, rows, func(r entry) bool { return want(r.kind) }, fn)
}

// after returns what is stored behind a number. Nobody changes it any more.
func (s *Store) after(n int64) ([]entry, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	rows := s.data.rows
	return rows[min(max(n, 0), int64(len(rows))):], s.open("read")
}

func each(ctx context.Context, rows []entry, want func(entry) bool, fn func(store.Row) error) error {
	for i, r := range rows {
		if i%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if r.Line == nil || !want(r) {
			continue
		}
		if err := fn(r.Row); err != nil {
			return err
		}
	}
	return ctx.Err()
}

func (s *Store) rows(op string, numbers func(*data) []int64) ([]store.Row, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.open(op); err != nil {
		return nil, err
	}
	var out []store.Row
	for _, n := range numbers(&s.data) {
		out = append(out, clone(s.data.rows[n-1].Row))
	}
	return out, nil
}

func clone(r store.Row) store.Row { return store.Row{N: r.N, Line: bytes.Clone(r.Line)} }

// ByID implements store.Store.
func (s *Store) ByID(_ context.Context, id event.ID) ([]store.Row, error) {
	return s.rows("look up an event", func(d *data) []int64 { return d.ids[id] })
}

// ByOrder implements store.Store.
func (s *Store) ByOrder(_ context.Context, order string) ([]store.Row, error) {
	return s.rows("look up an order", func(d *data) []int64 { return d.orders[order] })
}

// At implements store.Store.
func (s *Store) At(_ context.Context, device string, seq int64) (store.Row, error) {
	rows, err := s.rows("look up an event", func(d *data) []int64 {
		if log := d.logs[device]; seq >= 1 && seq <= int64(len(log)) {
			return log[seq-1 : seq]
		}
		return nil
	})
	if err != nil {
		return store.Row{}, err
	}
	if len(rows) == 0 {
		return store.Row{}, store.NoEvent(device, seq)
	}
	return rows[0], nil
}

// Heads implements store.Store.
func (s *Store) Heads(context.Context) (map[string]store.Head, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return maps.Clone(s.data.heads), s.open("read the logs")
}

// Last implements store.Store.
func (s *Store) Last(context.Context) (int64, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return int64(len(s.data.rows)), s.open("read")
}

// Doubled implements store.Store.
func (s *Store) Doubled(context.Context) ([]event.ID, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return slices.SortedFunc(maps.Keys(s.data.doubled), event.ID.Compare), s.open("read")
}

// DoubledAfter implements store.Store.
func (s *Store) DoubledAfter(_ context.Context, after int64) ([]event.ID, error) {
	rows, err := s.after(after)
	if err != nil {
		return nil, err
	}
	s.mu.RLock()
	defer s.mu.RUnlock()
	found := map[event.ID]bool{}
	for _, r := range rows {
		if r.Line != nil && s.data.doubled[r.id] {
			found[r.id] = true
		}
	}
	return slices.SortedFunc(maps.Keys(found), event.ID.Compare), nil
}

// Close implements store.Store.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = true
	return nil
}
