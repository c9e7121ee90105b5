package fold

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"countback/ledger/event"
	"countback/ledger/num"
)

// Orders and packs are nearly all of a ledger. They are kept as bytes, which a collector need not look into, and looked at when the fold comes to them. What
// the fast scanner could read takes a fifth of its line: texts that repeat (items, zones, options) are numbers of a table of the part that the line came
// with, and the rest stands after the order's number, so that orders for the same goods have the same bytes there.
//
//	length, compact, number of the order, then
//	  length, zone, items with quantities, options    an order
//	  which of the three it has, those                a pack
//	money as it stood in the line, if any
//	length, plain, the data's JSON                    what only the strict decoder reads
const (
	plain byte = iota
	compact
)

const (
	hasZone = 1 << iota
	hasLines
	hasOptions
)

// slab is a piece of memory with the bytes of many orders and packs.
type slab struct {
	b    []byte
	part *part
}

const slabSize = 1 << 20

// part is what one goroutine reads.
type part struct {
	index   int // among the log's parts
	scratch []byte
	texts   []string
	numbers map[string]uint64 // of texts
}

func (p *part) number(text string) uint64 {
	n, ok := p.numbers[text]
	if !ok {
		n = uint64(len(p.texts))
		p.numbers[text] = n
		p.texts = append(p.texts, text)
	}
	return n
}

func (p *part) goods(b []byte, lines []event.Goods) []byte {
	b = binary.AppendUvarint(b, uint64(len(lines)))
	for i := range lines {
		n, _ := lines[i].Qty.Int() // the scanner takes whole quantities of up to six digits
		b = binary.AppendUvarint(binary.AppendUvarint(b, p.number(lines[i].Item)), uint64(n))
	}
	return b
}

func (p *part) options(b []byte, options []string) []byte {
	b = binary.AppendUvarint(b, uint64(len(options)))
	for _, o := range options {
		b = binary.AppendUvarint(b, p.number(o))
	}
	return b
}

func appendText[T string | []byte](b []byte, text T) []byte {
	return append(binary.AppendUvarint(b, uint64(len(text))), text...)
}

// moneyOf returns the members of money at the end of data that the scanner could read: no text of it holds a quote.
func moneyOf(raw []byte, first ...string) []byte {
	for _, name := range first {
		if i := bytes.Index(raw, []byte(name)); i >= 0 {
			return raw[i : len(raw)-1]
		}
	}
	return nil
}

func (p *part) order(b, raw []byte, o *event.Order) []byte {
	b = appendText(append(b, compact), o.Order)
	p.scratch = p.options(p.goods(binary.AppendUvarint(p.scratch[:0], p.number(o.Zone)), o.Lines), o.Options)
	b = appendText(b, p.scratch)
	if o.Value != nil || o.Shipping != nil {
		b = append(b, moneyOf(raw, `,"value":"`, `,"shipping":"`)...)
	}
	return b
}

func (p *part) pack(b, raw []byte, d *event.Pack) []byte {
	b = appendText(append(b, compact), d.Order)
	at := len(b)
	b = append(b, 0)
	if d.Zone != "" {
		b[at] |= hasZone
		b = binary.AppendUvarint(b, p.number(d.Zone))
	}
	if d.Lines != nil {
		b[at] |= hasLines
		b = p.goods(b, d.Lines)
	}
	if d.Options != nil {
		b[at] |= hasOptions
		b = p.options(b, d.Options)
	}
	if d.Postage != nil {
		b = append(b, moneyOf(raw, `,"postage":"`)...)
	}
	return b
}

// view reads bytes that this package wrote.
type view struct {
	b    []byte
	part *part
}

func (v *view) uint() uint64 {
	n, size := binary.Uvarint(v.b)
	v.b = v.b[size:]
	return n
}

func (v *view) bytes() []byte {
	n := v.uint()
	out := v.b[:n]
	v.b = v.b[n:]
	return out
}

func (v *view) text() string { return v.part.texts[v.uint()] }

func (v *view) goods(to []event.Goods) []event.Goods {
	for range v.uint() {
		item := v.text()
		to = append(to, event.Goods{Item: item, Qty: num.Whole(int64(v.uint()))})
	}
	return to
}

func (v *view) options(to []string) []string {
	for range v.uint() {
		to = append(to, v.text())
	}
	return to
}

// money reads a member of money that stands last.
func (v *view) money(member string) (*num.Money, error) {
	if len(v.b) == 0 {
		return nil, nil
	}
	m, err := num.ParseMoney(string(v.b[len(member) : len(v.b)-1]))
	return &m, err
}

// pack reads what stands behind a pack's number into p, whose lists it uses again.
func (v *view) pack(p *event.Pack) error {
	lines, options := p.Lines[:0], p.Options[:0]
	*p = event.Pack{}
	has := v.b[0]
	v.b = v.b[1:]
	if has&hasZone != 0 {
		p.Zone = v.text()
	}
	if has&hasLines != 0 {
		p.Lines = v.goods(lines)
	}
	if has&hasOptions != 0 {
		p.Options = v.options(options)
	}
	var err error
	p.Postage, err = v.money(`,"postage":"`)
	return err
}

// orderNumber returns the number of an order event; false if its data are of the wrong shape.
func (l *Log) orderNumber(rc *rec) ([]byte, bool) {
	v, raw := l.stored(rc)
	if raw == nil {
		return v.bytes(), true
	}
	d, err := event.DecodeData(event.KindOrder, raw)
	if err != nil {
		return nil, false
	}
	return []byte(d.(*event.Order).Order), true
}

// stored finds an order's or pack's bytes. raw is its JSON where only the strict decoder reads it; else v stands at the order's number.
func (l *Log) stored(rc *rec) (v view, raw []byte) {
	sl := &l.slabs[rc.slab]
	v = view{sl.b[rc.at:], sl.part}
	v.b = v.bytes()
	if v.b[0] == plain {
		return v, v.b[1:]
	}
	v.b = v.b[1:]
	return v, nil
}

// said returns what an event says in bytes that are equal for equal events of a kind, whatever part they were read in.
func (l *Log) said(rc *rec) string {
	if e := l.event(rc); e != nil {
		return string(e.Raw)
	}
	v, raw := l.stored(rc)
	if raw != nil {
		return string(raw)
	}
	out := fmt.Appendf(nil, "%q", v.bytes())
	has := byte(hasZone | hasLines | hasOptions)
	if rc.kind == isPack {
		has = v.b[0]
		v.b = v.b[1:]
	} else {
		v.uint()
	}
	var zone string
	var lines []event.Goods
	var options []string
	if has&hasZone != 0 {
		zone = v.text()
	}
	if has&hasLines != 0 {
		lines = v.goods(nil)
	}
	if has&hasOptions != 0 {
		options = v.options(nil)
	}
	return string(fmt.Appendf(out, "%d %q %q %q %s", has, zone, lines, options, v.b))
}
