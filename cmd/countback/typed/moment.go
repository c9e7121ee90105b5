package typed

import (
	"fmt"
	"time"

	"countback/ledger/event"
)

// Part is the instant of a day that a day without a time means, by what is recorded at it.
type Part uint8

// The parts of a day.
const (
	Start Part = iota // setup, purchases, restocks, credits
	Noon              // orders, packs, runs, damage, returns, reversals, decisions
	End               // counts, as-of, known: the last millisecond
)

// PartOf is the instant of a day for facts of a kind: what defines or comes in begins a day, what is counted ends it, the rest lies between.
func PartOf(k event.Kind) Part {
	switch k {
	case event.KindOrder, event.KindPack, event.KindReprint, event.KindDamage, event.KindReturn, event.KindReverse, event.KindDecide:
		return Noon
	case event.KindCount:
		return End
	}
	return Start
}

// Moment reads a day or a full time; a day becomes its instant in the zone. The error is an *Error.
func Moment(text string, p Part, zone *time.Location) (time.Time, error) {
	if t, err := event.ParseTime(text); err == nil {
		u := time.UnixMilli(t.Ms())
		if parsed, err := time.Parse(time.RFC3339, text); err == nil {
			return u.In(parsed.Location()), nil
		}
		return u.In(zone), nil
	}
	d, err := time.Parse("2006-01-02", text)
	if err != nil {
		return time.Time{}, &Error{What: fmt.Sprintf("%q is neither a day nor a time", text), Hint: "write a day like 2026-03-02, or a time with offset like 2026-03-02T09:30:00-04:00"}
	}
	from, to, ok := Day(d.Year(), d.Month(), d.Day(), zone)
	if !ok {
		return time.Time{}, noDay(text, zone)
	}
	switch p {
	case Start:
		return from, nil
	case Noon:
		return noonOf(d, from, zone), nil
	}
	return to.Add(-time.Millisecond), nil
}

func noDay(text string, zone *time.Location) error {
	return &Error{What: fmt.Sprintf("%s never was a day in %s", text, zone), Hint: "name the day before or after it"}
}

// Clock reads a day (2026-03-02) and a time of day (9:30, 09:30 or 09:30:15) as the clocks in the zone showed them. The error is an *Error.
func Clock(day, clock string, zone *time.Location) (time.Time, error) {
	d, err := time.Parse("2006-01-02", day)
	if err != nil {
		return time.Time{}, &Error{What: fmt.Sprintf("%q is not a day", day), Hint: "write it like 2026-03-02"}
	}
	var c time.Time
	for _, layout := range []string{"15:04", "15:04:05"} {
		if c, err = time.Parse(layout, clock); err == nil {
			break
		}
	}
	if err != nil {
		return time.Time{}, &Error{What: fmt.Sprintf("%q is not a time of day", clock), Hint: "write it like 9:30 or 16:05"}
	}
	from, to, ok := Day(d.Year(), d.Month(), d.Day(), zone)
	if !ok {
		return time.Time{}, noDay(day, zone)
	}
	// The day is gone through piece by piece between two changes of the clocks; the first piece that shows the time, or begins behind it, has it.
	wall := time.Date(d.Year(), d.Month(), d.Day(), c.Hour(), c.Minute(), c.Second(), 0, time.UTC)
	for at := from; at.Before(to); {
		_, offset := at.Zone()
		_, end := at.ZoneBounds()
		stop := to
		if !end.IsZero() && end.Before(to) {
			stop = end.In(zone)
		}
		t := wall.Add(-time.Duration(offset) * time.Second).In(zone)
		if t.Before(at) {
			return at, nil // jumped over
		}
		if t.Before(stop) {
			return t, nil
		}
		at = stop
	}
	return to.Add(-time.Second), nil // jumped over at the end of the day
}

// Day returns the first instant of a calendar day in a zone and the first instant after it. Clocks that are put forward over midnight start the day at
// its first existing instant; a day that a zone left out is none.
func Day(y int, m time.Month, d int, zone *time.Location) (from, to time.Time, ok bool) {
	midnight := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	for t := midnight.Add(-26 * time.Hour); t.Before(midnight.Add(50 * time.Hour)); {
		local := t.In(zone)
		_, offset := local.Zone()
		start, end := local.ZoneBounds()
		a := midnight.Add(-time.Duration(offset) * time.Second)
		b := a.Add(24 * time.Hour)
		if !start.IsZero() && a.Before(start) {
			a = start
		}
		if !end.IsZero() && end.Before(b) {
			b = end
		}
		if a.Before(b) {
			if !ok {
				from, ok = a.In(zone), true
			}
			to = b.In(zone)
		}
		if end.IsZero() {
			break
		}
		t = end
	}
	return from, to, ok
}

// noonOf is twelve o'clock of a day, or, where the clocks jumped over it, the first instant after the jump.
func noonOf(d time.Time, from time.Time, zone *time.Location) time.Time {
	noon := time.Date(d.Year(), d.Month(), d.Day(), 12, 0, 0, 0, zone)
	if noon.Hour() == 12 && noon.Day() == d.Day() {
		return noon
	}
	start, end := noon.ZoneBounds()
	if noon.Hour() < 12 && !end.IsZero() {
		return end.In(zone)
	}
	if !start.IsZero() && start.After(from) {
		return start.In(zone)
	}
	return from
}
