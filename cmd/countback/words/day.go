package words

import (
	"time"
)

// Day writes an instant's day.
func Day(t time.Time) string { return t.Format("Mon 2 Jan 2006") }

// Clock writes an instant with its time of day.
func Clock(t time.Time) string { return t.Format("Mon 2 Jan 2006 15:04") }

// DayOf writes the day of a time of RFC 3339.
func DayOf(s string) string {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return Day(t)
	}
	return s
}

// ClockOf writes a time of RFC 3339 with its time of day.
func ClockOf(s string) string {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return Clock(t)
	}
	return s
}
