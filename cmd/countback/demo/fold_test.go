package demo

import (
	"testing"

	"countback/ledger/event"
	"countback/projections/foldtest"
)

func lines(facts []event.Fact) foldtest.Lines {
	var list foldtest.Lines
	for i, f := range facts {
		list = append(list, foldtest.Line(f.ID, foldtest.Devices[0], f.Time, int64(i+1), f.Data))
	}
	return list
}

// The real fold comes to the stock that the generator kept for itself, under the rules for counts, specs and reversals.
func TestTheFoldAgrees(t *testing.T) {
	y := theYear()
	s := foldtest.Run(lines(y.play()), 0)
	for i, e := range y.items {
		at, ok := s.Catalog.Find(e.def.Item)
		if !ok {
			t.Fatalf("the fold knows no %s", e.def.Item)
		}
		got := millis(s.Items[at.Index].Account.OnHand())
		if d := got - y.book[i]; d < -one/2 || d > one/2 {
			t.Errorf("%s: the fold comes to %d thousandths, the generator's book to %d", e.def.Item, got, y.book[i])
		}
	}
	for _, n := range s.Notices {
		if n.Topic == "void" || n.Topic == "doubled" || n.Topic == "no_parcel" || n.Topic == "no_cost" {
			t.Errorf("%s: %s, %s: %s", n.Topic, n.Event, n.About, n.Why)
		}
	}
}
