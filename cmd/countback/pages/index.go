package pages

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"countback/ledger/event"
	"countback/ledger/store"
)

// index knows of every stored event what lists of events ask for. It reads what has arrived since it was asked last.
type index struct {
	mu      sync.Mutex
	through int64            // number of arrival up to which everything was read
	ends    map[string]int64 // last sequence read of each log
	entries []*entry         // in fold order
	latest  []*entry         // in order of arrival, the last few
	names   map[string]string
	devices map[string]string // the names that devices gave themselves
}

// entry is one event of an index.
type entry struct {
	n      int64
	key    event.Key
	id     event.ID
	kind   event.Kind
	device string
	seq    int64
	person string
	order  string
	about  event.ID // the event that it takes back, decides, delivers or credits
	items  []string
	text   string // to be searched, in lower case; of orders and packs their number says enough
	void   bool   // it fails the check of shape
}

// errAnew says that a log was cut, so that all is to be read anew.
var errAnew = errors.New("to be read anew")

// read takes in what has arrived and returns all entries in fold order, and the names of devices. Both are shared and never changed.
func (x *index) read(ctx context.Context, st store.Store) ([]*entry, map[string]string, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	err := x.more(ctx, st)
	if errors.Is(err, errAnew) {
		x.through, x.ends, x.entries, x.latest = 0, nil, nil, nil
		err = x.more(ctx, st)
	}
	if err != nil { // what was read before the error may be out of order
		x.through, x.ends, x.entries, x.latest = 0, nil, nil, nil
		return nil, nil, err
	}
	return x.entries, x.devices, nil
}

func (x *index) more(ctx context.Context, st store.Store) error {
	if x.ends == nil {
		x.ends, x.names, x.devices = map[string]int64{}, map[string]string{}, map[string]string{}
	}
	var fresh []*entry
	devices := x.devices
	err := st.Scan(ctx, x.through, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return store.Fail("read the ledger", fmt.Sprintf("event number %d", r.N), store.ErrDamaged, err)
		}
		if e.Seq <= x.ends[e.Device] {
			return errAnew
		}
		x.ends[e.Device], x.through = e.Seq, r.N
		fresh = append(fresh, x.entry(r.N, e))
		if d, ok := e.Data.(*event.Device); ok {
			devices = cloneWith(devices, e.Device, d.Name)
		}
		return nil
	})
	if err != nil || len(fresh) == 0 {
		return err
	}
	x.devices = devices
	x.latest = slices.Clip(append(slices.Clone(x.latest), fresh...)) // in order of arrival until here
	x.latest = x.latest[max(0, len(x.latest)-keptLatest):]
	byKey := func(a, b *entry) int { return cmp.Or(a.key.Compare(b.key), strings.Compare(a.device, b.device)) }
	slices.SortFunc(fresh, byKey)
	inOrder := len(x.entries) == 0 || byKey(x.entries[len(x.entries)-1], fresh[0]) <= 0
	x.entries = append(slices.Clip(x.entries), fresh...) // a list that somebody reads stays as it is
	if !inOrder {
		slices.SortFunc(x.entries, byKey)
	}
	return nil
}

// keptLatest is how many of the events that arrived last are kept in order of arrival.
const keptLatest = 64

// arrived returns the events that arrived last, the oldest of them first.
func (x *index) arrived(most int) []*entry {
	x.mu.Lock()
	defer x.mu.Unlock()
	return slices.Clone(x.latest[max(0, len(x.latest)-most):])
}

func cloneWith(m map[string]string, k, v string) map[string]string {
	out := map[string]string{k: v}
	for a, b := range m {
		if a != k {
			out[a] = b
		}
	}
	return out
}

func (x *index) entry(n int64, e *event.Event) *entry {
	out := &entry{n: n, key: e.Key(), id: e.ID, kind: e.Kind, device: x.name(e.Device), seq: e.Seq, person: x.name(e.Person), void: e.Fault != nil}
	if e.Data == nil {
		return out
	}
	out.order = event.OrderOf(e.Data)
	out.about = aboutOf(e.Data)
	for _, id := range Names(e.Data) {
		out.items = append(out.items, x.name(id))
	}
	if e.Kind != event.KindOrder && e.Kind != event.KindPack {
		out.text = strings.ToLower(Say(e) + " " + noteOf(e.Data) + " " + e.Person)
	}
	return out
}

// name keeps one copy of each name.
func (x *index) name(s string) string {
	if known, ok := x.names[s]; ok {
		return known
	}
	s = strings.Clone(s)
	x.names[s] = s
	return s
}

// aboutOf is the event that an event is about, zero for none.
func aboutOf(data event.Data) event.ID {
	switch d := data.(type) {
	case *event.Reverse:
		return d.Event
	case *event.Decide:
		return d.Event
	case *event.Restock:
		return d.Purchase
	case *event.Credit:
		return d.Restock
	}
	return event.Restated(data)
}

func noteOf(data event.Data) string {
	switch d := data.(type) {
	case *event.Order:
		return d.Note
	case *event.Pack:
		return d.Note
	case *event.Return:
		return d.Note
	case *event.Purchase:
		return d.Note
	case *event.Restock:
		return d.Note
	case *event.Credit:
		return d.Note
	case *event.Reprint:
		return d.Note
	case *event.Damage:
		return d.Note
	case *event.Count:
		return d.Note
	case *event.Reverse:
		return d.Note
	case *event.Decide:
		return d.Note
	case *event.Item:
		return d.Note
	case *event.PackSpec:
		return d.Note
	case *event.MakeSpec:
		return d.Note
	case *event.Shop:
		return d.Note
	case *event.Retire:
		return d.Note
	}
	return ""
}
