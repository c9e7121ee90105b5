package sheet

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"countback/ledger/event"
	"countback/ledger/near"
)

// MaxMap bounds a map file, in bytes.
const MaxMap = 1 << 20

// Map says how a file of orders is to be read; see the package comment for its text.
type Map struct {
	opts      Options
	thousands string
	sign      string

	order, date, clock      field
	dateLayout, clockLayout *layout
	zoneName                string // time zone; empty: the shop's
	item, quantity          field
	unitPrice, lineValue    field
	orderValue, shipping    field
	zone, options, status   field
	optionSeparator         string
	zones, aliases          map[string]string
	otherZone               string
	perOrder                bool
	items                   field
	itemsSeparator          string
	pattern                 *pattern
	noGoods                 []string
	skipStatus              []string
	skipZero                bool
	cancelled               string // skip, return, or empty: nothing is told apart as cancelled
	prefix                  string
	negative                bool
	cancelledStatus         []string
	cancelledOrder          field
	cancelledDate           field
	condition               string
	said                    map[string]int // word → line
}

// field is a column, or one value for all rows.
type field struct {
	column string
	fixed  string
	line   int // in the map; 0: not named
}

func (f field) given() bool { return f.line > 0 }

// MapError places a fault in a map file.
type MapError struct {
	Line int // 0: the map as a whole
	Why  string
}

func (e *MapError) Error() string {
	if e.Line == 0 {
		return "the map " + e.Why
	}
	return fmt.Sprintf("line %d of the map: %s", e.Line, e.Why)
}

// Options say how the map's files are written, for ReadTable.
func (m *Map) Options() Options { return m.opts }

// ParseMap reads a map file. The error is a *MapError with the first fault.
func ParseMap(file []byte) (*Map, error) {
	if len(file) > MaxMap {
		return nil, &MapError{0, fmt.Sprintf("has more than %d bytes; it should be a short text file", MaxMap)}
	}
	text, _, err := decode(file, "")
	if err != nil {
		return nil, &MapError{0, "can't be read as text: " + err.Error()}
	}
	m := &Map{condition: "saleable", optionSeparator: ";", itemsSeparator: ";", zones: map[string]string{}, aliases: map[string]string{}, said: map[string]int{}}
	n := 0
	for line := range strings.Lines(string(text)) {
		n++
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		if err := m.line(line, n); err != nil {
			return nil, &MapError{n, err.Error()}
		}
	}
	if e := m.complete(); e != nil {
		return nil, e
	}
	return m, nil
}

// line takes one line, "word = value".
func (m *Map) line(line string, n int) error {
	if strings.ContainsFunc(line, func(r rune) bool { return r < 0x20 && r != '\t' || r == utf8.RuneError || r >= 0x7f && r <= 0x9f }) {
		return fmt.Errorf("holds a character that is no text; write the line again")
	}
	at := equals(line)
	if at < 0 {
		return fmt.Errorf("%q has no = sign; write it like order = Order number, or begin a remark with #", clip(line))
	}
	key := strings.Join(strings.Fields(line[:at]), " ")
	value := strings.TrimSpace(line[at+1:])
	if value == "" {
		return fmt.Errorf("%q has nothing behind the = sign; give a value or take the line out", clip(key))
	}
	low := strings.ToLower(key)
	i := slices.IndexFunc(mapWords, func(w mapWord) bool { return w.name == low })
	if i < 0 {
		return m.alias(strings.TrimSpace(line[:at]), value)
	}
	if old, ok := m.said[low]; ok && !mapWords[i].repeat {
		return fmt.Errorf("%q stands in line %d already; keep one of the two", low, old)
	}
	m.said[low] = n
	if err := mapWords[i].set(m, value, n); err != nil {
		return fmt.Errorf("%s %w", low, err)
	}
	return nil
}

// equals finds the first = outside quotation marks.
func equals(line string) int {
	quoted := false
	for i := 0; i < len(line); i++ {
		switch {
		case quoted && strings.HasPrefix(line[i:], `""`):
			i++ // a doubled mark stands for one
		case line[i] == '"' && (quoted || i > 0 && line[i-1] == ' '):
			quoted = !quoted
		case line[i] == '=' && !quoted:
			return i
		}
	}
	return -1
}

// alias takes "item CODE = ITEM" and "zone VALUE = ZONE".
func (m *Map) alias(key, value string) error {
	word, from, _ := strings.Cut(key, " ")
	into, what := m.aliases, "item"
	switch strings.ToLower(word) {
	case "item":
	case "zone":
		into, what = m.zones, "zone"
	default:
		names := make([]string, len(mapWords))
		for i, w := range mapWords {
			names[i] = w.name
		}
		hint := "words are " + strings.Join(names, ", ")
		if alike := near.Names(key, names); len(alike) > 0 {
			hint = "near it: " + strings.Join(alike, ", ")
		}
		return fmt.Errorf("%q is not a word of the map; %s", clip(key), hint)
	}
	from, err := unquote(strings.TrimSpace(from))
	if err != nil {
		return err
	}
	value, err = unquote(value)
	if err != nil {
		return err
	}
	if _, ok := into[from]; ok {
		return fmt.Errorf("%s %q is named twice; keep one of the two", what, clip(from))
	}
	into[from] = value
	return checkName(value)
}

// checkName takes what the ledger takes as a name.
func checkName(s string) error {
	if err := event.Check(&event.Retire{Item: s}); err != nil {
		return fmt.Errorf("%q can't be a name: it %w", clip(s), reason(err))
	}
	return nil
}

// unquote takes quotation marks off a value that has them around it.
func unquote(s string) (string, error) {
	if !strings.HasPrefix(s, `"`) {
		return s, nil
	}
	body, ok := strings.CutSuffix(s[1:], `"`)
	inner := strings.ReplaceAll(body, `""`, "")
	if !ok || body == "" || strings.Contains(inner, `"`) {
		return "", fmt.Errorf("%s has a quotation mark that is not closed, or none doubled inside; write \"12\"\" card\"", clip(s))
	}
	return strings.ReplaceAll(body, `""`, `"`), nil
}

// list divides a value at its commas; entries with commas stand in quotation marks.
func list(value string) ([]string, error) {
	var out []string
	quoted, from := false, 0
	for i := 0; i <= len(value); i++ {
		if i < len(value) && (value[i] != ',' || quoted) {
			if value[i] == '"' {
				quoted = !quoted
			}
			continue
		}
		entry, err := unquote(strings.TrimSpace(value[from:i]))
		if err != nil {
			return nil, err
		}
		if entry == "" {
			return nil, fmt.Errorf("holds an empty entry; take the extra comma out")
		}
		out = append(out, entry)
		from = i + 1
	}
	if quoted {
		return nil, fmt.Errorf("has a quotation mark that is not closed")
	}
	return out, nil
}

// complete checks what words say together.
func (m *Map) complete() *MapError {
	at := func(words ...string) (line int) {
		for _, w := range words {
			if line = m.said[w]; line > 0 {
				return line
			}
		}
		return 0
	}
	recognised := at("cancelled number begins with", "cancelled quantity", "cancelled status")
	switch {
	case !m.order.given():
		return &MapError{0, "doesn't say where the order's number stands; add a line like order = Order number"}
	case !m.date.given():
		return &MapError{0, "doesn't say where the order's date stands; add a line like date = Order date"}
	case !m.zone.given():
		return &MapError{0, "doesn't say where an order goes; add a line like zone = Country, or zone = always home"}
	case m.perOrder && !m.items.given():
		return &MapError{0, "has one order a row, but doesn't say in which column its items stand; add a line like items = Items"}
	case m.perOrder && m.pattern == nil:
		return &MapError{0, "doesn't say how items are written; add a line like items look like = ITEM x QTY"}
	case m.perOrder && at("item", "quantity", "unit price", "line value", "zero price", "cancelled quantity") > 0:
		return &MapError{at("item", "quantity", "unit price", "line value", "zero price", "cancelled quantity"), "speaks of the lines of an order, but the map has one order a row; take it out, or say rows = one per line"}
	case !m.perOrder && at("items", "items look like", "items separator") > 0:
		return &MapError{at("items", "items look like", "items separator"), "goes with one order a row; add rows = one per order, or take it out"}
	case !m.perOrder && !m.item.given():
		return &MapError{0, "doesn't say where the item stands; add a line like item = SKU"}
	case !m.perOrder && !m.quantity.given():
		return &MapError{0, "doesn't say where the quantity stands; add a line like quantity = Qty, or quantity = always 1"}
	case m.unitPrice.given() && m.lineValue.given():
		return &MapError{m.lineValue.line, "names the value of a line beside a unit price; keep one of the two"}
	case m.skipZero && !m.unitPrice.given() && !m.lineValue.given():
		return &MapError{at("zero price"), "needs a price to look at; add unit price or line value"}
	case at("skip status", "cancelled status") > 0 && !m.status.given():
		return &MapError{at("skip status", "cancelled status"), "needs a status to look at; add a line like status = Status"}
	case m.opts.Decimal != 0 && m.thousands == string(m.opts.Decimal), m.opts.Decimal == 0 && m.said["decimal"] == 0 && m.thousands == ".":
		return &MapError{at("thousands"), "names the mark that is the decimal mark; say decimal = comma if amounts are written 1.234,50"}
	}
	return m.completeCancelled(recognised, at)
}

func (m *Map) completeCancelled(recognised int, at func(...string) int) *MapError {
	extra := at("cancelled order", "cancelled date", "returned goods")
	switch {
	case recognised > 0 && m.cancelled == "":
		return &MapError{recognised, "tells cancelled rows apart, but the map doesn't say what to do with them; add cancelled = skip, or cancelled = return"}
	case m.cancelled != "" && recognised == 0:
		return &MapError{at("cancelled"), "needs a way to tell cancelled rows apart; add cancelled number begins with, cancelled quantity = negative or cancelled status"}
	case m.cancelled != "return" && extra > 0:
		return &MapError{extra, "goes with cancelled = return; add that, or take the line out"}
	case m.cancelled == "return" && len(m.cancelledStatus) > 0 && !m.cancelledDate.given():
		return &MapError{at("cancelled status"), "tells that an order was called off but not when; for cancelled = return add cancelled date with the column of that day"}
	}
	if i := slices.IndexFunc(m.skipStatus, func(s string) bool { return hasFold(m.cancelledStatus, s) }); i >= 0 {
		return &MapError{at("skip status"), fmt.Sprintf("names %q, which is a cancelled status too; keep one of the two", clip(m.skipStatus[i]))}
	}
	return nil
}

func hasFold(list []string, s string) bool {
	return slices.ContainsFunc(list, func(v string) bool { return strings.EqualFold(v, s) })
}
