package fold

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"runtime"
	"slices"
	"sync"

	"countback/ledger/event"
	"countback/ledger/store"
)

// Source is where a ledger's lines come from, in order of arrival.
type Source interface {
	Lines(ctx context.Context, fn func(line []byte) error) error
}

// Divided is a Source whose parts can be read by several goroutines at once.
type Divided interface {
	Source
	// Divide returns at most n sources that hold the same lines together, one behind the other.
	Divide(ctx context.Context, n int) ([]Source, error)
}

// Stored is a store's whole ledger as a source.
func Stored(s store.Store) Divided { return stored{s: s} }

// stored is what arrived after one number, up to another one; until 0 is all.
type stored struct {
	s            store.Store
	after, until int64
}

var errEnd = errors.New("the part ends here")

// Lines implements Source.
func (s stored) Lines(ctx context.Context, fn func([]byte) error) error {
	err := s.s.Scan(ctx, s.after, func(r store.Row) error {
		if s.until > 0 && r.N > s.until {
			return errEnd
		}
		return fn(r.Line)
	})
	if err == errEnd {
		return nil
	}
	return err
}

// worthwhile is the number of events below which a second goroutine costs more than it brings.
const worthwhile = 5000

// Divide implements Divided. The end is fixed before the first part is read: what arrives meanwhile isn't in any.
func (s stored) Divide(ctx context.Context, n int) ([]Source, error) {
	last := s.until
	if last == 0 {
		var err error
		if last, err = s.s.Last(ctx); err != nil {
			return nil, err
		}
	}
	n = int(max(1, min(int64(n), (last-s.after)/worthwhile)))
	if n == 1 {
		return []Source{s}, nil
	}
	var out []Source
	at := s.after
	for i := range n {
		end := s.after + (last-s.after)*int64(i+1)/int64(n)
		out = append(out, stored{s.s, at, end})
		at = end
	}
	return out, nil
}

// Choice is which events a fold looks at.
type Choice struct {
	Known int64 // if not 0, leaves out what was recorded after this instant, in milliseconds, by its id's time

	// Covers, if given, leaves out every event at a place of a log for which it is false: the event isn't there at all, so that it neither moves stock nor
	// reverses, decides, restates, defines or revokes anything, nor takes the id of another.
	Covers func(device string, seq int64) bool
}

// Read takes the events of a ledger. Lines that aren't event lines at all are an error: a store never holds one. Of a Divided source each processor reads a
// part; the log is the same.
func Read(ctx context.Context, src Source, choice Choice) (*Log, error) {
	sources := []Source{src}
	if d, ok := src.(Divided); ok && choice.Covers == nil { // Covers is the caller's, and need not stand several goroutines
		var err error
		if sources, err = d.Divide(ctx, runtime.GOMAXPROCS(0)); err != nil {
			return nil, err
		}
	}
	readers, err := readAll(ctx, sources, choice)
	if err != nil {
		return nil, err
	}
	return logOf(readers, choice, false), nil
}

// logOf makes a log of what was read. Unless it is to be kept, what isn't needed any more is let go on the way.
func logOf(readers []*reader, choice Choice, keep bool) *Log {
	l := &Log{
		other:    map[event.ID]*event.Event{},
		reversed: map[event.ID]bool{},
		decided:  map[event.ID]bool{},
		unknown:  map[string]int{},
		known:    choice.Known,
	}
	l.join(readers, keep)
	l.settle()
	return l
}

// readAll reads each source in a goroutine of its own. The error is that of the first source that has one: what fails stops only those behind it.
func readAll(ctx context.Context, sources []Source, choice Choice) ([]*reader, error) {
	readers := make([]*reader, len(sources))
	for i := range readers {
		readers[i] = &reader{
			scan: event.NewScanner(), choice: choice, part: &part{index: i, numbers: map[string]uint64{}}, devices: map[string]uint16{}, unknown: map[string]int{},
		}
	}
	if len(sources) == 1 {
		return readers, sources[0].Lines(ctx, readers[0].line)
	}
	errs := make([]error, len(sources))
	ctxs, stops := make([]context.Context, len(sources)), make([]context.CancelFunc, len(sources))
	for i := range sources {
		ctxs[i], stops[i] = context.WithCancel(ctx)
		defer stops[i]()
	}
	var all sync.WaitGroup
	for i, src := range sources {
		all.Go(func() {
			if errs[i] = src.Lines(ctxs[i], readers[i].line); errs[i] != nil {
				for _, stop := range stops[i+1:] {
					stop()
				}
			}
		})
	}
	all.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return readers, nil
}

// reader gathers the events of one source.
type reader struct {
	scan    *event.Scanner
	choice  Choice
	part    *part
	devices map[string]uint16
	names   []string // of devices
	begins  []int64  // the first sequence of each device
	ends    []int64  // the last
	blocks  [][]rec
	n       int
	first   event.ID
	last    event.ID
	falls   bool // an id isn't higher than the one before, so that some may stand twice
	slabs   []slab
	events  []*event.Event
	unknown map[string]int
	buf     []byte
	order   event.Order
	pack    event.Pack
}

const blockSize = 1 << 12

func (r *reader) line(line []byte) error {
	l, err := r.scan.Line(line)
	if err != nil {
		return unreadable(err)
	}
	if r.choice.Known != 0 && l.ID.Ms() > r.choice.Known || r.choice.Covers != nil && !r.choice.Covers(l.Device, l.Seq) {
		return nil
	}
	dev, ok := r.devices[l.Device]
	if !ok {
		dev = uint16(len(r.names))
		r.devices[l.Device] = dev
		r.names, r.begins, r.ends = append(r.names, l.Device), append(r.begins, l.Seq), append(r.ends, 0)
	}
	r.ends[dev] = l.Seq
	rc := rec{key: event.Key{Ms: l.Ms, Rank: l.Kind.Rank(), ID: l.ID}, dev: dev, seq: int32(l.Seq)}
	if l.Fault == nil && l.Version == 1 && (l.Kind == event.KindOrder || l.Kind == event.KindPack) {
		rc.kind = codes[l.Kind]
		r.keep(&rc, l.Raw)
		r.add(rc)
		return nil
	}
	e, err := event.ParseLine(slices.Clone(line))
	if err != nil {
		return unreadable(err)
	}
	r.event(rc, e)
	return nil
}

func (r *reader) add(rc rec) {
	if r.n == 0 {
		r.first = rc.key.ID
	} else if rc.key.ID.Compare(r.last) <= 0 {
		r.falls = true
	}
	r.last = rc.key.ID
	n := len(r.blocks)
	if n == 0 || len(r.blocks[n-1]) == blockSize {
		r.blocks = append(r.blocks, make([]rec, 0, blockSize))
		n++
	}
	r.blocks[n-1] = append(r.blocks[n-1], rc)
	r.n++
}

// unreadable is the error of a line that no store would have taken in: the store is damaged.
func unreadable(err error) error {
	return store.Fail("read the ledger", "an event of the ledger", store.ErrDamaged, err)
}

func (r *reader) event(rc rec, e *event.Event) {
	switch {
	case e.Fault == nil && !e.Understood():
		r.unknown[string(e.Kind)]++
		return
	case e.Fault != nil:
		rc.kind = isVoid
	default:
		rc.kind = isOther
		if c, ok := codes[e.Kind]; ok {
			rc.kind = c
		}
	}
	rc.at = uint32(len(r.events))
	r.events = append(r.events, e)
	r.add(rc)
}

// keep stores what an order or a pack says.
func (r *reader) keep(rc *rec, raw []byte) {
	b := r.buf[:0]
	switch {
	case rc.kind == isOrder && r.scan.Order(raw, &r.order):
		b = r.part.order(b, raw, &r.order)
	case rc.kind == isPack && r.scan.Pack(raw, &r.pack):
		b = r.part.pack(b, raw, &r.pack)
	default:
		b = append(append(b, plain), raw...)
	}
	r.buf = b
	n := len(r.slabs)
	if need := len(b) + binary.MaxVarintLen32; n == 0 || cap(r.slabs[n-1].b)-len(r.slabs[n-1].b) < need {
		r.slabs = append(r.slabs, slab{make([]byte, 0, max(slabSize, need)), r.part})
		n++
	}
	to := &r.slabs[n-1].b
	rc.slab, rc.at = uint32(n-1), uint32(len(*to))
	*to = appendText(*to, b)
}

// join puts together what was read, in fold order.
func (l *Log) join(readers []*reader, keep bool) {
	total := 0
	devices := map[string]uint16{}
	for _, r := range readers {
		total += r.n
		for _, name := range r.names {
			if _, ok := devices[name]; !ok {
				devices[name] = uint16(len(l.devices))
				l.devices = append(l.devices, name)
			}
		}
	}
	// Most events arrive in their order. What comes late is set aside, sorted by itself and merged.
	l.recs = make([]rec, 0, total)
	var late []rec
	var last event.ID
	for _, r := range readers {
		if r.n > 0 {
			l.falls = l.falls || r.falls || r.first.Compare(last) <= 0
			last = r.last
		}
		slabs, events := uint32(len(l.slabs)), uint32(len(l.events))
		l.slabs, l.events = append(l.slabs, r.slabs...), append(l.events, r.events...)
		for kind, n := range r.unknown {
			l.unknown[kind] += n
		}
		dev := make([]uint16, len(r.names))
		for i, name := range r.names {
			dev[i] = devices[name]
		}
		for i, block := range r.blocks {
			for _, rc := range block {
				rc.dev = dev[rc.dev]
				if rc.kind == isOrder || rc.kind == isPack {
					rc.slab += slabs
				} else {
					rc.at += events
				}
				if n := len(l.recs); n > 0 && l.compare(&rc, &l.recs[n-1]) < 0 {
					late = append(late, rc)
				} else {
					l.recs = append(l.recs, rc)
				}
			}
			if !keep {
				r.blocks[i] = nil
			}
		}
	}
	if len(late) > 0 {
		l.merge(late)
	}
}

func (l *Log) merge(late []rec) {
	byValue := func(a, b rec) int { return l.compare(&a, &b) }
	if !slices.IsSortedFunc(late, byValue) {
		slices.SortFunc(late, byValue)
	}
	i, k := len(l.recs)-1, len(late)-1
	l.recs = l.recs[:len(l.recs)+len(late)]
	for to := len(l.recs) - 1; k >= 0; to-- {
		if i >= 0 && l.compare(&late[k], &l.recs[i]) < 0 {
			l.recs[to] = l.recs[i]
			i--
		} else {
			l.recs[to] = late[k]
			k--
		}
	}
}

// compare orders records as the fold goes through them.
func (l *Log) compare(a, b *rec) int {
	if a.key.Ms != b.key.Ms {
		return cmp.Compare(a.key.Ms, b.key.Ms)
	}
	if c := a.key.Compare(b.key); c != 0 {
		return c
	}
	if a.dev != b.dev {
		return cmp.Compare(l.devices[a.dev], l.devices[b.dev])
	}
	return cmp.Compare(a.seq, b.seq)
}
