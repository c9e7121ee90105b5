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

// A drift in one format goes with what that format uses, which tells it from a loss day by day where all use together hardly would.
func TestADriftInOneFormatIsFoundThere(t *testing.T) {
	found := 0
	const shops = 6
	for seed := range uint64(shops) {
		s := newShop(tuned + 700 + seed)
		s.trade(1<<30, 0, 0, 0)
		s.supplies = append(s.supplies, supply{id: "sleeve", per: "parcel", format: anyFormat, qty: 1, waste: s.mu, tol: -1, price: 0.3})
		s.stockUp()
		s.item = len(s.supplies) - 1
		s.window()
		s.fill(0)
		from := s.counts[s.to-6]
		lost := s.lose(s.item)
		for j := range s.orders {
			if o := &s.orders[j]; o.packed > from && o.packed < s.days && o.format() == "box" {
				lost[o.packed] += 2
			}
		}
		s.fill(0)
		s.record()
		list := reportOf(t, s, s.lines).Findings
		if f := list[0]; f.Cause == audit.SpecDrift && strings.HasPrefix(f.Why, "Each use in box takes about ") && (len(list) == 1 || list[1].Rank > 1) {
			found++
			if do := strings.Join(list[0].Do, " "); strings.Contains(do, "flat") || !strings.Contains(do, "box") {
				t.Error("what to do is about another line:", do)
			}
		} else {
			t.Log(seed, list)
		}
	}
	if found < shops-2 {
		t.Errorf("found in %d of %d shops", found, shops)
	}
}

// What is likely beside a cause is no other reading of the same data, and doesn't share its rank.
func TestTwoCausesStandBehindEachOther(t *testing.T) {
	apart := 0
	const shops = 8
	for seed := range uint64(shops) {
		s := plant(tuned+900+seed, obvious, audit.OneOffLoss, audit.MissingEntry)
		s.record()
		at := map[audit.Cause]int{}
		for _, f := range reportOf(t, s, s.lines).Findings {
			if f.Weight >= "0.5" {
				at[f.Cause] = f.Rank
			}
		}
		if a, b := at[audit.OneOffLoss], at[audit.MissingEntry]; a > 0 && b > 0 && min(a, b) == 1 && max(a, b) == 2 {
			apart++
		} else {
			t.Log(seed, at)
		}
	}
	if apart < shops-2 {
		t.Errorf("both stand behind each other in %d of %d shops", apart, shops)
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
