package main

import (
	"testing"
	"time"

	"countback/cmd/countback/typed"
	"countback/ledger/event"
)

// A day turns into an instant in the shop's zone, by what is recorded at it. The zones' rules are those of the IANA database; the
// jumps below are checked against it by the test itself, which asks for the clocks before and after.
func TestDayBecomesInstant(t *testing.T) {
	for _, c := range []struct {
		name, zone, day string
		part            part
		want            string
	}{
		{"start of a plain day", "America/Halifax", "2026-03-02", dayStart, "2026-03-02T00:00:00-04:00"},
		{"noon of a plain day", "America/Halifax", "2026-03-02", dayNoon, "2026-03-02T12:00:00-04:00"},
		{"last millisecond of a plain day", "America/Halifax", "2026-03-02", dayEnd, "2026-03-02T23:59:59.999-04:00"},
		{"noon of the day on which summer time begins", "America/Halifax", "2026-03-08", dayNoon, "2026-03-08T12:00:00-03:00"},
		{"last millisecond of the day on which it ends", "America/Halifax", "2026-11-01", dayEnd, "2026-11-01T23:59:59.999-04:00"},
		{"a day that begins at one o'clock", "America/Santiago", "2023-09-03", dayStart, "2023-09-03T01:00:00-03:00"},
		{"the day before it ends where it begins", "America/Santiago", "2023-09-02", dayEnd, "2023-09-02T23:59:59.999-04:00"},
		{"a midnight that came twice ends the day the second time", "America/Santiago", "2023-04-01", dayEnd, "2023-04-01T23:59:59.999-04:00"},
		{"and the next day begins once", "America/Santiago", "2023-04-02", dayStart, "2023-04-02T00:00:00-04:00"},
		{"a midnight hour that came twice begins the day the first time", "America/Havana", "2025-11-02", dayStart, "2025-11-02T00:00:00-04:00"},
		{"half-hour zones", "Asia/Kolkata", "2026-03-02", dayStart, "2026-03-02T00:00:00+05:30"},
		{"far east", "Pacific/Kiritimati", "2026-03-02", dayEnd, "2026-03-02T23:59:59.999+14:00"},
		{"far west", "Pacific/Pago_Pago", "2026-03-02", dayStart, "2026-03-02T00:00:00-11:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			zone, err := time.LoadLocation(c.zone)
			if err != nil {
				t.Fatal(err)
			}
			got, err := parseMoment(c.day, c.part, zone)
			if err != nil {
				t.Fatal(err)
			}
			if text := event.TimeOf(got).String(); text != c.want {
				t.Errorf("%s in %s: %s, want %s", c.day, c.zone, text, c.want)
			}
		})
	}
}

// A day ends where the next begins, in every zone and on every day of a span that holds all usual jumps.
func TestDaysMeet(t *testing.T) {
	for _, name := range []string{"America/Halifax", "America/Santiago", "America/Havana", "Europe/Vienna", "Asia/Kolkata", "Africa/Cairo", "Asia/Beirut", "Australia/Lord_Howe", "Pacific/Chatham"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		var last time.Time
		for d := time.Date(2022, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2026; d = d.AddDate(0, 0, 1) {
			from, to, ok := typed.Day(d.Year(), d.Month(), d.Day(), zone)
			if !ok || !from.Before(to) {
				t.Fatalf("%s %s: no day", name, d.Format("2006-01-02"))
			}
			if from.Day() != d.Day() || to.Add(-time.Millisecond).Day() != d.Day() {
				t.Fatalf("%s: %s runs from %s to %s", name, d.Format("2006-01-02"), from, to)
			}
			if !last.IsZero() && from.After(last) {
				t.Fatalf("%s: nothing between %s and %s", name, last, from)
			}
			last = to
		}
	}
}

func TestDayThatAZoneLeftOut(t *testing.T) {
	zone, err := time.LoadLocation("Pacific/Apia") // it crossed the date line: 30 December 2011 never was (IANA database)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := parseMoment("2011-12-30", dayStart, zone); err == nil {
		t.Error("30 December 2011 was taken as a day of Apia")
	}
	if got, err := parseMoment("2011-12-31", dayStart, zone); err != nil || event.TimeOf(got).String() != "2011-12-31T00:00:00+14:00" {
		t.Error(got, err)
	}
}

func TestFullTimesKeepTheirOffset(t *testing.T) {
	got, err := parseMoment("2026-03-02T09:30:00.250+02:00", dayEnd, time.UTC)
	if err != nil || event.TimeOf(got).String() != "2026-03-02T09:30:00.250+02:00" {
		t.Error(got, err)
	}
}

func TestPartsOfTheDay(t *testing.T) {
	want := map[event.Kind]part{
		event.KindShop: dayStart, event.KindItem: dayStart, event.KindRetire: dayStart, event.KindPackSpec: dayStart, event.KindMakeSpec: dayStart,
		event.KindRestock: dayStart, event.KindPurchase: dayStart, event.KindCredit: dayStart,
		event.KindOrder: dayNoon, event.KindPack: dayNoon, event.KindReprint: dayNoon, event.KindDamage: dayNoon, event.KindReturn: dayNoon,
		event.KindReverse: dayNoon, event.KindDecide: dayNoon,
		event.KindCount: dayEnd,
	}
	for _, k := range event.Kinds() {
		if !k.Fact() {
			continue
		}
		if p, ok := want[k]; !ok || partOf(k) != p {
			t.Errorf("%s: %v, want %v", k, partOf(k), p)
		}
	}
}
