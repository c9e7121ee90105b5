package report_test

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
)

// A report of an instant after the last event is the report of everything; only its head says another instant, and review asks after orders that have waited too
// long by then.
func TestAsOfAfterTheLastEventIsAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		logs := all(chained(withShop(drawn(t), rapid.SampledFrom(costings).Draw(t, "costing"))))
		last := slices.MaxFunc(logs, func(a, b *event.Event) int { return int(a.Time.Ms() - b.Time.Ms()) }).Time.Ms()
		a := asked{noTime: true, leave: []string{"never_packed"}}
		want := mustExact(t, logs, a)
		for _, asOf := range []int64{last, last + 1, later} {
			a.asOf = asOf
			if got := mustExact(t, logs, a); got != want {
				t.Errorf("as of %d, last event %d: %s", asOf, last, parts(want, got))
			}
		}
	})
}

// A report of an instant is the report of a ledger that holds no fact after it: neither is cut from the figures differently from never having been recorded.
// What acts by reference is known whatever its time (setup, reversals, decisions), and so are orders, which their packs may come before, and what a credit or a
// delivery refers to.
func TestAsOfIsALedgerWithoutLaterFacts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := drawn(t)
		asOf := rapid.SampledFrom(events).Draw(t, "as of").Time.Ms()
		for _, costing := range costings {
			whole := all(chained(withShop(events, costing)))
			cut := source(slices.DeleteFunc(slices.Clone(whole), func(e *event.Event) bool { return e.Time.Ms() > asOf && onlyFact(whole, e) }))
			// What says that an event isn't here is true of one ledger only.
			a := asked{asOf: asOf, leave: []string{"void", "waiting"}, noEvents: true}
			if want, got := mustExact(t, whole, a), mustExact(t, cut, a); want != got {
				t.Errorf("%s, as of %s: %s", costing, time.UnixMilli(asOf).UTC(), parts(want, got))
			}
		}
	})
}

// onlyFact reports whether an event is a fact that nothing of another time looks at. Of two events with one id the other one would count.
func onlyFact(events []*event.Event, e *event.Event) bool {
	for _, o := range events {
		if o != e && o.ID == e.ID {
			return false
		}
		switch d := o.Data.(type) {
		case *event.Credit:
			if d.Restock == e.ID {
				return false
			}
		case *event.Restock:
			if d.Purchase == e.ID {
				return false
			}
		}
	}
	switch e.Kind {
	case event.KindPack, event.KindReturn, event.KindReprint, event.KindDamage, event.KindCount, event.KindCredit, event.KindRestock, event.KindPurchase:
		return e.Fault == nil
	}
	return false
}

// What was known by an instant is what had been recorded by then: a ledger without the events whose ids are later.
func TestKnownIsALedgerWithoutWhatWasRecordedLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := drawn(t)
		known := rapid.SampledFrom(events).Draw(t, "known by").ID.Ms()
		a := asked{asOf: later, known: known}
		if rapid.Bool().Draw(t, "cut") {
			a.asOf = rapid.SampledFrom(events).Draw(t, "as of").Time.Ms()
		}
		whole := all(chained(withShop(events, rapid.SampledFrom(costings).Draw(t, "costing"))))
		early := source(slices.DeleteFunc(slices.Clone(whole), func(e *event.Event) bool { return e.ID.Ms() > known }))
		want, got := mustExact(t, whole, a), mustExact(t, early, asked{asOf: a.asOf})
		if want != got {
			t.Errorf("known %d: %s", known, parts(want, got))
		}
	})
}
