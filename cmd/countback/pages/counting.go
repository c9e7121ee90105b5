package pages

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/projections/interval"
	"countback/projections/outlook"
	"countback/projections/reorder"
	"countback/projections/shrinkage"
	"countback/projections/tally"
)

// countingPages are about counting.
var countingPages = []route{
	{pattern: "GET /counting", serve: serveCounting},
	{pattern: "GET /counting/sheet", serve: serveSheet},
	{pattern: "GET /counting/enter", serve: serveEnterCount},
	{pattern: "POST /counting/enter", serve: takeCount},
	{pattern: "GET /counting/result", serve: serveResult},
	{pattern: "GET /counting/use", serve: serveUse},
	{pattern: "POST /counting/use", serve: takeUse},
}

// countRow is a row to count with its words.
type countRow struct {
	tally.Row
	Of   string // what it counts: box of 150, loose
	Book string // only where it was asked for
}

// countPlace is what there is to count at one place.
type countPlace struct {
	Place string
	Rows  []countRow
}

// counted lists what there is to count by place. only is a place; nil: all of them.
func (l *Look) toCount(only *string, book bool) (list []countPlace) {
	s := l.State()
	for _, r := range tally.Rows(s) {
		if only != nil && r.Place != *only {
			continue
		}
		if n := len(list); n == 0 || list[n-1].Place != r.Place {
			list = append(list, countPlace{Place: r.Place})
		}
		row := countRow{Row: r, Of: words.CountedAs(&r)}
		if it, ok := l.Catalog.Find(r.Item); book && ok && r.Pack == "" && !it.Prepared() {
			row.Book = s.Items[it.Index].Account.OnHand().String()
		}
		p := &list[len(list)-1]
		p.Rows = append(p.Rows, row)
	}
	return list
}

// countingPage is what to count, and what counts have shown.
type countingPage struct {
	Next     string // the next day to count on; "" while there is no habit
	NextIn   string
	Places   []string
	Session  string // the name of a count that begins today
	Sessions []sessionRow
	Rows     int
	More     int // sessions that aren't listed
}

type sessionRow struct {
	Name  string
	At    time.Time
	Items int
	Of    int
	Link  string
}

const mostSessions = 24

func serveCounting(v *view) error {
	l := v.look
	d := &countingPage{Session: l.Today()}
	if day, ok := reorder.CountDay(l.Log, l.Run.AsOf, l.Style); ok {
		today := outlook.DayNumber(l.Run.AsOf, l.Zone)
		d.Next, d.NextIn = words.DayAhead(today, day-today), words.InDays(day-today)
	}
	of := map[string]bool{}
	for _, p := range l.toCount(nil, false) {
		d.Places = append(d.Places, p.Place)
		d.Rows += len(p.Rows)
		for _, r := range p.Rows {
			of[r.Item] = true
		}
	}
	list := l.sessions()
	for i, s := range list {
		if i == mostSessions {
			d.More = len(list) - i
			break
		}
		d.Sessions = append(d.Sessions, sessionRow{s.Name, time.UnixMilli(s.To).In(l.Zone), len(s.Items), len(of), resultLink(s)})
	}
	return v.render("counting", d)
}

func resultLink(s tally.Session) string {
	return address("/counting/result", url.Values{"session": {s.Name}, "from": {fmt.Sprint(s.From)}})
}

func (l *Look) sessions() []tally.Session {
	list, _ := once(l, "sessions", func() ([]tally.Session, error) { return tally.Sessions(l.Log, l.Run.AsOf), nil })
	return list
}

// sheetPage is a sheet to print.
type sheetPage struct {
	Places  []countPlace
	All     []string // names of the places that there are
	Place   string
	One     bool // of one place alone
	Book    bool
	Session string
}

func serveSheet(v *view) error {
	q := v.r.URL.Query()
	d := &sheetPage{Book: q.Has("book"), Session: orWord(q.Get("session"), v.look.Today()), One: q.Has("place") && q.Get("place") != "all", Place: q.Get("place")}
	for _, p := range v.look.toCount(nil, false) {
		d.All = append(d.All, p.Place)
	}
	var only *string
	if d.One {
		only = &d.Place
	}
	d.Places = v.look.toCount(only, d.Book)
	return v.render("sheet", d)
}

// enterPage is a count that is being entered, place by place.
type enterPage struct {
	Session   string
	Places    []enterPlace
	All       []string
	Place     string
	One       bool
	Once      event.ID
	Seen      int64
	When      block
	Wrong     []wrongField
	Notes     []string
	Meanwhile []string
	Questions []Question
	Sure      bool
	Done      *done
	Counted   int // rows that have a figure in this session
	Rows      int
	Result    string
	Ask       bool // the name of the session is missing
	Lists     lists
}

type enterPlace struct {
	Place string
	Rows  []enterRow
}

// enterRow asks for one figure. What the session has for it already stands beside it; what the book has doesn't, so that nobody counts towards it.
type enterRow struct {
	countRow
	Row   string // rows[3]
	Field input
	Had   string
	Look  bool // it was asked about
}

func serveEnterCount(v *view) error {
	q := v.r.URL.Query()
	f := newForm(v.look, v.desk().Now(), url.Values{})
	f.set("session", orWord(q.Get("session"), v.look.Today()))
	if q.Has("place") {
		f.values.Set("place", q.Get("place"))
	}
	f.set("person", v.person())
	d := v.enterPage(f, q.Has("place") && q.Get("place") != "all", q.Get("place"))
	if d.Done = v.done(q["recorded"]); d.Done != nil {
		d.Done.OnHand, d.Done.Notices, d.Done.Below, d.Done.Blind = nil, nil, nil, true // what it moved would say what the book had
	}
	return v.render("enter-count", d)
}

// enterPage lays a count out. f is what was typed.
func (v *view) enterPage(f *form, one bool, place string) *enterPage {
	l := v.look
	d := &enterPage{Session: f.text("session"), One: one, Place: place, Once: v.once(f), Seen: l.Version, When: f.momentBlock(event.KindCount), Lists: l.suggestions(), Notes: f.notes}
	for _, p := range l.toCount(nil, false) {
		d.All = append(d.All, p.Place)
	}
	var only *string
	if one {
		only = &place
	}
	had := l.figures(d.Session)
	sentRows := map[string]string{}
	for _, row := range f.rows("rows") {
		sentRows[f.text(row+".key")] = row
	}
	labels := map[string]string{}
	for _, p := range l.toCount(only, false) {
		ep := enterPlace{Place: p.Place}
		for _, r := range p.Rows {
			row := enterRow{countRow: r, Row: rowName("rows", d.Rows), Had: had[keyOf(&r.Row)]}
			d.Rows++
			if row.Had != "" {
				d.Counted++
			}
			row.Field = input{Name: row.Row + ".qty", Kind: "figure", Label: r.Name + ", " + r.Of}
			if sent, ok := sentRows[keyOf(&r.Row)]; ok {
				row.Field.Value, row.Field.Wrong = f.text(sent+".qty"), f.wrong[sent+".qty"]
				row.Look = f.has(sent + ".look")
				labels[sent+".qty"] = row.Field.Label
			}
			ep.Rows = append(ep.Rows, row)
		}
		d.Places = append(d.Places, ep)
	}
	for _, field := range f.order {
		d.Wrong = append(d.Wrong, wrongField{field, cmp.Or(labels[field], field), f.wrong[field]})
	}
	if i := slices.IndexFunc(l.sessions(), func(s tally.Session) bool { return s.Name == d.Session }); i >= 0 {
		d.Result = resultLink(l.sessions()[i])
	}
	return d
}

// keyOf names a row to count in a form.
func keyOf(r *tally.Row) string { return r.Item + "|" + r.Pack + "|" + r.Place }

// figures are what a session has so far, as it was counted, by row. The latest session of the name is meant.
func (l *Look) figures(session string) map[string]string {
	out := map[string]string{}
	list := l.sessions()
	i := slices.IndexFunc(list, func(s tally.Session) bool { return s.Name == session })
	if i < 0 {
		return out
	}
	for _, id := range list[i].Events {
		e, ok := l.Log.Event(id)
		if !ok {
			continue
		}
		c := e.Data.(*event.Count)
		text := ""
		switch {
		case c.Qty != nil && c.Measure != "":
			text = Grouped(c.Qty.String()) + " " + c.Measure
		case c.Qty != nil:
			text = Grouped(c.Qty.String())
		case c.Gross != nil:
			text = Grouped(c.Gross.String()) + " " + c.WeightUnit + " on the scale"
		}
		out[c.Item+"|"+c.Pack+"|"+c.Place] = text
	}
	return out
}

func takeCount(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	one := f.has("one")
	place := v.r.PostForm.Get("place")
	show := func(status int, change func(*formView)) error {
		d := v.enterPage(f, one, place)
		if change != nil {
			var fv formView
			change(&fv)
			d.Meanwhile, d.Questions, d.Sure = fv.Meanwhile, blind(fv.Questions), fv.Sure
		}
		return v.renderStatus(status, "enter-count", d)
	}
	session := f.needText("session", "the count has no name", "give it one, like "+v.look.Today())
	var list []event.Data
	var places []string
	for _, row := range f.rows("rows") {
		if !f.has(row + ".qty") {
			continue
		}
		key := strings.SplitN(f.text(row+".key"), "|", 3)
		it, ok := v.look.Catalog.Find(key[0])
		if !ok || len(key) < 3 {
			f.fail(row+".qty", "there is no such item any more", "load the page anew")
			continue
		}
		a, ok := f.amountOf(row+".qty", row+".pack", it, "")
		if !ok {
			continue
		}
		if _, word, _ := typed.CutNumber(f.text(row + ".qty")); word == "" {
			a.Pack = key[1]
		}
		c := &event.Count{Item: it.ID, Qty: &a.Qty, Pack: a.Pack, Measure: a.Measure, Place: key[2], Session: session, Note: f.text("note")}
		list, places = append(list, c), append(places, row)
	}
	if len(list) == 0 && !f.bad() {
		f.fail("", "no figure is entered, so there is nothing to record", "enter what you counted; 0 where nothing is left")
	}
	if f.bad() {
		return show(http.StatusUnprocessableEntity, nil)
	}
	then := url.Values{"session": {session}}
	if one {
		then.Set("place", place)
	}
	return v.record(f, v.facts(f, list, event.KindCount), recording{
		show: func(status int, change func(*formView)) error {
			if change != nil {
				var fv formView
				change(&fv)
				for _, q := range fv.Questions {
					f.values.Set(places[q.Index]+".look", "yes")
				}
			}
			return show(status, change)
		},
		then: address("/counting/enter", then),
		at: func(i int, field string) string {
			if field == "time" {
				return field
			}
			return places[i] + ".qty"
		},
	})
}

// blind takes out of questions what they say of the book: whoever counts shall count again, not towards a figure.
func blind(list []Question) []Question {
	if len(list) == 0 {
		return nil
	}
	return []Question{{Why: fmt.Sprintf("%s far from what was to be expected, or like a slip of the hand. Look again at what is marked, and correct it or record it as it is",
		words.Count(len(list), "figure looks", "figures look"))}}
}

// resultPage is what a count has shown.
type resultPage struct {
	Session  tally.Session
	At       time.Time
	Rows     []resultRow
	Currency string
	More     []string // items that are missing more than chance explains
	Gained   []string
	First    []string // items that were counted for the first time
	Enter    string
}

// resultRow is one item of it: the interval that this count ends, and what the last three together say.
type resultRow struct {
	shrinkage.Stretch
	Item, Name, Unit, Verdict string
	Signal, Gain              bool
	Since                     string // from when on the verdict is
}

func resultOf(it *shrinkage.Item) resultRow {
	last := it.Intervals[len(it.Intervals)-1]
	return resultRow{Stretch: last, Item: it.Item, Name: it.Name, Unit: it.Unit, Verdict: words.Verdict(*it), Signal: it.Signal, Gain: it.Gain, Since: it.SignalFrom}
}

func serveResult(v *view) error {
	q := v.r.URL.Query()
	l := v.look
	list := l.sessions()
	i := slices.IndexFunc(list, func(s tally.Session) bool {
		return s.Name == q.Get("session") && (!q.Has("from") || q.Get("from") == fmt.Sprint(s.From))
	})
	if i < 0 {
		return NotFound("there is no count named %q", clipped(q.Get("session")))
	}
	s := list[i]
	r, err := soon(v, fmt.Sprint("shrinkage to ", s.To), func(l *Look) (shrinkage.Report, error) {
		return shrinkage.Of(l.Intervals(), l.Style, shrinkage.What{To: s.To}), nil
	})
	if err != nil {
		return err
	}
	d := &resultPage{Session: s, Currency: r.Currency, At: time.UnixMilli(s.To).In(l.Zone), Enter: address("/counting/enter", url.Values{"session": {s.Name}})}
	t := l.Intervals()
	for _, id := range s.Items {
		it, ok := l.Catalog.Find(id)
		if !ok {
			continue
		}
		list := t.Chains[it.Index].Intervals
		k := slices.IndexFunc(list, func(n interval.Interval) bool { return n.To.Ms >= s.From && n.To.Ms <= s.To && n.To.Session == s.Name })
		n := slices.IndexFunc(r.Items, func(x shrinkage.Item) bool { return x.Item == id })
		if k < 0 || n < 0 {
			d.First = append(d.First, it.ID)
			continue
		}
		d.Rows = append(d.Rows, resultOf(&r.Items[n]))
	}
	slices.SortStableFunc(d.Rows, func(a, b resultRow) int { return words.Quantity(b.UnknownValue).Cmp(words.Quantity(a.UnknownValue)) })
	for _, row := range d.Rows {
		switch {
		case row.Signal:
			d.More = append(d.More, row.Name)
		case row.Gain:
			d.Gained = append(d.Gained, row.Name)
		}
	}
	return v.render("result", d)
}
