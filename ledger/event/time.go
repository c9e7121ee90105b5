package event

import (
	"errors"
	"fmt"
	"time"
)

// Time is an instant in whole milliseconds together with the text in which it was recorded: RFC 3339 with an offset
// and at most three decimals of a second, upper-case T and Z, no leap second.
type Time struct {
	ms   int64
	text string
}

// ErrTime is matched (errors.Is) by every error of ParseTime and ParseDate.
var ErrTime = errors.New("not a time")

// ParseTime reads a full time such as 2026-03-02T09:30:00-04:00.
func ParseTime(s string) (Time, error) {
	t, ok := scanTime(s)
	if !ok {
		return Time{}, marked{fmt.Errorf("%q is not a date and time with offset, like 2026-03-02T09:30:00-04:00", clip(s)), ErrTime}
	}
	return t, nil
}

// TimeOf returns t cut to milliseconds, written with t's own offset in whole minutes.
func TimeOf(t time.Time) Time {
	t = t.Truncate(time.Millisecond)
	layout := "2006-01-02T15:04:05"
	if t.Nanosecond() != 0 {
		layout += ".000"
	}
	if _, off := t.Zone(); off%60 != 0 { // offsets of historic local time, before 1970
		t = t.UTC()
	}
	return Time{ms: t.UnixMilli(), text: t.Format(layout + "Z07:00")}
}

// Ms returns milliseconds since 1970 UTC.
func (t Time) Ms() int64 { return t.ms }

// String returns the text as recorded.
func (t Time) String() string { return t.text }

// IsZero reports whether there is no time.
func (t Time) IsZero() bool { return t.text == "" }

// MarshalText writes the text as recorded.
func (t Time) MarshalText() ([]byte, error) { return []byte(t.text), nil }

// UnmarshalText reads what ParseTime reads.
func (t *Time) UnmarshalText(b []byte) error {
	v, err := ParseTime(string(b))
	if err == nil {
		*t = v
	}
	return err
}

// scanTime is ParseTime without an error text.
func scanTime(s string) (Time, bool) {
	ms, ok := scanInstant(s)
	if !ok {
		return Time{}, false
	}
	return Time{ms: ms, text: s}, true
}

// scanInstant reads the milliseconds of a time's text without allocation.
func scanInstant[T string | []byte](s T) (ms int64, ok bool) {
	if len(s) < 20 || len(s) > 29 {
		return 0, false
	}
	num := func(from, to int) int {
		n := 0
		for i := from; i < to; i++ {
			c := s[i]
			if c < '0' || c > '9' {
				return -1
			}
			n = n*10 + int(c-'0')
		}
		return n
	}
	if s[4] != '-' || s[7] != '-' || s[10] != 'T' || s[13] != ':' || s[16] != ':' {
		return 0, false
	}
	y, mo, d := num(0, 4), num(5, 7), num(8, 10)
	h, mi, sec := num(11, 13), num(14, 16), num(17, 19)
	if y < 0 || mo < 1 || mo > 12 || d < 1 || h < 0 || h > 23 || mi < 0 || mi > 59 || sec < 0 || sec > 59 {
		return 0, false
	}
	if d > 28 && d > daysIn(y, mo) {
		return 0, false
	}
	at, milli := 19, 0
	if s[at] == '.' {
		at++
		from := at
		for at < len(s) && s[at] >= '0' && s[at] <= '9' {
			at++
		}
		n := at - from
		if n < 1 || n > 3 {
			return 0, false
		}
		milli = num(from, at)
		for ; n < 3; n++ {
			milli *= 10
		}
	}
	off := 0
	switch rest := len(s) - at; {
	case rest == 1 && s[at] == 'Z':
	case rest == 6 && (s[at] == '+' || s[at] == '-') && s[at+3] == ':':
		oh, om := num(at+1, at+3), num(at+4, at+6)
		if oh < 0 || oh > 23 || om < 0 || om > 59 {
			return 0, false
		}
		off = oh*60 + om
		if s[at] == '-' {
			off = -off
		}
	default:
		return 0, false
	}
	days := daysFromCivil(y, mo, d)
	total := ((days*24+int64(h))*60+int64(mi)-int64(off))*60 + int64(sec)
	return total*1000 + int64(milli), true
}

func daysIn(y, m int) int {
	switch m {
	case 2:
		if y%4 == 0 && (y%100 != 0 || y%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// daysFromCivil returns days since 1970-01-01 in the proleptic Gregorian calendar; a test compares it with package time.
func daysFromCivil(y, m, d int) int64 {
	return time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC).Unix() / 86400
}

// Date is a calendar day, written 2026-05-02.
type Date string

// ParseDate reads a day.
func ParseDate(s string) (Date, error) {
	if t, err := time.Parse("2006-01-02", s); err != nil || t.Format("2006-01-02") != s {
		return "", marked{fmt.Errorf("%q is not a day of the calendar, like 2026-05-02", clip(s)), ErrTime}
	}
	return Date(s), nil
}

// UnmarshalText reads what ParseDate reads.
func (d *Date) UnmarshalText(b []byte) error {
	v, err := ParseDate(string(b))
	if err == nil {
		*d = v
	}
	return err
}

// MarshalText writes the day.
func (d Date) MarshalText() ([]byte, error) { return []byte(d), nil }
