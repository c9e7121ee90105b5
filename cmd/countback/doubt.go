package main

import (
	"countback/ledger/catalog"
	"countback/ledger/currency"
	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/fold"
)

// doubts are the questions about what was recorded just now: a cost per piece that is ten times the last one, a count that looks like a slip. A command
// line can't wait for an answer, so they are said afterwards, with the command that takes the entry back.
func (d *desk) doubts(log *fold.Log, facts []event.Fact, ids []event.ID) []postedNote {
	asked := false
	for _, f := range facts {
		switch f.Data.(type) {
		case *event.Restock, *event.Count:
			asked = true
		}
	}
	if !asked {
		return nil
	}
	book := entry.Book{Catalog: log.Catalog, OnHand: onHandBefore(log), LastCost: d.lastCost(log, ids)}
	var notes []postedNote
	for _, q := range entry.Questions(facts, book) {
		id := ids[q.Index].String()
		notes = append(notes, postedNote{Event: id, Why: q.Why, Choices: []string{q.Hint, "countback reverse " + id + " --reason slip"}})
	}
	return notes
}

// onHandBefore looks an item's book figure up; the folds of one instant are shared.
func onHandBefore(log *fold.Log) func(string, event.Time) (num.Qty, bool) {
	states := map[int64]*fold.State{}
	return func(item string, at event.Time) (num.Qty, bool) {
		it, ok := log.Catalog.Find(item)
		if !ok || it.Prepared() {
			return num.Qty{}, false
		}
		s := states[at.Ms()]
		if s == nil {
			s = log.Run(fold.Run{AsOf: at.Ms() - 1})
			states[at.Ms()] = s
		}
		return s.Items[it.Index].Account.OnHand(), true
	}
}

// lastCost finds the last receipt of an item before an instant, and what it cost with its charges.
func (d *desk) lastCost(log *fold.Log, ids []event.ID) func(string, event.Time) (num.Money, num.Qty, bool) {
	own := map[event.ID]bool{}
	for _, id := range ids {
		own[id] = true
	}
	digits, ok := currency.Digits(d.shop.Currency)
	if !ok {
		digits = 2
	}
	return func(item string, at event.Time) (cost num.Money, qty num.Qty, found bool) {
		it, ok := log.Catalog.Find(item)
		if !ok {
			return cost, qty, false
		}
		view := log.Catalog.Start()
		log.Events(func(e *event.Event, reversed bool) {
			r, ok := e.Data.(*event.Restock)
			if !ok || reversed || own[e.ID] || e.Time.Ms() >= at.Ms() {
				return
			}
			view.To(e.Key())
			if c, q, ok := receiptOf(view, it, r, digits); ok {
				cost, qty, found = c, q, true
			}
		})
		return cost, qty, found
	}
}

// receiptOf is the item's last line of a delivery.
func receiptOf(view *catalog.View, it *catalog.Item, r *event.Restock, digits int) (cost num.Money, qty num.Qty, found bool) {
	costs, ok := landed.Costs(r, digits)
	if !ok {
		return cost, qty, false
	}
	for i, l := range r.Lines {
		if l.Item != it.ID {
			continue
		}
		if q, ok := view.Units(it.Index, *l.Qty, "", l.Pack); ok && q.Sign() > 0 {
			cost, qty, found = costs[i], q, true
		}
	}
	return cost, qty, found
}
