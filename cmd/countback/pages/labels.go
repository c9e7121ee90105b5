package pages

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"countback/ledger/catalog"
)

// LabelAsk says which labels are to be printed.
type LabelAsk struct {
	Items  []string // none: all that are in use, in the order of the shelves
	Place  string   // only what lies there; may be empty
	Size   string   // the name of a LabelSize
	Sheet  string   // another sheet by its measures, as the command labels takes it; may be empty
	Start  int      // the first free label of a sheet that was begun, from 1
	Copies int      // of each
}

// LabelSize is a sheet of labels that can be chosen.
type LabelSize struct{ Name, Text string }

// Labels is what the page of labels asks of the program.
type Labels interface {
	LabelSizes() []LabelSize
	// Labels draws the labels as a PDF. What is wrong with the request is a *Refusal of one of the fields place, size, sheet, start and copies.
	Labels(ctx context.Context, ask LabelAsk) ([]byte, error)
}

var labelPages = []route{
	{pattern: "GET /setup/labels", serve: serveLabels},
	{pattern: "GET /setup/labels.pdf", serve: serveLabelSheet},
}

type labelPage struct {
	Fields []input
	Notes  []string
	Lists  lists
	Count  int
}

func serveLabels(v *view) error {
	return v.renderLabels(newForm(v.look, v.desk().Now(), v.r.URL.Query()))
}

func (v *view) renderLabels(f *form) error {
	if !f.has("start") {
		f.set("start", "1")
	}
	if !f.has("copies") {
		f.set("copies", "1")
	}
	places := []option{{Label: "every place"}}
	n := 0
	for _, it := range v.look.Catalog.Items {
		if v.look.View.Retired(it.Index) {
			continue
		}
		n++
		if p := v.look.View.Def(it.Index).Place; p != "" && !slices.ContainsFunc(places, func(o option) bool { return o.Value == p }) {
			places = append(places, option{Value: p, Label: p})
		}
	}
	slices.SortFunc(places[1:], func(a, b option) int { return catalog.ComparePlaces(a.Value, b.Value) })
	var sizes []option
	for _, s := range v.desk().LabelSizes() {
		sizes = append(sizes, option{Value: s.Name, Label: s.Text})
	}
	p := labelPage{Lists: v.look.suggestions(), Count: n, Fields: []input{
		f.choiceInput("size", "The sheet", sizes...),
		f.choiceInput("place", "What lies at", places...),
		f.textInput("items", "Only these items").hint("short names with commas between them; empty for all"),
		f.textInput("start", "First free label").hint("counted row by row, where a sheet was begun"),
		f.textInput("copies", "Labels of each"),
		f.textInput("sheet", "Another sheet").hint("by its measures in mm, like A4:3x8:70x37:0,0.5:70,37: labels across and down, width and height, where the first begins, from one to the next"),
	}}
	_, p.Notes = f.faults([]block{{Fields: p.Fields}})
	return v.render("setup-labels", p)
}

func serveLabelSheet(v *view) error {
	f := newForm(v.look, v.desk().Now(), v.r.URL.Query())
	ask := LabelAsk{Place: f.text("place"), Size: f.text("size"), Sheet: f.text("sheet"), Start: f.whole("start"), Copies: f.whole("copies")}
	for _, name := range strings.Split(f.text("items"), ",") {
		name = strings.TrimSpace(name)
		if name == "" {
			continue
		}
		it, ok := v.look.Catalog.Find(name)
		if !ok {
			it = f.named(name)
		}
		if it == nil {
			f.fail("items", "there is no item "+strconv.Quote(name), "choose from the list of items")
			continue
		}
		ask.Items = append(ask.Items, it.ID)
	}
	if ask.Size == "" {
		ask.Size = v.desk().LabelSizes()[0].Name
	}
	if f.bad() {
		return v.renderLabels(f)
	}
	doc, err := v.desk().Labels(v.ctx(), ask)
	if r, ok := err.(*Refusal); ok {
		f.refuse(r, func(_ int, field string) string { return field })
		return v.renderLabels(f)
	}
	if err != nil {
		return err
	}
	h := v.w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Disposition", `attachment; filename="labels.pdf"`)
	h.Set("Cache-Control", "no-store")
	return send(v.w, v.r, http.StatusOK, doc)
}

// whole reads a whole number; empty is 1.
func (f *form) whole(field string) int {
	if !f.has(field) {
		return 1
	}
	n, err := strconv.Atoi(strings.TrimSpace(f.text(field)))
	if err != nil {
		f.fail(field, strconv.Quote(f.text(field))+" isn't a whole number", "write it in digits")
	}
	return n
}
