package memory

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"countback/ledger/event"
	"countback/ledger/store"
)

type place struct {
	device string
	seq    int64
}

// copy returns data that can be changed in place without those seeing it that read d. A slice that is cut short must be clipped all the same.
func (d *data) copy() *data {
	return &data{
		rows: slices.Clone(d.rows), logs: maps.Clone(d.logs), heads: maps.Clone(d.heads), ids: maps.Clone(d.ids), orders: maps.Clone(d.orders),
		doubled: maps.Clone(d.doubled), local: maps.Clone(d.local), cut: d.cut,
	}
}

// Cut implements store.Tx. A row that is cut keeps its number and loses its line.
func (t *tx) Cut(device string, seq int64) ([][]byte, error) {
	head, _ := t.Head(device)
	if seq < 1 || seq > head.Seq {
		return nil, store.NoEvent(device, seq)
	}
	d := t.base.copy()
	d.take(t.add)
	t.base, t.add = d, newData()
	d.cut = int64(len(d.rows))
	var out [][]byte
	for _, n := range d.logs[device][seq-1:] {
		r := &d.rows[n-1]
		out = append(out, bytes.Clone(r.Line))
		e, err := event.ParseLine(r.Line)
		if err != nil {
			return nil, store.Fail("cut", fmt.Sprintf("event %d of device %s", seq, device), store.ErrDamaged, err)
		}
		r.Line = nil
		drop(d.ids, r.id, n)
		if len(d.ids[r.id]) < 2 {
			delete(d.doubled, r.id)
		}
		if order := store.OrderOf(e); order != "" {
			drop(d.orders, order, n)
		}
	}
	d.logs[device] = slices.Clip(d.logs[device][:seq-1])
	if seq == 1 {
		delete(d.heads, device)
	} else {
		d.heads[device] = store.Head{Seq: seq - 1, Hash: event.HashLine(d.rows[d.logs[device][seq-2]-1].Line)}
	}
	t.cuts = append(t.cuts, place{device, seq})
	return out, nil
}

func drop[K comparable](lists map[K][]int64, key K, n int64) {
	lists[key] = slices.DeleteFunc(slices.Clone(lists[key]), func(x int64) bool { return x == n })
}

// endCuts checks that every log that was cut has gone on.
func (t *tx) endCuts() error {
	for _, c := range t.cuts {
		if head, _ := t.Head(c.device); head.Seq < c.seq {
			return store.CutEnds(c.device, c.seq)
		}
	}
	return nil
}

// SetLocal implements store.Tx.
func (t *tx) SetLocal(key string, value []byte) error {
	if t.add.local[key] = nil; value != nil {
		t.add.local[key] = append([]byte{}, value...)
	}
	return nil
}

// Local implements store.Store.
func (s *Store) Local(ctx context.Context, prefix string, fn func(key string, value []byte) error) error {
	s.mu.RLock()
	err := s.open("read what is kept aside")
	var keys []string
	var values [][]byte
	for _, k := range slices.Sorted(maps.Keys(s.data.local)) {
		if strings.HasPrefix(k, prefix) {
			keys, values = append(keys, k), append(values, bytes.Clone(s.data.local[k]))
		}
	}
	s.mu.RUnlock()
	if err != nil {
		return err
	}
	for i, k := range keys {
		if err := fn(k, values[i]); err != nil {
			return err
		}
	}
	return ctx.Err()
}
