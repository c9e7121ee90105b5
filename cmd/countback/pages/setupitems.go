package pages

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"countback/cmd/countback/typed"
	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// itemRow is one item of the list.
type itemRow struct {
	ID, Name, Type, Unit, Packs, Measures, Place, Supplier string
	Made, Retired                                          bool
}

// itemsPage lists what there is.
type itemsPage struct {
	Query   string
	Items   []itemRow
	Retired []itemRow
	More    int
}

// mostItems bounds the list on one page.
const mostItems = 500

func serveItems(v *view) error {
	l := v.look
	p := itemsPage{Query: strings.TrimSpace(v.r.URL.Query().Get("q"))}
	want := strings.ToLower(p.Query)
	for _, it := range l.Catalog.Items {
		def := l.View.Def(it.Index)
		row := itemRow{
			ID: it.ID, Name: def.Name, Type: def.Type, Unit: unitWord(it.Unit()), Packs: unitsText(def.Packs), Measures: unitsText(def.Measures), Place: def.Place, Supplier: def.Supplier,
			Made: l.View.Make(it.Index) != nil, Retired: l.View.Retired(it.Index),
		}
		if want != "" && !strings.Contains(strings.ToLower(strings.Join([]string{row.ID, row.Name, row.Place, row.Supplier, def.Class, def.Barcode}, "\n")), want) {
			continue
		}
		switch {
		case row.Retired:
			p.Retired = append(p.Retired, row)
		case len(p.Items) == mostItems:
			p.More++
		default:
			p.Items = append(p.Items, row)
		}
	}
	return v.render("setup-items", p)
}

func unitsText(m map[string]num.Qty) string {
	var list []string
	for _, name := range slices.Sorted(maps.Keys(m)) {
		list = append(list, name+" "+Grouped(m[name]))
	}
	return strings.Join(list, ", ")
}

func itemBlocks(f *form, known *catalog.Item) []block {
	id := f.textInput("item", "Short name").hint("how commands, files and labels call it; it stays for good").needed()
	typ := f.choiceInput("type", "It is", option{Value: "", Label: "choose"}, option{Value: "good", Label: "a good: it is sold"}, option{Value: "supply", Label: "a supply: it is used"},
		option{Value: "prepared", Label: "a prepared piece: it stands for its parts"}).needed()
	base := f.choiceInput("unit", "Counted in", option{Value: "", Label: "choose"}, option{Value: "each", Label: "pieces"}, option{Value: "mm", Label: "mm"}, option{Value: "g", Label: "g"}, option{Value: "ml", Label: "ml"}).
		hint("the smallest piece that is ever used").needed()
	first := []input{f.textInput("name", "Name").wide().needed()}
	if known == nil {
		first = []input{first[0], id, typ, base}
	}
	b := base
	if known != nil {
		b.Value = known.Unit()
	}
	after := unitWord(b.Value)
	packs := f.listInput("packs", "More packs", func(row string) []input {
		return []input{f.textInput(row+".name", "Pack").needed(), f.figureInput(row+".holds", "Holds").after(after).needed()}
	})
	measures := f.listInput("measures", "More measures", func(row string) []input {
		return []input{f.textInput(row+".name", "Measure").needed(), f.figureInput(row+".holds", "Is").after(after).needed()}
	})
	packs.Removes, measures.Removes = true, true
	parts := f.listInput("parts", "More parts", func(row string) []input {
		return []input{f.itemInput(row+".item", "Part").needed(), f.figureInput(row+".qty", "How many in one").needed(), f.inInput(row+".in", row+".item")}
	})
	parts.Removes = true
	list := []block{
		{Fields: first},
		{Title: "How it is bought", Lead: "A box of 150, a spool of 50 m.", List: packs},
		{Title: "How it is used", Lead: "A wrap of 310 mm. Sizes may be written in any unit that fits; they have to be exact.", List: measures},
		folded(block{Title: "What one prepared piece holds", List: parts}),
		{Title: "Where it lies and who sells it", Fields: []input{
			f.textInput("place", "Place").listed("places"), f.textInput("supplier", "Supplier").listed("suppliers"),
			f.figureInput("lead_days", "Days from order to delivery"), f.figureInput("lead_days_max", "Days in a bad case"),
		}},
		folded(block{Title: "For packing", Fields: []input{
			f.textInput("class", "Class").listed("classes").hint("what kind of good it is, for packing specs"), f.figureInput("points", "Points").hint("room that one piece takes in a parcel; 1 where it is empty"),
		}}),
		folded(block{Title: "Cost, price, weight, barcode", Fields: []input{
			f.moneyInput("unit_cost", "Estimated cost of one "+one(after)), f.moneyInput("price", "Selling price of one"), f.textInput("piece_weight", "Weight of one "+one(after)).hint("in g, or with a unit, like 0.4 oz"),
			f.textInput("tolerance", "How exact its counts are").hint("3 (base units) or 2%"), f.textInput("barcode", "Barcode"),
		}}),
	}
	if known != nil {
		list = append(list, f.holdsBlock(event.KindItem, func(e *event.Event) bool { return e.Data.(*event.Item).Item != known.ID }))
	}
	return list
}

// one is a unit in the singular.
func one(word string) string {
	if word == "pieces" {
		return "piece"
	}
	return word
}

// holdsBlock asks from when a definition holds: from its day on, or in the place of one that was wrong from the start.
func (f *form) holdsBlock(kind event.Kind, skip func(*event.Event) bool) block {
	i := f.eventInput("restates", "It holds", "from its day on, as a change", kind, skip)
	for k := range i.Options {
		if i.Options[k].Value != "" {
			i.Options[k].Label = "in place of " + i.Options[k].Label
		}
	}
	i.Wide = true
	return block{Title: "From when it holds", Fields: []input{i.hint("put one right that was wrong from the start, and history is worked out anew; a change leaves the past as it is")}}
}

// fillItem puts a definition into a form.
func (f *form) fillItem(id string, def *catalog.Def) {
	for field, v := range map[string]string{
		"item": id, "name": def.Name, "type": def.Type, "unit": def.Unit, "class": def.Class, "place": def.Place, "supplier": def.Supplier, "barcode": def.Barcode,
		"piece_weight": fieldNumber(def.PieceWeight), "unit_cost": fieldNumber(def.UnitCost), "price": fieldNumber(def.Price),
		"lead_days": intText(def.LeadDays), "lead_days_max": intText(def.LeadDaysMax), "tolerance": toleranceText(def.Tolerance),
	} {
		f.set(field, v)
	}
	if usual := num.Whole(1); def.Points.Cmp(usual) != 0 {
		f.set("points", typed.Field(def.Points.String()))
	}
	for list, m := range map[string]map[string]num.Qty{"packs": def.Packs, "measures": def.Measures} {
		for i, name := range slices.Sorted(maps.Keys(m)) {
			q := m[name]
			f.set(rowName(list, i)+".name", name)
			f.set(rowName(list, i)+".holds", fieldNumber(&q))
		}
	}
	for i, p := range def.Parts {
		f.set(rowName("parts", i)+".item", p.Item)
		f.set(rowName("parts", i)+".qty", fieldNumber(&p.Qty))
	}
}

func intText(n *int) string {
	if n == nil {
		return ""
	}
	return fmt.Sprint(*n)
}

func toleranceText(t *event.Tolerance) string {
	if t == nil {
		return ""
	}
	b, err := t.MarshalText()
	if err != nil {
		return ""
	}
	text, percent := strings.CutSuffix(string(b), "%")
	text = typed.Field(text)
	if percent {
		text += "%"
	}
	return text
}

// addUnit puts a pack or measure that was worked out elsewhere ("sheet:4") into a form.
func (f *form) addUnit(list, text string) {
	at := strings.LastIndexByte(text, ':')
	if at < 1 {
		return
	}
	name, holds := text[:at], text[at+1:]
	row := rowName(list, rowsOf(f.values, list))
	for _, r := range f.rows(list) {
		if f.text(r+".name") == name {
			row = r
		}
	}
	f.set(row+".name", name)
	f.set(row+".holds", holds)
}

func serveItemForm(v *view) error {
	q := v.r.URL.Query()
	f := newForm(v.look, v.desk().Now(), nil)
	id := q.Get("item")
	known, ok := v.look.Catalog.Find(id)
	if ok {
		f.fillItem(id, v.look.View.Def(known.Index))
	} else {
		for _, name := range []string{"item", "name", "type", "unit", "barcode", "place", "supplier"} {
			f.set(name, q.Get(name))
		}
	}
	f.set("restates", q.Get("restates"))
	f.set("person", v.person())
	if pack := q.Get("pack"); pack != "" {
		f.addUnit("packs", pack)
	}
	if measure := q.Get("measure"); measure != "" {
		f.addUnit("measures", measure)
	}
	p := v.itemPage(f, known)
	p.Done = v.done(q["recorded"])
	return v.render("setup-form", p)
}

func (v *view) itemPage(f *form, known *catalog.Item) setupForm {
	title, lead, submit := "A new item", "What it is, how it is bought and how it is used.", "Record the item"
	p := setupForm{}
	if known != nil {
		def := v.look.View.Def(known.Index)
		title, lead, submit = def.Name, "Change what is different; only that is recorded.", "Record the change"
		p.Item = &itemName{known.ID, def.Name}
		p.Retired = v.look.View.Retired(known.Index)
		p.History = v.itemHistory(known)
		p.Links = []task{
			{Path: "/setup/cut?item=" + url.QueryEscape(known.ID), Name: "Work a pack or measure out from a sheet or a roll"},
			{Path: "/setup/making?item=" + url.QueryEscape(known.ID), Name: "What a print run of it uses"},
		}
		if !p.Retired {
			p.Links = append(p.Links, task{Path: "/record/retire?item=" + url.QueryEscape(known.ID), Name: "It is no longer used"})
		}
	}
	p.Form = v.setupView(f, title, lead, "/setup/item", submit, itemBlocks(f, known), event.KindItem)
	if known != nil {
		p.Form.Hidden = []input{{Name: "item", Value: known.ID}}
	}
	return p
}

func (v *view) itemHistory(it *catalog.Item) (list []revision) {
	l := v.look
	l.Log.Events(func(e *event.Event, reversed bool) {
		switch d := e.Data.(type) {
		case *event.Item:
			if d.Item == it.ID {
				r := v.revision(e, itemFields(d))
				r.StandsFor = d.Restates
				r.PutRight = "/setup/item?item=" + url.QueryEscape(it.ID) + "&restates=" + e.ID.String()
				list = append(list, r)
			}
		case *event.Retire:
			if d.Item == it.ID {
				r := v.revision(e, "taken out of the lists")
				r.TakenBack = reversed
				list = append(list, r)
			}
		}
	})
	slices.Reverse(list)
	return list
}

// itemFields says what a definition names.
func itemFields(d *event.Item) string {
	var list []string
	say := func(label, text string) {
		if text != "" {
			list = append(list, label+" "+text)
		}
	}
	say("name", d.Name)
	say("type", d.Type)
	say("counted in", d.Unit)
	if d.Packs != nil {
		say("packs:", orNone(unitsText(d.Packs)))
	}
	if d.Measures != nil {
		say("measures:", orNone(unitsText(d.Measures)))
	}
	say("class", d.Class)
	if d.Points != nil {
		say("points", d.Points.String())
	}
	say("place", d.Place)
	say("supplier", d.Supplier)
	say("days to deliver", intText(d.LeadDays))
	say("in a bad case", intText(d.LeadDaysMax))
	say("counts exact to", toleranceText(d.Tolerance))
	if d.PieceWeight != nil {
		say("weighs", Grouped(*d.PieceWeight)+" g")
	}
	if d.UnitCost != nil {
		say("cost", d.UnitCost.String())
	}
	say("barcode", d.Barcode)
	if d.Price != nil {
		say("price", d.Price.String())
	}
	for _, p := range d.Parts {
		say("part", p.Qty.String()+" "+p.Item)
	}
	if len(list) == 0 {
		return "brought back into the lists"
	}
	return strings.Join(list, ", ")
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func takeItem(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	known, ok := v.look.Catalog.Find(f.text("item"))
	if !ok {
		known = nil
	}
	show := func(status int, change func(*formView)) error {
		p := v.itemPage(f, known)
		if change != nil {
			change(&p.Form)
		}
		return v.renderStatus(status, "setup-form", p)
	}
	if f.has("more") {
		return show(http.StatusOK, nil)
	}
	d := f.itemData(known)
	if known != nil && !f.bad() && bare(d) && !v.look.View.Retired(known.Index) {
		f.fail("", nothingNew, "")
	}
	facts := v.facts(f, []event.Data{d}, event.KindItem)
	if f.bad() {
		return show(http.StatusUnprocessableEntity, nil)
	}
	return v.record(f, facts, recording{at: itemField(f), show: show, then: "/setup/item?item=" + url.QueryEscape(d.Item)})
}

// bare reports whether a definition names nothing.
func bare(d *event.Item) bool {
	x := *d
	x.Item, x.Note, x.Restates = "", "", event.ID{}
	return itemFields(&x) == itemFields(&event.Item{})
}

// itemField is where a field of an item's data stands in its form: packs and measures by name.
func itemField(f *form) func(int, string) string {
	return func(_ int, field string) string {
		list, name, ok := strings.Cut(field, ".")
		if ok && (list == "packs" || list == "measures") {
			for _, row := range f.rows(list) {
				if f.text(row+".name") == name {
					return row + ".holds"
				}
			}
			return rowName(list, 0) + ".name"
		}
		return field
	}
}

// itemData reads an item's form: all of a new item, of a known one what differs from what holds.
func (f *form) itemData(known *catalog.Item) *event.Item {
	d := &event.Item{Item: f.text("item"), Restates: f.id("restates"), Note: f.text("note")}
	was := &catalog.Def{}
	base := f.text("unit")
	if known != nil {
		was, base = f.look.View.Def(known.Index), known.Unit()
	} else {
		f.needText("item", "the short name is missing", "a word without spaces is best, like fern-card")
		d.Type = f.needText("type", "what it is is missing", "")
		d.Unit = f.needText("unit", "what it is counted in is missing", "")
		f.needText("name", "the name is missing", "")
	}
	d.Name = f.textDiff("name", was.Name)
	d.Class = f.textDiff("class", was.Class)
	d.Place = f.textDiff("place", was.Place)
	d.Supplier = f.textDiff("supplier", was.Supplier)
	d.Barcode = f.textDiff("barcode", was.Barcode)
	d.Tolerance = diff(f, "tolerance", f.tolerance("tolerance"), was.Tolerance, toleranceText)
	d.LeadDays = diff(f, "lead_days", f.days("lead_days"), was.LeadDays, intText)
	d.LeadDaysMax = diff(f, "lead_days_max", f.days("lead_days_max"), was.LeadDaysMax, intText)
	d.UnitCost = diff(f, "unit_cost", f.money("unit_cost"), was.UnitCost, fieldNumber)
	d.Price = diff(f, "price", f.money("price"), was.Price, fieldNumber)
	d.PieceWeight = diff(f, "piece_weight", f.weight("piece_weight"), was.PieceWeight, fieldNumber)
	d.Points = f.points(known != nil, was.Points)
	d.Packs = f.units("packs", base, was.Packs)
	d.Measures = f.units("measures", base, was.Measures)
	d.Parts = f.parts(was.Parts)
	return d
}

// cleared says that a definition can't take a field out again: an event names what changes, and nothing has no name.
func (f *form) cleared(field string) {
	f.fail(field, "can't be empty once it was set", "write what is right")
}

// textDiff is a field's text where it differs from what holds.
func (f *form) textDiff(field, was string) string {
	switch text := f.text(field); {
	case text == was:
		return ""
	case text == "":
		f.cleared(field)
		return ""
	default:
		return text
	}
}

// diff is a field's value where it differs from what holds.
func diff[T any](f *form, field string, now, was *T, text func(*T) string) *T {
	switch {
	case now == nil && was != nil && !f.has(field):
		f.cleared(field)
		return nil
	case now != nil && was != nil && text(now) == text(was):
		return nil
	}
	return now
}

// points are 1 where nobody says otherwise.
func (f *form) points(known bool, was num.Qty) *num.Qty {
	now := f.qty("points")
	if !known {
		return now
	}
	if now == nil && !f.has("points") {
		usual := num.Whole(1)
		now = &usual
	}
	if now == nil || now.Cmp(was) == 0 {
		return nil
	}
	return now
}

// weight reads a weight in grams or with its unit.
func (f *form) weight(field string) *num.Qty {
	if !f.has(field) {
		return nil
	}
	number, word, err := typed.CutNumber(f.text(field))
	if err != nil {
		f.failed(field, err)
		return nil
	}
	q, err := unit.ParseQty(number+" "+cmp.Or(word, "g"), "g")
	if err != nil {
		f.failed(field, err)
		return nil
	}
	return &q
}

// units reads packs or measures; nil where they are as they were.
func (f *form) units(list, base string, was map[string]num.Qty) map[string]num.Qty {
	all := map[string]num.Qty{}
	for _, row := range f.rows(list) {
		name := f.needText(row+".name", "its name is missing", "")
		if !f.has(row + ".holds") {
			f.fail(row+".holds", "how much it is is missing", "")
			continue
		}
		number, word, err := typed.CutNumber(f.text(row + ".holds"))
		if err != nil {
			f.failed(row+".holds", err)
			continue
		}
		q, err := typed.Exactly(number, word, base)
		if err != nil {
			f.failed(row+".holds", err)
			continue
		}
		if _, ok := all[name]; ok {
			f.fail(row+".name", "stands here twice", "keep one of the two")
		}
		all[name] = q
	}
	if maps.EqualFunc(all, was, func(a, b num.Qty) bool { return a.Cmp(b) == 0 }) {
		return nil
	}
	return all
}

func (f *form) parts(was []event.Part) (list []event.Part) {
	for _, row := range f.rows("parts") {
		it := f.item(row + ".item")
		a, ok := f.amount(row, it, "how many is missing")
		if ok {
			list = append(list, event.Part{Item: it.ID, Qty: f.read.Base(it, a)})
		}
	}
	if slices.EqualFunc(list, was, func(a, b event.Part) bool { return a.Item == b.Item && a.Qty.Cmp(b.Qty) == 0 }) {
		return nil
	}
	if len(list) == 0 {
		f.fail("parts[0].item", "a prepared piece keeps parts once it had some", "write what is right")
	}
	return list
}
