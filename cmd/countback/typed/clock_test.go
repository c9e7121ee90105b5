package typed_test

import (
	"testing"
	"time"

	"countback/cmd/countback/typed"
	"countback/ledger/event"
)

// The zones' rules are those of the IANA database.
func TestTimeOfDay(t *testing.T) {
	for _, c := range []struct{ name, zone, day, clock, want string }{
		{"a plain time", "America/Halifax", "2026-03-02", "9:30", "2026-03-02T09:30:00-04:00"},
		{"with seconds", "America/Halifax", "2026-03-02", "09:30:15", "2026-03-02T09:30:15-04:00"},
		{"jumped over", "America/Halifax", "2026-03-08", "02:30", "2026-03-08T03:00:00-03:00"},
		{"after the jump", "America/Halifax", "2026-03-08", "03:30", "2026-03-08T03:30:00-03:00"},
		{"shown twice", "America/Halifax", "2026-11-01", "01:30", "2026-11-01T01:30:00-03:00"},
		{"after the second time", "America/Halifax", "2026-11-01", "02:30", "2026-11-01T02:30:00-04:00"},
		{"a day that begins at one", "America/Santiago", "2023-09-03", "00:30", "2023-09-03T01:00:00-03:00"},
		{"midnight", "Europe/Vienna", "2026-03-02", "0:00", "2026-03-02T00:00:00+01:00"},
		{"the last minute of a long day", "America/Santiago", "2023-04-01", "23:59", "2023-04-01T23:59:00-03:00"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		got, err := typed.Clock(c.day, c.clock, zone)
		if err != nil || event.TimeOf(got).String() != c.want {
			t.Errorf("%s: %v, %v, want %s", c.name, got, err, c.want)
		}
	}
	zone := time.FixedZone("", 0)
	for _, c := range [][2]string{{"2026-02-30", "9:30"}, {"2026-03-02", "25:00"}, {"", "9:30"}, {"2026-03-02", "half past"}} {
		if _, err := typed.Clock(c[0], c[1], zone); err == nil {
			t.Errorf("%v was taken", c)
		}
	}
	apia, err := time.LoadLocation("Pacific/Apia")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := typed.Clock("2011-12-30", "9:30", apia); err == nil {
		t.Error("30 December 2011 was taken as a day of Apia")
	}
}
