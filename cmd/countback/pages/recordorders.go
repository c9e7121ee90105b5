package pages

import (
	"countback/ledger/event"
	"countback/ledger/num"
)

// The forms about orders, and those that correct what was recorded.

var orderForm = &kindForm{
	kind: event.KindOrder, group: "Orders", task: "An order came in", title: "An order came in", submit: "Record the order",
	lead: "An order as it was placed. Many at once come in from a file.",
	blocks: func(f *form) []block {
		lines := f.listInput("lines", "More lines", f.goodsCells("lines"))
		return []block{
			{Fields: []input{f.textInput("order", "Number").needed(), f.textInput("zone", "Where it goes").listed("zones").needed()}},
			{Title: "What was ordered", List: lines},
			folded(block{Title: "More", Fields: []input{
				f.textInput("options", "Options").listed("options").hint("parted by commas, like gift wrap, card"), f.moneyInput("value", "Value of the goods"), f.moneyInput("shipping", "Paid for shipping"),
			}}),
		}
	},
	facts: func(f *form) []event.Data {
		d := &event.Order{
			Order: f.needText("order", "the order's number is missing", ""), Zone: f.needText("zone", "where it goes is missing", "give a name for it, such as home or abroad"),
			Options: f.list("options"), Value: f.money("value"), Shipping: f.money("shipping"), Note: f.text("note"),
		}
		f.needRows("lines", "item", "say what was ordered, in one line at least")
		d.Lines = f.goodsOf("lines")
		return []event.Data{d}
	},
}

func (f *form) goodsCells(string) func(row string) []input {
	return func(row string) []input {
		return []input{f.itemInput(row+".item", "Item").needed(), f.figureInput(row+".qty", "Pieces").needed()}
	}
}

var packForm = &kindForm{
	kind: event.KindPack, group: "Orders", task: "An order was packed", title: "An order was packed", submit: "Record the pack",
	lead: "Packed as the packing spec says. Say only what differed. Without lines it is the whole order as placed.",
	blocks: func(f *form) []block {
		parcels := block{Title: "How it was split into parcels", Lead: "Only where it wasn't split as the spec would."}
		n := rowsOf(f.values, "parcels") + 1
		if f.text("more") == "parcels" {
			n += 2
		}
		for i := range n {
			row := rowName("parcels", i)
			parcels.Blocks = append(parcels.Blocks, block{
				Class:  "inner",
				Fields: []input{f.choiceInput(row+".format", "Parcel", f.formats()...)},
				List:   f.listInput(row+".lines", "", f.goodsCells("")),
			})
		}
		parcels.Button = &button{"more", "parcels", "Another parcel"}
		return []block{
			{Fields: []input{f.textInput("order", "Order").listed("orders").needed(), f.moneyInput("postage", "Postage paid")}},
			f.changesBlock(),
			folded(block{Title: "Only a part of it, or an order that isn't known here", List: f.listInput("lines", "More lines", f.goodsCells("lines"))}),
			folded(parcels),
			folded(block{Title: "More", Fields: []input{
				f.textInput("zone", "Where it went").listed("zones").hint("where it isn't the order's"), f.textInput("options", "Options").listed("options").hint("instead of the order's; parted by commas"),
				f.textInput("joined", "In the parcel of order").listed("orders"), f.tickInput("resend", "Sent again, for one that got lost or broken"), f.specInput("spec", "By the packing spec", event.KindPackSpec),
			}}),
		}
	},
	facts: func(f *form) []event.Data {
		d := &event.Pack{
			Order: f.needText("order", "which order is missing", ""), Zone: f.text("zone"), Options: f.list("options"), Joined: f.text("joined"), Postage: f.money("postage"),
			Lines: f.goodsOf("lines"), Changes: f.changes(), Spec: f.id("spec"), Note: f.text("note"),
		}
		for _, row := range f.rows("parcels") {
			if !f.has(row + ".format") {
				f.fail(row+".format", "which kind of parcel is missing", "")
			}
			f.needRows(row+".lines", "item", "say what went into this parcel")
			d.Parcels = append(d.Parcels, event.Parcel{Format: f.text(row + ".format"), Lines: f.goodsOf(row + ".lines")})
		}
		if f.ticked("resend") {
			yes := true
			d.Resend = &yes
		}
		return []event.Data{d}
	},
}

// formats are the kinds of parcel of the packing spec in force.
func (f *form) formats() []option {
	list := []option{{Value: "", Label: "choose"}}
	if spec := f.look.View.Spec(); spec != nil {
		for _, x := range spec.Data.Formats {
			list = append(list, option{Value: x.Format, Label: x.Format})
		}
	}
	return append(list, option{Value: "none", Label: "handed over, without a parcel"})
}

// The ways in which use can differ from a spec.
const (
	differsBy      = ""
	differsTotal   = "total"
	differsNone    = "without"
	differsInstead = "instead"
)

// changesBlock asks what differed from the spec.
func (f *form) changesBlock() block {
	list := f.listInput("changes", "More lines", func(row string) []input {
		return []input{
			f.itemInput(row+".item", "Item").needed(),
			f.choiceInput(row+".what", "What differed", option{Value: differsBy, Label: "so much more (−: less)"}, option{Value: differsTotal, Label: "so much in all"},
				option{Value: differsNone, Label: "none of it"}, option{Value: differsInstead, Label: "so much of it, instead of"}),
			f.figureInput(row+".qty", "How much"), f.inInput(row+".in", row+".item"), f.itemInput(row+".instead_of", "Instead of"),
		}
	})
	return folded(block{Title: "What differed from the spec", List: list})
}

// changes reads what differed, in the order of the rows.
func (f *form) changes() (list []event.Change) {
	for _, row := range f.rows("changes") {
		it := f.item(row + ".item")
		what := f.text(row + ".what")
		if f.has(row+".instead_of") && what == differsBy {
			what = differsInstead
		}
		var ch event.Change
		if what == differsNone {
			ch.Total = &num.Qty{}
			if f.has(row + ".qty") {
				f.fail(row+".qty", "nothing of it was used, and yet a number stands here", "leave it out, or choose another answer")
			}
		} else {
			a, ok := f.amount(row, it, "how much is missing")
			if !ok {
				continue
			}
			var q num.Qty
			q, ch.Measure = f.read.InMeasures(it, a)
			if ch.Qty = &q; what != differsBy {
				ch.Qty, ch.Total = nil, &q
			}
		}
		if it == nil {
			continue
		}
		ch.Item = it.ID
		switch {
		case what == differsInstead:
			if other := f.item(row + ".instead_of"); other != nil {
				ch.InsteadOf = other.ID
			}
		case f.has(row + ".instead_of"):
			f.fail(row+".instead_of", "goes with the answer “instead of”", "choose that, or leave it out")
		}
		list = append(list, ch)
	}
	return list
}

var conditions = []option{{Value: "", Label: "choose"}, {Value: "saleable", Label: "can be sold again"}, {Value: "scrap", Label: "scrap"}}

var returnForm = &kindForm{
	kind: event.KindReturn, group: "Orders", task: "Goods came back", title: "Goods came back", submit: "Record the return",
	lead: "Goods that can be sold again go back into stock at the cost with which they left it; scrap moves nothing, and its cost stays with the order.",
	blocks: func(f *form) []block {
		lines := f.listInput("lines", "More lines", func(row string) []input {
			return append(f.goodsCells("")(row), f.choiceInput(row+".condition", "How they are", conditions...).needed())
		})
		return []block{
			{Fields: []input{f.textInput("order", "Of order").listed("orders").needed()}},
			{Title: "What came back", List: lines},
		}
	},
	facts: func(f *form) []event.Data {
		d := &event.Return{Order: f.needText("order", "which order is missing", ""), Note: f.text("note")}
		for _, row := range f.needRows("lines", "item", "say what came back, in one line at least") {
			g, ok := f.goods(row)
			if !f.has(row + ".condition") {
				f.fail(row+".condition", "how the goods are is missing", "")
			}
			if ok {
				d.Lines = append(d.Lines, event.ReturnLine{Item: g.Item, Qty: g.Qty, Condition: f.text(row + ".condition")})
			}
		}
		return []event.Data{d}
	},
	fill: func(f *form) { f.fillReturn() },
}

var reverseForm = &kindForm{
	kind: event.KindReverse, group: "Corrections", task: "Take an entry back", title: "Take an entry back", submit: "Take it back",
	lead: "The entry stays in the ledger with your reason beside it and leaves all figures. To undo this, record the fact again.",
	blocks: func(f *form) []block {
		return []block{{Fields: []input{
			f.textInput("event", "Entry").hint("its id, as what was recorded shows it").needed(), f.textInput("reason", "Why").wide().needed(),
		}}}
	},
	facts: func(f *form) []event.Data {
		d := &event.Reverse{Event: f.id("event"), Reason: f.needText("reason", "the reason is missing", "a word is enough, like slip"), Note: f.text("note")}
		if !f.has("event") {
			f.fail("event", "which entry is missing", "")
		}
		return []event.Data{d}
	},
}

var decideForm = &kindForm{
	kind: event.KindDecide, group: "Corrections", task: "Settle a pack that may be a double", title: "Settle a pack that may be a double", submit: "Record the decision",
	lead: "Keep says that the pack happened, drop that it didn't.",
	blocks: func(f *form) []block {
		return []block{{Fields: []input{
			f.textInput("event", "Pack").hint("its id, as what was recorded shows it").needed(),
			f.choiceInput("keep", "It", option{Value: "", Label: "choose"}, option{Value: "keep", Label: "happened: keep"}, option{Value: "drop", Label: "didn't happen: drop"}).needed(),
			f.textInput("reason", "Why").wide(),
		}}}
	},
	facts: func(f *form) []event.Data {
		keep := f.text("keep") == "keep"
		d := &event.Decide{Event: f.id("event"), Keep: &keep, Reason: f.text("reason"), Note: f.text("note")}
		if !f.has("event") {
			f.fail("event", "which pack is missing", "")
		}
		if !keep && f.text("keep") != "drop" {
			f.fail("keep", "the decision is missing", "keep or drop")
		}
		return []event.Data{d}
	},
}
