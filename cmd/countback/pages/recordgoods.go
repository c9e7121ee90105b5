package pages

import (
	"fmt"

	"countback/ledger/event"
	"countback/ledger/num"
)

// The forms of what comes in and what leaves beside orders.

var restockForm = &kindForm{
	kind: event.KindRestock, group: "Goods in", task: "Goods came in", title: "Goods came in", submit: "Record the delivery",
	lead: "What came, in the packs that it is bought in, and what each line cost in all, before freight, duty and tax.",
	blocks: func(f *form) []block {
		lines := f.listInput("lines", "More lines", func(row string) []input {
			return []input{
				f.itemInput(row+".item", "Item").needed(), f.figureInput(row+".qty", "How many came").needed(), f.inInput(row+".in", row+".item"),
				f.moneyInput(row+".cost", "Cost of the line").needed(), f.figureInput(row+".expected", "Should have come"),
			}
		})
		return []block{
			{Fields: []input{f.textInput("supplier", "Supplier").listed("suppliers"), f.textInput("ref", "Number of the delivery or bill")}},
			{Title: "What came", List: lines},
			folded(block{Title: "Freight, duty, tax, discount", Fields: []input{
				f.moneyInput("freight", "Freight"), f.moneyInput("duty", "Duty that can't be reclaimed"), f.moneyInput("tax", "Tax that can't be reclaimed"), f.moneyInput("discount", "Discount on the whole"),
			}}),
			folded(block{Title: "Of a purchase", Fields: []input{
				f.purchaseInput("purchase", "It belongs to"), f.tickInput("final", "Nothing more will come of that purchase"),
			}}),
			folded(block{Title: "A bill in another currency", Fields: f.currencyInputs()}),
		}
	},
	facts: func(f *form) []event.Data {
		d := &event.Restock{
			Supplier: f.text("supplier"), Ref: f.text("ref"), Purchase: f.id("purchase"), Freight: f.money("freight"), Duty: f.money("duty"), Tax: f.money("tax"),
			Discount: f.money("discount"), Currency: f.text("currency"), Rate: f.rate("rate"), Note: f.text("note"),
		}
		if f.ticked("final") {
			yes := true
			d.Final = &yes
		}
		for _, row := range f.needRows("lines", "item", "say what came, in one line at least") {
			it := f.item(row + ".item")
			a, ok := f.amount(row, it, "how many came is missing; 0 beside what should have come is an answer")
			l := event.RestockLine{Expected: f.qty(row + ".expected"), Cost: f.money(row + ".cost")}
			if l.Cost == nil {
				f.fail(row+".cost", "what it cost is missing", "write 0 for a gift")
			}
			if !ok {
				continue
			}
			qty, pack := f.read.InPacks(it, a)
			l.Item, l.Qty, l.Pack = it.ID, &qty, pack
			if l.Expected != nil && a.Measure != "" {
				a.Qty = *l.Expected
				base := f.read.Base(it, a)
				l.Expected = &base
			}
			d.Lines = append(d.Lines, l)
		}
		return []event.Data{d}
	},
	fill: func(f *form) { f.fillPurchase() },
}

func (f *form) currencyInputs() []input {
	return []input{
		f.textInput("currency", "Currency of the bill").hint("three letters, like EUR"),
		f.figureInput("rate", "Rate").hint("what one of it is in " + f.look.Shop.Currency),
	}
}

var purchaseForm = &kindForm{
	kind: event.KindPurchase, group: "Goods in", task: "Ordered at a supplier", title: "Ordered at a supplier", submit: "Record what is on order",
	lead: "What is on order, so that the plan counts on it. When it comes, record that goods came in and name this purchase.",
	blocks: func(f *form) []block {
		lines := f.listInput("lines", "More lines", func(row string) []input {
			return []input{
				f.itemInput(row+".item", "Item").needed(), f.figureInput(row+".qty", "How many").needed(), f.inInput(row+".in", row+".item"), f.moneyInput(row+".cost", "Cost of the line"),
			}
		})
		return []block{
			{Fields: []input{
				f.textInput("supplier", "Supplier").listed("suppliers").hint("without one, the item's usual supplier"), f.textInput("ref", "Number"), f.dayInput("due", "Should come on"),
			}},
			{Title: "What is on order", List: lines},
		}
	},
	facts: func(f *form) []event.Data {
		d := &event.Purchase{Supplier: f.text("supplier"), Ref: f.text("ref"), Due: f.date("due"), Note: f.text("note")}
		usual := ""
		for _, row := range f.needRows("lines", "item", "say what is on order, in one line at least") {
			it := f.item(row + ".item")
			a, ok := f.amount(row, it, "how many is missing")
			cost := f.money(row + ".cost")
			if !ok {
				continue
			}
			qty, pack := f.read.InPacks(it, a)
			d.Lines = append(d.Lines, event.PurchaseLine{Item: it.ID, Qty: qty, Pack: pack, Cost: cost})
			if usual == "" {
				usual = f.look.View.Def(it.Index).Supplier
			}
		}
		if d.Supplier == "" {
			d.Supplier = usual
		}
		if d.Supplier == "" && len(d.Lines) > 0 {
			f.fail("supplier", "the item has no usual supplier", "name one")
		}
		return []event.Data{d}
	},
}

var creditForm = &kindForm{
	kind: event.KindCredit, group: "Goods in", task: "A supplier's refund or later bill", title: "A supplier's refund or later bill", submit: "Record it",
	lead: "Money back for goods of an earlier delivery, with or without goods that went back, or a bill that came later.",
	blocks: func(f *form) []block {
		lines := f.listInput("lines", "More lines", func(row string) []input {
			return []input{
				f.itemInput(row+".item", "Item").needed(), f.moneyInput(row+".amount", "Amount").needed(), f.figureInput(row+".qty", "Went back to the supplier"), f.inInput(row+".in", row+".item"),
			}
		})
		return []block{
			{Fields: []input{
				f.restockInput("restock", "Of the delivery").needed(),
				f.choiceInput("what", "It is", option{Value: "", Label: "a refund: money comes back"}, option{Value: "bill", Label: "a later bill: money is paid"}),
				f.textInput("reason", "Why"),
			}},
			{Title: "Of what", List: lines},
			folded(block{Title: "In another currency", Fields: f.currencyInputs()}),
		}
	},
	facts: func(f *form) []event.Data {
		d := &event.Credit{Restock: f.id("restock"), Currency: f.text("currency"), Rate: f.rate("rate"), Reason: f.text("reason"), Note: f.text("note")}
		if !f.has("restock") {
			f.fail("restock", "which delivery it is about is missing", "")
		}
		for _, row := range f.needRows("lines", "item", "say what it is for, in one line at least") {
			l := event.CreditLine{Amount: f.money(row + ".amount")}
			if l.Amount == nil {
				f.fail(row+".amount", "the amount is missing", "")
			} else if f.text("what") == "bill" {
				amount := l.Amount.Neg()
				l.Amount = &amount
			}
			it := f.item(row + ".item")
			if it == nil {
				continue
			}
			l.Item = it.ID
			if f.has(row + ".qty") {
				if a, ok := f.amount(row, it, ""); ok {
					base := f.read.Base(it, a)
					l.Qty = &base
				}
			}
			d.Lines = append(d.Lines, l)
		}
		return []event.Data{d}
	},
	fill: func(f *form) { f.fillRestock() },
}

var reasons = []option{
	{Value: "", Label: "choose"}, {Value: "damaged", Label: "damaged"}, {Value: "spoiled", Label: "spoiled"}, {Value: "expired", Label: "expired"}, {Value: "sample", Label: "a sample"},
	{Value: "gift", Label: "a gift"}, {Value: "own_use", Label: "own use"}, {Value: "other", Label: "other"},
}

var damageForm = &kindForm{
	kind: event.KindDamage, group: "Stock", task: "A write-off, sample, gift or own use", title: "A write-off, sample, gift or own use", submit: "Record it",
	lead: "What left stock without being sold, and why.",
	blocks: func(f *form) []block {
		lines := f.listInput("lines", "More lines", func(row string) []input {
			return []input{f.itemInput(row+".item", "Item").needed(), f.figureInput(row+".qty", "How many").needed(), f.inInput(row+".in", row+".item")}
		})
		return []block{
			{Title: "What left stock", List: lines},
			{Fields: []input{f.choiceInput("reason", "Why", reasons...).needed(), f.textInput("order", "Order that it has to do with").listed("orders")}},
		}
	},
	facts: func(f *form) (list []event.Data) {
		for _, row := range f.needRows("lines", "item", "say what left stock, in one line at least") {
			it := f.item(row + ".item")
			a, ok := f.amount(row, it, "how many is missing")
			if !ok {
				continue
			}
			d := &event.Damage{Item: it.ID, Reason: f.text("reason"), Order: f.text("order"), Note: f.text("note")}
			d.Qty, d.Measure = f.read.InMeasures(it, a)
			list = append(list, d)
		}
		if !f.has("reason") {
			f.fail("reason", "why it left stock is missing", "")
		}
		return list
	},
	at: rowFields("reason", "order", "note"),
}

// rowFields is where the fields of one of several facts stand: in its row, but for those that all share.
func rowFields(shared ...string) func(int, string) string {
	return func(index int, field string) string {
		for _, s := range append(shared, "time") {
			if field == s {
				return field
			}
		}
		if field == "" {
			field = "item"
		}
		return rowName("lines", index) + "." + field
	}
}

var countForm = &kindForm{
	kind: event.KindCount, group: "Stock", task: "A count", title: "A count", submit: "Record the count",
	lead: "What you saw, whatever the book says. What is on hand at that time is what was counted. In a session the figures of an item at several places add up.",
	blocks: func(f *form) []block {
		lines := f.listInput("lines", "More lines", func(row string) []input {
			return []input{
				f.itemInput(row+".item", "Item").needed(), f.figureInput(row+".qty", "How many").needed(), f.inInput(row+".in", row+".item"), f.textInput(row+".place", "Place").listed("places"),
				f.moneyInput(row+".cost", "What they cost, if it is the first figure"),
			}
		})
		weights := f.listInput("weights", "More weights", func(row string) []input {
			return []input{
				f.itemInput(row+".item", "Item").needed(), f.figureInput(row+".gross", "Weight with the container").needed(), f.figureInput(row+".tare", "Of the container"),
				f.choiceInput(row+".weight_unit", "In", option{Value: "", Label: "g"}, option{Value: "kg", Label: "kg"}, option{Value: "oz", Label: "oz"}, option{Value: "lb", Label: "lb"}),
				f.textInput(row+".place", "Place").listed("places"),
			}
		})
		return []block{
			{Title: "What is there", List: lines},
			folded(block{Title: "Weighed instead of counted", List: weights}),
			folded(block{Title: "Session and exactness", Fields: []input{
				f.textInput("session", "Session").listed("sessions").hint("the name of the count that it belongs to"),
				f.textInput("tolerance", "How exact it is").hint("3 (base units) or 2%"),
			}}),
		}
	},
	facts: func(f *form) (list []event.Data) {
		session, tolerance := f.text("session"), f.tolerance("tolerance")
		if rowsOf(f.values, "weights") == 0 {
			f.needRows("lines", "item", "say what is there, in one line at least")
		}
		for _, row := range f.rows("lines") {
			it := f.item(row + ".item")
			a, ok := f.amount(row, it, "the figure is missing; 0 is one")
			d := &event.Count{Place: f.text(row + ".place"), Session: session, Tolerance: tolerance, Cost: f.money(row + ".cost"), Note: f.text("note")}
			if ok {
				d.Item, d.Qty, d.Pack, d.Measure = it.ID, &a.Qty, a.Pack, a.Measure
			}
			list = append(list, d)
		}
		for _, row := range f.rows("weights") {
			it := f.item(row + ".item")
			d := &event.Count{Gross: f.qty(row + ".gross"), Tare: f.qty(row + ".tare"), WeightUnit: f.text(row + ".weight_unit"), Place: f.text(row + ".place"), Session: session, Tolerance: tolerance, Note: f.text("note")}
			if d.Gross == nil {
				f.fail(row+".gross", "the weight is missing", "")
			}
			if d.Tare == nil {
				d.Tare = &num.Qty{}
			}
			if d.WeightUnit == "" {
				d.WeightUnit = "g"
			}
			if it != nil {
				d.Item = it.ID
			}
			list = append(list, d)
		}
		return list
	},
	place: func(f *form, index int, field string) string {
		switch n := rowsOf(f.values, "lines"); {
		case field == "session" || field == "tolerance" || field == "note" || field == "time":
			return field
		case field == "":
			field = "item"
			fallthrough
		default:
			if index >= n {
				return fmt.Sprintf("%s.%s", rowName("weights", index-n), field)
			}
			return fmt.Sprintf("%s.%s", rowName("lines", index), field)
		}
	},
}

var reprintForm = &kindForm{
	kind: event.KindReprint, group: "Stock", task: "A print run", title: "A print run", submit: "Record the print run",
	lead: "Any run that makes an item: how many pieces came out good and how many were spoiled. What it used is what the make spec says, unless you say what differed.",
	blocks: func(f *form) []block {
		return []block{
			{Fields: []input{
				f.itemInput("item", "What was made").needed(), f.figureInput("good", "Good pieces").needed(), f.figureInput("spoiled", "Spoiled pieces").needed(),
			}},
			f.changesBlock(),
			folded(block{Title: "More", Fields: []input{
				f.figureInput("cycles", "Sheets or passes").hint("where they weren't as many as the pieces need"), f.textInput("order", "Made for the order").listed("orders").hint("then the pieces never enter stock"),
				f.textInput("reason", "Why"), f.specInput("spec", "By the make spec", event.KindMakeSpec),
			}}),
		}
	},
	facts: func(f *form) []event.Data {
		d := &event.Reprint{Good: f.qty("good"), Spoiled: f.qty("spoiled"), Cycles: f.qty("cycles"), Changes: f.changes(), Order: f.text("order"), Reason: f.text("reason"), Spec: f.id("spec"), Note: f.text("note")}
		for _, field := range []string{"good", "spoiled"} {
			if !f.has(field) {
				f.fail(field, "how many is missing", "write 0 for none")
			}
		}
		if it := f.item("item"); it != nil {
			d.Item = it.ID
		}
		return []event.Data{d}
	},
}

var retireForm = &kindForm{
	kind: event.KindRetire, group: "Corrections", task: "An item is no longer used", title: "An item is no longer used", submit: "Take it out of the lists",
	lead: "It leaves the lists and the plan. What is left of it stays in stock until it is used, written off or counted to 0. Defining it again brings it back.",
	blocks: func(f *form) []block {
		return []block{{Fields: []input{f.itemInput("item", "Item").needed()}}}
	},
	facts: func(f *form) []event.Data {
		d := &event.Retire{Note: f.text("note")}
		if it := f.item("item"); it != nil {
			d.Item = it.ID
		}
		return []event.Data{d}
	},
}
