package sheet

import (
	"errors"
	"strings"
	"time"
)

// reader is a map bound to the columns of a table.
type reader struct {
	m     *Map
	t     *Table
	ctx   Context
	loc   *time.Location
	n     numbers // quantities
	money numbers
	names names
	at    map[*field]int
	out   *Result
	fate  []string // by row: what was done with it
	parts tallies
}

func newReader(t *Table, m *Map, ctx Context) (*reader, error) {
	r := &reader{m: m, t: t, ctx: ctx, loc: ctx.Location, names: names{ctx: ctx}, at: map[*field]int{}, out: &Result{}, fate: make([]string, len(t.Rows))}
	for _, f := range []*field{&m.order, &m.date, &m.clock, &m.item, &m.quantity, &m.items, &m.unitPrice, &m.lineValue,
		&m.orderValue, &m.shipping, &m.zone, &m.options, &m.status, &m.cancelledOrder, &m.cancelledDate} {
		r.at[f] = -1
		if f.column == "" {
			continue
		}
		i, err := t.column(f.column)
		if err != nil {
			return nil, &MapError{f.line, err.Error()}
		}
		r.at[f] = i
	}
	if m.zoneName != "" {
		loc, err := readZone(m.zoneName, ctx)
		if err != nil {
			return nil, &MapError{m.said["time zone"], err.Error()}
		}
		r.loc = loc
	}
	decimal := m.opts.Decimal
	if decimal == 0 {
		decimal = t.Options.Decimal
	}
	if decimal != 0 && m.thousands == string(decimal) {
		decimal = 0 // the map says that this mark stands between thousands
	}
	r.n = numbers{decimal: decimal, thousands: m.thousands, mapped: true}
	r.money = r.n
	r.money.sign = m.sign
	return r, nil
}

// cell is the text of a field on row i, without space around it.
func (r *reader) cell(i int, f *field) string {
	if f.fixed != "" {
		return f.fixed
	}
	if c := r.at[f]; c >= 0 {
		return strings.TrimSpace(r.t.Rows[i][c])
	}
	return ""
}

// problem lists a fault of row i.
func (r *reader) problem(i int, f *field, value, why string) {
	column := ""
	if f != nil {
		column = f.column
	}
	r.fate[i] = RowsWithProblems
	r.out.Problems = append(r.out.Problems, Problem{r.t.Number[i], column, value, why})
}

// date reads a date of row i, with the time of its own column if there is one. Without a time of day it is noon.
func (r *reader) date(i int, f *field) (time.Time, bool) {
	t, at, err := r.readDate(i, f)
	if err != nil {
		r.problem(i, at, r.cell(i, at), err.Error())
	}
	return t, err == nil
}

// readDate is date without listing a problem; at is the field that an error is about.
func (r *reader) readDate(i int, f *field) (t time.Time, at *field, err error) {
	text := r.cell(i, f)
	var c civil
	if l := r.m.dateLayout; l != nil {
		err = l.read(text, &c)
	} else {
		err = readAny(isoLayouts, text, &c, "2026-05-02 or 2026-05-02 14:30; say date layout in the map")
	}
	if err != nil {
		return t, f, err
	}
	if f == &r.m.date && r.m.clock.given() {
		if clock := r.cell(i, &r.m.clock); clock != "" {
			if err := r.clock(clock, &c); err != nil {
				return t, &r.m.clock, err
			}
		}
	}
	if !c.clock {
		c.hour = 12
	}
	if err := c.check(); err != nil {
		return t, f, err
	}
	t = c.in(r.loc).Truncate(time.Millisecond)
	if why := checkTime(t, r.ctx.Now); why != "" {
		return t, f, errors.New(why)
	}
	return t, f, nil
}

func (r *reader) clock(text string, c *civil) error {
	if l := r.m.clockLayout; l != nil {
		return l.read(text, c)
	}
	return readAny(isoClocks, text, c, "14:30 or 14:30:00; say time layout in the map")
}

// matches reports whether s is like pattern, in which * stands for any text.
func matches(pattern, s string) bool {
	first, rest, star := strings.Cut(pattern, "*")
	s, ok := strings.CutPrefix(s, first)
	if !star || !ok {
		return ok && s == ""
	}
	for {
		part, more, star := strings.Cut(rest, "*")
		if !star {
			return strings.HasSuffix(s, part)
		}
		i := strings.Index(s, part)
		if i < 0 {
			return false
		}
		s, rest = s[i+len(part):], more
	}
}
