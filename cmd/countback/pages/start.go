package pages

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"countback/ledger/currency"
)

// startPages lead through the setup of a shop, in the order in which one can be set up.
var startPages = []route{
	{pattern: "GET /start", serve: serveStart, bare: true},
	{pattern: "POST /start", serve: postFound, bare: true},
	{pattern: "POST /start/demo", serve: postDemo, bare: true},
}

// Founding is what a folder without a ledger can do.
type Founding interface {
	// Found starts the ledger. What is wrong with a setting comes back as *Refusal with Field shop, currency, zone, costing or device.
	Found(ctx context.Context, f Founder) error
	// Demo opens the demo shop beside this one, in a folder of its own that is removed when the program stops, and returns its address.
	Demo(ctx context.Context) (string, error)
	// Folder is where the ledger is, or will be.
	Folder() string
}

// Founder is what a new ledger asks for.
type Founder struct{ Shop, Currency, Zone, Costing, Device string }

// foundPage is the form of a new shop.
type foundPage struct {
	Founder
	Folder     string
	Currencies []string
	Field      string // that is wrong
	Problem    string
}

// step is one step of setting a shop up.
type step struct {
	Name, Says, Link, Do string
	Ready, Needed        bool
	More                 []choice // further links: address and name
}

type startPage struct {
	Shop  string
	Demo  bool
	Steps []step
	Left  int
}

func serveStart(v *view) error {
	if v.look != nil {
		return v.showSteps()
	}
	if _, err := v.desk().Look(v.ctx()); err != nil && !errors.Is(err, ErrNoShop) {
		return err // there is a ledger, and it can't be read
	}
	return v.showFounding(http.StatusOK, foundPage{Founder: Founder{Costing: "average", Device: "desk"}})
}

func (v *view) showFounding(status int, p foundPage) error {
	p.Folder, p.Currencies = v.desk().Folder(), currency.Codes()
	return v.renderStatus(status, "found", p)
}

func postFound(v *view) error {
	if v.look != nil { // the form was sent twice, or another page was quicker
		return v.redirect("/start")
	}
	get := func(name string) string { return strings.TrimSpace(v.r.FormValue(name)) }
	f := Founder{Shop: get("shop"), Currency: strings.ToUpper(get("currency")), Zone: get("zone"), Costing: get("costing"), Device: get("device")}
	err := v.desk().Found(v.ctx(), f)
	var no *Refusal
	if errors.As(err, &no) {
		what := no.What
		if no.Hint != "" {
			what += "; " + no.Hint
		}
		return v.showFounding(http.StatusUnprocessableEntity, foundPage{Founder: f, Field: no.Field, Problem: what})
	}
	if err != nil {
		return err
	}
	return v.redirect("/start")
}

func postDemo(v *view) error {
	address, err := v.desk().Demo(v.ctx())
	if err != nil {
		return err
	}
	return v.render("demo", address)
}

// needed reports whether a shop can't be worked with before a step is done.
func (s step) needed() bool { return s.Needed && !s.Ready }

// steps are what setting a shop up takes, in the order in which it can be done, with what is done already. kept is whether anything was done to keep it safe.
func (l *Look) steps(kept bool) []step {
	goods, supplies, made := 0, 0, 0
	for _, it := range l.Catalog.Items {
		switch def := l.View.Def(it.Index); {
		case l.View.Retired(it.Index) || it.Prepared():
		case def.Type == "good":
			goods++
		default:
			supplies++
		}
		if l.View.Make(it.Index) != nil {
			made++
		}
	}
	moved := 0
	state := l.State()
	for i := range state.Items {
		if it := &state.Items[i]; it.Counted || !it.Account.OnHand().IsZero() {
			moved++
		}
	}
	orders := len(state.Orders) > 0
	spec := l.View.Spec() != nil && l.View.Spec().Data != nil
	return []step{
		{Name: "Found the shop", Says: l.Shop.Name + ", in " + l.Shop.Currency + ", " + l.Shop.Zone + ".", Ready: true, Link: "/setup/shop", Do: "Change its settings"},
		{Name: "Say what you sell and use", Needed: true, Says: Count(goods, "good", "goods") + ", " + Count(supplies, "supply", "supplies") + ".", Ready: goods > 0 && supplies > 0, Link: "/setup/item", Do: "Define an item",
			More: []choice{{Value: "/import", Name: "Take them from a file"}}},
		{Name: "Say how an order is packed", Needed: true, Says: yes(spec, "A packing spec is in force.", "Parcels, and what each of them takes."), Ready: spec, Link: "/setup/packing", Do: "Write the packing spec"},
		{Name: "Say what a print run takes", Says: yes(made > 0, Count(made, "item is", "items are")+" made here.", "Only if you print or make something yourself."), Ready: made > 0, Link: "/setup/making", Do: "Write a make spec"},
		{Name: "Say what is there", Needed: true, Says: Count(moved, "item was", "items were") + " counted or came in.", Ready: moved > 0, Link: "/counting", Do: "Count",
			More: []choice{{Value: "/record/restock", Name: "Record a restock"}}},
		{Name: "Take orders in", Says: yes(orders, "Orders are here.", "From a file of your shop, or by hand."), Ready: orders, Link: "/import", Do: "Take orders from a file",
			More: []choice{{Value: "/record/order", Name: "Record one"}}},
		{Name: "Keep it safe", Says: "A backup elsewhere, a phone at the cart.", Ready: kept, Link: "/devices", Do: "Devices and backups"},
	}
}

func yes(is bool, then, other string) string {
	if is {
		return then
	}
	return other
}

func (v *view) showSteps() error {
	k, err := v.desk().Kept(v.ctx())
	if err != nil {
		return err
	}
	p := startPage{Shop: v.look.Shop.Name, Demo: v.site.opts.Demo, Steps: v.look.steps(k.Backup != "" || len(k.Devices) > 1)}
	for _, s := range p.Steps {
		if !s.Ready {
			p.Left++
		}
	}
	return v.render("start", p)
}
