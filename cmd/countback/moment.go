package main

import (
	"time"

	"countback/ledger/event"
)

// part is the instant of a day that a day without a time means, by what is recorded at it.
type part uint8

const (
	dayStart part = iota // setup, purchases, restocks, credits
	dayNoon              // orders, packs, runs, damage, returns, reversals, decisions
	dayEnd               // counts, as-of, known: the last millisecond
)

// partOf is the instant of a day for facts of a kind: what defines or comes in begins a day, what is counted ends it, the rest lies between.
func partOf(k event.Kind) part {
	switch k {
	case event.KindOrder, event.KindPack, event.KindReprint, event.KindDamage, event.KindReturn, event.KindReverse, event.KindDecide:
		return dayNoon
	case event.KindCount:
		return dayEnd
	}
	return dayStart
}

// parseMoment reads a day or a full time; a day becomes its instant in the zone.
func parseMoment(text string, p part, zone *time.Location) (time.Time, error) {
	if t, err := event.ParseTime(text); err == nil {
		u := time.UnixMilli(t.Ms())
		if parsed, err := time.Parse(time.RFC3339, text); err == nil {
			return u.In(parsed.Location()), nil
		}
		return u.In(zone), nil
	}
	d, err := time.Parse("2006-01-02", text)
	if err != nil {
		return time.Time{}, wrong("", "write a day like 2026-03-02, or a time with offset like 2026-03-02T09:30:00-04:00", "%q is neither a day nor a time", text)
	}
	from, to, ok := dayOf(d.Year(), d.Month(), d.Day(), zone)
	if !ok {
		return time.Time{}, wrong("", "name the day before or after it", "%s never was a day in %s", text, zone)
	}
	switch p {
	case dayStart:
		return from, nil
	case dayNoon:
		return noonOf(d, from, zone), nil
	}
	return to.Add(-time.Millisecond), nil
}

// dayOf returns the first instant of a calendar day in a zone and the first instant after it. Clocks that are put forward over midnight start the day at
// its first existing instant; a day that a zone left out is none.
func dayOf(y int, m time.Month, d int, zone *time.Location) (from, to time.Time, ok bool) {
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

// showDay writes an instant's day as people say it.
func showDay(t time.Time) string { return t.Format("Mon 2 Jan 2006") }

// showTime writes an instant with its time of day.
func showTime(t time.Time) string { return t.Format("Mon 2 Jan 2006 15:04") }
