package paged

import (
	"bytes"
	"context"
	"slices"
	"testing"

	"countback/ledger/store"
	"countback/ledger/store/storetest"
)

// written is the disk of a ledger of some events, as its pairs.
type written map[string][]byte

func (w written) Hold(context.Context) (func(), error) { return func() {}, nil }

func (w written) Get(_ context.Context, keys ...string) (out [][]byte, err error) {
	for _, k := range keys {
		out = append(out, bytes.Clone(w[k]))
	}
	return out, nil
}

func (w written) Keys(context.Context, string, string) ([]string, error) { return nil, nil }

func (w written) Range(_ context.Context, from, to string, fn func(string, []byte) error) error {
	for k, v := range w {
		if k >= from && k < to {
			if err := fn(k, v); err != nil {
				return err
			}
		}
	}
	return nil
}

func (w written) Commit(_ context.Context, b Batch) error {
	for _, p := range b.Put {
		w[p.Key] = p.Value
	}
	return nil
}

func (w written) Seen() int64  { return 0 }
func (w written) Close() error { return nil }

func example(t testing.TB) written {
	w := written{}
	s, err := Open(context.Background(), w)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Put(t, s, storetest.Some(storetest.NewLog(1, ""), 12)...)
	return w
}

// Whatever stands where a block's index should stand, it is read as what was written or refused, and what is read leads nowhere outside a block.
func FuzzIndex(f *testing.F) {
	good := example(f)[indexKey(1)]
	f.Add(good)
	f.Add([]byte{})
	f.Add(good[:len(good)/2])
	f.Add([]byte{0, 1, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		x := newIndex()
		if x.takeIndex(1, b, 1<<40) != nil {
			return
		}
		off := int32(genLen)
		for _, r := range x.rows {
			if r.size < 0 || r.off != off || r.block != 1 || !r.dead() && (int(r.dev) >= len(x.names) || int(r.kind) >= len(x.names)) {
				t.Fatalf("%+v behind %d", r, off)
			}
			off += r.size
		}
		y := newIndex()
		if err := y.takeIndex(1, x.encodeIndex(x.gens[1], x.rows), 1<<40); err != nil || !slices.Equal(x.rows, y.rows) {
			t.Fatalf("written and read again: %v", err)
		}
	})
}

// A checkpoint is read as it was written, or passed over.
func FuzzPoint(f *testing.F) {
	f.Add(encodePoint(store.Checkpoint{Key: "stock", Arrived: 3}))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, _, ok := decodePoint(b); ok {
			again, _, ok := decodePoint(encodePoint(c))
			if !ok || again.Key != c.Key || again.Position != c.Position || again.Arrived != c.Arrived {
				t.Fatalf("%+v", c)
			}
		}
	})
}

// The first records are read or refused.
func FuzzFirst(f *testing.F) {
	w := example(f)
	f.Add(w["v"], w["h"])
	f.Add([]byte("1 2"), []byte("a b c\n"))
	f.Fuzz(func(t *testing.T, v, h []byte) {
		if m, err := decodeMeta(v); err == nil && v != nil {
			if again, err := decodeMeta(m.encode()); err != nil || again != m {
				t.Fatal(again, m, err)
			}
		}
		if heads, err := decodeHeads(h); err == nil {
			if again, err := decodeHeads(encodeHeads(heads)); err != nil || len(again) != len(heads) {
				t.Fatal(again, heads, err)
			}
		}
	})
}
