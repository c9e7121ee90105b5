package closing

import (
	"fmt"
	"time"
)

// Period is a month of the calendar. The zero Period is none.
type Period struct {
	Year  int
	Month time.Month
}

// ParsePeriod reads a month such as 2026-03.
func ParsePeriod(s string) (Period, error) {
	t, err := time.Parse("2006-01", s)
	if err != nil || len(s) != 7 {
		return Period{}, fmt.Errorf("%q is not a month; write one like 2026-03", s)
	}
	return Period{t.Year(), t.Month()}, nil
}

// String writes the month as 2026-03.
func (p Period) String() string { return fmt.Sprintf("%04d-%02d", p.Year, p.Month) }

// Next returns the month after p.
func (p Period) Next() Period { return p.add(1) }

// Before reports whether p is an earlier month than q.
func (p Period) Before(q Period) bool {
	return p.Year < q.Year || p.Year == q.Year && p.Month < q.Month
}

func (p Period) add(months int) Period {
	n := p.Year*12 + int(p.Month) - 1 + months
	return Period{n / 12, time.Month(n%12 + 1)}
}

// Span returns the first and the last instant of the month in a zone, in milliseconds.
func (p Period) Span(zone *time.Location) (from, to int64) {
	return firstInstant(p, zone), firstInstant(p.Next(), zone) - 1
}

// PeriodOf returns the month that an instant in milliseconds lies in.
func PeriodOf(ms int64, zone *time.Location) Period {
	t := time.UnixMilli(ms).In(zone)
	p := Period{t.Year(), t.Month()}
	for from, _ := p.Span(zone); ms < from; from, _ = p.Span(zone) {
		p = p.add(-1)
	}
	for _, to := p.Span(zone); ms > to; _, to = p.Span(zone) {
		p = p.Next()
	}
	return p
}

// firstInstant returns the first existing instant of a month's first day: clocks that are put forward over midnight start the day later.
func firstInstant(p Period, zone *time.Location) int64 {
	midnight := time.Date(p.Year, p.Month, 1, 0, 0, 0, 0, time.UTC)
	for t := midnight.Add(-26 * time.Hour); ; {
		local := t.In(zone)
		_, offset := local.Zone()
		start, end := local.ZoneBounds()
		at := midnight.Add(-time.Duration(offset) * time.Second)
		if !start.IsZero() && at.Before(start) {
			at = start // the jump went over midnight
		}
		if end.IsZero() || at.Before(end) {
			return at.UnixMilli()
		}
		t = end
	}
}
