package sheet

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
)

// layout is a date layout in plain letters, taken apart.
type layout struct {
	text  string
	parts []string // words of layoutWords, or literal text
}

// layoutWords are the letters of a layout, longer ones first.
var layoutWords = []string{"YYYY", "MMMM", "MMM", "sss", "YY", "MM", "DD", "hh", "mm", "ss", "AM", "ZZ", "M", "D", "h"}

// parseLayout reads a layout such as DD/MM/YYYY hh:mm.
func parseLayout(s string) (*layout, error) {
	l := &layout{text: s}
	for rest := s; rest != ""; {
		i := slices.IndexFunc(layoutWords, func(w string) bool { return strings.HasPrefix(rest, w) })
		if i >= 0 {
			if slices.Contains(l.parts, layoutWords[i]) {
				return nil, fmt.Errorf("names %s twice; months are MM, minutes mm", layoutWords[i])
			}
			l.parts = append(l.parts, layoutWords[i])
			rest = rest[len(layoutWords[i]):]
			continue
		}
		r := []rune(rest)[0]
		if unicode.IsLetter(r) && r != 'T' {
			return nil, fmt.Errorf("holds the letter %q; layouts are written with YYYY YY MM M MMM MMMM DD D hh h mm ss sss AM ZZ, like DD/MM/YYYY hh:mm", r)
		}
		l.parts = append(l.parts, string(r))
		rest = rest[len(string(r)):]
	}
	return l, nil
}

func (l *layout) has(words ...string) bool {
	return slices.ContainsFunc(l.parts, func(p string) bool { return slices.Contains(words, p) })
}

// checkDate says what a layout lacks to name a day.
func (l *layout) checkDate() error {
	if !l.has("YYYY", "YY") || !l.has("MM", "M", "MMM", "MMMM") || !l.has("DD", "D") {
		return errors.New("doesn't name year, month and day; write it like DD/MM/YYYY or YYYY-MM-DD hh:mm (months MM, minutes mm)")
	}
	return l.checkTime()
}

func (l *layout) checkTime() error {
	hour := l.has("hh", "h")
	switch {
	case !hour && l.has("mm", "ss", "sss", "AM"):
		return errors.New("has minutes or seconds without hours; hours are hh, months MM")
	case l.has("AM") && !hour, l.has("ss") && !l.has("mm"), l.has("sss") && !l.has("ss"):
		return errors.New("leaves out a part between hours and the smallest part")
	}
	return nil
}

// civil is a date and time on a calendar and a clock, without a zone or with the offset written beside it.
type civil struct {
	year, month, day       int
	hour, minute, sec, ms  int
	clock, offsetGiven, pm bool // clock: a time of day was given
	half                   bool // AM or PM was given
	offset                 int  // seconds east
}

var monthNames = []string{"january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december"}

// read fills c from text by the layout.
func (l *layout) read(text string, c *civil) error {
	rest := text
	for _, p := range l.parts {
		var ok bool
		if rest, ok = c.readPart(p, rest); !ok {
			return fmt.Errorf("is not written as %s", l.text)
		}
	}
	if rest != "" {
		return fmt.Errorf("goes on after %s", l.text)
	}
	return nil
}

func (c *civil) readPart(p, s string) (rest string, ok bool) {
	switch p {
	case "YYYY":
		return number(s, 4, 4, &c.year)
	case "YY": // two digits are of this century, which shops' exports are
		rest, ok = number(s, 2, 2, &c.year)
		c.year += 2000
		return rest, ok
	case "MM":
		return number(s, 2, 2, &c.month)
	case "M":
		return number(s, 1, 2, &c.month)
	case "MMM", "MMMM":
		return c.monthName(p, s)
	case "DD":
		return number(s, 2, 2, &c.day)
	case "D":
		return number(s, 1, 2, &c.day)
	case "hh":
		c.clock = true
		return number(s, 2, 2, &c.hour)
	case "h":
		c.clock = true
		return number(s, 1, 2, &c.hour)
	case "mm":
		return number(s, 2, 2, &c.minute)
	case "ss":
		return number(s, 2, 2, &c.sec)
	case "sss":
		return number(s, 3, 3, &c.ms)
	case "AM":
		if len(s) < 2 || !strings.EqualFold(s[:2], "AM") && !strings.EqualFold(s[:2], "PM") {
			return s, false
		}
		c.half, c.pm = true, s[0] == 'P' || s[0] == 'p'
		return s[2:], true
	case "ZZ":
		return c.readOffset(s)
	}
	return strings.CutPrefix(s, p)
}

// number reads from least to most digits.
func number(s string, least, most int, n *int) (rest string, ok bool) {
	i := 0
	*n = 0
	for i < len(s) && i < most && s[i] >= '0' && s[i] <= '9' {
		*n = *n*10 + int(s[i]-'0')
		i++
	}
	return s[i:], i >= least
}

func (c *civil) monthName(p, s string) (rest string, ok bool) {
	for i, name := range monthNames {
		if p == "MMM" {
			name = name[:3]
		}
		if len(s) >= len(name) && strings.EqualFold(s[:len(name)], name) {
			c.month = i + 1
			return s[len(name):], true
		}
	}
	return s, false
}

// readOffset reads Z, +02:00, +0200 or +02.
func (c *civil) readOffset(s string) (rest string, ok bool) {
	c.offsetGiven = true
	if rest, ok = strings.CutPrefix(s, "Z"); ok {
		return rest, true
	}
	if s == "" || s[0] != '+' && s[0] != '-' {
		return s, false
	}
	var h, m int
	rest, ok = number(s[1:], 2, 2, &h)
	if ok && rest != "" {
		rest, ok = number(strings.TrimPrefix(rest, ":"), 2, 2, &m)
	}
	c.offset = h*3600 + m*60
	if s[0] == '-' {
		c.offset = -c.offset
	}
	return rest, ok && h < 24 && m < 60
}

// isoLayouts are taken where a map gives no layout: ISO 8601 with a day, and if it has a time, from minutes to milliseconds.
var isoLayouts = func() (list []*layout) {
	for _, sep := range []string{" ", "T"} {
		for _, clock := range []string{"hh:mm:ss", "hh:mm", "hh:mm:ss.sss"} {
			for _, zone := range []string{"", "ZZ"} {
				l, err := parseLayout("YYYY-MM-DD" + sep + clock + zone)
				if err != nil {
					panic(err)
				}
				list = append(list, l)
			}
		}
	}
	day, _ := parseLayout("YYYY-MM-DD")
	return append(list, day)
}()

// isoClocks are taken for a time in its own column.
var isoClocks = func() (list []*layout) {
	for _, s := range []string{"hh:mm:ss", "hh:mm", "hh:mm:ss.sss"} {
		l, _ := parseLayout(s)
		list = append(list, l)
	}
	return list
}()

// readAny takes the first layout that fits; want names them in the error.
func readAny(list []*layout, text string, c *civil, want string) error {
	for _, l := range list {
		try := *c
		if l.read(text, &try) == nil {
			*c = try
			return nil
		}
	}
	return fmt.Errorf("is not written as %s", want)
}

// check refuses days and times that no calendar and no clock shows.
func (c *civil) check() error {
	if c.half {
		if c.hour < 1 || c.hour > 12 {
			return errors.New("has an hour outside 1 to 12 beside AM or PM")
		}
		c.hour %= 12
		if c.pm {
			c.hour += 12
		}
		c.half = false
	}
	if d := time.Date(c.year, time.Month(c.month), c.day, 0, 0, 0, 0, time.UTC); c.month < 1 || c.month > 12 || d.Day() != c.day || d.Year() != c.year {
		return errors.New("is a day that the calendar doesn't have; check the order of day and month in the layout")
	}
	if c.hour > 23 || c.minute > 59 || c.sec > 59 {
		return errors.New("is a time that the clock doesn't show")
	}
	return nil
}

// in is the instant of c: by its own offset, else by the clocks of loc. A time that the clocks jumped over becomes the first instant after the
// jump; of a time that they showed twice it is the first.
func (c *civil) in(loc *time.Location) time.Time {
	if c.offsetGiven {
		return time.Date(c.year, time.Month(c.month), c.day, c.hour, c.minute, c.sec, c.ms*1e6, time.FixedZone("", c.offset))
	}
	return localTime(time.Date(c.year, time.Month(c.month), c.day, c.hour, c.minute, c.sec, c.ms*1e6, time.UTC), loc)
}

// localTime is the first instant at which the clocks of loc show, or have gone past, what wall shows in UTC.
func localTime(wall time.Time, loc *time.Location) time.Time {
	near := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), wall.Nanosecond(), loc)
	from, to := near.ZoneBounds()
	offsets := []int{offset(near)}
	if !from.IsZero() {
		offsets = append(offsets, offset(from.Add(-1)))
	}
	if !to.IsZero() {
		offsets = append(offsets, offset(to))
	}
	var first time.Time
	for _, o := range offsets {
		t := wall.Add(-time.Duration(o) * time.Second).In(loc)
		if offset(t) == o && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	if !first.IsZero() {
		return first
	}
	// No clock of loc showed it: the jump that went over it is one of the two around.
	for _, jump := range []time.Time{from, to} {
		if jump.IsZero() {
			continue
		}
		before, after := offset(jump.Add(-1)), offset(jump)
		at := wall.Sub(jump)
		if at >= time.Duration(before)*time.Second && at < time.Duration(after)*time.Second {
			return jump.In(loc)
		}
	}
	return near
}

func offset(t time.Time) int {
	_, o := t.Zone()
	return o
}

// readZone finds the zone that a map names.
func readZone(name string, ctx Context) (*time.Location, error) {
	if strings.EqualFold(name, "UTC") {
		return time.UTC, nil
	}
	var c civil
	if name[0] == '+' || name[0] == '-' {
		if rest, ok := c.readOffset(name); ok && rest == "" {
			return time.FixedZone("", c.offset), nil
		}
	} else if ctx.Zone != nil {
		if loc, err := ctx.Zone(name); err == nil && loc != nil {
			return loc, nil
		}
	}
	return nil, fmt.Errorf("the time zone %q is not known; write it like Europe/Vienna, UTC or +02:00", clip(name))
}
