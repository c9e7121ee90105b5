package pages

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/projections/plan"
)

// packingPages are about the packing day.
var packingPages = []route{
	{pattern: "GET /packing", serve: servePacking},
	{pattern: "POST /packing", serve: takePacking},
}

// packingPage is a packing day.
type packingPage struct {
	Plan    plan.Report
	Orders  []planOrder
	Pull    []pullGroup
	Prepare []plan.Prepare
	Short   []plan.Pull
	Names   map[string]string
	Oldest  bool
	Chosen  []string // the orders that were asked for; none: all
	Link    string   // the same for the other way to choose
	Asked   bool     // for some orders alone
	Confirm *confirm
	Done    *done
	AnyMake bool
	Zones   bool // the table of zones says more than the orders do
	Most    int  // orders that are listed
	Left    int  // that aren't
}

// planOrder is an order of the plan with its words.
type planOrder struct {
	plan.Order
	Stays string // why it can't go out; "" for an order that can
}

// pullGroup is what is pulled at one place.
type pullGroup struct {
	Place string
	Rows  []plan.Pull
}

// confirm is the form that records the day.
type confirm struct {
	Once      event.ID
	Seen      int64
	Rows      []confirmRow
	Waiting   []plan.Packing
	Wrong     []wrongField
	Notes     []string
	Meanwhile []string
	Questions []Question
	Sure      bool
	When      block
	Lists     lists
	Asked     []string
	Oldest    bool
}

// confirmRow is one order of it.
type confirmRow struct {
	Row     string // packs[3]
	Order   string
	Holds   string
	Zone    string
	Packed  bool
	Stays   string
	Differs block
	Wrong   string
}

// mostOrders is how many orders a packing day shows: what one person packs in a day, and more.
const mostOrders = 250

func servePacking(v *view) error {
	q := v.r.URL.Query()
	d, err := v.packing(q["order"], q.Has("oldest"))
	if err != nil {
		return err
	}
	d.Done = v.done(q["recorded"])
	d.Confirm = v.confirm(d, nil)
	return v.render("packing", d)
}

func (v *view) packing(chosen []string, oldest bool) (*packingPage, error) {
	chosen = slices.DeleteFunc(slices.Clone(chosen), func(s string) bool { return s == "" })
	slices.Sort(chosen)
	chosen = slices.Compact(chosen)
	r, err := soon(v, "plan of "+strings.Join(chosen, " ")+fmt.Sprint(oldest), func(l *Look) (plan.Report, error) {
		if len(chosen) == 0 && !oldest {
			return l.Plan()
		}
		r, err := plan.Of(l.State(), l.Style, plan.Ask{Orders: chosen, OldestFirst: oldest})
		if err == nil {
			r.AddOnOrder(l.OnOrder())
		}
		return r, err
	})
	var no *plan.NotOpen
	if errors.As(err, &no) {
		return nil, v.look.notOpen(no)
	}
	if err != nil {
		return nil, err
	}
	d := &packingPage{Plan: r, Names: map[string]string{}, Oldest: oldest, Chosen: chosen, Asked: len(chosen) > 0, AnyMake: len(r.Make) > 0}
	d.Zones = len(r.Zones) > 1 || len(r.Zones) == 1 && (r.Zones[0].Orders > 1 || len(r.Zones[0].Items) > 0)
	other := url.Values{"order": chosen}
	if !oldest {
		other.Set("oldest", "yes")
	}
	if len(chosen) == 0 {
		other.Del("order")
	}
	d.Link = address("/packing", other)
	d.Most = min(len(r.Orders), mostOrders)
	d.Left = len(r.Orders) - d.Most
	for _, o := range r.Orders[:d.Most] {
		d.Orders = append(d.Orders, planOrder{o, v.look.stays(&o)})
	}
	for _, p := range r.Pull {
		if n := len(d.Pull); n == 0 || d.Pull[n-1].Place != p.Place {
			d.Pull = append(d.Pull, pullGroup{Place: p.Place})
		}
		g := &d.Pull[len(d.Pull)-1]
		g.Rows = append(g.Rows, p)
		if p.Short != "0" {
			d.Short = append(d.Short, p)
		}
	}
	d.Prepare = r.Prepare
	return d, nil
}

// stays says why an order can't go out.
func (l *Look) stays(o *plan.Order) string {
	switch {
	case o.Ready:
		return ""
	case o.Why != "":
		return o.Why
	}
	var names []string
	for _, id := range o.Lacks {
		names = append(names, l.nameOf(id))
	}
	return "lacks " + strings.Join(names, ", ")
}

// notOpen says why an order can't be planned.
func (l *Look) notOpen(no *plan.NotOpen) error {
	p := &Problem{Status: http.StatusNotFound, Hint: "plan the others, or look at what was recorded about it"}
	switch no.State {
	case "packed":
		p.What = fmt.Sprintf("order %s is packed already, since %s", no.Order, words.DayOf(l.Style.Time(no.Ms)))
	case "reversed":
		p.What = fmt.Sprintf("order %s isn't open: its entry was taken back", no.Order)
	case "later":
		p.What = fmt.Sprintf("order %s isn't placed before %s", no.Order, words.DayOf(l.Style.Time(no.Ms)))
	default:
		return l.noOrder(l.State(), no.Order)
	}
	return p
}

// confirm lays the form out that records the day. f is what was typed; nil: nobody has sent it yet, and the orders that can go out are ticked.
func (v *view) confirm(d *packingPage, f *form) *confirm {
	fresh := f == nil
	if fresh {
		f = newForm(v.look, v.desk().Now(), url.Values{})
		f.set("person", v.person())
	}
	c := &confirm{Once: v.once(f), Seen: v.look.Version, When: f.momentBlock(event.KindPack), Lists: v.look.suggestions(), Asked: d.Chosen, Oldest: d.Oldest}
	_, c.Waiting = plan.Packs(v.look.State(), v.look.Run.AsOf)
	sentRows := map[string]string{} // the row of an order in what was sent
	for _, row := range f.rows("packs") {
		sentRows[f.text(row+".order")] = row
	}
	for _, o := range d.Orders {
		if o.Waits {
			continue
		}
		row := rowName("packs", len(c.Rows))
		var lines []string
		for _, p := range o.Parcels {
			lines = append(lines, words.Goods(p.Lines))
		}
		r := confirmRow{Row: row, Order: o.Order.Order, Holds: strings.Join(lines, "; "), Zone: o.Zone, Packed: o.Ready, Stays: o.Stays}
		part := f.part("", nil)
		if sent, ok := sentRows[r.Order]; ok {
			part = f.part(sent, f.wrong)
			r.Wrong = f.wrong[sent+".order"]
			r.Packed = part.ticked("packed")
		} else if !fresh {
			r.Packed = false
		}
		r.Differs = part.differs(row)
		c.Rows = append(c.Rows, r)
	}
	c.Notes = f.notes
	for _, field := range f.order {
		c.Wrong = append(c.Wrong, wrongField{Field: field, Label: fieldLabel(f, field), Why: f.wrong[field]})
	}
	return c
}

// fieldLabel names a field of the form by its order.
func fieldLabel(f *form, field string) string {
	row, _, ok := strings.Cut(field, ".")
	if n := f.text(row + ".order"); ok && n != "" {
		return "Order " + n
	}
	return "When"
}

// part is one row of a form as a form of its own, with the faults that belong to it.
func (f *form) part(row string, wrong map[string]string) *form {
	values := url.Values{}
	for name, list := range f.values {
		if rest, ok := strings.CutPrefix(name, row+"."); ok && row != "" {
			values[rest] = list
		}
	}
	p := newForm(f.look, f.now, values)
	for field, why := range wrong {
		if rest, ok := strings.CutPrefix(field, row+"."); ok {
			p.wrong[rest] = why
		}
	}
	return p
}

// differs asks what differed for one order, under the names of a row.
func (f *form) differs(row string) block {
	b := f.changesBlock()
	b.Title = "It differed"
	b.Fields = []input{f.moneyInput("postage", "Postage paid"), f.textInput("zone", "To, where it isn't the order's").listed("zones"), f.textInput("note", "Note").wide()}
	b.Open = b.filled()
	for i := range b.Fields {
		b.Fields[i].Name = row + "." + b.Fields[i].Name
	}
	if b.List != nil {
		b.List.Name = row + "." + b.List.Name
		b.List.Add = ""
		rename := func(cells []input) {
			for k := range cells {
				cells[k].Name = row + "." + cells[k].Name
			}
		}
		rename(b.List.Heads)
		for i := range b.List.Rows {
			b.List.Rows[i].Name = row + "." + b.List.Rows[i].Name
			rename(b.List.Rows[i].Cells)
		}
	}
	return b
}

func takePacking(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	oldest := f.has("oldest")
	d, err := v.packing(v.r.PostForm["asked"], oldest)
	if err != nil {
		return err
	}
	show := func(status int, change func(*formView)) error {
		d.Confirm = v.confirm(d, f)
		if change != nil {
			var fv formView
			change(&fv)
			d.Confirm.Meanwhile, d.Confirm.Questions, d.Confirm.Sure = fv.Meanwhile, fv.Questions, fv.Sure
		}
		return v.renderStatus(status, "packing", d)
	}
	list, places := v.packs(f)
	if len(list) == 0 && !f.bad() {
		f.fail("", "no order is ticked, so there is nothing to record", "tick what was packed")
	}
	if f.bad() {
		return show(http.StatusUnprocessableEntity, nil)
	}
	return v.record(f, v.facts(f, list, event.KindPack), recording{
		show: show, then: "/packing",
		at: func(i int, field string) string {
			if field == "time" {
				return field
			}
			return places[i] + "." + orWord(field, "order")
		},
	})
}

// packs are the packs that a sent form says, by the code that pack --open goes by: what is left of each order, with what differed. places are their rows.
func (v *view) packs(f *form) (list []event.Data, places []string) {
	at := f.when(event.KindPack)
	ready, waiting := plan.Packs(v.look.State(), max(at.Ms(), v.look.Run.AsOf))
	find := func(list []plan.Packing, order string) int {
		return slices.IndexFunc(list, func(p plan.Packing) bool { return p.Order == order })
	}
	for _, row := range f.rows("packs") {
		part := f.part(row, nil)
		if !part.ticked("packed") {
			continue
		}
		order := part.text("order")
		k := find(ready, order)
		switch {
		case k >= 0:
		case find(waiting, order) >= 0:
			f.fail(row+".order", "a pack of order "+order+" waits for a decision", "decide about it first, and leave it out here")
			continue
		case v.heldAlready(f, len(list)): // the form was sent twice
			list, places = append(list, &event.Pack{Order: order}), append(places, row)
			continue
		default:
			f.fail(row+".order", "order "+order+" isn't open any more", "leave it out, or look at what was recorded about it")
			continue
		}
		p := ready[k].Pack
		p.Changes = part.changes()
		p.Postage = part.money("postage")
		p.Zone, p.Note = part.text("zone"), part.text("note")
		if p.Note == "" {
			p.Note = f.text("note")
		}
		for _, field := range part.order {
			f.fail(row+"."+field, part.wrong[field], "")
		}
		list, places = append(list, &p), append(places, row)
	}
	return list, places
}

// heldAlready reports whether the n-th fact of a form is in the ledger.
func (v *view) heldAlready(f *form, n int) bool {
	e, _, err := v.desk().Held(v.ctx(), nth(v.once(f), n))
	return err == nil && e != nil
}
