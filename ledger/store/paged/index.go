package paged

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"strconv"
	"strings"

	"countback/ledger/event"
	"countback/ledger/store"
)

// row is what is known of an event without its line.
type row struct {
	ms    int64
	id    event.ID
	seq   int64
	block int64 // the first number of its block
	off   int32 // in the block
	size  int32 // 0: it was cut
	order uint32
	dev   uint16
	kind  uint16
}

func (r *row) dead() bool { return r.size == 0 }

// index is what a store knows of its disk. Rows are added at the end, and changed only in a copy.
type index struct {
	meta    meta
	rows    []row // by number, from 1
	names   []string
	numbers map[string]uint16 // of names: devices and kinds
	logs    map[uint16][]int64
	heads   map[string]store.Head
	gens    map[int64]uint32 // of blocks, where not 0
	tail    int64            // the first number of the last block, 0: there is none

	ids  map[event.ID]int64 // the first number with an id; nil until asked for
	more map[event.ID][]int64
}

func newIndex() *index {
	return &index{numbers: map[string]uint16{}, logs: map[uint16][]int64{}, heads: map[string]store.Head{}, gens: map[int64]uint32{}}
}

// copy returns an index whose rows can be changed without those seeing it that read x.
func (x *index) copy() *index {
	c := *x
	c.rows, c.names = slices.Clone(x.rows), slices.Clone(x.names)
	c.numbers, c.heads, c.gens = maps.Clone(x.numbers), maps.Clone(x.heads), maps.Clone(x.gens)
	c.logs = map[uint16][]int64{}
	for d, l := range x.logs {
		c.logs[d] = slices.Clone(l)
	}
	c.ids, c.more = nil, nil
	return &c
}

func (x *index) number(name string) uint16 {
	n, ok := x.numbers[name]
	if !ok {
		n = uint16(len(x.names))
		x.names = append(x.names, name)
		x.numbers[name] = n
	}
	return n
}

// add takes the next row.
func (x *index) add(r row) {
	x.rows = append(x.rows, r)
	n := int64(len(x.rows))
	if r.dead() {
		return
	}
	x.logs[r.dev] = append(x.logs[r.dev], n)
	if x.ids != nil {
		x.addID(r.id, n)
	}
}

func (x *index) addID(id event.ID, n int64) {
	switch first, ok := x.ids[id]; {
	case id.IsZero():
	case !ok:
		x.ids[id] = n
	case x.more[id] == nil:
		x.more[id] = []int64{first, n}
	default:
		x.more[id] = append(x.more[id], n)
	}
}

// byID returns the numbers of the events with an id.
func (x *index) byID(id event.ID) []int64 {
	x.needIDs()
	if list := x.more[id]; list != nil {
		return list
	}
	if n, ok := x.ids[id]; ok {
		return []int64{n}
	}
	return nil
}

func (x *index) needIDs() {
	if x.ids != nil {
		return
	}
	x.ids, x.more = make(map[event.ID]int64, len(x.rows)), map[event.ID][]int64{}
	for i := range x.rows {
		if r := &x.rows[i]; !r.dead() {
			x.addID(r.id, int64(i+1))
		}
	}
}

// place returns the number at a place of a log, 0 if there is none.
func (x *index) place(device string, seq int64) int64 {
	d, ok := x.numbers[device]
	if log := x.logs[d]; ok && seq >= 1 && seq <= int64(len(log)) {
		return log[seq-1]
	}
	return 0
}

func orderSum(order string) uint32 {
	if order == "" {
		return 0
	}
	h := fnv.New32a()
	h.Write([]byte(order))
	return max(h.Sum32(), 1)
}

// meta is the value of the key v.
type meta struct{ version, last, cut, cuts int64 }

func (m meta) encode() []byte {
	return fmt.Appendf(nil, "%d %d %d %d", m.version, m.last, m.cut, m.cuts)
}

func decodeMeta(b []byte) (m meta, err error) {
	if b == nil {
		return m, nil
	}
	if _, err := fmt.Sscanf(string(b), "%d %d %d %d", &m.version, &m.last, &m.cut, &m.cuts); err != nil {
		return m, damaged("its first record", err)
	}
	return m, nil
}

func damaged(what string, cause error) error {
	return store.Fail("read the ledger", what, store.ErrDamaged, cause)
}

func encodeHeads(heads map[string]store.Head) []byte {
	var b []byte
	for _, d := range slices.Sorted(maps.Keys(heads)) {
		b = fmt.Appendf(b, "%s %d %s\n", d, heads[d].Seq, heads[d].Hash)
	}
	return b
}

func decodeHeads(b []byte) (map[string]store.Head, error) {
	heads := map[string]store.Head{}
	for line := range bytes.Lines(b) {
		f := strings.Fields(string(line))
		if len(f) != 3 {
			return nil, damaged("the heads of the logs", nil)
		}
		seq, err := strconv.ParseInt(f[1], 10, 64)
		if err != nil {
			return nil, damaged("the heads of the logs", err)
		}
		heads[f[0]] = store.Head{Seq: seq, Hash: f[2]}
	}
	return heads, nil
}

func blockKey(first int64) string { return fmt.Sprintf("b/%012d", first) }
func indexKey(first int64) string { return fmt.Sprintf("i/%012d", first) }

func firstOf(key string) (int64, error) {
	n, err := strconv.ParseInt(key[2:], 10, 64)
	if err != nil || n < 1 {
		return 0, damaged("key "+key, err)
	}
	return n, nil
}

// encodeIndex writes the index of a block: its generation and the number of its rows, then for each row the size of its line (0 for one that was cut; then
// nothing follows), device and kind, time, sequence, the sum of its order's number and its id. A name that comes for the first time is written out behind
// the number that it has from then on. Numbers are varints.
func (x *index) encodeIndex(gen uint32, rows []row) []byte {
	b := binary.AppendUvarint(nil, uint64(gen))
	b = binary.AppendUvarint(b, uint64(len(rows)))
	known := map[uint16]uint64{}
	name := func(n uint16) {
		k, ok := known[n]
		if !ok {
			k = uint64(len(known))
			known[n] = k
		}
		if b = binary.AppendUvarint(b, k); !ok {
			b = binary.AppendUvarint(b, uint64(len(x.names[n])))
			b = append(b, x.names[n]...)
		}
	}
	for i := range rows {
		r := &rows[i]
		if b = binary.AppendUvarint(b, uint64(r.size)); r.dead() {
			continue
		}
		name(r.dev)
		name(r.kind)
		b = binary.AppendVarint(b, r.ms)
		b = binary.AppendUvarint(b, uint64(r.seq))
		b = binary.BigEndian.AppendUint32(b, r.order)
		b = append(b, r.id[:]...)
	}
	return b
}

// Limits of what is read.
const (
	mostBlock = 1 << 30
	mostNames = 1<<16 - 1
)

// cursor reads what encodeIndex wrote.
type cursor struct {
	b   []byte
	bad bool
}

func (c *cursor) uint() uint64 {
	v, n := binary.Uvarint(c.b)
	return c.step(v, n)
}

func (c *cursor) step(v uint64, n int) uint64 {
	if n <= 0 {
		c.bad = true
		return 0
	}
	c.b = c.b[n:]
	return v
}

func (c *cursor) int() int64 {
	v, n := binary.Varint(c.b)
	return int64(c.step(uint64(v), n))
}

func (c *cursor) take(n uint64) []byte {
	if n > uint64(len(c.b)) {
		c.bad = true
		return nil
	}
	out := c.b[:n]
	c.b = c.b[n:]
	return out
}

// takeIndex adds the rows of a block that aren't known yet, up to a number.
func (x *index) takeIndex(first int64, b []byte, last int64) error {
	c := &cursor{b: b}
	gen, count := uint32(c.uint()), c.uint()
	var known []uint16
	name := func() uint16 {
		k := c.uint()
		if k < uint64(len(known)) {
			return known[k]
		}
		text := c.take(c.uint())
		if c.bad || k != uint64(len(known)) || len(x.names) >= mostNames {
			c.bad = true
			return 0
		}
		known = append(known, x.number(string(text)))
		return known[k]
	}
	if first > int64(len(x.rows))+1 || count > uint64(len(b)) {
		return damaged("block "+strconv.FormatInt(first, 10), nil)
	}
	off := int32(genLen)
	for n := first; n < first+int64(count) && !c.bad; n++ {
		size := c.uint()
		if size > event.MaxLine || off > mostBlock {
			c.bad = true
			break
		}
		r := row{block: first, off: off, size: int32(size)}
		if off += r.size; !r.dead() {
			r.dev, r.kind, r.ms, r.seq = name(), name(), c.int(), int64(c.uint())
			if order := c.take(4); !c.bad {
				r.order = binary.BigEndian.Uint32(order)
			}
			copy(r.id[:], c.take(uint64(len(r.id))))
		}
		if n > int64(len(x.rows)) && n <= last && !c.bad {
			x.add(r)
		}
	}
	if c.bad || len(c.b) > 0 {
		return damaged("block "+strconv.FormatInt(first, 10), nil)
	}
	if x.tail = max(x.tail, first); gen != 0 {
		x.gens[first] = gen
	}
	return nil
}
