package paged

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"countback/ledger/store"
)

const pointPrefix = "c/"

// pointsOf is the beginning of the keys of a key's checkpoints.
func pointsOf(key string) string {
	const some = 8
	sum := sha256.Sum256([]byte(key))
	return fmt.Sprintf("%s%x/", pointPrefix, sum[:some])
}

// placeText is a position as it stands in keys, and sorts as positions do.
func placeText(p store.Position) string {
	return fmt.Sprintf("%016x%02x%x", uint64(p.Ms)^1<<63, p.Rank, p.ID[:])
}

// The head of a checkpoint stands beside its state, so that they can be looked through without reading the states.
func headKey(key string, p store.Position) string  { return pointsOf(key) + "h/" + placeText(p) }
func stateKey(key string, p store.Position) string { return pointsOf(key) + "s/" + placeText(p) }

// stateOf returns the key of the state that belongs to the key of a head.
func stateOf(key, head string) string {
	return pointsOf(key) + "s/" + head[len(pointsOf(key))+len("h/"):]
}

// encodePoint writes the head: the checksum, the number, the key with its length, and the position.
func encodePoint(c store.Checkpoint) []byte {
	sum := c.Sum()
	b := slices.Clone(sum[:])
	b = binary.BigEndian.AppendUint64(b, uint64(c.Arrived))
	b = binary.AppendUvarint(b, uint64(len(c.Key)))
	b = append(b, c.Key...)
	b = binary.BigEndian.AppendUint64(b, uint64(c.Position.Ms))
	return append(append(b, c.Position.Rank), c.Position.ID[:]...)
}

// decodePoint reads what encodePoint wrote; false if it is damaged.
func decodePoint(b []byte) (p store.Checkpoint, sum []byte, ok bool) {
	r := &cursor{b: b}
	sum = r.take(sha256.Size)
	arrived := r.take(8)
	key := r.take(r.uint())
	ms := r.take(8)
	rank := r.take(1)
	id := r.take(uint64(len(p.Position.ID)))
	if r.bad || len(r.b) > 0 {
		return p, nil, false
	}
	p = store.Checkpoint{Key: string(key), Arrived: int64(binary.BigEndian.Uint64(arrived))}
	p.Position.Ms, p.Position.Rank = int64(binary.BigEndian.Uint64(ms)), rank[0]
	copy(p.Position.ID[:], id)
	return p, sum, true
}

// whole reads a checkpoint; false if it isn't there or is damaged.
func (s *Store) whole(ctx context.Context, key string, at store.Position) (c store.Checkpoint, ok bool, err error) {
	held, err := s.disk.Get(ctx, headKey(key, at), stateKey(key, at))
	if err != nil {
		return c, false, err
	}
	c, sum, ok := decodePoint(held[0])
	if !ok || c.Key != key || c.Position != at {
		return c, false, nil
	}
	c.State = held[1]
	own := c.Sum()
	return c, bytes.Equal(sum, own[:]), nil
}

// SaveCheckpoint implements store.Store.
func (s *Store) SaveCheckpoint(ctx context.Context, c store.Checkpoint) error {
	return s.held(ctx, "save a checkpoint", func() error {
		m := s.x.meta
		if m.cut > 0 && c.Arrived <= m.cut {
			return nil
		}
		key := headKey(c.Key, c.Position)
		if old, ok, err := s.whole(ctx, c.Key, c.Position); err != nil || ok && old.Arrived > c.Arrived {
			return err
		}
		all, err := s.disk.Keys(ctx, pointsOf(c.Key)+"h/", pointsOf(c.Key)+"h0")
		if err != nil {
			return err
		}
		if !slices.Contains(all, key) {
			all = append(all, key)
			slices.Sort(all)
		}
		b := Batch{Put: []Pair{{key, encodePoint(c)}, {stateKey(c.Key, c.Position), c.State}}}
		if n := len(all) - store.MaxCheckpoints; n > 0 {
			if all[0] == key {
				return nil
			}
			b.Drop = withStates(c.Key, all[:n])
		}
		old, err := s.oldKeys(ctx, c.Key)
		if err != nil {
			return err
		}
		b.Drop = append(b.Drop, old...)
		return s.side(ctx, b)
	})
}

// oldKeys lists what is held of checkpoints whose key gives way to a key's own.
func (s *Store) oldKeys(ctx context.Context, own string) (out []string, err error) {
	all, err := s.disk.Keys(ctx, pointPrefix, pointPrefix+"~")
	if err != nil {
		return nil, err
	}
	type held struct {
		key     string
		arrived int64
		stored  []string
	}
	of := map[string]*held{}
	var others []*held
	for _, name := range all {
		sum, _, _ := strings.Cut(name[len(pointPrefix):], "/")
		begins := pointPrefix + sum + "/"
		if begins == pointsOf(own) {
			continue
		}
		if of[begins] == nil {
			of[begins] = &held{}
			others = append(others, of[begins])
		}
		of[begins].stored = append(of[begins].stored, name)
	}
	if len(others) < store.MaxKeys {
		return nil, nil
	}
	for begins, h := range of {
		if err := s.disk.Range(ctx, begins+"h/", begins+"h0", func(_ string, value []byte) error {
			if c, _, ok := decodePoint(value); ok {
				h.key, h.arrived = c.Key, max(h.arrived, c.Arrived)
			}
			return nil
		}); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(others, func(a, b *held) int { return cmp.Or(cmp.Compare(b.arrived, a.arrived), cmp.Compare(a.key, b.key)) })
	for _, h := range others[store.MaxKeys-1:] {
		out = append(out, h.stored...)
	}
	return out, nil
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
	err = s.disk.Range(ctx, pointsOf(key)+"h/", pointsOf(key)+"h0", func(_ string, value []byte) error {
		if c, _, ok := decodePoint(value); ok && c.Key == key {
			out = append(out, c)
		}
		return nil
	})
	slices.Reverse(out)
	return out, err
}

// CheckpointState implements store.Store.
func (s *Store) CheckpointState(ctx context.Context, c store.Checkpoint) ([]byte, error) {
	s.mu.Lock()
	err := s.open("read a checkpoint")
	s.mu.Unlock()
	if err != nil {
		return nil, err
	}
	held, ok, err := s.whole(ctx, c.Key, c.Position)
	if err != nil {
		return nil, err
	}
	if !ok || held.Arrived != c.Arrived {
		return nil, store.NoCheckpoint(c)
	}
	return held.State, nil
}

// withStates returns the keys of heads and of their states.
func withStates(key string, heads []string) (out []string) {
	for _, h := range heads {
		out = append(out, h, stateOf(key, h))
	}
	return out
}

// DropCheckpoints implements store.Store.
func (s *Store) DropCheckpoints(ctx context.Context, key string, after store.Position) error {
	return s.held(ctx, "drop checkpoints", func() error {
		all, err := s.disk.Keys(ctx, headKey(key, after)+"0", pointsOf(key)+"h0")
		if err != nil || len(all) == 0 {
			return err
		}
		return s.side(ctx, Batch{Drop: withStates(key, all)})
	})
}
