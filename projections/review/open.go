package review

import (
	"fmt"
	"maps"
	"slices"

	"countback/projections/doubt"
	"countback/projections/fold"
)

// StaleDays is how long an order may be open before it is asked about: nobody waits a month for a card (common practice, no source).
const StaleDays = 30

const dayMs = 24 * 60 * 60 * 1000

// odd lists the entries that look like slips and that no count has settled since.
func odd(s *doubt.Standing) (list []fold.Notice) {
	questions, events := s.Questions()
	for i, q := range questions {
		list = append(list, fold.Notice{
			Event: events[i], Topic: "odd_entry", About: q.Item, Why: q.Why,
			Choices: []string{q.Hint, "countback reverse " + events[i].String() + " --reason slip", "count " + q.Item + " again: a count settles it"},
		})
	}
	return list
}

// belowZero lists items of which more has left than ever came.
func (w *watcher) belowZero(s *fold.State) (list []fold.Notice) {
	for i := range w.items {
		on := s.Items[i].Account.OnHand()
		if on.Sign() >= 0 {
			continue
		}
		it := s.Catalog.Items[i]
		list = append(list, fold.Notice{
			Event: w.items[i].ran, Topic: "more_out_than_in", About: it.ID,
			Why:     fmt.Sprintf("more %s has left than ever came in: %s %s on hand", it.ID, on, it.Unit()),
			Choices: []string{"record the delivery that is missing: countback restock " + it.ID + " N --cost AMOUNT --at DAY", "countback count " + it.ID + " N"},
		})
	}
	return list
}

// old lists orders that were placed long before the end and never packed. They may be packed and not recorded, which makes supplies look lost.
func old(s *fold.State) (list []fold.Notice) {
	if s.AsOf == 0 {
		return nil
	}
	for _, number := range slices.Sorted(maps.Keys(s.Orders)) {
		o := s.Orders[number]
		if !o.Open || o.Packs > 0 || len(o.Pending) > 0 || s.AsOf-o.PlacedMs <= StaleDays*dayMs {
			continue
		}
		list = append(list, fold.Notice{
			Event: o.Placed, Topic: "never_packed", About: number,
			Why:     fmt.Sprintf("order %s was placed %d days ago and is not recorded as packed", number, (s.AsOf-o.PlacedMs)/dayMs),
			Choices: []string{"countback pack " + number + " --at DAY", "countback reverse " + o.Placed.String() + " --reason cancelled"},
		})
	}
	return list
}
