package entry

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"countback/ledger/catalog"
	"countback/ledger/currency"
	"countback/ledger/event"
	"countback/ledger/landed"
	"countback/ledger/num"
)

// Book is what questions compare facts with.
type Book struct {
	Catalog *catalog.Catalog // of the ledger, with the definitions of the facts

	// OnHand returns the book figure of an item in base units just before an instant, the facts that are asked about included; false
	// where there is none.
	OnHand func(item string, at event.Time) (num.Qty, bool)

	// LastCost returns what the last receipt of an item before an instant cost, landed and in shop currency, and its quantity in base
	// units; false where there is none. Earlier restocks among the facts are found without it.
	LastCost func(item string, at event.Time) (cost num.Money, qty num.Qty, ok bool)

	// Received returns what a delivery brought of an item and what that cost, in the same terms; false where it brought none. Nil where nobody knows: then
	// nothing is asked about credits.
	Received func(restock event.ID, item string) (cost num.Money, qty num.Qty, ok bool)
}

// Question is something that looks wrong and may be right: it is asked before recording, and nothing is refused.
type Question struct {
	Index  int      // of the fact in the list, from 0
	Item   string   // the item that it is about
	Field  string   // of the entry in doubt
	Why    string   // what looks wrong. Of a count it does not tell the book figure: counting is blind.
	Hint   string   // what to look at
	Likely *num.Qty // what the entry, as it was made, may have meant; nil where there is no guess
}

// Questions returns what looks wrong in restocks, credits and counts, in the order of the facts. All arithmetic is exact. The figures of a counting
// session belong together: ask with all of them at once.
//
//   - A restock whose cost per base unit is ten times or a tenth of the last one or beyond.
//   - A credit of more than the delivery cost, or of more pieces than came with it.
//   - A count that is away from the book by more than three times the noise of counting, and comes within that noise once a slip is undone: a
//     pack more or less, pieces for packs, a nought too many or too few, two digits swapped, a digit left out or doubled. The noise is the
//     item's tolerance, else half a unit or 0.5 % by number, 2 % by weight or measure, of the book.
func Questions(facts []event.Fact, b Book) []Question {
	a := asker{facts: facts, book: b, view: b.Catalog.Start(), last: map[string]receipt{}, sums: map[sumKey]*sum{}}
	for _, i := range inTime(facts) {
		f := &facts[i]
		a.view.To(event.Key{Ms: f.Time.Ms(), Rank: f.Data.Kind().Rank(), ID: f.ID})
		switch d := f.Data.(type) {
		case *event.Restock:
			a.restock(i, d)
		case *event.Credit:
			a.credit(i, d)
		case *event.Count:
			a.figure(i, d)
		}
	}
	for _, s := range a.order {
		a.compare(s)
	}
	slices.SortStableFunc(a.out, func(x, y Question) int { return cmp.Compare(x.Index, y.Index) })
	return a.out
}

// inTime returns the places of the facts in fold order.
func inTime(facts []event.Fact) []int {
	at := make([]int, len(facts))
	for i := range at {
		at[i] = i
	}
	slices.SortStableFunc(at, func(i, k int) int {
		x, y := &facts[i], &facts[k]
		return cmp.Or(cmp.Compare(x.Time.Ms(), y.Time.Ms()), cmp.Compare(x.Data.Kind().Rank(), y.Data.Kind().Rank()))
	})
	return at
}

type receipt struct {
	cost num.Money
	qty  num.Qty
}

type asker struct {
	facts []event.Fact
	book  Book
	view  *catalog.View
	last  map[string]receipt // of the facts, by item
	sums  map[sumKey]*sum
	order []*sum
	out   []Question
}

// restock compares costs per base unit.
func (a *asker) restock(i int, d *event.Restock) {
	digits, ok := currency.Digits(a.book.Catalog.Shop.Currency)
	if !ok {
		digits = 2
	}
	costs, ok := landed.Costs(d, digits)
	if !ok {
		return
	}
	for n := range d.Lines {
		l := &d.Lines[n]
		it, ok := a.book.Catalog.Find(l.Item)
		if !ok {
			continue
		}
		qty, ok := a.view.Units(it.Index, *l.Qty, "", l.Pack)
		if !ok || qty.Sign() <= 0 || costs[n].Sign() <= 0 {
			continue
		}
		now := receipt{costs[n], qty}
		was, ok := a.lastOf(i, it)
		a.last[l.Item] = now
		if !ok {
			continue
		}
		way := ""
		switch {
		case !less(now, was.times(10)):
			way = "ten times what it last cost or more"
		case !less(was, now.times(10)):
			way = "a tenth of what it last cost or less"
		default:
			continue
		}
		q := Question{Index: i, Item: l.Item, Field: fmt.Sprintf("lines[%d].cost", n),
			Why:  fmt.Sprintf("one %s of %s comes to %s", unitName(it), l.Item, way),
			Hint: "check cost, quantity and pack"}
		if meant := a.otherPack(it, l, now.cost, was); meant != "" {
			q.Field, q.Hint, q.Likely = fmt.Sprintf("lines[%d].pack", n), "was it "+l.Qty.String()+" "+meant, l.Qty
		}
		a.out = append(a.out, q)
	}
}

// credit compares with what came.
func (a *asker) credit(i int, d *event.Credit) {
	if a.book.Received == nil {
		return
	}
	digits, ok := currency.Digits(a.book.Catalog.Shop.Currency)
	if !ok {
		digits = 2
	}
	for n := range d.Lines {
		l := &d.Lines[n]
		cost, qty, ok := a.book.Received(d.Restock, l.Item)
		if !ok {
			continue
		}
		amount := *l.Amount
		if d.Rate != nil {
			amount = num.Convert(amount, *d.Rate, digits)
		}
		if l.Qty != nil && qty.Less(*l.Qty) {
			a.out = append(a.out, Question{Index: i, Item: l.Item, Field: fmt.Sprintf("lines[%d].qty", n),
				Why: "more " + l.Item + " goes back than the " + qty.String() + " that came", Hint: "check the quantity and the delivery"})
		}
		if cost.Less(amount) {
			a.out = append(a.out, Question{Index: i, Item: l.Item, Field: fmt.Sprintf("lines[%d].amount", n),
				Why: "more money comes back for " + l.Item + " than the " + cost.StringFixed(digits) + " that it cost", Hint: "check the amount and the delivery"})
		}
	}
}

func unitName(it *catalog.Item) string {
	if it.Unit() == "each" {
		return "piece"
	}
	return it.Unit()
}

func (a *asker) lastOf(i int, it *catalog.Item) (receipt, bool) {
	if r, ok := a.last[it.ID]; ok {
		return r, true
	}
	if cost, qty, ok := a.book.LastCost(it.ID, a.facts[i].Time); ok {
		return receipt{cost, qty}, cost.Sign() > 0 && qty.Sign() > 0
	}
	if est := a.view.Def(it.Index).UnitCost; est != nil && est.Sign() > 0 {
		return receipt{*est, num.Whole(1)}, true
	}
	return receipt{}, false
}

// otherPack returns the pack, or the base unit, in which the line would cost between half and twice what the item last cost.
func (a *asker) otherPack(it *catalog.Item, l *event.RestockLine, cost num.Money, was receipt) string {
	fits := func(qty num.Qty) bool {
		r := receipt{cost, qty}
		return qty.Sign() > 0 && !less(was.times(2), r) && !less(r.times(2), was)
	}
	if l.Pack != "" && fits(*l.Qty) {
		return it.Unit()
	}
	packs := a.view.Def(it.Index).Packs
	for _, name := range slices.Sorted(maps.Keys(packs)) {
		if name != l.Pack && fits(l.Qty.Times(packs[name])) {
			return name
		}
	}
	return ""
}

// times is a receipt n times as dear.
func (r receipt) times(n int64) receipt { return receipt{r.cost.Times(num.Whole(n)), r.qty} }

// less compares costs per base unit without dividing: a/p < b/q where a·q < b·p. A quantity times a million is whole, so the products are exact.
func less(x, y receipt) bool {
	million := num.Whole(1_000_000)
	return x.cost.Times(y.qty.Times(million)).Less(y.cost.Times(x.qty.Times(million)))
}
