package event

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"
)

// Event is one event as read from its line.
type Event struct {
	ID      ID
	Shop    string // shop id
	Device  string // device id of the log it stands in
	Kind    Kind
	Version int
	Time    Time
	Seq     int64
	Prev    string // hash of the event before it in its log
	Person  string
	Raw     []byte // the data, as JSON
	Data    Data   // nil for a kind or version that this program doesn't know, and where Fault is set
	Fault   error  // why the event fails the check of shape; it is then void

	Line []byte // the whole line, without newline
	Hash string // lower-case hex of SHA-256 of Line
}

const (
	preEvent  = "countback-event-v1\n"
	firstPrev = "0000000000000000000000000000000000000000000000000000000000000000"
	sigStart  = `,"sig":"`
	sigLen    = 86
	tailLen   = len(sigStart) + sigLen + len(`"}`)
)

// FirstPrev is the prevhash of sequence 1: 64 zeros.
const FirstPrev = firstPrev

// ErrLine is wrapped by every error of ParseLine: the bytes can't stand in any log.
var ErrLine = errors.New("not an event line")

// SigningInput returns what is signed for the event that begins with head: all bytes of the line before its sig member.
func SigningInput(head []byte) []byte {
	return append([]byte(preEvent), head...)
}

// Unsigned is an event before it is signed.
type Unsigned struct {
	ID     ID
	Shop   string
	Device string
	Time   Time
	Seq    int64
	Prev   string
	Person string
	Data   Data
}

// Head writes the line up to its sig member. It fails for what ParseLine would refuse or make void, so that nothing such is ever signed.
func (u *Unsigned) Head() ([]byte, error) {
	b, _, _, err := u.head()
	return b, err
}

// head returns the line up to its sig member, where the data begin in it, and the data as they are read from there.
func (u *Unsigned) head() (b []byte, at int, d Data, err error) {
	if err := u.check(); err != nil {
		return nil, 0, nil, err
	}
	data, err := EncodeData(u.Data)
	if err != nil {
		return nil, 0, nil, marked{plainJSON(err), ErrData}
	}
	// What was computed and not read may be out of the range that may be written, so the bytes are read once as everyone else will read them.
	if d, err = DecodeData(u.Data.Kind(), data); err != nil {
		return nil, 0, nil, err
	}
	b = make([]byte, 0, 512+len(data))
	b = append(b, `{"specversion":"1.0","id":"`...)
	b = append(b, u.ID.String()...)
	b = append(b, `","source":"/shop/`...)
	b = append(b, u.Shop...)
	b = append(b, `/device/`...)
	b = append(b, u.Device...)
	b = append(b, `","type":"countback.`...)
	b = append(b, u.Data.Kind()...)
	b = append(b, `.v1","time":"`...)
	b = append(b, u.Time.String()...)
	b = append(b, `","datacontenttype":"application/json","devseq":`...)
	b = strconv.AppendInt(b, u.Seq, 10)
	b = append(b, `,"prevhash":"`...)
	b = append(b, u.Prev...)
	b = append(b, '"')
	if u.Person != "" {
		b = append(b, `,"person":`...)
		if b, err = jsontext.AppendQuote(b, u.Person); err != nil {
			return nil, 0, nil, err
		}
	}
	b = append(b, `,"data":`...)
	return append(b, data...), len(b), d, nil
}

// Make builds the event as ParseLine would read its line. sign gets the line up to its sig member and returns the signature (base64url without padding). The
// data are read from the bytes once, before they are signed, and the envelope once, after.
func (u *Unsigned) Make(sign func(head []byte) (sig string, err error)) (*Event, error) {
	head, at, d, err := u.head()
	if err != nil {
		return nil, err
	}
	sig, err := sign(head)
	if err != nil {
		return nil, err
	}
	line, err := Seal(head, sig)
	if err != nil {
		return nil, err
	}
	l, fast := NewScanner().line(line)
	if !fast || oneSpelling(l.Raw) != "" { // text beyond plain ASCII in the envelope, or what must not be
		e, err := ParseLine(line)
		if err == nil {
			err = e.Fault
		}
		return e, err
	}
	e := &Event{
		ID: l.ID, Shop: u.Shop, Device: l.Device, Kind: l.Kind, Version: l.Version, Time: u.Time, Seq: l.Seq, Prev: u.Prev, Person: u.Person,
		Raw: l.Raw, Data: d, Line: line, Hash: HashLine(line),
	}
	if l.ID != u.ID || l.Device != u.Device || l.Kind != u.Data.Kind() || l.Ms != u.Time.ms || l.Seq != u.Seq || len(l.Raw) != len(head)-at {
		return nil, fmt.Errorf("%w: it doesn't read as it was written", ErrLine)
	}
	return e, nil
}

// check looks at everything but the data.
func (u *Unsigned) check() error {
	var c checker
	c.require("id", !u.ID.IsZero())
	c.require("data", u.Data != nil)
	c.device("shop", u.Shop)
	c.device("device", u.Device)
	c.seq("devseq", u.Seq)
	c.hash("prevhash", u.Prev)
	c.optName("person", u.Person)
	if _, ok := scanTime(u.Time.text); !ok {
		c.fail("time", "is missing, or outside the years 0 to 9999")
	}
	if c.err == nil {
		return nil
	}
	return c.err
}

// Seal joins head and signature (base64url without padding) to a line.
func Seal(head []byte, sig string) ([]byte, error) {
	line := append(append(append(bytes.Clone(head), sigStart...), sig...), `"}`...)
	if len(line) > MaxLine {
		return nil, fmt.Errorf("%w: the event would have %d bytes; at most %d fit, split it", ErrLine, len(line), MaxLine)
	}
	return line, nil
}

// HashLine returns the hash of a line as stored.
func HashLine(line []byte) string {
	sum := sha256.Sum256(line)
	return hex.EncodeToString(sum[:])
}

// Signed splits a line into the bytes before its sig member and the signature's text. It fails if the line has no such end.
func Signed(line []byte) (head []byte, sig string, err error) {
	at := len(line) - tailLen
	if at < 0 || string(line[at:at+len(sigStart)]) != sigStart || string(line[len(line)-2:]) != `"}` {
		return nil, "", fmt.Errorf("%w: it doesn't end with a signature", ErrLine)
	}
	return line[:at], string(line[at+len(sigStart) : len(line)-2]), nil
}

// ParseLine reads a line. It fails only where the bytes can't stand in any log: no event skeleton, no log, sequence, previous
// hash or signature. Everything else that is wrong makes an event with Fault, which is kept, passed on and void.
//
// The line must be in the one spelling of the format: members in their order, no white space outside strings, strings that escape only the quote,
// the backslash and characters below U+0020.
func ParseLine(line []byte) (*Event, error) {
	e := &Event{Line: line}
	if err := e.parse(); err != nil {
		return nil, err
	}
	e.Hash = HashLine(line)
	return e, nil
}

type lineScanner struct {
	b  []byte
	at int
}

// lit moves past a literal.
func (s *lineScanner) lit(t string) bool {
	if len(s.b)-s.at < len(t) || string(s.b[s.at:s.at+len(t)]) != t {
		return false
	}
	s.at += len(t)
	return true
}

func (e *Event) parse() error {
	bad := func(what string) error { return fmt.Errorf("%w: %s", ErrLine, what) }
	if len(e.Line) > MaxLine {
		return bad(fmt.Sprintf("it has %d bytes; an event has at most %d", len(e.Line), MaxLine))
	}
	head, sig, err := Signed(e.Line)
	if err != nil {
		return err
	}
	if !isSignature(sig) {
		return bad("its signature isn't 64 bytes in base64url")
	}
	s := &lineScanner{b: head}
	if !s.lit(`{"specversion":"1.0","id":"`) {
		return bad("it doesn't begin with specversion and id")
	}
	id, ok := s.quoted()
	if !ok || !s.lit(`,"source":"/shop/`) {
		return bad("source doesn't follow id")
	}
	source, ok := s.quoted()
	if !ok {
		return bad("source has no end")
	}
	shop, device, ok := strings.Cut(source, "/device/")
	if !ok || !isDevice(shop) || !isDevice(device) {
		return bad("source isn't /shop/SHOP/device/DEVICE")
	}
	e.Shop, e.Device = shop, device
	if !s.lit(`,"type":"`) {
		return bad("type doesn't follow source")
	}
	typ, ok := s.quoted()
	if !ok || !s.lit(`,"time":"`) {
		return bad("time doesn't follow type")
	}
	at, ok := s.quoted()
	if !ok || !s.lit(`,"datacontenttype":"application/json","devseq":`) {
		return bad("datacontenttype and devseq don't follow time")
	}
	from := s.at
	for s.at < len(head) && head[s.at] >= '0' && head[s.at] <= '9' {
		s.at++
	}
	digits := string(head[from:s.at])
	e.Seq, err = strconv.ParseInt(digits, 10, 64)
	if err != nil || digits[0] == '0' || e.Seq > MaxSeq {
		return bad("devseq isn't a plain whole number from 1")
	}
	if !s.lit(`,"prevhash":"`) {
		return bad("prevhash doesn't follow devseq")
	}
	prev, ok := s.quoted()
	if !ok || !isHash(prev) {
		return bad("prevhash isn't 64 lower-case hexadecimal digits")
	}
	e.Prev = prev
	fault := func(field, why string) {
		if e.Fault == nil {
			e.Fault = &FieldError{field, why}
		}
	}
	if s.lit(`,"person":"`) {
		person, ok := s.quoted()
		if !ok {
			return bad("person isn't text in its one spelling")
		}
		e.Person = person
		var c checker
		if c.name("person", person); c.err != nil {
			e.Fault = c.err
		}
	}
	if !s.lit(`,"data":`) {
		return bad("data doesn't follow")
	}
	e.Raw = head[s.at:]
	if why := oneSpelling(e.Raw); why != "" {
		return bad("data " + why)
	}
	if e.ID, err = ParseID(id); err != nil {
		fault("id", "is not a ULID")
	}
	if e.Time, err = ParseTime(at); err != nil {
		fault("time", "is not a time of RFC 3339 with offset and at most three decimals")
	}
	e.Kind, e.Version, ok = splitType(typ)
	if !ok {
		fault("type", "isn't countback.KIND.vN")
		return nil
	}
	if !e.Understood() {
		return nil
	}
	if e.Fault == nil {
		e.Data, e.Fault = DecodeData(e.Kind, e.Raw)
	}
	return nil
}

// Understood reports whether the program knows the event's kind in this version.
func (e *Event) Understood() bool { return e.Version == 1 && e.Kind.Known() }

func isDevice(s string) bool { return matches(s, 26, 26, "a", "z", "2", "7") }

func splitType(s string) (Kind, int, bool) {
	rest, ok := strings.CutPrefix(s, "countback.")
	kind, version, dot := strings.Cut(rest, ".v")
	if !ok || !dot || !matches(kind, 1, 40, "a", "z") || !matches(version, 1, 6, "0", "9") || version[0] == '0' {
		return "", 0, false
	}
	n, _ := strconv.Atoi(version)
	return Kind(kind), n, true
}

// quoted reads the rest of a string whose opening quote has been passed, in its one spelling.
func (s *lineScanner) quoted() (string, bool) {
	n := stringEnd(s.b[s.at:])
	if n < 0 {
		return "", false
	}
	text := s.b[s.at : s.at+n-1]
	s.at += n
	if bytes.IndexByte(text, '\\') < 0 {
		return string(text), true
	}
	v, err := jsontext.AppendUnquote(nil, s.b[s.at-n-1:s.at])
	return string(v), err == nil
}

// stringEnd returns the length of a string's bytes behind its opening quote, the closing one included, and -1 if it isn't in its one spelling.
func stringEnd(b []byte) int {
	ascii := true
	for i := 0; i < len(b); i++ {
		switch c := b[i]; {
		case c == '"':
			if !ascii && !utf8.Valid(b[:i]) {
				return -1
			}
			return i + 1
		case c < 0x20:
			return -1
		case c == '\\':
			n := escapeLen(b[i:])
			if n == 0 {
				return -1
			}
			i += n - 1
		case c >= 0x80:
			ascii = false
		}
	}
	return -1
}

// escapeLen returns the length of the escape at the start of b, 0 if it isn't the one way to write its character.
func escapeLen(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	switch b[1] {
	case '"', '\\', 'b', 'f', 'n', 'r', 't':
		return 2
	case 'u':
		if len(b) < 6 || string(b[2:4]) != "00" || b[4] > '1' || b[4] < '0' {
			return 0
		}
		low := strings.IndexByte("0123456789abcdef", b[5])
		if low < 0 || b[4] == '0' && strings.IndexByte("89acd", b[5]) >= 0 { // \b \t \n \f \r have a shorter form
			return 0
		}
		return 6
	}
	return 0
}

// oneSpelling says what is wrong with the bytes of a JSON object apart from its meaning: white space, spelling of strings, structure, doubled names.
func oneSpelling(raw []byte) string {
	if len(raw) == 0 || raw[0] != '{' {
		return "isn't an object"
	}
	for i := 0; i < len(raw); i++ {
		switch c := raw[i]; c {
		case ' ', '\t', '\n', '\r':
			return "has white space outside strings"
		case '"':
			n := stringEnd(raw[i+1:])
			if n < 0 {
				return "has a string that isn't in its one spelling"
			}
			i += n
		}
	}
	if !jsontext.Value(raw).IsValid() {
		return "isn't valid JSON, or a name stands twice in it"
	}
	return ""
}
