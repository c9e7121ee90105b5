package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"

	"countback/cmd/countback/words"
	"countback/projections/fold"
	"countback/projections/outlook"
	"countback/projections/reorder"
)

// calendarProduct names the program in calendar files (PRODID of RFC 5545).
const calendarProduct = "-//countback//reorder//EN"

// dayEntry is an entry of a calendar: a whole day.
type dayEntry struct {
	uid, summary, text string
	day                int // since 1970-01-01
}

// writeCalendar writes the days to order and to count as iCalendar (RFC 5545). An entry's UID hangs on the shop and the supplier, what is printed or the count alone, so that a
// calendar that imports a later file moves the entry instead of adding one.
func (d *desk) writeCalendar(log *fold.Log, r *reorder.Report, file string, asOf int64, digits int) error {
	var list []dayEntry
	for _, l := range r.Shopping(365, digits, d.style()).Suppliers {
		list = append(list, d.orderEntry(r, &l))
	}
	if day, ok := reorder.CountDay(log, asOf, d.style()); ok {
		list = append(list, dayEntry{"count", "Count the stock", "By your habit this is the next day to count. countback count sheet prints a sheet.", max(day, r.Today)})
	}
	cal := ics.NewCalendar()
	cal.SetProductId(calendarProduct)
	cal.SetMethod(ics.MethodPublish)
	cal.SetName(d.shop.Name + ", stock")
	for _, e := range list {
		v := cal.AddEvent(e.uid + "@" + d.shopID + ".countback")
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
		return err
	}
	if file == "-" {
		_, err := d.m.Stdout.Write(b.Bytes())
		return err
	}
	if err := replaceOwn(file, b.Bytes()); err != nil {
		return err
	}
	return d.m.say("%s\n", d.m.wrapAll(fmt.Sprintf("%s in %s.", count(len(list), "day to order or count is", "days to order or count are"), fileName(file))))
}

func (d *desk) orderEntry(r *reorder.Report, l *reorder.List) dayEntry {
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

// replaceOwn writes a file, in the place of one that this program wrote before.
func replaceOwn(file string, text []byte) error {
	write := func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	}
	old, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return writeNew(file, write)
	}
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(strings.Split(string(old), "\r\n"), func(l string) bool { return l == "PRODID:"+calendarProduct }) {
		return wrong(file, "choose another name; nothing was overwritten", "it is there already and isn't a calendar of this program")
	}
	fresh := file + ".new"
	if err := os.Remove(fresh); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := writeNew(fresh, write); err != nil {
		return err
	}
	return os.Rename(fresh, file)
}
