package event

import (
	"bytes"
	"errors"
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
	Fault   error  // as in Event, but blind to the data's own shape
}

const lightHead = `{"specversion":"1.0","id":"`

// Line reads a line's envelope, as strictly as ParseLine. The data is not looked at, apart from where it begins and ends: it may be of the wrong
// shape, and of bytes that no log admitted it may not be JSON at all.
func (s *Scanner) Line(line []byte) (Light, error) {
	if l, ok := s.line(line); ok {
		return l, nil
	}
	e, err := ParseLine(line)
	if err != nil {
		return Light{}, err
	}
	fault := e.Fault
	if errors.Is(fault, ErrData) {
		fault = nil // as on the fast way: what an event is taken for must not hang on how its envelope happens to be written
	}
	return Light{e.ID, s.intern([]byte(e.Device)), e.Kind, e.Version, e.Time.ms, e.Seq, e.Raw, fault}, nil
}

func (s *Scanner) line(line []byte) (l Light, ok bool) {
	if len(line) < len(lightHead)+tailLen+200 || len(line) > MaxLine || !signed(line) || string(line[:len(lightHead)]) != lightHead {
		return l, false
	}
	sc := lineScanner{b: line[:len(line)-tailLen], at: len(lightHead)}
	id, ok := sc.until()
	if !ok || !scanID(id, &l.ID) || !sc.lit(`,"source":"/shop/`) {
		return l, false
	}
	source, ok := sc.until()
	if !ok || len(source) != 26+8+26 || !all(source[:26], inBase32) || string(source[26:34]) != "/device/" || !all(source[34:], inBase32) {
		return l, false
	}
	l.Device = s.intern(source[34:])
	if !sc.lit(`,"type":"countback.`) {
		return l, false
	}
	typ, ok := sc.until()
	if !ok || !bytes.HasSuffix(typ, []byte(".v1")) || !sc.lit(`,"time":"`) {
		return l, false
	}
	l.Kind, l.Version = Kind(s.intern(typ[:len(typ)-3])), 1
	at, ok := sc.until()
	if !ok || !l.Kind.Known() || !sc.lit(`,"datacontenttype":"application/json","devseq":`) {
		return l, false
	}
	if l.Ms, ok = scanInstant(at); !ok {
		return l, false
	}
	from := sc.at
	for sc.at < len(sc.b) && sc.b[sc.at] >= '0' && sc.b[sc.at] <= '9' && sc.at-from < 10 {
		l.Seq = l.Seq*10 + int64(sc.b[sc.at]-'0')
		sc.at++
	}
	if l.Seq == 0 || l.Seq > MaxSeq || sc.b[from] == '0' || !sc.lit(`,"prevhash":"`) {
		return l, false
	}
	prev, ok := sc.until()
	if !ok || len(prev) != 64 || !all(prev, inHex) {
		return l, false
	}
	if sc.lit(`,"person":"`) {
		if person, ok := sc.until(); !ok || !plainName(person) {
			return l, false
		}
	}
	if !sc.lit(`,"data":{`) {
		return l, false
	}
	l.Raw = sc.b[sc.at-1:]
	return l, l.Raw[len(l.Raw)-1] == '}'
}

// signed reports whether the line ends as Signed and isSignature ask.
func signed(line []byte) bool {
	tail := line[len(line)-tailLen:]
	sig := tail[len(sigStart) : len(sigStart)+sigLen]
	return string(tail[:len(sigStart)]) == sigStart && string(tail[len(sigStart)+sigLen:]) == `"}` &&
		all(sig, inBase64) && strings.IndexByte("AQgw", sig[sigLen-1]) >= 0
}

// Alphabets, one bit each.
const (
	inBase32 = 1 << iota
	inHex
	inBase64
)

var alphabets = func() (t [256]byte) {
	for i := range t {
		c := string([]byte{byte(i)})
		if matches(c, 1, 1, "a", "z", "2", "7") {
			t[i] |= inBase32
		}
		if matches(c, 1, 1, "0", "9", "a", "f") {
			t[i] |= inHex
		}
		if matches(c, 1, 1, "A", "Z", "a", "z", "0", "9", "-", "-", "_", "_") {
			t[i] |= inBase64
		}
	}
	return t
}()

// all reports whether all bytes are of the alphabet.
func all(b []byte, alphabet byte) bool {
	for _, c := range b {
		alphabet &= alphabets[c]
	}
	return alphabet != 0
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
	if !ok || !plainName(b) {
		return false
	}
	if intern {
		*to = d.s.intern(b)
	} else {
		*to = string(b)
	}
	return true
}

// plainName reports whether b is a name as the checks take it, in printable ASCII without escapes.
func plainName(b []byte) bool {
	if len(b) == 0 || len(b) > MaxName || b[0] == ' ' || b[len(b)-1] == ' ' {
		return false
	}
	for _, c := range b {
		if c < 0x20 || c > 0x7e || c == '\\' {
			return false
		}
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
