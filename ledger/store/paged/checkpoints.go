package paged

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"

	"countback/ledger/store"
)

const pointPrefix = "c/"

// pointsOf is the beginning of the keys of a key's checkpoints.
func pointsOf(key string) string {
	const some = 8
	sum := sha256.Sum256([]byte(key))
	return fmt.Sprintf("%s%x/", pointPrefix, sum[:some])
}

// pointKey sorts as positions do.
func pointKey(key string, p store.Position) string {
	return fmt.Sprintf("%s%016x%02x%x", pointsOf(key), uint64(p.Ms)^1<<63, p.Rank, p.ID[:])
}

// encodePoint writes the checksum, the number, the key with its length, the position and the state.
func encodePoint(c store.Checkpoint) []byte {
	sum := c.Sum()
	b := slices.Clone(sum[:])
	b = binary.BigEndian.AppendUint64(b, uint64(c.Arrived))
	b = binary.AppendUvarint(b, uint64(len(c.Key)))
	b = append(b, c.Key...)
	b = binary.BigEndian.AppendUint64(b, uint64(c.Position.Ms))
	b = append(append(b, c.Position.Rank), c.Position.ID[:]...)
	return append(b, c.State...)
}

// decodePoint reads what encodePoint wrote; false if it is damaged.
func decodePoint(b []byte) (p store.Checkpoint, ok bool) {
	r := &cursor{b: b}
	sum := r.take(sha256.Size)
	arrived := r.take(8)
	key := r.take(r.uint())
	ms := r.take(8)
	rank := r.take(1)
	id := r.take(uint64(len(p.Position.ID)))
	if r.bad {
		return p, false
	}
	p = store.Checkpoint{Key: string(key), Arrived: int64(binary.BigEndian.Uint64(arrived)), State: r.b}
	p.Position.Ms, p.Position.Rank = int64(binary.BigEndian.Uint64(ms)), rank[0]
	copy(p.Position.ID[:], id)
	own := p.Sum()
	return p, bytes.Equal(sum, own[:])
}

// SaveCheckpoint implements store.Store.
func (s *Store) SaveCheckpoint(ctx context.Context, c store.Checkpoint) error {
	return s.held(ctx, "save a checkpoint", func() error {
		m := s.x.meta
		if m.cut > 0 && c.Arrived <= m.cut {
			return nil
		}
		key := pointKey(c.Key, c.Position)
		held, err := s.disk.Get(ctx, key)
		if err != nil {
			return err
		}
		if old, ok := decodePoint(held[0]); ok && old.Key == c.Key && old.Arrived > c.Arrived {
			return nil
		}
		all, err := s.disk.Keys(ctx, pointsOf(c.Key), pointsOf(c.Key)+"g")
		if err != nil {
			return err
		}
		if !slices.Contains(all, key) {
			all = append(all, key)
			slices.Sort(all)
		}
		b := Batch{Put: []Pair{{key, encodePoint(c)}}}
		if n := len(all) - store.MaxCheckpoints; n > 0 {
			if all[0] == key {
				return nil
			}
			b.Drop = all[:n]
		}
		return s.side(ctx, b)
	})
}

// side writes what is no part of the ledger.
func (s *Store) side(ctx context.Context, b Batch) error {
	m := s.x.meta
	if b.Guard, b.Version = (Pair{Key: "v"}), m.version; m.version > 0 {
		b.Guard.Value = m.encode()
	}
	return s.disk.Commit(ctx, b)
}

// Checkpoints implements store.Store.
func (s *Store) Checkpoints(ctx context.Context, key string) (out []store.Checkpoint, err error) {
	s.mu.Lock()
	err = s.open("read checkpoints")
	s.mu.Unlock()
	if err != nil {
		return nil, err
	}
	err = s.disk.Range(ctx, pointsOf(key), pointsOf(key)+"g", func(_ string, value []byte) error {
		if c, ok := decodePoint(value); ok && c.Key == key {
			out = append(out, c)
		}
		return nil
	})
	slices.Reverse(out)
	return out, err
}

// DropCheckpoints implements store.Store.
func (s *Store) DropCheckpoints(ctx context.Context, key string, after store.Position) error {
	return s.held(ctx, "drop checkpoints", func() error {
		all, err := s.disk.Keys(ctx, pointKey(key, after)+"0", pointsOf(key)+"g")
		if err != nil || len(all) == 0 {
			return err
		}
		return s.side(ctx, Batch{Drop: all})
	})
}
