package words

import (
	"fmt"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/projections/bridge"
	"countback/projections/closing"
	"countback/projections/fold"
)

// AuditNotes says what the window of an audit can't tell, and what to do about it. missing is how many of the windows before it that were asked for aren't there.
func AuditNotes(log *fold.Log, b *bridge.Bridge, missing int, zone *time.Location) (notes []string) {
	id := log.Catalog.Items[b.Item].ID
	if b.Why != "" {
		notes = append(notes, "There is no expectation: "+b.Why+". The bridge leads from what was there at the start.")
	}
	switch {
	case b.CountedTo == 0:
		notes = append(notes, "Nothing was counted in this window, so the bridge has no unknown part: what nobody wrote down still hides in what is on hand. Count it: countback count "+id+" N")
	case !b.Counted:
		notes = append(notes, "The last count in this window was on "+Day(time.UnixMilli(b.CountedTo).In(zone))+"; what went unrecorded after it isn't known yet. Count it: countback count "+id+" N")
	}
	if b.Box.IsZero() {
		notes = append(notes, id+" had not come in before the window's end, so no box is measured: what is expected is what was there.")
	}
	if len(b.Twins) > 0 {
		notes = append(notes, Count(len(b.Twins), "delivery", "deliveries")+" within three days is just like the one that the window is about; it stands under what came in.")
	}
	if missing > 0 {
		notes = append(notes, "There are no more boxes before it.")
	}
	if closed := closedIn(log, b.FromMs, b.ToMs, zone); len(closed) > 0 {
		notes = append(notes, "It reaches into "+closedMonths(closed)+". An audit reads what is known today, late entries and corrected specs included; the closed figures stay as they were. What you correct now shows in the next month that you close, as from earlier periods.")
	}
	return notes
}

// closedIn lists the months that somebody closed and that a time reaches into.
func closedIn(log *fold.Log, from, to int64, zone *time.Location) (months []string) {
	log.Events(func(e *event.Event, _ bool) {
		c, ok := e.Data.(*event.Close)
		if !ok || slices.Contains(months, c.Period) {
			return
		}
		first, last := closing.PeriodOf(from, zone), closing.PeriodOf(to, zone)
		if first.String() <= c.Period && c.Period <= last.String() {
			months = append(months, c.Period)
		}
	})
	slices.Sort(months)
	return months
}

func closedMonths(months []string) string {
	if len(months) == 1 {
		return "a closed month, " + months[0]
	}
	return fmt.Sprintf("%d closed months, %s to %s", len(months), months[0], months[len(months)-1])
}
