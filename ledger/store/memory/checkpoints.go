package memory

import (
	"bytes"
	"cmp"
	"context"
	"slices"

	"countback/ledger/store"
)

// SaveCheckpoint implements store.Store.
func (s *Store) SaveCheckpoint(_ context.Context, c store.Checkpoint) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.open("save a checkpoint"); err != nil {
		return err
	}
	if c.Arrived <= s.data.cut && s.data.cut > 0 {
		return nil
	}
	c.State = bytes.Clone(c.State)
	list := s.points[c.Key]
	at, found := slices.BinarySearchFunc(list, c.Position, highestFirst)
	switch {
	case !found:
		list = slices.Insert(list, at, saved{c, c.Sum()})
	case list[at].Arrived <= c.Arrived || list[at].sum != list[at].Sum():
		list[at] = saved{c, c.Sum()}
	}
	if len(list) > store.MaxCheckpoints {
		list = slices.Clip(list[:store.MaxCheckpoints])
	}
	s.points[c.Key] = list
	for len(s.points) > store.MaxKeys {
		least := c.Key
		for key := range s.points {
			if key != c.Key && (least == c.Key || olderKey(key, s.points[key], least, s.points[least])) {
				least = key
			}
		}
		delete(s.points, least)
	}
	return nil
}

// olderKey reports whether the checkpoints of key a knew less than those of b.
func olderKey(a string, of []saved, b string, than []saved) bool {
	return cmp.Or(cmp.Compare(arrived(of), arrived(than)), cmp.Compare(b, a)) < 0
}

func arrived(list []saved) (most int64) {
	for _, c := range list {
		most = max(most, c.Arrived)
	}
	return most
}

func highestFirst(c saved, p store.Position) int { return p.Compare(c.Position) }

// Checkpoints implements store.Store.
func (s *Store) Checkpoints(_ context.Context, key string) ([]store.Checkpoint, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []store.Checkpoint
	for _, c := range s.points[key] {
		c.State = nil
		out = append(out, c.Checkpoint)
	}
	return out, s.open("read checkpoints")
}

// CheckpointState implements store.Store.
func (s *Store) CheckpointState(_ context.Context, c store.Checkpoint) ([]byte, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if err := s.open("read a checkpoint"); err != nil {
		return nil, err
	}
	list := s.points[c.Key]
	at, found := slices.BinarySearchFunc(list, c.Position, highestFirst)
	if !found || list[at].Arrived != c.Arrived || list[at].sum != list[at].Sum() {
		return nil, store.NoCheckpoint(c)
	}
	return bytes.Clone(list[at].State), nil
}

// DropCheckpoints implements store.Store.
func (s *Store) DropCheckpoints(_ context.Context, key string, after store.Position) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.points[key] = slices.DeleteFunc(s.points[key], func(c saved) bool { return c.Position.Compare(after) > 0 })
	if len(s.points[key]) == 0 {
		delete(s.points, key)
	}
	return s.open("drop checkpoints")
}
