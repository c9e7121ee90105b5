package pages

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/projections/use"
)

// usePage is real use against the specs.
type usePage struct {
	Report    use.Report
	Rows      []useRow
	Runs      []use.Runs
	Off       int    // items whose use disagrees
	Item      string // the one that a proposal of is looked at; "" for none
	Row       *useRow
	Once      event.ID
	Seen      int64
	Since     input
	Note      input
	Person    input
	How       string // start or since
	Wrong     []wrongField
	Notes     []string
	Meanwhile []string
	Questions []Question
	Sure      bool
	Done      *done
}

// useRow is an item of it with its words.
type useRow struct {
	use.Item
	Verdict, Line, Proposed string
}

func useRowOf(it use.Item) useRow {
	r := useRow{Item: it, Verdict: words.Pattern(it)}
	if p := it.Proposed; p != nil {
		r.Line, r.Proposed = words.SpecLine(p), p.QtyNow+" → "+p.Qty+words.Measure(p)
	}
	return r
}

// useAll is the report of all items with their print runs, as the command prints it.
func (l *Look) useAll() (use.Report, error) {
	return once(l, "use with runs", func() (use.Report, error) {
		r := l.Use()
		r.Runs = use.RunsOf(l.Log, l.Intervals().State, l.Style, "")
		return r, nil
	})
}

func (v *view) usePage(f *form) (*usePage, error) {
	r, err := soon(v, "use with runs", (*Look).useAll)
	if err != nil {
		return nil, err
	}
	d := &usePage{Report: r, Runs: r.Runs, Item: f.text("item"), Once: v.once(f), Seen: v.look.Version, How: orWord(f.text("how"), "start"), Notes: f.notes,
		Since: f.dayInput("since", "From"), Note: f.textInput("note", "Note").wide(), Person: f.textInput("person", "Who records it")}
	for _, it := range r.Items {
		d.Rows = append(d.Rows, useRowOf(it))
		if it.Pattern != "agrees" {
			d.Off++
		}
		if it.Item == d.Item && it.Proposed != nil {
			row := useRowOf(it)
			d.Row = &row
		}
	}
	first := func(yes bool) int {
		if yes {
			return 0
		}
		return 1
	}
	slices.SortStableFunc(d.Rows, func(a, b useRow) int { return first(a.Pattern != "agrees") - first(b.Pattern != "agrees") })
	slices.SortStableFunc(d.Rows, func(a, b useRow) int { return first(a.Item.Proposed != nil) - first(b.Item.Proposed != nil) })
	if d.Row != nil && f.text("how") == "" && f.text("since") != "" || d.Row != nil && f.text("how") == "" && d.Row.Changed {
		d.How = "since"
		if d.Since.Value == "" {
			d.Since.Value = words.SinceDay(d.Row.From)
		}
	}
	for _, field := range f.order {
		d.Wrong = append(d.Wrong, wrongField{field, "From", f.wrong[field]})
	}
	return d, nil
}

func serveUse(v *view) error {
	q := v.r.URL.Query()
	f := newForm(v.look, v.desk().Now(), q)
	f.set("person", v.person())
	d, err := v.usePage(f)
	if err != nil {
		return err
	}
	d.Done = v.done(q["recorded"])
	return v.render("use", d)
}

// takeUse records the proposal of one item.
func takeUse(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	d, err := v.usePage(f)
	if err != nil {
		return err
	}
	show := func(status int, change func(*formView)) error {
		d, err := v.usePage(f)
		if err != nil {
			return err
		}
		if change != nil {
			var fv formView
			change(&fv)
			d.Meanwhile, d.Questions, d.Sure = fv.Meanwhile, fv.Questions, fv.Sure
		}
		return v.renderStatus(status, "use", d)
	}
	if d.Row == nil {
		f.fail("", fmt.Sprintf("there is no proposal for %q any more", clipped(f.text("item"))), "look at the table for what the counts say now")
		return show(http.StatusUnprocessableEntity, nil)
	}
	at := event.TimeOf(f.now)
	var since *event.Time
	if f.text("how") == "since" {
		if !f.has("since") {
			f.fail("since", "the day from which it holds is missing", "give one, or put the spec right from its start")
			return show(http.StatusUnprocessableEntity, nil)
		}
		if at, err = v.desk().Moment(f.text("since"), event.KindPackSpec); err != nil {
			f.failed("since", err)
			return show(http.StatusUnprocessableEntity, nil)
		}
		since = &at
	}
	specs, err := use.Apply(v.look.Log, v.look.State(), []*use.Proposal{d.Row.Item.Proposed}, since)
	var early *use.TooEarly
	if errors.As(err, &early) {
		f.fail("since", "the spec in force begins only on "+words.DayOf(v.look.Style.Time(early.Begins)), "name a later day, or put the spec right from its start")
		return show(http.StatusUnprocessableEntity, nil)
	}
	if err != nil {
		return err
	}
	var facts []event.Fact
	for i, data := range specs {
		switch d := data.(type) {
		case *event.PackSpec:
			d.Note = f.text("note")
		case *event.MakeSpec:
			d.Note = f.text("note")
		}
		facts = append(facts, event.Fact{ID: nth(v.once(f), i), Time: at, Data: data})
	}
	return v.record(f, facts, recording{show: show, then: address("/counting/use", url.Values{}), at: func(_ int, field string) string {
		if field == "time" {
			return "since"
		}
		return field
	}})
}
