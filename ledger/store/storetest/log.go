package storetest

import (
	"bytes"
	"fmt"
	"time"

	"github.com/oklog/ulid/v2"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/num"
)

// Start is the time of the first event of every Log: 2 March 2026, 13:30 UTC.
const Start = int64(1772458200000)

// Log makes the events of one device, signed with a fixed key that no real device has.
type Log struct {
	Key  *key.Key
	Shop string
	Seq  int64
	Prev string
	n    byte
}

// NewLog starts the log of device number n of a shop; an empty shop is this device's own.
func NewLog(n byte, shop string) *Log {
	k, err := key.Generate(bytes.NewReader(bytes.Repeat([]byte{n}, 32)))
	if err != nil {
		panic(err)
	}
	if shop == "" {
		shop = k.Device()
	}
	return &Log{Key: k, Shop: shop, Prev: event.FirstPrev, n: n}
}

// Copy returns a log that goes on from the same place, as a copied folder would.
func (l *Log) Copy() *Log {
	c := *l
	return &c
}

// IDAt returns an id of the log's device for its event seq.
func (l *Log) IDAt(seq int64) event.ID {
	id := ulid.ULID{}
	if err := id.SetTime(uint64(Start + seq*1000)); err != nil {
		panic(err)
	}
	id[14], id[15] = l.n, byte(seq)
	return event.ID(id)
}

// Next makes the log's next event.
func (l *Log) Next(d event.Data) *event.Event { return l.NextID(l.IDAt(l.Seq+1), d) }

// NextID makes the log's next event with a given id.
func (l *Log) NextID(id event.ID, d event.Data) *event.Event {
	u := event.Unsigned{
		ID: id, Shop: l.Shop, Device: l.Key.Device(), Time: event.TimeOf(time.UnixMilli(Start + (l.Seq+1)*1000).UTC()),
		Seq: l.Seq + 1, Prev: l.Prev, Data: d,
	}
	head, err := u.Head()
	if err != nil {
		panic(err)
	}
	return l.Seal(head)
}

// At makes the log's next event, of a fact at an instant (ms since 1970).
func (l *Log) At(ms int64, d event.Data) *event.Event {
	u := event.Unsigned{ID: l.IDAt(l.Seq + 1), Shop: l.Shop, Device: l.Key.Device(), Time: event.TimeOf(time.UnixMilli(ms).UTC()), Seq: l.Seq + 1, Prev: l.Prev, Data: d}
	head, err := u.Head()
	if err != nil {
		panic(err)
	}
	return l.Seal(head)
}

// Seal signs the bytes of an event before its sig member and takes the result as the log's next event.
func (l *Log) Seal(head []byte) *event.Event {
	sig, err := l.Key.Sign(key.Event, head)
	if err != nil {
		panic(err)
	}
	line, err := event.Seal(head, sig)
	if err != nil {
		panic(err)
	}
	e, err := event.ParseLine(line)
	if err != nil {
		panic(err)
	}
	l.Seq, l.Prev = e.Seq, e.Hash
	return e
}

// Foreign makes the log's next event of a type that this program doesn't know, such as countback.pack.v2, with data as given.
func (l *Log) Foreign(typ, data string) *event.Event {
	return l.Seal(fmt.Appendf(nil, `{"specversion":"1.0","id":"%s","source":"/shop/%s/device/%s","type":"%s","time":"2026-03-02T09:30:00Z",`+
		`"datacontenttype":"application/json","devseq":%d,"prevhash":"%s","data":%s`, l.IDAt(l.Seq+1), l.Shop, l.Key.Device(), typ, l.Seq+1, l.Prev, data))
}

// Device is the data of the log's first event: admitted by another log's device, by itself if that is nil.
func (l *Log) Device(by *Log, role string) *event.Device {
	if by == nil {
		by = l
	}
	sig, err := by.Key.Sign(key.Admit, key.AdmitPayload(l.Shop, l.Key.Public(), role))
	if err != nil {
		panic(err)
	}
	return &event.Device{Key: l.Key.Public(), Name: fmt.Sprintf("device %d", l.n), Role: role, By: by.Key.Device(), Endorsement: sig}
}

// Successor is the data of the log's first event where its device takes the place of another one's: endorsed by that one's own key, or, where by is a third
// device, as a recovery.
func (l *Log) Successor(of, by *Log, role string) *event.Device {
	purpose := key.Recover
	if by == of {
		purpose = key.Admit
	}
	d := &event.Device{Key: l.Key.Public(), Name: fmt.Sprintf("device %d", l.n), Role: role, By: by.Key.Device(), Succeeds: of.Key.Device()}
	sig, err := by.Key.Sign(purpose, key.SucceedPayload(l.Shop, d.Key, role, d.Succeeds))
	if err != nil {
		panic(err)
	}
	d.Endorsement = sig
	return d
}

// Order is an order for n folded cards.
func Order(order string, n int64) *event.Order {
	return &event.Order{Order: order, Zone: "home", Lines: []event.Goods{{Item: "card-a6", Qty: num.Whole(n)}}}
}

// Count is a count of an item.
func Count(item string, n int64) *event.Count {
	q := num.Whole(n)
	return &event.Count{Item: item, Qty: &q}
}

// Some returns the first n events of a founder's log: device, shop, then orders, packs, counts and write-offs in turn.
func Some(l *Log, n int) []*event.Event {
	var out []*event.Event
	for i := range n {
		var d event.Data
		switch {
		case l.Seq == 0:
			d = l.Device(nil, "desk")
		case l.Seq == 1:
			d = &event.Shop{Name: "Paper Moon Press", Currency: "CAD", Zone: "America/Halifax"}
		case i%4 == 2:
			d = Order(fmt.Sprintf("W-%d", 100+i), int64(i))
		case i%4 == 3:
			d = &event.Pack{Order: fmt.Sprintf("W-%d", 100+i-1)}
		case i%4 == 0:
			d = Count("board", int64(i))
		default:
			d = &event.Damage{Item: "board", Qty: num.Whole(1), Reason: "damaged"}
		}
		out = append(out, l.Next(d))
	}
	return out
}
