// Package doubt finds entries that look like slips of the hand, among facts that are about to be recorded and among those that a ledger holds: a cost per
// piece ten times the last one, a credit of more than came, a count that is a pack or a nought away from the book. What makes an entry odd stands in ledger/entry
// (Questions); this package tells it what the book said at that time.
package doubt

import (
	"slices"

	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/fold"
)

// Possible reports whether there can be a question about any of the facts, so that a caller can save itself a fold.
func Possible(facts []event.Fact) bool {
	return slices.ContainsFunc(facts, func(f event.Fact) bool {
		switch f.Data.(type) {
		case *event.Restock, *event.Credit, *event.Count:
			return true
		}
		return false
	})
}

// Of returns the questions about facts, in their order. The facts may stand in the log already; ids are theirs there, nil if they don't.
//
// The figures of a session belong together, also those that were recorded before. While the new ones don't stand in the log, its book has the sum of the
// others; then nothing is asked about them.
func Of(log *fold.Log, facts []event.Fact, ids []event.ID) []entry.Question {
	if !Possible(facts) {
		return nil
	}
	own := map[event.ID]bool{}
	for _, id := range ids {
		own[id] = true
	}
	mates := matesOf(log, facts, own)
	asked := append(slices.Clone(facts), mates...)
	marks := newMarks(log, countTimes(asked))
	log.Run(fold.Run{Observe: marks.see})
	came := receiptsOf(log, own)
	list := entry.Questions(asked, entry.Book{Catalog: log.Catalog, OnHand: marks.onHand, LastCost: came.last, Received: came.of})
	return slices.DeleteFunc(list, func(q entry.Question) bool {
		return q.Index >= len(facts) || ids == nil && slices.ContainsFunc(mates, func(f event.Fact) bool { return Slot(f) == Slot(facts[q.Index]) })
	})
}

// Slot is the session and item of a figure of a session, else empty.
func Slot(f event.Fact) string {
	if d, ok := f.Data.(*event.Count); ok && d.Session != "" {
		return d.Session + "\x00" + d.Item
	}
	return ""
}

// matesOf are the figures that the log holds beside the facts, of the same sessions and items.
func matesOf(log *fold.Log, facts []event.Fact, own map[event.ID]bool) (mates []event.Fact) {
	wanted := map[string]bool{}
	for _, f := range facts {
		if s := Slot(f); s != "" {
			wanted[s] = true
		}
	}
	if len(wanted) == 0 {
		return nil
	}
	log.Events(func(e *event.Event, reversed bool) {
		if f := (event.Fact{ID: e.ID, Time: e.Time, Data: e.Data}); !reversed && !own[e.ID] && wanted[Slot(f)] {
			mates = append(mates, f)
		}
	})
	return mates
}

// Standing are the odd entries of a ledger that nothing has settled since. A count of an item settles what was odd about it before, so an item's last
// count and the deliveries after it are looked at.
type Standing struct {
	log   *fold.Log
	facts []event.Fact
	marks *marks
}

// Stand looks up the entries in question, up to an instant in milliseconds (0: all). See must then be told every movement of a fold of the log.
func Stand(log *fold.Log, until int64) *Standing {
	last := map[string]*event.Event{} // the last count by item
	var list []*event.Event
	log.Events(func(e *event.Event, reversed bool) {
		if reversed || until != 0 && e.Time.Ms() > until {
			return
		}
		switch d := e.Data.(type) {
		case *event.Count:
			last[d.Item] = e
			list = append(list, e)
		case *event.Restock:
			list = append(list, e)
		}
	})
	sessions := map[string]bool{} // session and item
	for item, e := range last {
		if s := e.Data.(*event.Count).Session; s != "" {
			sessions[s+"\x00"+item] = true
		}
	}
	s := &Standing{log: log}
	for _, e := range list {
		switch d := e.Data.(type) {
		case *event.Count:
			if last[d.Item] != e && !sessions[d.Session+"\x00"+d.Item] {
				continue
			}
		case *event.Restock:
			if !slices.ContainsFunc(d.Lines, func(l event.RestockLine) bool {
				c := last[l.Item]
				return c == nil || c.Key().Before(e.Key())
			}) {
				continue
			}
		}
		s.facts = append(s.facts, event.Fact{ID: e.ID, Time: e.Time, Data: e.Data})
	}
	s.marks = newMarks(log, countTimes(s.facts))
	return s
}

// See takes the next movement of a fold.
func (s *Standing) See(m fold.Movement) { s.marks.see(m) }

// Questions returns what is odd, with the event that it is about, in the order of the ledger.
func (s *Standing) Questions() (list []entry.Question, events []event.ID) {
	own := map[event.ID]bool{}
	receipts := receiptsOf(s.log, own)
	for _, q := range entry.Questions(s.facts, entry.Book{Catalog: s.log.Catalog, OnHand: s.marks.onHand, LastCost: receipts.last}) {
		list = append(list, q)
		events = append(events, s.facts[q.Index].ID)
	}
	return list, events
}

func countTimes(facts []event.Fact) []int64 {
	var times []int64
	for _, f := range facts {
		if _, ok := f.Data.(*event.Count); ok {
			times = append(times, f.Time.Ms())
		}
	}
	slices.Sort(times)
	return slices.Compact(times)
}

// marks remember what was on hand of everything just before some instants.
type marks struct {
	log   *fold.Log
	times []int64
	at    []map[int]num.Qty // by time: what had moved before it
	now   map[int]num.Qty
	next  int
}

func newMarks(log *fold.Log, times []int64) *marks {
	return &marks{log: log, times: times, at: make([]map[int]num.Qty, len(times)), now: map[int]num.Qty{}}
}

func (m *marks) see(mv fold.Movement) {
	m.to(mv.Ms)
	if len(m.times) > 0 {
		m.now[mv.Item] = mv.OnHand
	}
}

// to keeps what is on hand for every instant up to ms.
func (m *marks) to(ms int64) {
	for m.next < len(m.times) && m.times[m.next] <= ms {
		kept := make(map[int]num.Qty, len(m.now))
		for i, q := range m.now {
			kept[i] = q
		}
		m.at[m.next] = kept
		m.next++
	}
}

func (m *marks) onHand(item string, at event.Time) (num.Qty, bool) {
	it, ok := m.log.Catalog.Find(item)
	if !ok || it.Prepared() {
		return num.Qty{}, false
	}
	i, ok := slices.BinarySearch(m.times, at.Ms())
	if !ok {
		return num.Qty{}, false
	}
	if i < m.next {
		return m.at[i][it.Index], true
	}
	return m.now[it.Index], true // nothing moved from then on
}

// receipt is one line of a delivery.
type receipt struct {
	event event.ID
	ms    int64
	cost  num.Money
	qty   num.Qty
}

// receipts are the deliveries of each item in the order of the ledger.
type receipts struct {
	list map[string][]receipt
	own  map[event.ID]bool
}

// receiptsOf reads what deliveries cost, landed; those under own ids are passed over.
func receiptsOf(log *fold.Log, own map[event.ID]bool) receipts {
	r := receipts{map[string][]receipt{}, own}
	view := log.Catalog.Start()
	log.Events(func(e *event.Event, reversed bool) {
		d, ok := e.Data.(*event.Restock)
		if !ok || reversed || own[e.ID] {
			return
		}
		costs, ok := landed.Costs(d, log.Digits())
		if !ok {
			return
		}
		view.To(e.Key())
		for i, l := range d.Lines {
			it, ok := log.Catalog.Find(l.Item)
			if !ok {
				continue
			}
			if q, ok := view.Units(it.Index, *l.Qty, "", l.Pack); ok && q.Sign() > 0 {
				r.list[l.Item] = append(r.list[l.Item], receipt{e.ID, e.Time.Ms(), costs[i], q})
			}
		}
	})
	return r
}

// of adds up what one delivery brought of an item.
func (r receipts) of(restock event.ID, item string) (cost num.Money, qty num.Qty, found bool) {
	for _, l := range r.list[item] {
		if l.event == restock {
			cost, qty, found = cost.Add(l.cost), qty.Add(l.qty), true
		}
	}
	return cost, qty, found
}

// Deliveries answers Book.LastCost and Book.Received from a ledger's deliveries alone; the log need hold no more than them, setup and reversals.
func Deliveries(log *fold.Log, to *entry.Book) {
	came := receiptsOf(log, nil)
	to.LastCost, to.Received = came.last, came.of
}

// last finds the last receipt of an item before an instant, and what it cost with its charges.
func (r receipts) last(item string, at event.Time) (cost num.Money, qty num.Qty, found bool) {
	list := r.list[item]
	for i := len(list) - 1; i >= 0; i-- {
		if list[i].ms < at.Ms() {
			return list[i].cost, list[i].qty, true
		}
	}
	return cost, qty, false
}
