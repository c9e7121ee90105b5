package demo

import (
	"math/bits"
	"math/rand/v2"
	"time"
)

// Days are counted from 1 November 2025, day 0.
const yearDays = 365

var firstDay = time.Date(2025, time.November, 1, 0, 0, 0, 0, time.UTC)

// dayOf returns the number of a calendar day.
func dayOf(y int, m time.Month, d int) int {
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Sub(firstDay) / (24 * time.Hour))
}

func date(day int) time.Time { return firstDay.AddDate(0, 0, day) }

// Days on which something changes.
var (
	winterTime  = dayOf(2025, time.November, 2) // Halifax goes to -04:00, as published for that zone
	summerTime  = dayOf(2026, time.March, 8)    // and back to -03:00
	holidayFrom = dayOf(2026, time.August, 3)   // the shop is closed, orders still trickle in
	holidayTo   = dayOf(2026, time.August, 14)
	thinBoard   = dayOf(2026, time.June, 1) // from here on two stiffeners go into a flat mailer
)

// clock returns an instant of a day by the shop's wall clock, s seconds after midnight. Nothing happens in the first hours of a day, so
// the offset is one for the whole day.
func clock(day, s int) time.Time {
	off := -3
	if day >= winterTime && day < summerTime {
		off = -4
	}
	y, m, d := date(day).Date()
	return time.Date(y, m, d, 0, 0, s, 0, time.FixedZone("", off*3600))
}

// hm turns hours and minutes into seconds after midnight.
func hm(h, m int) int { return h*3600 + m*60 }

func onHoliday(day int) bool { return day >= holidayFrom && day <= holidayTo }

func weekday(day int) time.Weekday { return date(day).Weekday() }

// packingDay: Monday and Thursday, before Christmas Saturday too.
func packingDay(day int) bool {
	if onHoliday(day) || day == dayOf(2025, time.December, 25) || day == dayOf(2026, time.January, 1) {
		return false
	}
	switch weekday(day) {
	case time.Monday, time.Thursday:
		return true
	case time.Saturday:
		return day > 0 && day < dayOf(2025, time.December, 24)
	}
	return false
}

// countingDay: the last day of a month; in October the evening before, so that it lies within the year.
func countingDay(day int) bool {
	if day == yearDays-1 {
		return false
	}
	return date(day+1).Day() == 1 || day == yearDays-2
}

// busy reports whether stock is kept twice as high as usual.
func busy(day int) bool { return day >= 5 && day <= dayOf(2025, time.December, 18) }

// ordersPerDay returns the mean number of orders of a day in ten-thousandths.
func ordersPerDay(day int) int {
	d := date(day)
	perDay := [...]int{time.January: 560, time.February: 390, time.March: 610, time.April: 630, time.May: 670, time.June: 660,
		time.July: 610, time.August: 590, time.September: 710, time.October: 780, time.November: 830, time.December: 1750}[d.Month()]
	switch {
	case onHoliday(day):
		perDay = 160
	case d.Month() == time.December && d.Day() > 24:
		perDay = 400
	case d.Month() == time.December && d.Day() > 17:
		perDay = 900
	}
	share := [...]int{time.Sunday: 115, time.Monday: 115, time.Tuesday: 100, time.Wednesday: 100, time.Thursday: 95, time.Friday: 85, time.Saturday: 90}
	return perDay * share[d.Weekday()]
}

// dice draws from a source by integer arithmetic alone, so that a source gives the same year on every platform.
type dice struct{ src rand.Source }

// below returns a number from 0 to n-1; its bias is below n in 2^64.
func (d dice) below(n int) int {
	hi, _ := bits.Mul64(d.src.Uint64(), uint64(n))
	return int(hi)
}

// between returns a number from a to b, both included.
func (d dice) between(a, b int) int { return a + d.below(b-a+1) }

// once in n calls, in the mean.
func (d dice) once(n int) bool { return d.below(n) == 0 }

// around returns a number from -t to t, small ones more often.
func (d dice) around(t int) int { return (d.between(-t, t) + d.between(-t, t)) / 2 }

// pick returns an index with a chance in proportion to its weight.
func (d dice) pick(weights ...int) int {
	sum := 0
	for _, w := range weights {
		sum += w
	}
	n := d.below(sum)
	for i, w := range weights {
		if n < w {
			return i
		}
		n -= w
	}
	return len(weights) - 1
}
