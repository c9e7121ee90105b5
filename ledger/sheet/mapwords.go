package sheet

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
)

// mapWord is one word of the map file.
type mapWord struct {
	name   string
	repeat bool
	set    func(m *Map, value string, line int) error
}

// mapWords in the order in which the package comment lists them.
var mapWords = []mapWord{
	{"delimiter", false, setDelimiter},
	{"encoding", false, func(m *Map, v string, _ int) error { return choose(&m.opts.Encoding, v, encodings...) }},
	{"decimal", false, setDecimal},
	{"thousands", false, setThousands},
	{"money sign", false, setSign},
	{"quotes", false, setQuotes},
	{"header row", false, setHeaderRow},
	{"rows", false, setRows},
	{"order", false, column(func(m *Map) *field { return &m.order })},
	{"date", false, column(func(m *Map) *field { return &m.date })},
	{"date layout", false, setLayout(func(m *Map) **layout { return &m.dateLayout }, (*layout).checkDate)},
	{"time", false, column(func(m *Map) *field { return &m.clock })},
	{"time layout", false, setLayout(func(m *Map) **layout { return &m.clockLayout }, checkClock)},
	{"time zone", false, setTimeZone},
	{"item", false, column(func(m *Map) *field { return &m.item })},
	{"quantity", false, columnOrFixed(func(m *Map) *field { return &m.quantity }, checkQuantity)},
	{"items", false, column(func(m *Map) *field { return &m.items })},
	{"items look like", false, func(m *Map, v string, _ int) (err error) { m.pattern, err = parsePattern(v); return err }},
	{"items separator", false, func(m *Map, v string, _ int) (err error) { m.itemsSeparator, err = separator(v); return err }},
	{"unit price", false, column(func(m *Map) *field { return &m.unitPrice })},
	{"line value", false, column(func(m *Map) *field { return &m.lineValue })},
	{"order value", false, column(func(m *Map) *field { return &m.orderValue })},
	{"shipping", false, column(func(m *Map) *field { return &m.shipping })},
	{"zone", false, columnOrFixed(func(m *Map) *field { return &m.zone }, checkName)},
	{"any other zone", false, func(m *Map, v string, _ int) error { return setName(&m.otherZone, v) }},
	{"options", false, column(func(m *Map) *field { return &m.options })},
	{"options separator", false, func(m *Map, v string, _ int) (err error) { m.optionSeparator, err = separator(v); return err }},
	{"no goods", true, addList(func(m *Map) *[]string { return &m.noGoods })},
	{"zero price", false, setZero},
	{"status", false, column(func(m *Map) *field { return &m.status })},
	{"skip status", true, addList(func(m *Map) *[]string { return &m.skipStatus })},
	{"cancelled", false, func(m *Map, v string, _ int) error { return choose(&m.cancelled, v, "skip", "return") }},
	{"cancelled number begins with", false, func(m *Map, v string, _ int) (err error) { m.prefix, err = unquote(v); return err }},
	{"cancelled quantity", false, setNegative},
	{"cancelled status", true, addList(func(m *Map) *[]string { return &m.cancelledStatus })},
	{"cancelled order", false, column(func(m *Map) *field { return &m.cancelledOrder })},
	{"cancelled date", false, column(func(m *Map) *field { return &m.cancelledDate })},
	{"returned goods", false, func(m *Map, v string, _ int) error { return choose(&m.condition, v, "saleable", "scrap") }},
}

func column(at func(*Map) *field) func(*Map, string, int) error {
	return func(m *Map, v string, line int) error {
		name, err := unquote(v)
		*at(m) = field{column: strings.Join(strings.Fields(name), " "), line: line}
		return err
	}
}

// columnOrFixed takes a column's name, or "always VALUE" for one value on all rows.
func columnOrFixed(at func(*Map) *field, check func(string) error) func(*Map, string, int) error {
	return func(m *Map, v string, line int) error {
		fixed, ok := strings.CutPrefix(v, "always ")
		if !ok {
			return column(at)(m, v, line)
		}
		fixed, err := unquote(strings.TrimSpace(fixed))
		if err != nil {
			return err
		}
		*at(m) = field{fixed: fixed, line: line}
		return check(fixed)
	}
}

func checkQuantity(s string) error {
	q, err := numbers{decimal: '.'}.pieces(s)
	if err == nil && q.Sign() <= 0 {
		err = errors.New("must be above 0")
	}
	if err != nil {
		return fmt.Errorf("%q: %w", clip(s), err)
	}
	return nil
}

func choose(into *string, v string, choices ...string) error {
	for _, c := range choices {
		if strings.EqualFold(v, c) {
			*into = c
			return nil
		}
	}
	return fmt.Errorf("can't be %q; it can be %s", clip(v), strings.Join(choices, " or "))
}

func setName(into *string, v string) (err error) {
	if *into, err = unquote(v); err != nil {
		return err
	}
	return checkName(*into)
}

func addList(at func(*Map) *[]string) func(*Map, string, int) error {
	return func(m *Map, v string, _ int) error {
		entries, err := list(v)
		*at(m) = append(*at(m), entries...)
		return err
	}
}

func setDelimiter(m *Map, v string, _ int) error {
	var words []string
	for _, d := range delimiters {
		if strings.EqualFold(v, d.word) || v == string(d.mark) {
			m.opts.Delimiter = d.mark
			return nil
		}
		words = append(words, d.word)
	}
	return fmt.Errorf("can't be %q; it can be %s", clip(v), strings.Join(words, " or "))
}

func setDecimal(m *Map, v string, _ int) error {
	var word string
	err := choose(&word, v, "point", "comma")
	m.opts.Decimal = map[string]byte{"point": '.', "comma": ','}[word]
	return err
}

func setThousands(m *Map, v string, _ int) error {
	var word string
	err := choose(&word, v, "comma", "point", "space", "apostrophe")
	m.thousands = map[string]string{"comma": ",", "point": ".", "space": " ", "apostrophe": "'"}[word]
	return err
}

func setSign(m *Map, v string, _ int) (err error) {
	if m.sign, err = unquote(v); err != nil {
		return err
	}
	if strings.ContainsFunc(m.sign, func(r rune) bool { return unicode.IsDigit(r) || strings.ContainsRune(".,-+'", r) }) || len(m.sign) > 12 {
		return fmt.Errorf("can't be %q; it is the currency's sign or letters as they stand beside amounts", clip(m.sign))
	}
	return nil
}

func setQuotes(m *Map, v string, _ int) error {
	var word string
	err := choose(&word, v, "strict", "loose")
	m.opts.LooseQuotes = word == "loose"
	return err
}

func setHeaderRow(m *Map, v string, _ int) error {
	rest, ok := number(v, 1, 7, &m.opts.HeaderRow)
	if !ok || rest != "" || m.opts.HeaderRow < 1 || m.opts.HeaderRow > MaxRows {
		return fmt.Errorf("can't be %q; it is the number of the row with the columns' names, like 3", clip(v))
	}
	return nil
}

func setRows(m *Map, v string, _ int) error {
	var word string
	err := choose(&word, v, "one per line", "one per order")
	m.perOrder = word == "one per order"
	return err
}

func setLayout(at func(*Map) **layout, check func(*layout) error) func(*Map, string, int) error {
	return func(m *Map, v string, _ int) error {
		v, err := unquote(v)
		if err != nil {
			return err
		}
		l, err := parseLayout(v)
		if err != nil {
			return err
		}
		*at(m) = l
		return check(l)
	}
}

// checkClock takes a layout of a time of day.
func checkClock(l *layout) error {
	if !l.has("hh", "h") || l.has("YYYY", "YY", "MM", "M", "MMM", "MMMM", "DD", "D") {
		return errors.New("is for a time of day, like hh:mm or h:mm AM; minutes are mm")
	}
	return l.checkTime()
}

func setTimeZone(m *Map, v string, _ int) error {
	if strings.EqualFold(v, "shop") {
		return nil
	}
	if strings.ContainsFunc(v, func(r rune) bool {
		return r > 0x7e || !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("/_+-:", r)
	}) || len(v) > 64 {
		return fmt.Errorf("can't be %q; write it like Europe/Vienna, UTC, +02:00 or shop", clip(v))
	}
	m.zoneName = v
	return nil
}

func setZero(m *Map, v string, _ int) error {
	var word string
	err := choose(&word, v, "keep", "skip")
	m.skipZero = word == "skip"
	return err
}

func setNegative(m *Map, v string, _ int) error {
	m.negative = true
	var word string
	return choose(&word, v, "negative")
}

// separator takes a mark, or the word for one that can't be seen.
func separator(v string) (string, error) {
	switch strings.ToLower(v) {
	case "comma":
		return ",", nil
	case "semicolon":
		return ";", nil
	case "pipe":
		return "|", nil
	case "tab":
		return "\t", nil
	case "new line":
		return "\n", nil
	}
	v, err := unquote(v)
	if err == nil && len(v) > 12 {
		err = errors.New("is too long; give one mark like ; or one of the words comma, semicolon, pipe, tab, new line")
	}
	return v, err
}

// pattern is how an entry of an items cell is written.
type pattern struct {
	text                string
	before, mid, behind string
	qtyFirst            bool
}

// parsePattern reads "ITEM x QTY", "QTY x ITEM", "ITEM (QTY)", or "ITEM" alone.
func parsePattern(v string) (*pattern, error) {
	v, err := unquote(v)
	if err != nil {
		return nil, err
	}
	i, q := strings.Index(v, "ITEM"), strings.Index(v, "QTY")
	p := &pattern{text: v, qtyFirst: q >= 0 && q < i}
	switch {
	case i < 0 || strings.Count(v, "ITEM") > 1 || strings.Count(v, "QTY") > 1:
		return nil, fmt.Errorf("can't be %q; write ITEM and QTY once each, like ITEM x QTY", clip(v))
	case q < 0:
		p.before, p.behind = v[:i], v[i+4:]
	case p.qtyFirst:
		p.before, p.mid, p.behind = v[:q], v[q+3:i], v[i+4:]
	default:
		p.before, p.mid, p.behind = v[:i], v[i+4:q], v[q+3:]
	}
	if q >= 0 && p.mid == "" {
		return nil, fmt.Errorf("has nothing between ITEM and QTY; write a mark or a space between them")
	}
	if strings.ContainsFunc(p.before+p.mid+p.behind, unicode.IsDigit) {
		return nil, fmt.Errorf("has digits outside ITEM and QTY, which can't be told from quantities; choose other marks")
	}
	return p, nil
}

// read takes one entry apart. Spaces around marks are free, but a mark that is a letter stands apart from the item, or CARD-BOX2 would be two of
// CARD-BO. An entry without a quantity is one piece.
func (p *pattern) read(entry string) (item, qty string, ok bool) {
	s := strings.TrimSpace(entry)
	if item, qty, ok = p.whole(s); ok {
		return item, qty, true
	}
	if p.mid == "" {
		s, ok1 := strings.CutPrefix(s, strings.TrimSpace(p.before))
		s, ok2 := strings.CutSuffix(s, strings.TrimSpace(p.behind))
		s = strings.TrimSpace(s)
		return s, "1", ok1 && ok2 && s != ""
	}
	return s, "1", s != ""
}

func (p *pattern) whole(s string) (item, qty string, ok bool) {
	if p.mid == "" {
		return "", "", false
	}
	s, ok1 := strings.CutPrefix(s, strings.TrimSpace(p.before))
	s, ok2 := strings.CutSuffix(s, strings.TrimSpace(p.behind))
	if !ok1 || !ok2 {
		return "", "", false
	}
	s = strings.TrimSpace(s)
	mark := strings.TrimSpace(p.mid)
	apart := mark == "" || strings.ContainsFunc(mark, unicode.IsLetter)
	spaced := false // a space stands between the mark and the item
	if p.qtyFirst {
		rest := strings.TrimLeft(s, "0123456789")
		qty = s[:len(s)-len(rest)]
		if mark != "" {
			rest, ok1 = strings.CutPrefix(strings.TrimSpace(rest), mark)
		}
		item = strings.TrimSpace(rest)
		spaced = strings.HasPrefix(rest, " ")
	} else {
		rest := strings.TrimRight(s, "0123456789")
		qty = s[len(rest):]
		if mark != "" {
			rest, ok1 = strings.CutSuffix(strings.TrimSpace(rest), mark)
		}
		item = strings.TrimSpace(rest)
		spaced = strings.HasSuffix(rest, " ")
	}
	return item, qty, ok1 && qty != "" && item != "" && (spaced || !apart)
}
