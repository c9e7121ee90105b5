package fold

import (
	"cmp"
	"maps"
	"slices"
	"strings"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"github.com/go-json-experiment/json"
)

// Snapshot is a state after all events up to Position, as far as later events can build on it: every item, and the orders that
// are still open. It is a local shortcut and no part of a ledger.
type Snapshot struct {
	Position event.Key        `json:"position"`
	Items    []itemSnapshot   `json:"items"`
	Orders   []orderSnapshot  `json:"orders"`
	Sessions map[string]int64 `json:"sessions"` // every count session that has begun, with the instant (ms) of its first figure
	Unknown  map[string]int   `json:"unknown"`  // of the whole ledger, as far as it was read
	Awaits   []event.ID       `json:"awaits"`   // deliveries and purchases that an event up to Position names and that don't stand there
	Unlike   []Place          `json:"unlike"`   // of the whole ledger: events whose id another event has that is about something else, or of another time
}

// Place is where an event stands in the logs.
type Place struct {
	Device string `json:"device"`
	Seq    int64  `json:"seq"`
}

// mostUnlike is how many such events a snapshot carries; no ledger of honest devices comes near.
const mostUnlike = 1000

type itemSnapshot struct {
	ID        string         `json:"id"`
	Account   book.Snapshot  `json:"account"`
	Totals    [Columns]Entry `json:"totals"`
	LastCount int64          `json:"last_count"`
	Counted   bool           `json:"counted"`
	Opened    bool           `json:"opened"`
	NoCost    bool           `json:"no_cost"`
}

type orderSnapshot struct {
	Number   string         `json:"number"`
	Zone     string         `json:"zone"`
	Packed   int64          `json:"packed"`
	Packs    int            `json:"packs"`
	Parcels  int64          `json:"parcels"`
	Goods    book.Amounts   `json:"goods"`
	Packing  book.Amounts   `json:"packing"`
	Postage  num.Money      `json:"postage"`
	Runs     int            `json:"runs"`
	Pending  []event.ID     `json:"pending"`
	Placed   placedSnapshot `json:"placed"`
	Reversed placedSnapshot `json:"reversed"`
	Open     bool           `json:"open"`
	PlacedID event.ID       `json:"placed_id,omitzero"`
	PlacedMs int64          `json:"placed_ms"`
	Used     []goodsSnap    `json:"used"`
	Takes    []takeSnap     `json:"takes"`
	Supplied []goodsSnap    `json:"supplied"`
	Past     []pastSnap     `json:"past"`
	Began    bool           `json:"began"`
}

type placedSnapshot struct {
	Known   bool        `json:"known"`
	ID      event.ID    `json:"id,omitzero"`
	Ms      int64       `json:"ms"`
	Zone    string      `json:"zone"`
	Lines   []goodsSnap `json:"lines"`
	Options []string    `json:"options"`
}

type goodsSnap struct {
	Item string  `json:"item"`
	Qty  num.Qty `json:"qty"`
}

type takeSnap struct {
	Item string       `json:"item"`
	Qty  num.Qty      `json:"qty"`
	Cost book.Amounts `json:"cost"`
}

type pastSnap struct {
	Device string      `json:"device"`
	Ms     int64       `json:"ms"`
	Lines  []goodsSnap `json:"lines"`
}

// Encode writes a snapshot, Decode reads one back.
func (sn *Snapshot) Encode() ([]byte, error) { return json.Marshal(sn, json.Deterministic(true)) }

// DecodeSnapshot reads what Encode wrote.
func DecodeSnapshot(b []byte) (*Snapshot, error) {
	sn := new(Snapshot)
	return sn, json.Unmarshal(b, sn)
}

// Holds reports whether the snapshot has an order's state.
func (sn *Snapshot) Holds(order string) bool {
	_, ok := slices.BinarySearchFunc(sn.Orders, order, func(o orderSnapshot, n string) int { return strings.Compare(o.Number, n) })
	return ok
}

// Continues reports whether a count at an instant (ms) behind the snapshot belongs to a session that began before it.
func (sn *Snapshot) Continues(session string, ms int64) bool {
	first, ok := sn.Sessions[session]
	return ok && ms-first <= sessionSpan
}

// snapshot copies the state after the record before index at. It returns nil where a count session is under way: its figures
// act together, so there is no state in the middle.
func (s *State) snapshot(at int) *Snapshot {
	if at == 0 {
		return nil
	}
	pos := s.log.recs[at-1].key
	sn := &Snapshot{Position: pos, Sessions: map[string]int64{}, Unknown: s.Unknown, Unlike: slices.Clone(s.log.unlike)}
	for _, sp := range s.sessions.spans {
		if sp.first <= pos.Ms && !sp.last.Before(pos) && sp.last != pos {
			return nil
		}
		if sp.first <= pos.Ms {
			sn.Sessions[sp.name] = sp.first
		}
	}
	for _, ms := range s.sessions.waiting {
		if ms <= pos.Ms && pos.Ms-ms <= sessionSpan {
			return nil
		}
	}
	if s.from != nil {
		maps.Copy(sn.Sessions, s.from.Sessions)
		sn.Unlike = append(slices.Clone(s.from.Unlike), sn.Unlike...)
	}
	if len(sn.Unlike) > mostUnlike {
		return nil
	}
	slices.SortFunc(sn.Unlike, func(a, b Place) int { return cmp.Or(strings.Compare(a.Device, b.Device), cmp.Compare(a.Seq, b.Seq)) })
	sn.Awaits = s.awaits(pos)
	for i := range s.Items {
		it := &s.Items[i]
		sn.Items = append(sn.Items, itemSnapshot{
			s.Catalog.Items[i].ID, it.Account.Snapshot(), it.Totals, it.LastCount, it.Counted, it.opened, it.noCost,
		})
	}
	n := 0
	for _, o := range s.maybe {
		if o.listed = o.unfinished(); o.listed {
			sn.Orders = append(sn.Orders, s.orderSnapshot(o))
			s.maybe[n] = o
			n++
		}
	}
	s.maybe = s.maybe[:n]
	slices.SortFunc(sn.Orders, func(a, b orderSnapshot) int { return strings.Compare(a.Number, b.Number) })
	return sn
}

// awaits lists what events up to a position name although it comes after them, or isn't there: should it come, or go, they mean something else.
func (s *State) awaits(pos event.Key) []event.ID {
	out := map[event.ID]bool{}
	stands := func(id event.ID) (*event.Event, bool) {
		e, ok := s.log.other[id]
		return e, ok && !pos.Before(e.Key())
	}
	if s.from != nil {
		for _, id := range s.from.Awaits {
			if _, ok := stands(id); !ok {
				out[id] = true
			}
		}
	}
	purchaseOf := func(e *event.Event) {
		if r, ok := e.Data.(*event.Restock); ok && !r.Purchase.IsZero() {
			if _, ok := stands(r.Purchase); !ok {
				out[r.Purchase] = true
			}
		}
	}
	for _, e := range s.log.other {
		if pos.Before(e.Key()) {
			continue
		}
		purchaseOf(e)
		if c, ok := e.Data.(*event.Credit); ok {
			r, ok := stands(c.Restock)
			if !ok {
				out[c.Restock] = true
			}
			if r != nil {
				purchaseOf(r)
			}
		}
	}
	return slices.SortedFunc(maps.Keys(out), event.ID.Compare)
}

func (s *State) orderSnapshot(o *Order) orderSnapshot {
	m := o.seen()
	out := orderSnapshot{
		Number: o.Number, Zone: o.Zone, Packed: o.Packed, Packs: o.Packs, Parcels: o.Parcels, Goods: o.Goods, Packing: o.Packing,
		Postage: o.Postage, Runs: o.Runs, Pending: o.Pending, Placed: s.placedSnapshot(o.placed), Reversed: s.placedSnapshot(m.reversed),
		Open: o.Open, PlacedID: o.Placed, PlacedMs: o.PlacedMs, Used: s.goodsSnap(o.used()), Supplied: s.goodsSnap(m.supplied), Began: o.parcels,
	}
	for _, t := range m.takes {
		out.Takes = append(out.Takes, takeSnap{s.Catalog.Items[t.item].ID, t.qty, t.cost})
	}
	for _, p := range m.past {
		out.Past = append(out.Past, pastSnap{s.log.devices[p.dev], p.ms, s.goodsSnap(p.lines)})
	}
	return out
}

func (s *State) placedSnapshot(p placed) placedSnapshot {
	if p.basket == nil {
		return placedSnapshot{}
	}
	return placedSnapshot{true, p.id, p.ms, p.zone, s.goodsSnap(p.lines), p.options}
}

func (s *State) goodsSnap(list []goods) []goodsSnap {
	var out []goodsSnap
	for _, g := range list {
		out = append(out, goodsSnap{s.Catalog.Items[g.item].ID, g.qty})
	}
	return out
}

// restore takes a snapshot up. It returns false if the snapshot names what the log doesn't know; then it must be thrown away.
func (s *State) restore(sn *Snapshot) bool {
	ok := true
	index := func(id string) int {
		it, found := s.Catalog.Find(id)
		if !found {
			ok = false
			return 0
		}
		return it.Index
	}
	list := func(in []goodsSnap) (out []goods) {
		for _, g := range in {
			out = append(out, goods{index(g.Item), g.Qty})
		}
		return out
	}
	was := func(p placedSnapshot) placed {
		if !p.Known {
			return placed{}
		}
		return placed{p.ID, p.Ms, &basket{p.Zone, list(p.Lines), p.Options}}
	}
	for _, it := range sn.Items {
		if n := index(it.ID); ok {
			s.Items[n] = Item{Account: it.Account.Account(), Totals: it.Totals, LastCount: it.LastCount, Counted: it.Counted, opened: it.Opened, noCost: it.NoCost}
		}
	}
	for _, in := range sn.Orders {
		o := &Order{
			Number: in.Number, Zone: in.Zone, Packed: in.Packed, Packs: in.Packs, Parcels: in.Parcels, Goods: in.Goods, Packing: in.Packing,
			Postage: in.Postage, Runs: in.Runs, Pending: slices.Clone(in.Pending), placed: was(in.Placed), Open: in.Open,
			Placed: in.PlacedID, PlacedMs: in.PlacedMs, parcels: in.Began,
			rare: &rare{reversed: was(in.Reversed), used: list(in.Used), supplied: list(in.Supplied)},
		}
		for _, t := range in.Takes {
			o.rare.takes = append(o.rare.takes, take{index(t.Item), t.Qty, t.Cost})
		}
		for _, p := range in.Past {
			o.rare.past = append(o.rare.past, packed{s.log.deviceIndex(p.Device), p.Ms, list(p.Lines)})
		}
		s.Orders[o.Number] = o
		s.list(o)
	}
	return ok
}

// deviceIndex finds a device, or adds it: its events may all stand before the snapshot.
func (l *Log) deviceIndex(device string) uint16 {
	if n := slices.Index(l.devices, device); n >= 0 {
		return uint16(n)
	}
	l.devices = append(l.devices, device)
	return uint16(len(l.devices) - 1)
}
