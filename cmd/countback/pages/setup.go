package pages

import (
	"net/http"
	"time"

	"countback/ledger/event"
)

// setupPages are where items, specs and the shop's settings are defined.
var setupPages = []route{
	{pattern: "GET /setup", serve: serveSetup},
	{pattern: "GET /setup/shop", serve: serveShop},
	{pattern: "POST /setup/shop", serve: takeShop},
	{pattern: "GET /setup/items", serve: serveItems},
	{pattern: "GET /setup/item", serve: serveItemForm},
	{pattern: "POST /setup/item", serve: takeItem},
	{pattern: "GET /setup/packing", serve: servePackSpec},
	{pattern: "POST /setup/packing", serve: takePackSpec},
	{pattern: "GET /setup/making", serve: serveMakeSpec},
	{pattern: "POST /setup/making", serve: takeMakeSpec},
	{pattern: "GET /setup/cut", serve: serveCut},
}

// setupPage says how far the setup of the shop is.
type setupPage struct {
	Shop                      shopFacts
	Goods, Supplies           int
	Prepared, Retired         int
	Formats, Lines            int
	PackSpec                  bool
	Since                     string // of the packing spec in force
	Made                      []itemName
	Unmade                    []itemName // goods that no run makes and nobody delivers: perhaps a make spec is missing
	UsedBySpecs, NotInAnySpec int
}

type shopFacts struct{ Name, Currency, Zone, Costing string }

type itemName struct{ ID, Name string }

func serveSetup(v *view) error {
	l := v.look
	p := setupPage{Shop: v.shop()}
	for _, it := range l.Catalog.Items {
		def := l.View.Def(it.Index)
		switch {
		case l.View.Retired(it.Index):
			p.Retired++
			continue
		case def.Type == "good":
			p.Goods++
		case def.Type == "supply":
			p.Supplies++
		default:
			p.Prepared++
		}
		if l.View.Make(it.Index) != nil {
			p.Made = append(p.Made, itemName{it.ID, def.Name})
		} else if def.Type == "good" {
			p.Unmade = append(p.Unmade, itemName{it.ID, def.Name})
		}
	}
	if spec := l.View.Spec(); spec != nil {
		p.PackSpec, p.Formats, p.Lines = true, len(spec.Data.Formats), len(linesOf(spec.Data))
		if e, ok := l.Log.Event(spec.By); ok {
			p.Since = e.Time.String()
		}
	}
	return v.render("setup", p)
}

func (v *view) shop() shopFacts {
	s := v.look.Shop
	costing := "the weighted average"
	if s.Costing == "fifo" {
		costing = "first in, first out"
	}
	return shopFacts{s.Name, s.Currency, s.Zone, costing}
}

// setupForm is what the pages of setup show: a form, what was recorded just now, and what was defined before.
type setupForm struct {
	Form    formView
	Done    *done
	Item    *itemName
	Shop    shopFacts
	Retired bool
	History []revision
	Preview *specPreview
	Links   []task
}

// revision is one definition of something.
type revision struct {
	ID         event.ID
	Time       time.Time
	Text       string
	Person     string
	InForce    bool
	TakenBack  bool
	StandsFor  event.ID // the one that it puts right
	PutRight   string   // the address of the form that puts it right
	PutRightBy event.ID
}

func shopBlocks(f *form) []block {
	return []block{{Fields: []input{
		f.textInput("name", "Name of the shop").needed(),
		f.choiceInput("costing", "What stock costs", option{Value: "average", Label: "the weighted average"}, option{Value: "fifo", Label: "first in, first out"}).
			hint("both are always worked out; this says which one reports show"),
	}}}
}

func (v *view) setupView(f *form, title, lead, action, submit string, blocks []block, kind event.Kind) formView {
	blocks = append(blocks, f.momentBlock(kind))
	fv := formView{Action: action, Title: title, Lead: lead, Blocks: blocks, Submit: submit, Once: v.once(f), Seen: v.look.Version, Lists: v.look.suggestions()}
	fv.Wrong, fv.Notes = f.faults(blocks)
	return fv
}

func (v *view) shopView(f *form) formView {
	return v.setupView(f, "The shop's settings", "Currency and time zone hold for good. The name and the costing can change.", "/setup/shop", "Record the settings", shopBlocks(f), event.KindShop)
}

func serveShop(v *view) error {
	f := newForm(v.look, v.desk().Now(), nil)
	f.set("name", v.look.Shop.Name)
	f.set("costing", v.look.Shop.Costing)
	f.set("person", v.person())
	return v.render("setup-form", setupForm{Form: v.shopView(f), Shop: v.shop(), Done: v.done(v.r.URL.Query()["recorded"]), History: v.shopHistory()})
}

func (v *view) shopHistory() (list []revision) {
	for _, e := range v.look.newest(event.KindShop, mostChoices) {
		list = append(list, v.revision(e, Say(e)))
	}
	return list
}

func (v *view) revision(e *event.Event, text string) revision {
	return revision{ID: e.ID, Time: time.UnixMilli(e.Time.Ms()).In(v.look.Zone), Text: text, Person: e.Person}
}

func takeShop(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	d := &event.Shop{Note: f.text("note")}
	if name := f.needText("name", "the name is missing", ""); name != v.look.Shop.Name {
		d.Name = name
	}
	if c := f.text("costing"); c != v.look.Shop.Costing {
		d.Costing = c
	}
	if d.Name == "" && d.Costing == "" {
		f.fail("", nothingNew, "")
	}
	show := func(status int, change func(*formView)) error {
		fv := v.shopView(f)
		if change != nil {
			change(&fv)
		}
		return v.renderStatus(status, "setup-form", setupForm{Form: fv, Shop: v.shop(), History: v.shopHistory()})
	}
	facts := v.facts(f, []event.Data{d}, event.KindShop)
	if f.bad() {
		return show(http.StatusUnprocessableEntity, nil)
	}
	return v.record(f, facts, recording{show: show, then: "/setup/shop"})
}

// nothingNew is said where a form says what holds already.
const nothingNew = "Nothing here differs from what holds already, so there is nothing to record."
