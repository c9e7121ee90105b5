package pages

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"countback/cmd/countback/demo"
	"countback/ledger/event"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/report"
)

// demoLook is a look at the demo's year.
func demoLook(t *testing.T) *Look {
	t.Helper()
	now, err := time.Parse(time.RFC3339, demo.AsOf)
	if err != nil {
		t.Fatal(err)
	}
	first := event.Shop{Name: demo.Shop.Name, Currency: demo.Shop.Currency, Zone: demo.Shop.Zone, Costing: demo.Shop.Costing}
	lines := foldtest.Lines{foldtest.Line(foldtest.ID("SHP"), foldtest.Devices[0], event.TimeOf(now.AddDate(-2, 0, 0)), 1, &first)}
	for i, f := range demo.Facts() {
		lines = append(lines, foldtest.Line(f.ID, foldtest.Devices[0], f.Time, int64(i+2), f.Data))
	}
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	zone, err := time.LoadLocation(demo.Shop.Zone)
	if err != nil {
		t.Fatal(err)
	}
	return &Look{Log: log, Run: fold.Run{AsOf: now.UnixMilli()}, Catalog: log.Catalog, View: log.Catalog.End(), Zone: zone, Style: report.Style{Zone: zone, Exact: true}, Now: now.In(zone)}
}

// What an event did is the same in a run that ends a day after it.
func TestEffectsUpToADay(t *testing.T) {
	l := demoLook(t)
	all := map[event.ID][]string{}
	run := l.Run
	say := func(m fold.Movement) string { return fmt.Sprint(m.Item, m.Column, m.Qty, m.Value, m.OnHand, m.Balance) }
	run.Observe = func(m fold.Movement) { all[m.Event] = append(all[m.Event], say(m)) }
	l.Log.Run(run)
	n := map[event.Kind]int{}
	l.Log.Refs(func(r fold.Ref) {
		if n[r.Kind]++; r.Kind == event.KindPack && n[r.Kind]%101 != 0 || r.Kind == event.KindCount && n[r.Kind]%13 != 0 || r.Kind == event.KindOrder {
			return
		}
		var got []string
		run := l.upTo(r.Ms)
		run.Observe = func(m fold.Movement) {
			if m.Event == r.ID {
				got = append(got, say(m))
			}
		}
		l.Log.Run(run)
		if want := all[r.ID]; !slices.Equal(got, want) {
			t.Errorf("%s %s: %v, in the whole run %v", r.Kind, r.ID, got, want)
		}
	})
	if len(all) < 1000 {
		t.Errorf("only %d events moved anything", len(all))
	}
}
