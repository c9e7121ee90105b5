package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/currency"
	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
	"countback/projections/fold"
)

// doubts are the questions about what was recorded just now: a cost per piece that is ten times the last one, a count that looks like a slip. They are said
// with the command that takes the entry back.
func (d *desk) doubts(log *fold.Log, facts []event.Fact, ids []event.ID) []postedNote {
	var notes []postedNote
	for _, q := range d.questions(log, facts, ids) {
		id := ids[q.Index].String()
		notes = append(notes, postedNote{Event: id, Why: q.Why, Choices: []string{q.Hint, "countback reverse " + id + " --reason slip"}})
	}
	return notes
}

// questions are what looks wrong about facts; ids are those under which they stand in the log, if they do.
func (d *desk) questions(log *fold.Log, facts []event.Fact, ids []event.ID) []entry.Question {
	if !doubtful(facts) {
		return nil
	}
	return entry.Questions(facts, entry.Book{Catalog: log.Catalog, OnHand: onHandBefore(log), LastCost: d.lastCost(log, ids)})
}

func doubtful(facts []event.Fact) bool {
	for _, f := range facts {
		switch f.Data.(type) {
		case *event.Restock, *event.Count:
			return true
		}
	}
	return false
}

// ask puts the questions about facts before they are recorded, where a person sits at the terminal. Elsewhere nobody can answer: then the facts are
// recorded, and the questions are said afterwards and by review.
func (d *desk) ask(facts []event.Fact, sure bool) error {
	if sure || !d.m.Asks || d.m.format != formatTable || !doubtful(facts) {
		return nil
	}
	log, err := d.log(0)
	if err != nil {
		return err
	}
	list := d.questions(log, facts, nil)
	if len(list) == 0 {
		return nil
	}
	for _, q := range list {
		fmt.Fprintf(d.m.Stderr, "%s: %s.\n", strings.ToUpper(q.Why[:1])+q.Why[1:], q.Hint)
	}
	fmt.Fprint(d.m.Stderr, "Record it as it is? (yes or no) ")
	answer, err := bufio.NewReader(d.m.Stdin).ReadString('\n')
	if err != nil && err != io.EOF {
		return err
	}
	switch strings.ToLower(strings.TrimSpace(answer)) {
	case "y", "yes":
		return nil
	}
	return &fault{what: "not recorded", hint: "enter it anew, or answer yes if it is right", status: statusUse}
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
