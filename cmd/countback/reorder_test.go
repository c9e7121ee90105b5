package main

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	ics "github.com/arran4/golang-ical"
	"github.com/rivo/uniseg"

	"countback/cmd/countback/demo"
)

// demoShop records the demo's year; the clock stands at its end.
func demoShop(t *testing.T) *bench {
	t.Helper()
	b := newBench(t)
	b.must("init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	file, _, err := factFile(demo.Facts())
	if err != nil {
		t.Fatal(err)
	}
	now, _ := parseMoment(demo.AsOf, dayEnd, nil)
	b.now = now
	if o := b.feed(string(file), "record", "-"); o.status != 0 {
		t.Fatal(o.errors)
	}
	return b
}

func TestReorderOfTheDemoShop(t *testing.T) {
	t.Parallel()
	b := demoShop(t)
	t.Run("calendar entries keep their UIDs", func(t *testing.T) { calendarEntriesKeepTheirUIDs(t, b) })
	t.Run("it fits the terminal", func(t *testing.T) { reorderFitsTheTerminal(t, b) })
	t.Run("it is the same each time", func(t *testing.T) { reorderIsTheSameEachTime(t, b) })
}

// calendarOf reads a calendar file and returns the day of each entry by its UID. Its lines are those of RFC 5545: ended by CR LF, at most 75 bytes long.
func calendarOf(t *testing.T, file string) map[string]string {
	t.Helper()
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range strings.SplitAfter(string(raw), "\n") {
		if l != "" && !strings.HasSuffix(l, "\r\n") || len(strings.TrimSuffix(l, "\r\n")) > 75 {
			t.Errorf("the line %q", l)
		}
	}
	cal, err := ics.ParseCalendar(strings.NewReader(string(raw)))
	if err != nil {
		t.Fatal(err)
	}
	days := map[string]string{}
	for _, e := range cal.Events() {
		for _, p := range []ics.ComponentProperty{ics.ComponentPropertyUniqueId, ics.ComponentPropertyDtstamp, ics.ComponentPropertyDtStart, ics.ComponentPropertyDtEnd, ics.ComponentPropertySequence, ics.ComponentPropertySummary} {
			if e.GetProperty(p) == nil {
				t.Errorf("an entry without %s", p)
			}
		}
		start, err := e.GetAllDayStartAt()
		if err != nil {
			t.Fatal(err)
		}
		end, err := e.GetAllDayEndAt()
		if err != nil || end.Sub(start).Hours() != 24 {
			t.Errorf("%s lasts from %s to %s", e.Id(), start, end)
		}
		if days[e.Id()] != "" {
			t.Errorf("%s is there twice", e.Id())
		}
		days[e.Id()] = start.Format("2006-01-02")
	}
	return days
}

// Importing a later calendar moves the entries of an earlier one: what is meant has the same UID.
func calendarEntriesKeepTheirUIDs(t *testing.T, b *bench) {
	file := filepath.Join(b.dir, "days.ics")
	b.must("reorder", "--calendar", file)
	now := calendarOf(t, file)
	b.must("reorder", "--as-of", "2026-09-15", "--calendar", file)
	then := calendarOf(t, file)
	if len(now) < 5 || len(then) < 5 {
		t.Fatal(now, then)
	}
	same, moved, counts := 0, 0, 0
	for uid, day := range now {
		if then[uid] != "" {
			same++
		}
		if then[uid] != "" && then[uid] != day {
			moved++
		}
		if strings.HasPrefix(uid, "count@") {
			counts++
			if day != "2026-11-30" || then[uid] != "2026-09-30" {
				t.Error("counted at the ends of months: next on", day, "and", then[uid])
			}
		}
		if day < "2026-10-31" {
			t.Error("an entry in the past:", uid, day)
		}
	}
	if same < 4 || moved < 4 || counts != 1 {
		t.Error(same, moved, counts, now, then)
	}
	other := newBench(t)
	other.chance = rand.NewChaCha8([32]byte([]byte("another shop's keys, as it seems")))
	other.must("init", "--shop", "Another", "--currency", "CAD", "--zone", "America/Halifax")
	other.must("item", "x", "--name", "X", "--type", "supply", "--unit", "each", "--supplier", "Tarnwick Board", "--lead-days", "3")
	other.must("reorder", "--expect", "x=3", "--calendar", filepath.Join(other.dir, "x.ics"))
	for uid := range calendarOf(t, filepath.Join(other.dir, "x.ics")) {
		if now[uid] != "" {
			t.Error("two shops share", uid)
		}
	}
}

func reorderFitsTheTerminal(t *testing.T, b *bench) {
	defer func() { b.setUp = nil }()
	for _, width := range []int{80, 120} {
		b.setUp = func(m *Main) { m.Width = width }
		for _, args := range [][]string{{"reorder"}, {"reorder", "--buy", "--within", "60"}, {"reorder", "--budget", "300"}} {
			for line := range strings.Lines(b.must(args...)) {
				if w := uniseg.StringWidth(strings.TrimSuffix(line, "\n")); w > width {
					t.Errorf("%v: %d wide in a terminal of %d: %s", args, w, width, line)
				}
			}
		}
	}
}

// The same question has the same answer, byte for byte.
func reorderIsTheSameEachTime(t *testing.T, b *bench) {
	first := b.must("reorder", "--json", "--as-of", "2026-10-31")
	if again := b.must("reorder", "--json", "--as-of", "2026-10-31"); again != first {
		t.Error("asked again, another answer")
	}
}
