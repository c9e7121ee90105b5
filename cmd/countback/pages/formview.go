package pages

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"countback/cmd/countback/typed"
	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// input is one field as html/part-form.html shows it.
type input struct {
	Name, Label, Kind string // of Kind: text, figure, item, choice, tick, day, clock, in
	Value             string
	Wrong             string // what is wrong with it
	Hint              string
	List              string // the id of a list of suggestions
	After             string // what stands behind it, such as a unit or the name of the item
	Options           []option
	Needed            bool
	Wide              bool
}

type option struct {
	Value, Label string
	Chosen       bool
}

// block is a part of a form: fields, a table of rows, or further blocks.
type block struct {
	Title, Lead string
	Folded      bool // shown on request, unless something stands in it
	Open        bool
	Fields      []input
	List        *inputList
	Blocks      []block
	Button      *button
	Class       string
}

type button struct{ Name, Value, Label string }

// inputList is a table of rows.
type inputList struct {
	Name    string // lines
	Heads   []input
	Rows    []inputRow
	Add     string // what the button that makes room says
	Removes bool   // rows have a box that takes them out
	HasMore string // the heading over what rows hold beside their cells
}

type inputRow struct {
	Name    string // lines[0]
	Cells   []input
	More    []input // shown on request
	Summary string  // what they say
	Open    bool
}

// filled reports whether anything stands in a block.
func (b *block) filled() bool {
	at := func(list []input) bool {
		return slices.ContainsFunc(list, func(i input) bool { return i.Value != "" && !weak[lastName(i.Name)] || i.Wrong != "" })
	}
	if at(b.Fields) {
		return true
	}
	if b.List != nil && slices.ContainsFunc(b.List.Rows, func(r inputRow) bool { return at(r.Cells) || at(r.More) }) {
		return true
	}
	return slices.ContainsFunc(b.Blocks, func(x block) bool { return x.filled() })
}

func lastName(field string) string { return field[strings.LastIndexByte(field, '.')+1:] }

// folded hides a block until it is asked for, unless there is something in it.
func folded(b block) block {
	b.Folded, b.Open = true, b.filled()
	return b
}

func (f *form) input(kind, name, label string) input {
	return input{Name: name, Label: label, Kind: kind, Value: f.text(name), Wrong: f.wrong[name]}
}

func (f *form) textInput(name, label string) input   { return f.input("text", name, label) }
func (f *form) figureInput(name, label string) input { return f.input("figure", name, label) }
func (f *form) dayInput(name, label string) input    { return f.input("day", name, label) }

func (f *form) tickInput(name, label string) input { return f.input("tick", name, label) }

// listed is a text field with suggestions.
func (i input) listed(list string) input { i.List = list; return i }
func (i input) hint(text string) input   { i.Hint = text; return i }
func (i input) needed() input            { i.Needed = true; return i }
func (i input) wide() input              { i.Wide = true; return i }
func (i input) after(text string) input  { i.After = text; return i }

// money is a figure with the shop's currency behind it.
func (f *form) moneyInput(name, label string) input {
	return f.figureInput(name, label).after(f.look.Shop.Currency)
}

// choice is a field with fixed answers. The first is the default where nothing is chosen.
func (f *form) choiceInput(name, label string, options ...option) input {
	i := f.input("choice", name, label)
	for _, o := range options {
		o.Chosen = o.Value == i.Value
		i.Options = append(i.Options, o)
	}
	if i.Value != "" && !slices.ContainsFunc(i.Options, func(o option) bool { return o.Chosen }) {
		i.Options = append(i.Options, option{i.Value, i.Value, true}) // what was typed stays
	}
	return i
}

// itemInput asks for an item by its id or name.
func (f *form) itemInput(name, label string) input {
	i := f.input("item", name, label).listed("items")
	if it, ok := f.look.Catalog.Find(i.Value); ok {
		i.After = f.look.View.Def(it.Index).Name
	}
	return i
}

// inInput says what a number counts, of the item that another field names.
func (f *form) inInput(name, itemField string) input {
	i := f.input("in", name, "counted in")
	it, ok := f.look.Catalog.Find(f.text(itemField))
	if !ok {
		i.Options = []option{{Value: "", Label: "pieces"}}
		if i.Value != "" {
			i.Options = append(i.Options, option{i.Value, i.Value, true})
		}
		return i
	}
	for _, o := range countedIn(it, f.look.View.Def(it.Index)) {
		o.Chosen = o.Value == i.Value
		i.Options = append(i.Options, o)
	}
	if i.Value != "" && !slices.ContainsFunc(i.Options, func(o option) bool { return o.Chosen }) {
		i.Options = append(i.Options, option{i.Value, i.Value, true})
	}
	return i
}

// countedIn is what quantities of an item can be given in.
func countedIn(it *catalog.Item, def *catalog.Def) []option {
	base := it.Unit()
	list := []option{{Value: "", Label: unitWord(base)}}
	for _, m := range []map[string]num.Qty{def.Packs, def.Measures} {
		for _, name := range slices.Sorted(maps.Keys(m)) {
			list = append(list, option{Value: name, Label: fmt.Sprintf("%s of %s", name, Grouped(m[name]))})
		}
	}
	if names := unit.Names(base); len(names) > 1 {
		for _, n := range names[1:] {
			list = append(list, option{Value: n, Label: n})
		}
	}
	return list
}

func unitWord(base string) string {
	if base == "each" {
		return "pieces"
	}
	return base
}

// rowsInput is a list's table: the rows that are filled in and room for more.
func (f *form) listInput(name, add string, cells func(row string) []input) *inputList {
	l := &inputList{Name: name, Add: add, Heads: cells(rowName(name, mostRows))}
	n := rowsOf(f.values, name)
	room := n + 1
	if n == 0 {
		room = 2
	}
	if f.text("more") == name {
		room = n + 6
	}
	for i := range min(room, mostRows) {
		row := rowName(name, i)
		l.Rows = append(l.Rows, inputRow{Name: row, Cells: cells(row)})
	}
	return l
}

// formView is a whole form for html/part-form.html.
type formView struct {
	Action    string
	Title     string
	Lead      string
	Blocks    []block
	Submit    string
	Once      event.ID
	Seen      int64
	Sure      bool       // it was asked about, and the button says to record it all the same
	Questions []Question // about what looks like a slip
	Meanwhile []string   // what has come in since the page was made
	Notes     []string   // faults that belong to no field
	Wrong     []wrongField
	Lists     lists
	Hidden    []input
	Preview   string // the address that shows what it would change, if there is one
}

type wrongField struct{ Field, Label, Why string }

// list the faults that a form's blocks show, with the label of their fields; what no field shows is a note.
func (f *form) faults(blocks []block) (wrong []wrongField, notes []string) {
	labels := map[string]string{}
	var walk func([]block)
	walk = func(list []block) {
		for _, b := range list {
			for _, i := range b.Fields {
				labels[i.Name] = i.Label
			}
			if b.List != nil {
				for _, r := range b.List.Rows {
					for _, i := range slices.Concat(r.Cells, r.More) {
						labels[i.Name] = i.Label
					}
				}
			}
			walk(b.Blocks)
		}
	}
	walk(blocks)
	notes = slices.Clone(f.notes)
	for _, field := range f.order {
		if label, ok := labels[field]; ok {
			wrong = append(wrong, wrongField{field, label, f.wrong[field]})
		} else {
			notes = append(notes, join2(field, f.wrong[field]))
		}
	}
	return wrong, notes
}

func join2(where, what string) string {
	if where == "" {
		return what
	}
	return where + " " + what
}

// lists are the suggestions that fields offer.
type lists struct {
	Items                                     []itemChoice
	Orders, Zones, Suppliers, Places, Classes []string
	Sessions, Options                         []string
}

// itemChoice is an item as a field offers it, with what a script needs to offer its packs and measures.
type itemChoice struct {
	ID, Name, Unit string
	In             string // value=label, parted by bars
}

// suggestions are worked out once for each look.
func (l *Look) suggestions() lists {
	s, _ := once(l, "form suggestions", func() (lists, error) { return l.suggest(), nil })
	return s
}

func (l *Look) suggest() lists {
	var s lists
	zones, suppliers, places, classes, sessions, options := set{}, set{}, set{}, set{}, set{}, set{}
	for _, it := range l.Catalog.Items {
		def := l.View.Def(it.Index)
		suppliers.add(def.Supplier)
		places.add(def.Place)
		classes.add(def.Class)
		if l.View.Retired(it.Index) {
			continue
		}
		var in []string
		for _, o := range countedIn(it, def) {
			in = append(in, o.Value+"="+o.Label)
		}
		s.Items = append(s.Items, itemChoice{it.ID, def.Name, it.Unit(), strings.Join(in, "|")})
	}
	l.Log.Events(func(e *event.Event, reversed bool) {
		switch d := e.Data.(type) {
		case *event.Restock:
			suppliers.add(d.Supplier)
		case *event.Purchase:
			suppliers.add(d.Supplier)
		case *event.Count:
			places.add(d.Place)
			sessions.add(d.Session)
		case *event.PackSpec:
			for _, line := range linesOf(d) {
				options.add(line.Option)
				for _, z := range line.Zones {
					zones.add(z)
				}
			}
		}
	})
	open, known := []string{}, []string{}
	for number, o := range l.State().Orders {
		zones.add(o.Zone)
		if left := o.Remaining(); len(left) > 0 {
			zones.add(o.Rest().Zone)
			open = append(open, number)
		} else if o.Packs > 0 {
			known = append(known, number)
		}
	}
	const most = 300 // of orders that are packed; older ones are typed
	slices.Sort(open)
	slices.SortFunc(known, func(a, b string) int { return -strings.Compare(a, b) })
	s.Orders = append(open, known[:min(len(known), most)]...)
	s.Zones, s.Suppliers, s.Places, s.Classes, s.Sessions, s.Options = zones.list(), suppliers.list(), places.list(), classes.list(), sessions.list(), options.list()
	return s
}

func linesOf(d *event.PackSpec) []event.Line {
	all := slices.Clone(d.Lines)
	for _, f := range d.Formats {
		all = append(all, f.Lines...)
	}
	return all
}

// set is a set of names.
type set map[string]bool

func (s set) add(name string) {
	if name != "" {
		s[name] = true
	}
}

func (s set) list() []string { return slices.Sorted(maps.Keys(s)) }

// fieldNumber writes a number into a field.
func fieldNumber[T interface{ String() string }](v *T) string {
	if v == nil {
		return ""
	}
	return typed.Field((*v).String())
}
