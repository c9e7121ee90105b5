package paged

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"

	"countback/ledger/event"
	"countback/ledger/store"
)

// tx is the inside of a Write. The index below is this process's own, and nobody else writes as long as the disk is held.
type tx struct {
	s     *Store
	ctx   context.Context
	x     *index // what stood before, or a copy of it once a log was cut
	copy  bool
	from  int64            // the last number of before
	lines map[int64][]byte // of what was added
	added []row            // behind x.rows, unless copy
	names []string         // of devices and kinds of added, as numbers beyond x.names
	logs  map[string][]int64
	heads map[string]store.Head
	ids   map[event.ID][]int64
	notes map[string][]byte
	cuts  []place
	hit   map[int64]bool // blocks that hold something that was cut
}

type place struct {
	device string
	seq    int64
}

// Write implements store.Store.
func (s *Store) Write(ctx context.Context, fn func(store.Tx) error) error {
	return s.held(ctx, "record", func() error {
		s.mu.Lock()
		x := s.x
		s.mu.Unlock()
		t := &tx{
			s: s, ctx: ctx, x: x, from: int64(len(x.rows)), lines: map[int64][]byte{}, logs: map[string][]int64{}, heads: map[string]store.Head{},
			ids: map[event.ID][]int64{}, notes: map[string][]byte{}, hit: map[int64]bool{},
		}
		if err := fn(t); err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		return t.commit()
	})
}

// held runs fn while nobody else writes, after a look at what others have written.
func (s *Store) held(ctx context.Context, op string, fn func() error) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	err := s.open(op)
	s.mu.Unlock()
	if err != nil {
		return err
	}
	release, err := s.disk.Hold(ctx)
	if err != nil {
		return err
	}
	defer release()
	if err := s.refresh(ctx); err != nil {
		return err
	}
	return fn()
}

func (t *tx) line(n int64) ([]byte, error) {
	if line, ok := t.lines[n]; ok {
		return line, nil
	}
	line, err := t.s.line(t.ctx, []int64{n})
	if err == nil && line == nil {
		err = damaged(fmt.Sprintf("event number %d", n), nil)
	}
	return line, err
}

// Head implements store.Tx.
func (t *tx) Head(device string) (store.Head, error) {
	if h, ok := t.heads[device]; ok {
		return h, nil
	}
	if h, ok := t.x.heads[device]; ok {
		return h, nil
	}
	return store.EmptyHead, nil
}

func (t *tx) numbers(id event.ID) []int64 {
	t.s.mu.Lock()
	defer t.s.mu.Unlock()
	return slices.Concat(t.x.byID(id), t.ids[id])
}

// Has implements store.Tx.
func (t *tx) Has(id event.ID) (bool, error) { return len(t.numbers(id)) > 0, nil }

// ByID implements store.Tx.
func (t *tx) ByID(id event.ID) (out []store.Row, err error) {
	for _, n := range t.numbers(id) {
		line, err := t.line(n)
		if err != nil {
			return nil, err
		}
		out = append(out, store.Row{N: n, Line: bytes.Clone(line)})
	}
	return out, nil
}

// Last implements store.Tx.
func (t *tx) Last() (int64, error) { return int64(len(t.x.rows) + len(t.added)), nil }

func (t *tx) place(device string, seq int64) int64 {
	if n := t.x.place(device, seq); n > 0 {
		return n
	}
	base := int64(0)
	if d, ok := t.x.numbers[device]; ok {
		base = int64(len(t.x.logs[d]))
	}
	return t.logs[device][seq-1-base]
}

// At implements store.Looker.
func (t *tx) At(device string, seq int64) (store.Row, error) {
	if head, _ := t.Head(device); seq < 1 || seq > head.Seq {
		return store.Row{}, store.NoEvent(device, seq)
	}
	n := t.place(device, seq)
	line, err := t.line(n)
	return store.Row{N: n, Line: bytes.Clone(line)}, err
}

// Insert implements store.Tx.
func (t *tx) Insert(e *event.Event) (int64, error) {
	head, _ := t.Head(e.Device)
	verdict, err := store.CheckPlace(e, head, func(seq int64) ([]byte, error) { return t.line(t.place(e.Device, seq)) })
	if err != nil {
		return 0, err
	}
	if verdict == store.Held {
		return t.place(e.Device, e.Seq), nil
	}
	last, _ := t.Last()
	n := last + 1
	line := bytes.Clone(e.Line)
	t.lines[n] = line
	t.added = append(t.added, row{ms: e.Time.Ms(), id: e.ID, seq: e.Seq, size: int32(len(line)), order: orderSum(store.OrderOf(e)), dev: t.name(e.Device), kind: t.name(string(e.Kind))})
	t.logs[e.Device] = append(t.logs[e.Device], n)
	t.heads[e.Device] = store.Head{Seq: e.Seq, Hash: event.HashLine(line)}
	if !e.ID.IsZero() {
		t.ids[e.ID] = append(t.ids[e.ID], n)
	}
	return n, nil
}

// name gives a name a number that the index will have for it as well.
func (t *tx) name(text string) uint16 {
	if n, ok := t.x.numbers[text]; ok {
		return n
	}
	at := slices.Index(t.names, text)
	if at < 0 {
		at = len(t.names)
		t.names = append(t.names, text)
	}
	return uint16(len(t.x.names) + at)
}

// SetLocal implements store.Tx.
func (t *tx) SetLocal(key string, value []byte) error {
	if t.notes[key] = nil; value != nil {
		t.notes[key] = append([]byte{}, value...)
	}
	return nil
}

// Cut implements store.Tx.
func (t *tx) Cut(device string, seq int64) ([][]byte, error) {
	head, _ := t.Head(device)
	if seq < 1 || seq > head.Seq {
		return nil, store.NoEvent(device, seq)
	}
	if seq > 1 {
		row, err := t.At(device, seq-1)
		if err != nil {
			return nil, err
		}
		head = store.Head{Seq: seq - 1, Hash: event.HashLine(row.Line)}
	}
	x := t.merged()
	d := x.numbers[device]
	var out [][]byte
	for _, n := range x.logs[d][seq-1:] {
		line, err := t.line(n)
		if err != nil {
			return nil, err
		}
		out = append(out, bytes.Clone(line))
	}
	for _, n := range x.logs[d][seq-1:] {
		r := &x.rows[n-1]
		if n <= t.from {
			t.hit[r.block] = true
		}
		r.size, r.order = 0, 0
		delete(t.lines, n)
	}
	x.logs[d] = x.logs[d][:seq-1]
	if x.heads[device] = head; seq == 1 {
		delete(x.heads, device)
	}
	t.x, t.copy = x, true
	t.cuts = append(t.cuts, place{device, seq})
	return out, nil
}

// merged is a copy of the index with what was added so far. Blocks of what was added are made at the end.
func (t *tx) merged() *index {
	x := t.x
	if !t.copy {
		x = x.copy()
	} else {
		x.ids, x.more = nil, nil
	}
	for _, name := range t.names {
		x.number(name)
	}
	for _, r := range t.added {
		x.add(r)
	}
	maps.Copy(x.heads, t.heads)
	t.names, t.added, t.logs, t.heads, t.ids = nil, nil, map[string][]int64{}, map[string]store.Head{}, map[event.ID][]int64{}
	return x
}

// commit writes all that the transaction has changed and takes it into the index.
func (t *tx) commit() error {
	for _, c := range t.cuts {
		if head, _ := t.Head(c.device); head.Seq < c.seq {
			return store.CutEnds(c.device, c.seq)
		}
	}
	s, last := t.s, int64(0)
	if last, _ = t.Last(); last == t.from && len(t.notes) == 0 && len(t.cuts) == 0 {
		return nil
	}
	was := s.x.meta
	m := was
	m.version, m.last = m.version+1, last
	b := Batch{Guard: Pair{Key: "v"}, Version: m.version}
	if was.version > 0 {
		b.Guard.Value = was.encode()
	}
	if len(t.cuts) > 0 {
		m.cut, m.cuts = t.from, m.cuts+1
		b.Clear = []string{pointPrefix}
	}
	// Rows that go into blocks of the disk get their places in a list of their own, so that nothing is changed if the disk fails.
	names := slices.Concat(t.x.names, t.names)
	fresh := slices.Clone(t.x.rows[t.from:])
	fresh = append(fresh, t.added...)
	put, gens, err := t.rewrite(&b)
	if err != nil {
		return err
	}
	blocks, tail, err := t.lay(fresh, names, put, gens, &b)
	if err != nil {
		return err
	}
	heads := maps.Clone(t.x.heads)
	maps.Copy(heads, t.heads)
	for _, key := range slices.Sorted(maps.Keys(t.notes)) {
		if v := t.notes[key]; v == nil {
			b.Drop = append(b.Drop, noteKey(key))
		} else {
			b.Put = append(b.Put, Pair{noteKey(key), append([]byte{0}, v...)}) // a value is never empty
		}
	}
	if last != t.from || len(t.cuts) > 0 {
		b.Put = append(b.Put, Pair{"h", encodeHeads(heads)})
	}
	b.Put = append(b.Put, Pair{"v", m.encode()})
	if err := s.disk.Commit(t.ctx, b); err != nil {
		s.mu.Lock()
		s.stale = true
		s.mu.Unlock()
		return err
	}
	t.take(m, fresh, names, heads, gens, blocks, tail)
	return nil
}

// take makes the index what the disk is now.
func (t *tx) take(m meta, fresh []row, names []string, heads map[string]store.Head, gens map[int64]uint32, blocks map[int64][]byte, tail int64) {
	s := t.s
	s.mu.Lock()
	defer s.mu.Unlock()
	x := s.x
	if t.copy {
		x = t.x
		x.rows = x.rows[:t.from]
		x.logs = map[uint16][]int64{}
		for i := range x.rows {
			if r := &x.rows[i]; !r.dead() {
				x.logs[r.dev] = append(x.logs[r.dev], int64(i+1))
			}
		}
		x.ids, x.more = nil, nil
		for f, g := range gens {
			x.gens[f] = g
		}
		t.moved(x, blocks)
		s.cache.clear()
	}
	for _, name := range names[len(x.names):] {
		x.number(name)
	}
	for _, r := range fresh {
		x.add(r)
	}
	x.meta, x.heads = m, heads
	if tail > 0 {
		x.tail = tail
	}
	for _, f := range slices.Sorted(maps.Keys(blocks)) {
		s.cache.put(f, blocks[f])
	}
	s.x = x
}

// moved gives the rows of blocks that were written anew their places there.
func (t *tx) moved(x *index, blocks map[int64][]byte) {
	for first := range t.hit {
		off := int32(genLen)
		for n := first; n <= int64(len(x.rows)) && x.rows[n-1].block == first; n++ {
			x.rows[n-1].off = off
			off += x.rows[n-1].size
		}
	}
}

// rewrite makes the blocks of the disk anew that hold something that was cut. It returns them with their generations.
func (t *tx) rewrite(b *Batch) (blocks map[int64][]byte, gens map[int64]uint32, err error) {
	blocks, gens = map[int64][]byte{}, map[int64]uint32{}
	for _, first := range slices.Sorted(maps.Keys(t.hit)) {
		end := first
		for end <= t.from && t.x.rows[end-1].block == first {
			end++
		}
		gens[first] = t.s.x.gens[first] + 1
		out := binary.BigEndian.AppendUint32(nil, gens[first])
		for n := first; n < end; n++ {
			if t.x.rows[n-1].dead() {
				continue
			}
			line, err := t.s.line(t.ctx, []int64{n})
			if err != nil {
				return nil, nil, err
			}
			out = append(out, line...)
		}
		blocks[first] = out
		b.Put = append(b.Put, Pair{blockKey(first), out}, Pair{indexKey(first), t.x.encodeIndex(gens[first], t.x.rows[first-1:end-1])})
	}
	return blocks, gens, nil
}

// lay puts the lines of new rows into blocks: into the last one as long as it is small, then into new ones. blocks are those that are written anyway.
func (t *tx) lay(fresh []row, names []string, blocks map[int64][]byte, gens map[int64]uint32, b *Batch) (all map[int64][]byte, tail int64, err error) {
	if len(fresh) == 0 {
		return blocks, 0, nil
	}
	named, at := &index{names: names}, t.from
	first, block, gen := at+1, []byte(nil), uint32(0)
	var before []row
	if old := t.s.x.tail; old > 0 {
		held, ok := blocks[old]
		if !ok {
			if held, err = t.tailBlock(old); err != nil {
				return nil, 0, err
			}
		}
		if len(held) < smallBlock {
			first, block, before = old, held, t.x.rows[old-1:t.from]
			if gen, ok = gens[old]; !ok {
				gen = t.s.x.gens[old]
			}
		}
	}
	for len(fresh) > 0 {
		if block == nil {
			block = make([]byte, genLen)
		}
		n := 0
		for n < len(fresh) && (n == 0 || len(block) < largeBlock) {
			fresh[n].block, fresh[n].off = first, int32(len(block))
			block = append(block, t.lines[at+1+int64(n)]...)
			n++
		}
		rows := slices.Concat(before, fresh[:n])
		blocks[first] = block
		b.Put = append(b.Put, Pair{blockKey(first), block}, Pair{indexKey(first), named.encodeIndex(gen, rows)})
		tail = first
		at += int64(n)
		fresh, first, block, before, gen = fresh[n:], at+1, nil, nil, 0
	}
	return blocks, tail, nil
}

// tailBlock returns the last block with all its lines.
func (t *tx) tailBlock(first int64) ([]byte, error) {
	rows := t.s.x.rows
	last := rows[len(rows)-1]
	t.s.mu.Lock()
	held := t.s.cache.blocks[first]
	good := genOf(held) == t.s.x.gens[first] && len(held) >= genLen
	t.s.mu.Unlock()
	end := int(last.off + last.size)
	if good && len(held) == end {
		return slices.Clip(held), nil
	}
	if err := t.s.fetch(t.ctx, []int64{first}); err != nil {
		return nil, err
	}
	t.s.mu.Lock()
	defer t.s.mu.Unlock()
	if held = t.s.cache.blocks[first]; len(held) != end || genOf(held) != t.s.x.gens[first] {
		return nil, damaged(fmt.Sprintf("block %d", first), nil)
	}
	return slices.Clip(held), nil
}
