package words

import (
	"math"
	"strconv"
	"strings"
	"time"

	"countback/ledger/num"
	"countback/projections/outlook"
	"countback/projections/reorder"
)

// InDays says how far a day is away, the way one would say it.
func InDays(n int) string {
	switch {
	case n == 0:
		return "today"
	case n == 1:
		return "tomorrow"
	case n == -1:
		return "yesterday"
	case n < 0:
		return Grouped(strconv.Itoa(-n)) + " days ago"
	case n <= 60:
		return "in " + strconv.Itoa(n) + " days"
	}
	return "in " + strconv.Itoa(int(math.Round(float64(n)/30.4))) + " months"
}

// DayAhead writes a day with its distance; the year only where it is another.
func DayAhead(today, ahead int) string {
	t := outlook.Date(today + ahead)
	form := "Mon 2 Jan"
	if t.Year() != outlook.Date(today).Year() {
		form = "2 Jan 2006"
	}
	return t.Format(form)
}

// Between is the time from the tenth to the ninetieth of a hundred cases.
func Between(r *reorder.Report, it *reorder.Item, horizon int) string {
	switch {
	case it.P50 == 0:
		return ""
	case it.P10 > horizon:
		return "not within a year"
	case it.P90 > horizon:
		return "from " + ShortDate(r.Today, it.P10) + " on"
	case it.P10 == it.P90:
		return ShortDate(r.Today, it.P10)
	}
	return ShortDate(r.Today, it.P10) + " to " + ShortDate(r.Today, it.P90)
}

// ShortDate writes a day without its weekday, with its year only where it is another.
func ShortDate(today, ahead int) string {
	t := outlook.Date(today + ahead)
	if t.Year() != outlook.Date(today).Year() {
		return t.Format("2 Jan 06")
	}
	return t.Format("2 Jan")
}

// Sureness is how sure the day of a run-out is, in words.
func Sureness(it *reorder.Item, horizon int) string {
	wide := it.P90 - it.P10
	switch {
	case it.Basis == string(outlook.Own):
		return "your estimate"
	case it.P50 == 0:
		return "certain"
	case it.P50 > horizon:
		return ""
	case it.P90 > horizon:
		return "very unsure"
	case wide <= 4:
		return "to a day or two"
	case wide <= 14:
		return "to a week"
	case wide <= 35:
		return "to a few weeks"
	case wide <= 90:
		return "to a month or so"
	}
	return "very unsure"
}

// PerDay rounds a day's use for the eye.
func PerDay(s string) string {
	x, err := num.ParseQty(s)
	switch {
	case err != nil || x.IsZero():
		return s
	case x.Less(num.MustQty("0.1")):
		return x.Round(2).String()
	case x.Less(num.MustQty("10")):
		return x.Round(1).String()
	}
	return Grouped(x.Round(0).String())
}

// RunsOut says when an item runs out, as likely as not.
func RunsOut(r *reorder.Report, it *reorder.Item, horizon int) string {
	switch {
	case it.Basis == string(outlook.None):
		return "nothing takes it"
	case it.P50 == 0 && strings.HasPrefix(it.OnHand, "-"), it.P50 == 0 && it.OnHand == "0":
		return "nothing left"
	case it.P50 == 0:
		return "all promised"
	case it.P50 > horizon:
		return "in over a year"
	}
	return DayAhead(r.Today, it.P50) + ", " + InDays(it.P50)
}

// OrderBy says by when an item has to be ordered or printed.
func OrderBy(r *reorder.Report, it *reorder.Item) string {
	switch {
	case it.Basis == string(outlook.None):
		return " "
	case it.LeadFrom == "":
		return "no lead time"
	case !it.HasBy:
		return " "
	case it.Hurry:
		return "now: ask for it sooner"
	case it.By < 0 && it.Make != nil:
		return "print now"
	case it.By < 0:
		return "now, late by " + Count(-it.By, "day", "days")
	case it.By == 0:
		return "today"
	}
	return DayAhead(r.Today, it.By) + ", " + InDays(it.By)
}

// ToGet says what to buy or print.
func ToGet(it *reorder.Item) string {
	switch {
	case it.Make != nil:
		return "print " + Grouped(it.Make.Pieces)
	case it.Buy.Packs == "0":
		return ""
	case it.Buy.Pack == "":
		return Grouped(it.Buy.Qty) + BehindUnit(it.Unit)
	}
	return Grouped(it.Buy.Packs) + " × " + it.Buy.Pack
}

// Some lists the first few names.
func Some(list []string) string {
	const shown = 6
	if len(list) <= shown {
		return strings.Join(list, ", ")
	}
	return strings.Join(list[:shown], ", ") + " and " + strconv.Itoa(len(list)-shown) + " more"
}

// Them stands for one thing or several.
func Them(n int) string {
	if n == 1 {
		return "it"
	}
	return "them"
}

// LateDue is the day on which something that is no more counted on was due.
func LateDue(l reorder.Late) string {
	if t, err := time.Parse("2006-01-02", l.Due); err == nil {
		return Day(t)
	}
	return "long ago"
}

// OrderWhen says by when a list has to be ordered.
func OrderWhen(today, by int) string {
	switch {
	case by < 0:
		return "order now (the last day was " + DayAhead(today, by) + ")"
	case by == 0:
		return "order today"
	}
	return "order by " + DayAhead(today, by) + " (" + InDays(by) + ")"
}

// LineBy is the last day on which to order a line of a list.
func LineBy(today int, l *reorder.Line) string {
	if !l.HasBy {
		return " "
	}
	return DayAhead(today, l.By)
}

// Packs says how much of a line to buy, in whole packs.
func Packs(x *reorder.Line) string {
	if x.Pack == "" {
		return Grouped(x.Qty) + BehindUnit(x.Unit)
	}
	return Grouped(x.Packs) + " × " + x.Pack
}

// NoLead is said where no item has a lead time.
const NoLead = "This is when things run out. By when to order them can't be said as long as nobody knows how long a delivery takes."

// Urgent says how much has to be ordered or printed within a week. known is false where no item has a lead time, so that nobody can say.
func Urgent(r *reorder.Report) (text string, known bool) {
	late, soon, print := 0, 0, 0
	for i := range r.Items {
		it := &r.Items[i]
		known = known || it.LeadFrom != "" && it.Basis != string(outlook.None)
		switch {
		case it.HasBy && it.By <= 0 && it.LeadFrom == "printed here":
			print++
		case it.HasBy && it.By <= 0:
			late++
		case it.HasBy && it.By <= 7 && it.LeadFrom != "printed here":
			soon++
		}
	}
	var parts []string
	if late > 0 {
		parts = append(parts, Count(late, "item has", "items have")+" to be ordered now")
	}
	if print > 0 {
		parts = append(parts, Count(print, "item", "items")+" to be printed now")
	}
	if soon > 0 {
		parts = append(parts, Count(soon, "more item", "more items")+" to be ordered within a week")
	}
	if len(parts) == 0 {
		return "Nothing has to be ordered within a week.", known
	}
	return strings.Join(parts, ", ") + ".", known
}
