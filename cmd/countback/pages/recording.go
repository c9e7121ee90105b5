package pages

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
)

// recordingPages are the forms that record facts.
var recordingPages = []route{
	{pattern: "GET /record", serve: serveRecord},
	{pattern: "GET /record/{kind}", serve: serveForm},
	{pattern: "POST /record/{kind}", serve: takeForm},
	{pattern: "POST /record/back", serve: takeBack},
}

// Recording is what the forms ask of the ledger beside Record.
type Recording interface {
	// RecordAs is Record with the label of a person on each event; an empty one is the program's own.
	RecordAs(ctx context.Context, person string, facts []event.Fact, sure bool) (Recorded, error)
	// Since returns the events that have come in behind a look, in order of arrival, and the number of the last one.
	Since(ctx context.Context, version int64) (list []*event.Event, last int64, err error)
	// Held returns the event of an id and whether it was reversed; nil where there is none.
	Held(ctx context.Context, id event.ID) (e *event.Event, reversed bool, err error)
}

// kindForm is the form of one kind of fact.
type kindForm struct {
	kind                             event.Kind
	group, task, title, lead, submit string
	blocks                           func(f *form) []block
	facts                            func(f *form) []event.Data                // puts faults into the form
	fill                             func(f *form)                             // fills a form that nobody has sent yet from what it refers to; may be nil
	at                               func(index int, field string) string      // where a field of one of several facts stands; nil: under its own name
	place                            func(f *form, i int, field string) string // the same, where it takes the form to know
}

// kindForms in the order in which the list of tasks shows them.
var kindForms = []*kindForm{
	restockForm, purchaseForm, creditForm, orderForm, packForm, returnForm, countForm, reprintForm, damageForm, reverseForm, decideForm, retireForm,
}

func kindFormOf(kind string) (*kindForm, error) {
	i := slices.IndexFunc(kindForms, func(k *kindForm) bool { return string(k.kind) == kind })
	if i < 0 {
		return nil, NotFound("there is no form for %q", clipped(kind))
	}
	return kindForms[i], nil
}

// taskGroup is a heading of the list of tasks.
type taskGroup struct {
	Name  string
	Tasks []task
}

type task struct{ Path, Name, Lead string }

func serveRecord(v *view) error {
	var groups []taskGroup
	for _, name := range []string{"Orders", "Stock", "Goods in", "Corrections"} {
		g := taskGroup{Name: name}
		for _, k := range kindForms {
			if k.group == name {
				lead, _, _ := strings.Cut(k.lead, ". ")
				g.Tasks = append(g.Tasks, task{"/record/" + string(k.kind), k.task, strings.TrimSuffix(lead, ".") + "."})
			}
		}
		groups = append(groups, g)
	}
	return v.render("record", groups)
}

// formPage is what record-form.html shows.
type formPage struct {
	Form formView
	Done *done
	Side []string // what the form is about, in words
}

func serveForm(v *view) error {
	k, err := kindFormOf(v.r.PathValue("kind"))
	if err != nil {
		return err
	}
	q := v.r.URL.Query()
	shorthand(q)
	f := newForm(v.look, v.desk().Now(), q)
	if k.fill != nil {
		k.fill(f)
	}
	f.wrong, f.order, f.notes = map[string]string{}, nil, nil // nobody has sent it yet
	if !f.has("person") {
		f.set("person", v.person())
	}
	page := formPage{Form: v.formView(f, k), Done: v.done(q["recorded"])}
	page.Side = v.about(k, f)
	return v.render("record-form", page)
}

// shorthand takes what links to a form say of one line as its first.
func shorthand(q url.Values) {
	for _, name := range []string{"item", "qty", "in", "cost"} {
		if q.Has(name) && !q.Has("lines[0]."+name) {
			q.Set("lines[0]."+name, q.Get(name))
		}
	}
}

// formView lays a kind's form out.
func (v *view) formView(f *form, k *kindForm) formView {
	blocks := append(k.blocks(f), f.momentBlock(k.kind))
	fv := formView{
		Action: "/record/" + string(k.kind), Title: k.title, Lead: k.lead, Blocks: blocks, Submit: k.submit, Once: v.once(f), Seen: v.look.Version, Lists: v.look.suggestions(),
	}
	fv.Wrong, fv.Notes = f.faults(blocks)
	return fv
}

// once is the id of a form's fact: that which it came with, or a new one.
func (v *view) once(f *form) event.ID {
	if id, err := event.ParseID(f.text("once")); err == nil {
		return id
	}
	return v.desk().NewID()
}

// momentBlock asks when it was and who says so.
func (f *form) momentBlock(kind event.Kind) block {
	day := f.dayInput("day", "Day").hint("today where nothing is chosen")
	return block{Class: "moment", Fields: []input{
		day, f.input("clock", "clock", "Time"), f.textInput("note", "Note").wide(), f.textInput("person", "Who records it"),
	}}
}

// parse reads a form that was sent.
func (v *view) parse() (*form, error) {
	if err := v.r.ParseForm(); err != nil {
		return nil, &Problem{What: "the form can't be read", Hint: "send it again with less in it", Err: err}
	}
	return newForm(v.look, v.desk().Now(), v.r.PostForm), nil
}

func takeForm(v *view) error {
	k, err := kindFormOf(v.r.PathValue("kind"))
	if err != nil {
		return err
	}
	f, err := v.parse()
	if err != nil {
		return err
	}
	show := func(status int, change func(*formView)) error {
		fv := v.formView(f, k)
		if change != nil {
			change(&fv)
		}
		return v.renderStatus(status, "record-form", formPage{Form: fv, Side: v.about(k, f)})
	}
	if f.has("more") {
		return show(http.StatusOK, nil)
	}
	facts := v.facts(f, k.facts(f), k.kind)
	if f.bad() {
		return show(http.StatusUnprocessableEntity, nil)
	}
	return v.record(f, facts, recording{
		at: func(i int, field string) string {
			switch {
			case k.place != nil:
				return k.place(f, i, field)
			case k.at != nil:
				return k.at(i, field)
			}
			return field
		},
		show: show, then: "/record/" + string(k.kind),
	})
}

// facts gives a form's data their time and ids: a form that is sent twice has the same ones and is recorded once.
func (v *view) facts(f *form, list []event.Data, kind event.Kind) []event.Fact {
	at, first := f.when(kind), v.once(f)
	var facts []event.Fact
	for i, d := range list {
		facts = append(facts, event.Fact{ID: nth(first, i), Time: at, Data: d})
	}
	return facts
}

// nth is the id of a form's further fact: the first one's, counted on.
func nth(id event.ID, n int) event.ID {
	for i := len(id) - 1; n > 0 && i > 5; i-- {
		n += int(id[i])
		id[i] = byte(n)
		n >>= 8
	}
	return id
}

// recording is how a form's facts are recorded and what is shown if they aren't.
type recording struct {
	at   func(index int, field string) string
	show func(status int, change func(*formView)) error
	then string // where to go on
}

// record records a form's facts, unless something has changed that the person hasn't seen, or they look like slips.
func (v *view) record(f *form, facts []event.Fact, how recording) error {
	meanwhile, last, err := v.meanwhile(f, facts)
	if err != nil {
		return err
	}
	if len(meanwhile) > 0 {
		return how.show(http.StatusConflict, func(fv *formView) { fv.Meanwhile, fv.Seen = meanwhile, last })
	}
	rec, err := v.desk().RecordAs(v.ctx(), f.text("person"), facts, f.has("sure"))
	var refusal *Refusal
	var questions *Questions
	switch {
	case errors.As(err, &refusal):
		f.refuse(refusal, how.at)
		return how.show(http.StatusUnprocessableEntity, nil)
	case errors.As(err, &questions):
		return how.show(http.StatusUnprocessableEntity, func(fv *formView) { fv.Questions, fv.Sure = questions.List, true })
	case err != nil:
		return err
	}
	v.keepPerson(f.text("person"))
	v.site.kept.keep(rec)
	q := url.Values{}
	for _, id := range rec.IDs {
		q.Add("recorded", id.String())
	}
	if rec.Skipped > 0 {
		q.Set("again", strconv.Itoa(rec.Skipped))
	}
	sep := "?"
	if strings.Contains(how.then, "?") {
		sep = "&"
	}
	return v.redirect(how.then + sep + q.Encode())
}

// takeBack reverses what was recorded a moment ago.
func takeBack(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	first := v.once(f)
	at := event.TimeOf(v.desk().Now())
	var facts []event.Fact
	for i, text := range v.r.PostForm["event"] {
		id, err := event.ParseID(text)
		if err != nil {
			return &Problem{What: fmt.Sprintf("%q is not the id of an event", clipped(text)), Hint: "go back and try again"}
		}
		reason := f.text("reason")
		if reason == "" {
			reason = "entered by mistake"
		}
		facts = append(facts, event.Fact{ID: nth(first, i), Time: at, Data: &event.Reverse{Event: id, Reason: reason}})
	}
	rec, err := v.desk().RecordAs(v.ctx(), v.person(), facts, true)
	if err != nil {
		return err
	}
	v.site.kept.keep(rec)
	q := url.Values{}
	for _, id := range rec.IDs {
		q.Add("recorded", id.String())
	}
	then := "/record/" + url.PathEscape(f.text("kind"))
	if _, err := kindFormOf(f.text("kind")); err != nil {
		then = "/record/reverse"
	}
	return v.redirect(then + "?" + q.Encode())
}

const personCookie = "countback-person"

// person is who recorded last in this browser.
func (v *view) person() string {
	c, err := v.r.Cookie(personCookie)
	if err != nil {
		return ""
	}
	name, err := url.QueryUnescape(c.Value)
	if err != nil || len(name) > event.MaxName*4 {
		return ""
	}
	return name
}

func (v *view) keepPerson(name string) {
	c := &http.Cookie{Name: personCookie, Value: url.QueryEscape(name), Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: 400 * 24 * 3600}
	if name == "" {
		c.MaxAge = -1
	}
	http.SetCookie(v.w, c)
}

// about says in words what a form refers to.
func (v *view) about(k *kindForm, f *form) []string {
	switch k.kind {
	case event.KindReverse, event.KindDecide, event.KindCredit:
	case event.KindPack:
		return v.aboutOrder(f.text("order"))
	default:
		return nil
	}
	field := "event"
	if k.kind == event.KindCredit {
		field = "restock"
	}
	id, err := event.ParseID(strings.ToUpper(f.text(field)))
	if err != nil {
		return nil
	}
	e, off, err := v.desk().Held(v.ctx(), id)
	if err != nil || e == nil {
		return nil
	}
	text := v.site.told(v.look, e)
	if off {
		text += ". It was taken back already"
	}
	return []string{text}
}

// aboutOrder says what is left to pack of an order, and what that uses as the spec says.
func (v *view) aboutOrder(number string) []string {
	if number == "" {
		return nil
	}
	l := v.look
	o, ok := l.State().Orders[number]
	if !ok || o.Placed.IsZero() {
		return []string{"No order " + number + " is known here. Say below what was packed, and where it went."}
	}
	if len(o.Pending) > 0 {
		return []string{"A pack of order " + number + " waits for a decision first: it may be a double."}
	}
	job := o.Rest()
	if len(job.Units) == 0 {
		return []string{"Nothing of order " + number + " is left to pack. If it was sent again, say so below; else this may be a double."}
	}
	var goods, uses []string
	for _, u := range job.Units {
		goods = append(goods, times(num.Whole(u.Count), l.View.Def(u.Item).Name))
	}
	text := "To " + job.Zone + ": " + strings.Join(goods, ", ")
	if len(job.Options) > 0 {
		text += "; with " + strings.Join(job.Options, ", ")
	}
	out := []string{text}
	spec := l.View.Spec()
	if spec == nil {
		return out
	}
	r, use, err := l.resolve(spec.Data, job)
	if err != nil {
		return out
	}
	for _, u := range use {
		if it := l.Catalog.Items[u.Item]; it.Unit() == "each" {
			uses = append(uses, times(u.Qty, l.View.Def(u.Item).Name))
		} else {
			uses = append(uses, Grouped(u.Qty)+" "+it.Unit()+" of "+l.View.Def(u.Item).Name)
		}
	}
	return append(out, "By the packing spec: "+parcelsText(r)+prefixed("; ", strings.Join(uses, ", ")))
}

// told is an event in a line: when, what, and who says so.
func (s *Site) told(l *Look, e *event.Event) string {
	text := s.clock(time.UnixMilli(e.Time.Ms()).In(l.Zone)) + ": " + inWords(e.Data)
	if e.Person != "" {
		text += " (" + e.Person + ")"
	}
	return text
}
