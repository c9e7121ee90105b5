package plan_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"countback/projections/foldtest"
	"countback/projections/plan"
)

// Recording what Packs says leaves no order open but those that wait.
func TestPacksFinishWhatIsOpen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := ledger(t)
		s := foldtest.Run(foldtest.Events(events), 0)
		ready, waiting := plan.Packs(s, later)
		if !slices.IsSortedFunc(ready, func(a, b plan.Packing) int { return int(a.PlacedMs - b.PlacedMs) }) {
			t.Fatalf("not by age: %v", ready)
		}
		for _, p := range ready {
			pack := p.Pack
			events = added(events, later, &pack)
		}
		again, wait := plan.Packs(foldtest.Run(foldtest.Events(events), 0), later)
		if len(again) > 0 || len(wait) != len(waiting) {
			t.Fatalf("%v and %v are left, %v waited before", again, wait, waiting)
		}
	})
}

// Orders that were placed later than asked for are left out.
func TestPacksOfATime(t *testing.T) {
	s := foldtest.Run(foldtest.Facts(`
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
order 2026-01-05 {"order":"2","zone":"home","lines":[{"item":"card","qty":"2"}]}
order 2026-01-04 {"order":"1","zone":"home","lines":[{"item":"card","qty":"3"}]}
pack 2026-01-06 {"order":"1","lines":[{"item":"card","qty":"1"}]}
`), 0)
	ready, _ := plan.Packs(s, s.Orders["1"].PlacedMs)
	if len(ready) != 1 || ready[0].Order != "1" || ready[0].Pieces.String() != "2" || len(ready[0].Pack.Lines) != 1 || ready[0].Pack.Lines[0].Qty.String() != "2" {
		t.Errorf("%+v", ready)
	}
	if ready, _ = plan.Packs(s, later); len(ready) != 2 || ready[1].Pack.Lines != nil {
		t.Errorf("%+v", ready)
	}
}
