package main

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/cmd/countback/demo"
	"countback/ledger/event"
)

// --known shows a report as it was printed then: after each day of a small shop, in which entries come late, are reversed, decided on and restated, what the
// reports said is kept, and asked for again at the end. --as-of fixes the day that they are about.
func TestKnownIsWhatTheReportsSaidThen(t *testing.T) {
	t.Parallel()
	b := newBench(t).shop()
	spec := func(n string) string {
		return b.file("spec"+n+".json", `{"formats": [{"format": "flat", "lines": [{"item": "board", "qty": "`+n+`", "per": "parcel"}, {"item": "cord", "qty": "1", "measure": "wrap", "per": "parcel"}]}]}`)
	}
	reports := func(known ...string) string {
		var out strings.Builder
		for _, r := range [][]string{{"stock"}, {"cost"}, {"cost", "--by", "month"}, {"cost", "--by", "item"}, {"history", "board"}, {"history", "fern-card"}, {"review"}} {
			args := append(append(r, "--json", "--exact", "--as-of", "2026-03-20"), known...)
			out.WriteString(strings.Join(r, " ") + "\n" + b.must(args...))
		}
		return out.String()
	}
	var pack, second, restock, firstSpec string
	type said struct{ at, text string }
	var days []said
	for _, step := range []func(){
		func() { firstSpec = b.id(b.must("packspec", spec("1"), "--at", "2026-01-01")) },
		func() { restock = b.id(b.must("restock", "board", "1", "box", "--cost", "30", "--at", "2026-02-01")) },
		func() { b.must("count", "fern-card", "40", "--at", "2026-02-02") },
		func() { pack = b.id(b.must("pack", "1", "fern-card=3", "--to", "home", "--at", "2026-02-10")) },
		func() { second = b.id(b.must("pack", "1", "fern-card=2", "--at", "2026-02-11")) }, // waits for a decision
		func() { b.must("restock", "cord", "1", "spool", "--cost", "9", "--at", "2026-02-03") },
		func() { b.must("decide", second, "keep") },
		func() { b.must("count", "board", "140", "--at", "2026-02-28") },
		func() { b.must("packspec", spec("2"), "--restates", firstSpec, "--at", "2026-02-15") },
		func() { b.must("credit", restock, "board", "5", "--at", "2026-02-20") },
		func() { b.must("restock", "board", "1", "box", "--cost", "60", "--at", "2026-01-20") }, // late
		func() { b.must("reverse", restock, "--reason", "it was another's") },
		func() { b.must("reverse", pack, "--reason", "it never left") },
		func() { b.must("item", "board", "--name", "Stiffener", "--at", "2026-01-10") },
	} {
		step()
		days = append(days, said{b.now.UTC().Format(time.RFC3339), reports()})
		b.now = b.now.Add(time.Hour)
	}
	for i, d := range days {
		if got := reports("--known", d.at); got != d.text {
			t.Errorf("after step %d, known at %s: %s", i, d.at, firstDifference(d.text, got))
		}
		if i > 0 && d.text == days[i-1].text {
			t.Errorf("step %d changes no report", i)
		}
	}
}

// --as-of shows a report of the demo's year as a ledger without later facts prints it: with all of setup, and with the reversals, decisions and orders that
// concern what is kept.
func TestAsOfIsTheReportOfThatDay(t *testing.T) {
	t.Parallel()
	now, err := time.Parse(time.RFC3339, demo.AsOf)
	if err != nil {
		t.Fatal(err)
	}
	facts := demo.Facts()
	shop := func(name string, keep func(event.Fact) bool) *bench {
		b := newBench(t)
		b.now, b.data = now, filepath.Join(b.dir, name)
		b.must("init", "--shop", demo.Shop.Name, "--currency", demo.Shop.Currency, "--zone", demo.Shop.Zone)
		var kept []event.Fact
		for _, f := range facts {
			if keep(f) {
				kept = append(kept, f)
			}
		}
		file, _, err := factFile(kept)
		if err != nil {
			t.Fatal(err)
		}
		b.must("record", b.file(name+".jsonl", string(file)))
		return b
	}
	whole := shop("whole", func(event.Fact) bool { return true })
	for _, day := range []string{"2026-03-14", "2026-09-02"} {
		end, err := parseMoment(day, dayEnd, mustZone(t, demo.Shop.Zone))
		if err != nil {
			t.Fatal(err)
		}
		late := map[event.ID]bool{}
		for _, f := range facts {
			switch f.Data.Kind() {
			case event.KindShop, event.KindItem, event.KindRetire, event.KindPackSpec, event.KindMakeSpec, event.KindOrder, event.KindReverse, event.KindDecide:
			default:
				late[f.ID] = f.Time.Ms() > end.UnixMilli()
			}
		}
		cut := shop("cut", func(f event.Fact) bool {
			switch d := f.Data.(type) {
			case *event.Reverse:
				return !late[d.Event]
			case *event.Decide:
				return !late[d.Event]
			}
			return !late[f.ID]
		})
		for _, args := range [][]string{{"stock", "--exact"}, {"stock"}, {"cost"}, {"cost", "--by", "item", "--exact"}, {"cost", "--by", "month"}, {"history", "stiffener"}, {"review"}} {
			args = append(slices.Clone(args), "--as-of", day, "--json")
			if want, got := whole.must(args...), cut.must(args...); want != got {
				t.Errorf("%v: %s", args, firstDifference(got, want))
			}
		}
	}
	// After the last fact there is nothing to cut.
	for _, args := range [][]string{{"stock"}, {"cost"}} {
		all := whole.must(append(args, "--json")...)
		if text := whole.must(append(args, "--json", "--as-of", now.Format("2006-01-02"))...); text != all {
			t.Errorf("%v: %s", args, firstDifference(all, text))
		}
	}
}

func mustZone(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := loadZone(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}
