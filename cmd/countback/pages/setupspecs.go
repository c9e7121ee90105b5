package pages

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
)

// The editors of specs: tables of lines, their history, and what an edited spec would use for real orders and runs.

var (
	perOrder  = []option{{Value: "order", Label: "order"}, {Value: "unit", Label: "piece"}}
	perParcel = []option{{Value: "parcel", Label: "parcel"}, {Value: "unit", Label: "piece"}, {Value: "order", Label: "order"}}
	perCycle  = []option{{Value: "cycle", Label: "pass"}, {Value: "piece", Label: "piece"}}
)

// specLines is the table of a spec's lines.
func (f *form) specLines(list string, per []option, conditions bool) *inputList {
	cells := func(row string) []input {
		return []input{
			f.itemInput(row+".item", "Uses").needed(), f.figureInput(row+".qty", "How much").needed(), f.inInput(row+".in", row+".item"), f.choiceInput(row+".per", "For each", per...),
		}
	}
	l := f.listInput(list, "More lines", cells)
	l.Removes = true
	every := func(row string) input {
		return f.figureInput(row+".every", "Once for every so many")
	}
	for i := range l.Rows {
		row := l.Rows[i].Name
		if !conditions {
			l.Rows[i].Cells = append(l.Rows[i].Cells, every(row))
			continue
		}
		l.Rows[i].More = []input{
			f.figureInput(row+".from", "From so many pieces"), f.figureInput(row+".to", "Up to so many pieces"), every(row).hint("pieces; begun ones too"),
			f.textInput(row+".class", "Only with class").listed("classes"), f.itemInput(row+".good", "Only with the good"), f.textInput(row+".zones", "Only to").listed("zones").hint("zones, parted by commas"),
			f.textInput(row+".option", "Only with option").listed("options"),
		}
		l.Rows[i].Summary = f.conditions(row)
		l.Rows[i].Open = slices.ContainsFunc(l.Rows[i].More, func(x input) bool { return x.Wrong != "" })
	}
	if conditions {
		l.HasMore = "Only if"
	} else {
		l.Heads = append(l.Heads, every(rowName(list, mostRows)))
	}
	return l
}

// conditions says in words when a line applies.
func (f *form) conditions(row string) string {
	return conditionText(f.text(row+".from"), f.text(row+".to"), f.text(row+".every"), f.text(row+".class"), f.text(row+".good"), f.text(row+".zones"), f.text(row+".option"))
}

func conditionText(from, to, every, class, good, zones, option string) string {
	var list []string
	say := func(text, value string) {
		if value != "" {
			list = append(list, strings.ReplaceAll(text, "…", value))
		}
	}
	switch {
	case from != "" && to != "":
		list = append(list, from+" to "+to+" pieces")
	default:
		say("… pieces or more", from)
		say("up to … pieces", to)
	}
	say("one for every …", every)
	say("class …", class)
	say("with …", good)
	say("to …", zones)
	say("option …", option)
	if len(list) == 0 {
		return "always"
	}
	return strings.Join(list, ", ")
}

// specLine reads one line; nil where it is wrong.
func (f *form) specLine(row, per string, conditions bool) *event.Line {
	it := f.item(row + ".item")
	a, ok := f.amount(row, it, "how much is missing")
	l := &event.Line{Per: cmp.Or(f.text(row+".per"), per), Every: f.qty(row + ".every")}
	if conditions {
		l.From, l.To, l.Class, l.Zones, l.Option = f.qty(row+".from"), f.qty(row+".to"), f.text(row+".class"), f.list(row+".zones"), f.text(row+".option")
		l.Good = f.optItem(row + ".good")
	}
	if !ok {
		return nil
	}
	l.Item, l.Qty, l.Measure, l.Pack = it.ID, a.Qty, a.Measure, a.Pack
	return l
}

func (f *form) specLinesOf(list, per string, conditions bool) (out []event.Line) {
	for _, row := range f.rows(list) {
		if l := f.specLine(row, per, conditions); l != nil {
			out = append(out, *l)
		}
	}
	return out
}

// fillLines puts a spec's lines into a form.
func (f *form) fillLines(list string, lines []event.Line) {
	for i, l := range lines {
		row := rowName(list, i) + "."
		for field, v := range map[string]string{
			"item": l.Item, "qty": fieldNumber(&l.Qty), "in": l.Measure + l.Pack, "per": l.Per, "every": fieldNumber(l.Every), "from": fieldNumber(l.From), "to": fieldNumber(l.To),
			"class": l.Class, "good": l.Good, "zones": strings.Join(l.Zones, ", "), "option": l.Option,
		} {
			f.set(row+field, v)
		}
	}
}

// Packing.

func (f *form) fillPackSpec(d *event.PackSpec) {
	f.fillLines("lines", d.Lines)
	for i, x := range d.Formats {
		row := rowName("formats", i)
		f.set(row+".format", x.Format)
		f.set(row+".accepts", strings.Join(x.Accepts, ", "))
		f.set(row+".holds", fieldNumber(x.Holds))
		f.fillLines(row+".lines", x.Lines)
	}
}

func packBlocks(f *form) []block {
	list := []block{{
		Title: "For every order, whatever it goes in", Lead: "What each order uses once, or each piece that was ordered.", List: f.specLines("lines", perOrder, true),
	}}
	formats := block{Title: "Kinds of parcel, in the order in which they are tried", Lead: "An order goes into the first that takes all of it, else it is split."}
	n := rowsOf(f.values, "formats")
	room := n
	if n == 0 || f.text("more") == "formats" {
		room = n + 1
	}
	for i := range room {
		row := rowName("formats", i)
		title := f.text(row + ".format")
		if title == "" {
			title = "Another kind of parcel"
		}
		b := block{Class: "inner", Title: title, Fields: []input{
			f.textInput(row+".format", "Name").needed(), f.textInput(row+".accepts", "Takes only classes").listed("classes").hint("parted by commas; all where it is empty"),
			f.figureInput(row+".holds", "Holds points").hint("no limit where it is empty"), f.tickInput(row+"."+dropField, "Take this kind of parcel out"),
		}, List: f.specLines(row+".lines", perParcel, true)}
		b.Folded = i < n
		b.Open = f.text("more") == row+".lines" || f.anyWrong(row)
		if i < n {
			b.Title += ": " + f.formatText(row)
		}
		if i > 0 && i < n {
			b.Button = &button{"up", fmt.Sprint(i), "Try it before " + f.text(rowName("formats", i-1)+".format")}
		}
		formats.Blocks = append(formats.Blocks, b)
	}
	formats.Button = &button{"more", "formats", "Another kind of parcel"}
	return append(list, formats, f.holdsBlock(event.KindPackSpec, nil))
}

// formatText says in short what a kind of parcel takes.
func (f *form) formatText(row string) string {
	list := []string{"takes everything"}
	if f.has(row + ".accepts") {
		list[0] = "takes " + strings.Join(f.list(row+".accepts"), ", ")
	}
	if f.has(row + ".holds") {
		list = append(list, "holds "+f.text(row+".holds")+" points")
	}
	return strings.Join(append(list, Count(rowsOf(f.values, row+".lines"), "line", "lines")), "; ")
}

// anyWrong reports whether something is wrong within a row.
func (f *form) anyWrong(row string) bool {
	return slices.ContainsFunc(f.order, func(field string) bool { return strings.HasPrefix(field, row+".") })
}

func (f *form) packSpec() *event.PackSpec {
	d := &event.PackSpec{Restates: f.id("restates"), Note: f.text("note"), Lines: f.specLinesOf("lines", "order", true)}
	for _, row := range f.needRows("formats", "format", "a packing spec has one kind of parcel at least") {
		d.Formats = append(d.Formats, event.Format{
			Format: f.needText(row+".format", "its name is missing", ""), Accepts: f.list(row + ".accepts"), Holds: f.qty(row + ".holds"), Lines: f.specLinesOf(row+".lines", "parcel", true),
		})
	}
	return d
}

func servePackSpec(v *view) error {
	q := v.r.URL.Query()
	f := newForm(v.look, v.desk().Now(), nil)
	present := v.look.View.Spec()
	shown := (*event.PackSpec)(nil)
	if present != nil {
		shown = present.Data
	}
	if id, err := event.ParseID(q.Get("restates")); err == nil { // the one that is put right is shown, not the one in force
		if e, ok := v.look.Log.Event(id); ok {
			if d, ok := e.Data.(*event.PackSpec); ok {
				shown = d
				f.set("restates", id.String())
			}
		}
	}
	if shown != nil {
		f.fillPackSpec(shown)
	}
	f.set("person", v.person())
	p := v.packPage(f)
	p.Done = v.done(q["recorded"])
	// The last packs take a fold of the whole ledger, which nobody should wait for who only wants to read.
	switch _, err := soon(v, "past packs", func(l *Look) (bool, error) { return true, l.past() }); {
	case errors.Is(err, errSoon):
		p.Preview = &specPreview{Why: "The last packs are being looked up.", Soon: true}
	case err != nil:
		return err
	default:
		p.Preview = v.packPreview(shown)
	}
	return v.render("setup-form", p)
}

func (v *view) packPage(f *form) setupForm {
	p := setupForm{Form: v.setupView(f, "How orders are packed", "Which parcels an order goes into, and what that uses.", "/setup/packing", "Record the packing spec", packBlocks(f), event.KindPackSpec)}
	p.Form.Preview = "/setup/packing"
	for _, e := range v.allOf(event.KindPackSpec) {
		d := e.Data.(*event.PackSpec)
		r := v.revision(e, packSpecText(d))
		r.StandsFor = d.Restates
		r.PutRight = "/setup/packing?restates=" + e.ID.String()
		spec := v.look.View.Spec()
		r.InForce = spec != nil && spec.By == e.ID
		p.History = append(p.History, r)
	}
	return p
}

func packSpecText(d *event.PackSpec) string {
	var names []string
	for _, x := range d.Formats {
		names = append(names, x.Format)
	}
	return strings.Join(names, ", ") + "; " + Count(len(linesOf(d)), "line", "lines") + prefixed(": ", d.Note)
}

// allOf lists the events of a kind that stand, newest first.
func (v *view) allOf(kind event.Kind) []*event.Event { return v.look.newest(kind, mostRows) }

func takePackSpec(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	var preview *specPreview
	show := func(status int, change func(*formView)) error {
		p := v.packPage(f)
		p.Preview = preview
		if change != nil {
			change(&p.Form)
		}
		return v.renderStatus(status, "setup-form", p)
	}
	if f.has("up") {
		if i := f.days("up"); i != nil && *i > 0 && *i < rowsOf(f.values, "formats") {
			f.values = swap(f.values, "formats", *i, *i-1)
		}
		return show(http.StatusOK, nil)
	}
	if f.has("more") {
		return show(http.StatusOK, nil)
	}
	d := f.packSpec()
	facts := v.facts(f, []event.Data{d}, event.KindPackSpec)
	if !f.bad() {
		preview = v.packPreview(d)
	}
	if f.has("preview") {
		return show(http.StatusOK, nil)
	}
	if spec := v.look.View.Spec(); !f.bad() && spec != nil && d.Restates.IsZero() && sameData(d, spec.Data) {
		f.fail("", nothingNew, "")
	}
	if f.bad() {
		return show(http.StatusUnprocessableEntity, nil)
	}
	return v.record(f, facts, recording{show: show, then: "/setup/packing"})
}

// sameData reports whether two specs say the same, whatever they restate and note.
func sameData(a, b event.Data) bool {
	plain := func(d event.Data) string {
		switch x := d.(type) {
		case *event.PackSpec:
			c := *x
			c.Restates, c.Note = event.ID{}, ""
			d = &c
		case *event.MakeSpec:
			c := *x
			c.Restates, c.Note = event.ID{}, ""
			d = &c
		}
		text, err := event.EncodeData(d)
		if err != nil {
			return err.Error()
		}
		return string(text)
	}
	return plain(a) == plain(b)
}

// Making.

func (f *form) fillMakeSpec(d *event.MakeSpec) {
	f.set("pieces", fieldNumber(&d.Pieces))
	if d.NormalSpoilage != nil {
		percent := d.NormalSpoilage.Times(num.Whole(100))
		f.set("spoilage", fieldNumber(&percent))
	}
	f.fillLines("lines", d.Lines)
}

func makeBlocks(f *form, it *catalog.Item) []block {
	return []block{
		{Fields: []input{
			f.figureInput("pieces", "Pieces from one sheet or pass").needed(), f.figureInput("spoilage", "Normally spoiled").after("%").hint("of all pieces; what is spoiled beyond is a loss"),
		}},
		{Title: "What it uses", List: f.specLines("lines", perCycle, false)},
		f.holdsBlock(event.KindMakeSpec, func(e *event.Event) bool { return e.Data.(*event.MakeSpec).Item != it.ID }),
	}
}

func (f *form) makeSpec(it *catalog.Item) *event.MakeSpec {
	d := &event.MakeSpec{Item: it.ID, Restates: f.id("restates"), Note: f.text("note")}
	if q := f.qty("pieces"); q != nil {
		d.Pieces = *q
	} else if !f.has("pieces") {
		f.fail("pieces", "how many pieces one sheet or pass gives is missing", "")
	}
	if q := f.qty("spoilage"); q != nil {
		share := q.Part(num.Whole(1), num.Whole(100))
		if share.Times(num.Whole(100)).Cmp(*q) != 0 {
			f.fail("spoilage", "has more decimals than there is room for", "write it with four at most")
		}
		d.NormalSpoilage = &share
	}
	f.needRows("lines", "item", "say what a run uses, in one line at least")
	d.Lines = f.specLinesOf("lines", "cycle", false)
	return d
}

// makingPage lets one choose whose make spec it is about.
type makingPage struct {
	Items []makingRow
}

type makingRow struct {
	ID, Name, Type, Text, Path string
	Made                       bool
}

func serveMakeSpec(v *view) error {
	q := v.r.URL.Query()
	it, ok := v.look.Catalog.Find(q.Get("item"))
	if !ok {
		return v.serveMaking()
	}
	f := newForm(v.look, v.desk().Now(), nil)
	shown := (*event.MakeSpec)(nil)
	if spec := v.look.View.Make(it.Index); spec != nil {
		shown = spec.Data
	}
	if id, err := event.ParseID(q.Get("restates")); err == nil {
		if e, ok := v.look.Log.Event(id); ok {
			if d, ok := e.Data.(*event.MakeSpec); ok && d.Item == it.ID {
				shown = d
				f.set("restates", id.String())
			}
		}
	}
	if shown != nil {
		f.fillMakeSpec(shown)
	}
	f.set("person", v.person())
	p := v.makePage(f, it)
	p.Done = v.done(q["recorded"])
	p.Preview = v.makePreview(it, shown)
	return v.render("setup-form", p)
}

func (v *view) serveMaking() error {
	var p makingPage
	for _, it := range v.look.Catalog.Items {
		def := v.look.View.Def(it.Index)
		spec := v.look.View.Make(it.Index)
		if v.look.View.Retired(it.Index) || it.Prepared() || spec == nil && def.Type != "good" {
			continue
		}
		row := makingRow{ID: it.ID, Name: def.Name, Type: def.Type, Path: "/setup/making?item=" + url.QueryEscape(it.ID), Made: spec != nil}
		if spec != nil {
			row.Text = makeSpecText(spec.Data)
		}
		p.Items = append(p.Items, row)
	}
	slices.SortStableFunc(p.Items, func(a, b makingRow) int { return boolOrder(b.Made) - boolOrder(a.Made) })
	return v.render("setup-making", p)
}

func boolOrder(b bool) int {
	if b {
		return 1
	}
	return 0
}

func makeSpecText(d *event.MakeSpec) string {
	var uses []string
	for _, l := range d.Lines {
		uses = append(uses, packed(l.Qty, l.Measure+l.Pack, l.Item)+" a "+map[string]string{"cycle": "pass", "piece": "piece"}[l.Per])
	}
	return Grouped(d.Pieces) + " from a sheet or pass; " + some(uses) + prefixed(": ", d.Note)
}

func (v *view) makePage(f *form, it *catalog.Item) setupForm {
	def := v.look.View.Def(it.Index)
	p := setupForm{Item: &itemName{it.ID, def.Name}}
	p.Form = v.setupView(f, "What a print run of "+def.Name+" uses", "Any run that makes it from other things.", "/setup/making", "Record the make spec", makeBlocks(f, it), event.KindMakeSpec)
	p.Form.Hidden = []input{{Name: "item", Value: it.ID}}
	p.Form.Preview = "/setup/making"
	for _, e := range v.allOf(event.KindMakeSpec) {
		d := e.Data.(*event.MakeSpec)
		if d.Item != it.ID {
			continue
		}
		r := v.revision(e, makeSpecText(d))
		r.StandsFor = d.Restates
		r.PutRight = "/setup/making?item=" + url.QueryEscape(it.ID) + "&restates=" + e.ID.String()
		spec := v.look.View.Make(it.Index)
		r.InForce = spec != nil && spec.By == e.ID
		p.History = append(p.History, r)
	}
	return p
}

func takeMakeSpec(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	it, ok := v.look.Catalog.Find(f.text("item"))
	if !ok {
		return NotFound("there is no item %q", clipped(f.text("item")))
	}
	var preview *specPreview
	show := func(status int, change func(*formView)) error {
		p := v.makePage(f, it)
		p.Preview = preview
		if change != nil {
			change(&p.Form)
		}
		return v.renderStatus(status, "setup-form", p)
	}
	if f.has("more") {
		return show(http.StatusOK, nil)
	}
	d := f.makeSpec(it)
	facts := v.facts(f, []event.Data{d}, event.KindMakeSpec)
	if !f.bad() {
		preview = v.makePreview(it, d)
	}
	if f.has("preview") {
		return show(http.StatusOK, nil)
	}
	if spec := v.look.View.Make(it.Index); !f.bad() && spec != nil && d.Restates.IsZero() && sameData(d, spec.Data) {
		f.fail("", nothingNew, "")
	}
	if f.bad() {
		return show(http.StatusUnprocessableEntity, nil)
	}
	at := func(_ int, field string) string {
		if field == "normal_spoilage" {
			return "spoilage"
		}
		return field
	}
	return v.record(f, facts, recording{at: at, show: show, then: "/setup/making?item=" + url.QueryEscape(it.ID)})
}
