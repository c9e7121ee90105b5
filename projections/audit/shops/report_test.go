package shops_test

import (
	"context"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/projections/audit"
	"countback/projections/bridge"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/report"
)

// reportOf audits a shop's item from lines in some order of arrival.
func reportOf(t *testing.T, s *shop, lines foldtest.Lines) audit.Report {
	t.Helper()
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	a := audit.Read(log, fold.Run{AsOf: epoch.AddDate(0, 0, s.asOf+1).UnixMilli() - 1})
	it, _ := log.Catalog.Find(s.supplies[s.item].id)
	w, err := a.Record.Window(it.Index, bridge.Ask{})
	if err != nil {
		t.Fatal(err)
	}
	return a.Of(report.Style{Zone: time.UTC}, []bridge.Bridge{a.Record.Of(it.Index, w, time.UTC)})
}

func obvious(*shop) float64 { return 8 }

// The order in which events arrived is in no finding.
func TestNoFindingHangsOnTheOrderOfArrival(t *testing.T) {
	for i, c := range []audit.Cause{audit.SpecDrift, audit.MissingEntry, audit.DoubleEntry, audit.MoreOrders} {
		s := plant(tuned+uint64(i)*31, obvious, c)
		s.record()
		want, _ := json.Marshal(reportOf(t, s, s.lines))
		mixed := append(foldtest.Lines(nil), s.lines...)
		rand.New(rand.NewPCG(3, uint64(i))).Shuffle(len(mixed), func(a, b int) { mixed[a], mixed[b] = mixed[b], mixed[a] })
		if got, _ := json.Marshal(reportOf(t, s, mixed)); string(got) != string(want) {
			t.Errorf("%s: in another order\n%s\n%s", c, got, want)
		}
	}
}

// What to do names the very entries: reversing what is said leads to a ledger in which the audit finds nothing.
func TestWhatToDoSetsItRight(t *testing.T) {
	for i, c := range []audit.Cause{audit.DoubleEntry, audit.CountSlip} {
		s := plant(tuned+uint64(i)*17+5, func(*shop) float64 { return 10 }, c)
		s.record()
		r := reportOf(t, s, s.lines)
		f := r.Findings[0]
		if f.Cause != c {
			t.Fatalf("%s: found %s", c, f.Cause)
		}
		_, rest, ok := strings.Cut(strings.Join(f.Do, " "), "countback reverse ")
		if !ok {
			t.Fatalf("%s: nothing to reverse in %q", c, f.Do)
		}
		id, err := event.ParseID(rest[:26])
		if err != nil {
			t.Fatal(err)
		}
		s.emit(at(s.asOf, 12), &event.Reverse{Event: id, Reason: "as the audit said"})
		after := reportOf(t, s, foldtest.Events(s.facts)).Findings
		if !slices.ContainsFunc(after, func(f audit.Finding) bool { return f.Cause == audit.None && f.Rank == 1 }) {
			t.Errorf("%s: after %s was reversed there is still %s (%s)", c, id, after[0].Cause, after[0].Weight)
		}
	}
}

// An item that was never counted twice is accused of nothing.
func TestWithoutCountsNothingIsFound(t *testing.T) {
	s := plant(tuned+99, obvious, audit.OneOffLoss)
	s.record()
	var left []*event.Event
	for _, e := range s.facts {
		if d, ok := e.Data.(*event.Count); !ok || d.Session == "" {
			left = append(left, e)
		}
	}
	r := reportOf(t, s, foldtest.Events(left))
	for _, f := range r.Findings {
		switch f.Cause {
		case audit.None, audit.MoreOrders, audit.HeavierOrders, audit.SpoiledRuns:
		default:
			t.Errorf("%s without a count", f.Cause)
		}
	}
	if last := r.Findings[0]; last.Cause != audit.None || !strings.Contains(last.Why, "not counted") {
		t.Errorf("%+v", last)
	}
}
