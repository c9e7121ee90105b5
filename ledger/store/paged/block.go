package paged

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"

	"countback/ledger/store"
)

const (
	genLen     = 4        // bytes before a block's lines
	smallBlock = 32 << 10 // a block below it takes more lines
	largeBlock = 256 << 10
	ahead      = 8 // blocks that are read at once
)

// cache holds the blocks that were used last. A block may be there with fewer lines than it has on the disk.
type cache struct {
	firsts []int64 // the newest at the end
	blocks map[int64][]byte
}

func (c *cache) clear() { c.firsts, c.blocks = nil, nil }

func (c *cache) put(first int64, b []byte) {
	if c.blocks == nil {
		c.blocks = map[int64][]byte{}
	}
	if at := slices.Index(c.firsts, first); at >= 0 {
		c.firsts = slices.Delete(c.firsts, at, at+1)
	}
	c.firsts = append(c.firsts, first)
	c.blocks[first] = b
	if len(c.firsts) > ahead {
		delete(c.blocks, c.firsts[0])
		c.firsts = slices.Delete(c.firsts, 0, 1)
	}
}

func genOf(b []byte) uint32 {
	if len(b) < genLen {
		return 0
	}
	return binary.BigEndian.Uint32(b)
}

// each hands over the lines of some numbers, in their order. What was cut meanwhile is left out.
func (s *Store) each(ctx context.Context, list []int64, fn func(store.Row) error) error {
	for i, n := range list {
		line, err := s.line(ctx, list[i:])
		if err != nil {
			return err
		}
		if line == nil {
			continue
		}
		if err := fn(store.Row{N: n, Line: line}); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// line returns the line of the first number of a list, nil if it was cut. The blocks of the next ones are read with it.
func (s *Store) line(ctx context.Context, list []int64) ([]byte, error) {
	const attempts = 3
	for range attempts {
		s.mu.Lock()
		if err := s.open("read"); err != nil {
			s.mu.Unlock()
			return nil, err
		}
		r := s.x.rows[list[0]-1]
		if r.dead() {
			s.mu.Unlock()
			return nil, nil
		}
		b := s.cache.blocks[r.block]
		end := int(r.off + r.size)
		if len(b) >= end && genOf(b) == s.x.gens[r.block] {
			s.mu.Unlock()
			return b[r.off:end:end], nil
		}
		firsts := s.wanted(list)
		s.mu.Unlock()
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if err := s.fetch(ctx, firsts); err != nil {
			return nil, err
		}
		s.mu.Lock()
		b = s.cache.blocks[r.block]
		old := len(b) < end || genOf(b) != s.x.gens[r.block]
		s.mu.Unlock()
		if old { // the index is of before a cut
			if err := s.refresh(ctx); err != nil {
				return nil, err
			}
		}
	}
	return nil, damaged(fmt.Sprintf("event number %d", list[0]), nil)
}

// wanted names the block of the first number of a list and those of the next ones, as many as are read at once.
func (s *Store) wanted(list []int64) []int64 {
	var firsts []int64
	for _, n := range list {
		if r := &s.x.rows[n-1]; !r.dead() && !slices.Contains(firsts, r.block) {
			if firsts = append(firsts, r.block); len(firsts) == ahead {
				break
			}
		}
	}
	return firsts
}

func (s *Store) fetch(ctx context.Context, firsts []int64) error {
	keys := make([]string, len(firsts))
	for i, f := range firsts {
		keys[i] = blockKey(f)
	}
	blocks, err := s.disk.Get(ctx, keys...)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := len(blocks) - 1; i >= 0; i-- { // the first is the newest
		if blocks[i] != nil {
			s.cache.put(firsts[i], blocks[i])
		}
	}
	return nil
}
