package event

import (
	"bytes"
	"strings"

	"countback/ledger/num"
)

// Scanner reads events that the ledger has admitted, fast: its own fixed layout, texts interned, no allocation but for new
// texts. On any surprise it falls back to the strict decoder, so it takes and refuses the same and gives the same values; a fuzz test
// holds the two together. A Scanner is not safe for concurrent use.
type Scanner struct {
	texts map[string]string
}

// NewScanner returns an empty scanner.
func NewScanner() *Scanner { return &Scanner{texts: map[string]string{}} }

// Light is what a fold needs of a line before it looks at the data.
type Light struct {
	ID      ID
	Device  string
	Kind    Kind
	Version int
	Ms      int64
	Seq     int64
	Raw     []byte // the data, inside the line
	Fault   error  // as in Event, but for the data's own shape
}

const lightHead = `{"specversion":"1.0","id":"`

// Line reads a line's envelope. The data is not looked at, apart from where it begins and ends.
func (s *Scanner) Line(line []byte) (Light, error) {
	if l, ok := s.line(line); ok {
		return l, nil
	}
	e, err := ParseLine(line)
	if err != nil {
		return Light{}, err
	}
	return Light{e.ID, s.intern([]byte(e.Device)), e.Kind, e.Version, e.Time.ms, e.Seq, e.Raw, e.Fault}, nil
}

func (s *Scanner) line(line []byte) (l Light, ok bool) {
	if len(line) < len(lightHead)+tailLen+200 || string(line[:len(lightHead)]) != lightHead {
		return l, false
	}
	sc := lineScanner{b: line[:len(line)-tailLen], at: len(lightHead)}
	id, ok := sc.until()
	if !ok || !scanID(id, &l.ID) || !sc.lit(`,"source":"/shop/`) {
		return l, false
	}
	source, ok := sc.until()
	if !ok || len(source) != 26+8+26 || !sc.lit(`,"type":"countback.`) {
		return l, false
	}
	l.Device = s.intern(source[34:])
	typ, ok := sc.until()
	if !ok || !bytes.HasSuffix(typ, []byte(".v1")) || !sc.lit(`,"time":"`) {
		return l, false
	}
	l.Kind, l.Version = Kind(s.intern(typ[:len(typ)-3])), 1
	at, ok := sc.until()
	if !ok || !sc.lit(`,"datacontenttype":"application/json","devseq":`) {
		return l, false
	}
	t, ok := scanTimeBytes(at)
	if !ok {
		return l, false
	}
	l.Ms = t
	for sc.at < len(sc.b) && sc.b[sc.at] >= '0' && sc.b[sc.at] <= '9' {
		l.Seq = l.Seq*10 + int64(sc.b[sc.at]-'0')
		sc.at++
	}
	if !sc.lit(`,"prevhash":"`) {
		return l, false
	}
	if prev, ok := sc.until(); !ok || len(prev) != 64 || !sc.lit(`,"data":`) {
		return l, false
	}
	l.Raw = sc.b[sc.at:]
	return l, l.Kind.Known()
}

func (s *Scanner) intern(b []byte) string {
	if t, ok := s.texts[string(b)]; ok {
		return t
	}
	if len(s.texts) > 1<<16 { // names repeat, order numbers don't: never let them pile up
		clear(s.texts)
	}
	t := string(b)
	s.texts[t] = t
	return t
}

var crockford = func() (t [256]byte) {
	for i := range t {
		t[i] = 0xff
	}
	for i, c := range "0123456789ABCDEFGHJKMNPQRSTVWXYZ" {
		t[c] = byte(i)
	}
	return t
}()

// scanID reads the 26 characters of a ULID: 2 bits, then 16 bytes of 5-bit groups.
func scanID(b []byte, id *ID) bool {
	if len(b) != 26 || b[0] > '7' {
		return false
	}
	var hi, lo uint64
	for _, c := range b {
		v := crockford[c]
		if v == 0xff {
			return false
		}
		hi = hi<<5 | lo>>59
		lo = lo<<5 | uint64(v)
	}
	for i := range 8 {
		id[i] = byte(hi >> (56 - 8*i))
		id[8+i] = byte(lo >> (56 - 8*i))
	}
	return !id.IsZero()
}

// scanTimeBytes reads a time as scanTime does.
func scanTimeBytes(b []byte) (ms int64, ok bool) {
	t, ok := scanTime(string(b))
	return t.ms, ok
}

// Order reads an order's data into o, whose lists it uses again; ok is false where the strict decoder has to look.
func (s *Scanner) Order(raw []byte, o *Order) bool {
	*o = Order{Lines: o.Lines[:0], Options: o.Options[:0]}
	d := dataScanner{s: s, lineScanner: lineScanner{b: raw}}
	if !d.lit(`{"order":"`) || !d.text(&o.Order, false) || !d.lit(`,"zone":"`) || !d.text(&o.Zone, true) || !d.lit(`,"lines":`) || !d.goods(&o.Lines) {
		return false
	}
	if d.lit(`,"options":`) && !d.list(&o.Options) {
		return false
	}
	if len(o.Options) == 0 {
		o.Options = nil
	}
	return d.money(`,"value":"`, &o.Value) && d.money(`,"shipping":"`, &o.Shipping) && d.lit(`}`) && d.at == len(raw)
}

// Pack reads a pack's data as Order does an order's. Packs with parcels or changes are left to the strict decoder.
func (s *Scanner) Pack(raw []byte, p *Pack) bool {
	*p = Pack{Lines: p.Lines[:0], Options: p.Options[:0]}
	d := dataScanner{s: s, lineScanner: lineScanner{b: raw}}
	if !d.lit(`{"order":"`) || !d.text(&p.Order, false) {
		return false
	}
	if d.lit(`,"zone":"`) && !d.text(&p.Zone, true) {
		return false
	}
	if d.lit(`,"lines":`) && !d.goods(&p.Lines) {
		return false
	}
	if d.lit(`,"options":`) && !d.list(&p.Options) {
		return false
	}
	if len(p.Lines) == 0 {
		p.Lines = nil
	}
	if len(p.Options) == 0 {
		p.Options = nil
	}
	return d.money(`,"postage":"`, &p.Postage) && d.lit(`}`) && d.at == len(raw)
}

type dataScanner struct {
	s *Scanner
	lineScanner
}

// text reads the rest of a string of plain printable ASCII without escapes, as a name the checks would take.
func (d *dataScanner) text(to *string, intern bool) bool {
	b, ok := d.until()
	if !ok || len(b) == 0 || len(b) > MaxName || b[0] == ' ' || b[len(b)-1] == ' ' {
		return false
	}
	for _, c := range b {
		if c < 0x20 || c > 0x7e || c == '\\' {
			return false
		}
	}
	if intern {
		*to = d.s.intern(b)
	} else {
		*to = string(b)
	}
	return true
}

func (d *dataScanner) list(to *[]string) bool {
	if !d.lit(`["`) {
		return false
	}
	for {
		var t string
		if !d.text(&t, true) {
			return false
		}
		*to = append(*to, t)
		if d.lit(`]`) {
			return len(*to) <= MaxList
		}
		if !d.lit(`,"`) {
			return false
		}
	}
}

func (d *dataScanner) goods(to *[]Goods) bool {
	if !d.lit(`[`) {
		return false
	}
	for {
		var g Goods
		if !d.lit(`{"item":"`) || !d.text(&g.Item, true) || !d.lit(`,"qty":"`) {
			return false
		}
		n := int64(0)
		from := d.at
		for d.at < len(d.b) && d.b[d.at] >= '0' && d.b[d.at] <= '9' && d.at-from < 6 {
			n = n*10 + int64(d.b[d.at]-'0')
			d.at++
		}
		if n == 0 || d.b[from] == '0' || !d.lit(`"}`) {
			return false
		}
		g.Qty = num.Whole(n)
		*to = append(*to, g)
		if d.lit(`]`) {
			return len(*to) <= MaxList
		}
		if !d.lit(`,`) {
			return false
		}
	}
}

func (d *dataScanner) money(member string, to **num.Money) bool {
	if !d.lit(member) {
		return true
	}
	b, ok := d.until()
	if !ok {
		return false
	}
	m, err := num.ParseMoney(string(b))
	if err != nil || strings.HasPrefix(string(b), "-") {
		return false
	}
	*to = &m
	return true
}

// until returns the bytes up to the next quote and moves past it; what may stand in them is for the caller.
func (s *lineScanner) until() ([]byte, bool) {
	i := bytes.IndexByte(s.b[s.at:], '"')
	if i < 0 {
		return nil, false
	}
	v := s.b[s.at : s.at+i]
	s.at += i + 1
	return v, true
}
