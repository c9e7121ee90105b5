// Package agenda writes the days to order and to count as an iCalendar file (RFC 5545).
package agenda

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"countback/cmd/countback/words"
	"countback/projections/fold"
	"countback/projections/outlook"
	"countback/projections/reorder"
	"countback/projections/report"
)

import ics "github.com/arran4/golang-ical"

// Product names the program in calendar files (PRODID of RFC 5545).
const Product = "-//countback//reorder//EN"

// Shop is whose calendar it is.
type Shop struct{ Name, ID string }

// dayEntry is an entry of a calendar: a whole day.
type dayEntry struct {
	uid, summary, text string
	day                int // since 1970-01-01
}

// Calendar writes the days to order and to count, and says how many there are. An entry's UID hangs on the shop and the supplier, what is printed or the count alone, so that a
// calendar that imports a later file moves the entry instead of adding one. asOf is in milliseconds.
func Calendar(log *fold.Log, r *reorder.Report, shop Shop, asOf int64, st report.Style) (text []byte, n int, err error) {
	var list []dayEntry
	for _, l := range r.Shopping(365, log.Digits(), st).Suppliers {
		list = append(list, orderEntry(r, &l))
	}
	if day, ok := reorder.CountDay(log, asOf, st); ok {
		list = append(list, dayEntry{"count", "Count the stock", "By your habit this is the next day to count. countback count sheet prints a sheet.", max(day, r.Today)})
	}
	cal := ics.NewCalendar()
	cal.SetProductId(Product)
	cal.SetMethod(ics.MethodPublish)
	cal.SetName(shop.Name + ", stock")
	for _, e := range list {
		v := cal.AddEvent(e.uid + "@" + shop.ID + ".countback")
		v.SetDtStampTime(time.UnixMilli(asOf))
		v.SetSequence(int(asOf / 60_000)) // minutes: a later file counts as the later revision
		v.SetAllDayStartAt(outlook.Date(e.day))
		v.SetAllDayEndAt(outlook.Date(e.day + 1))
		v.SetSummary(e.summary)
		v.SetDescription(e.text)
		v.SetTimeTransparency(ics.TransparencyTransparent)
	}
	var b bytes.Buffer
	if err := cal.SerializeTo(&b, ics.WithNewLineWindows); err != nil {
		return nil, 0, err
	}
	return b.Bytes(), len(list), nil
}

func orderEntry(r *reorder.Report, l *reorder.List) dayEntry {
	name := l.Supplier
	if name == "" {
		name = "a supplier"
	}
	var b strings.Builder
	for i := range l.Items {
		x := &l.Items[i]
		fmt.Fprintf(&b, "%s: %s by %s\n", x.Name, words.Packs(x), words.DayAhead(r.Today, x.By))
	}
	if l.Total != "" {
		fmt.Fprintf(&b, "About %s %s at the last landed costs.", l.Total, r.Currency)
	}
	return dayEntry{"order-" + slug(l.Supplier), "Order from " + name, b.String(), max(l.By, 0) + r.Today}
}

// slug makes a name safe for a UID, and different names different.
func slug(name string) string {
	var b strings.Builder
	for _, c := range []byte(name) {
		if c >= 'a' && c <= 'z' || c >= '0' && c <= '9' {
			b.WriteByte(c)
		} else {
			fmt.Fprintf(&b, "_%02x", c)
		}
	}
	return b.String()
}
