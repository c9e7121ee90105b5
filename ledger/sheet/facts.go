package sheet

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"time"

	"github.com/oklog/ulid/v2"

	"countback/ledger/event"
)

// idPrefix keeps the ids of imported facts apart from every other use of the hash.
const idPrefix = "countback-import-v1"

// factID makes the id of an imported fact: a ULID of the fact's time, whose 80 random bits are the first of a SHA-256 over the prefix, the
// shop and what names the fact, each with its length in bytes before it. The same fact of the same shop has the same id in every import.
func factID(at time.Time, shopID string, kind event.Kind, names ...string) event.ID {
	h := sha256.New()
	for _, s := range append([]string{idPrefix, shopID, string(kind)}, names...) {
		h.Write([]byte(strconv.Itoa(len(s)) + ":" + s + "\n"))
	}
	var u ulid.ULID
	_ = u.SetTime(uint64(max(at.UnixMilli(), 0))) // fails after the year 10889 only; checkTime refuses that long before
	copy(u[6:], h.Sum(nil))
	return event.ID(u)
}

// ContentKey is the SHA-256, in lower-case hex, of what a fact says: its kind, its instant and its data, but not its id. Compare it with the
// key of the recorded event of the same id.
func ContentKey(f event.Fact) string {
	data, err := event.EncodeData(f.Data)
	if err != nil {
		return ""
	}
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%d\n%s", f.Data.Kind(), f.Time.Ms(), data)
	return hex.EncodeToString(h.Sum(nil))
}

var earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// checkTime says why an instant can't stand in a given id, or nothing.
func checkTime(t, now time.Time) string {
	switch {
	case t.Before(earliest):
		return "is before the year 2000, which no recorded id can carry; correct the date or its layout"
	case !now.IsZero() && t.After(now.Add(24*time.Hour)):
		return "is more than one day ahead; correct the date or its layout"
	case t.Year() > 9999:
		return "is after the year 9999; correct the date or its layout"
	}
	return ""
}

// roomInEvent is what an event's envelope may take of its line, generously.
const roomInEvent = 2048

// checkFact says why the ledger would refuse a fact, or nothing.
func checkFact(f event.Fact) string {
	if err := event.Check(f.Data); err != nil {
		return err.Error()
	}
	line, err := f.Line()
	if err != nil {
		return err.Error()
	}
	if len(line) > event.MaxLine-roomInEvent {
		return fmt.Sprintf("makes an event of %d bytes, and at most %d fit; split it", len(line), event.MaxLine-roomInEvent)
	}
	return ""
}

// reason is an error of event.Check without the name of the field.
func reason(err error) error {
	if f, ok := err.(*event.FieldError); ok {
		return fmt.Errorf("%s", f.Why)
	}
	return err
}
