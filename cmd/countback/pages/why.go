package pages

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"countback/cmd/countback/pages/chart"
	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/projections/audit"
	"countback/projections/bridge"
	"countback/projections/fold"
	"countback/projections/shrinkage"
)

// whyPages are about why an item ran out.
var whyPages = []route{
	{pattern: "GET /why", serve: serveWhys},
	{pattern: "GET /why/{item}", serve: serveWhy},
}

// auditor is a ledger with what audits of its items share. One audit is made at a time.
type auditor struct {
	mu   sync.Mutex
	shop *audit.Shop
}

func (l *Look) auditor() (*auditor, error) {
	return once(l, "auditor", func() (*auditor, error) { return &auditor{shop: audit.Read(l.Log, l.Run)}, nil })
}

// Audited is an audit with what its words need, as the command prints it.
type Audited struct {
	audit.Report
	Notes []string `json:"notes"`
}

// Audit is why an item ran out, over the window that is asked for, with some windows before it. all says that so many were asked for: then the notes say if there are fewer.
func (l *Look) Audit(item int, ask bridge.Ask, windows int, all bool) (Audited, error) {
	a, err := l.auditor()
	if err != nil {
		return Audited{}, err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	r := a.shop.Record
	w, err := r.Window(item, ask)
	if err != nil {
		return Audited{}, err
	}
	list := []bridge.Bridge{r.Of(item, w, l.Zone)}
	for _, before := range r.Before(item, w, windows) {
		list = append(list, r.Of(item, before, l.Zone))
	}
	missing := 0
	if all {
		missing = windows - len(list) + 1
	}
	return Audited{a.shop.Of(l.Style, list), words.AuditNotes(l.Log, &list[0], missing, l.Zone)}, nil
}

// whyPage is the audit of one item.
type whyPage struct {
	Audited
	Answer   string
	Costing  string
	Picture  template.HTML
	Parts    []whyPart
	Causes   []whyCause
	Shared   bool // several causes share the first rank
	Box      *eventLink
	Earlier  []whyBefore
	Heads    []string
	From, To string // as asked
	Windows  int
	Wrong    string
	ID       string
	Ledger   string
}

// whyPart is a part of the bridge.
type whyPart struct {
	Text, Qty, Value string
	Level            bool
	Sub              []bridge.SubLine
	Events           int
	Link             string
}

// whyCause is a finding with its evidence.
type whyCause struct {
	audit.Finding
	Name, Likely, About string
	For, Not            []eventLink
	MoreFor             int
	First               bool
}

// eventLink is an event in a line.
type eventLink struct{ ID, Text string }

// whyBefore is a window before this one, its parts under the heads.
type whyBefore struct {
	From, To, Days, Orders, Expected, Actual string
	Parts                                    []string
	Now                                      bool
}

func serveWhy(v *view) error {
	l := v.look
	id := v.r.PathValue("item")
	it, ok := l.Catalog.Find(id)
	if !ok {
		return NotFound("there is no item %q", clipped(id))
	}
	if it.Prepared() {
		var parts []string
		for _, p := range l.View.Def(it.Index).Parts {
			parts = append(parts, p.Item)
		}
		return &Problem{What: l.nameOf(id) + " is made up from its parts and has no stock of its own", Hint: "look at its parts: " + strings.Join(parts, ", "), Status: http.StatusNotFound}
	}
	q := v.r.URL.Query()
	d := &whyPage{ID: id, From: q.Get("from"), To: q.Get("to")}
	var ask bridge.Ask
	edge := func(text string, part typed.Part) int64 {
		if text == "" {
			return 0
		}
		t, err := typed.Moment(text, part, l.Zone)
		if err != nil {
			d.Wrong = err.Error()
			return 0
		}
		return t.UnixMilli()
	}
	ask.From, ask.To = edge(d.From, typed.Start), edge(d.To, typed.End)
	if ask.To > l.Run.AsOf {
		d.Wrong, ask.To = "the window would end after today", 0
	}
	const mostWindows = 12
	d.Windows = 3
	if n, err := strconv.Atoi(q.Get("windows")); err == nil && n >= 0 && n <= mostWindows {
		d.Windows = n
	}
	a, err := soon(v, fmt.Sprintf("audit %s %+v %d %v", id, ask, d.Windows, q.Has("windows")), func(l *Look) (Audited, error) {
		return l.Audit(it.Index, ask, d.Windows, q.Has("windows"))
	})
	switch {
	case errors.Is(err, bridge.ErrNothing):
		return v.render("why-nothing", struct{ ID, Name string }{id, l.nameOf(id)})
	case errors.Is(err, bridge.ErrOrder):
		return &Problem{What: "the window would end before it begins", Hint: "choose an earlier day to begin with, or a later one to end with"}
	case err != nil:
		return err
	}
	d.Audited = a
	v.fillWhy(d)
	return v.render("why", d)
}

func (v *view) fillWhy(d *whyPage) {
	d.Answer, d.Costing = words.Audit(&d.Report), costingWords(d.Audited.Costing)
	d.Ledger = address("/ledger", url.Values{"item": {d.ID}, "from": {dayOnly(d.Report.From)}, "to": {dayOnly(d.Report.To)}})
	d.Picture = pictureOf(d)
	if d.Report.Box != "" {
		x := v.eventLink(d.Report.Box)
		d.Box = &x
	}
	all := d.NoExpectation != ""
	first := "Expected"
	if all {
		first = "There at the start"
	}
	d.Parts = append(d.Parts, whyPart{Text: first, Qty: d.Expected, Value: d.ExpectedValue, Level: true})
	for _, b := range d.Bridge {
		if words.Quantity(b.Qty).IsZero() && words.Quantity(b.Value).IsZero() && len(b.Sub) == 0 {
			continue
		}
		text := words.Part(b.Part, b.Qty, all)
		if words.Quantity(b.Qty).IsZero() && !all {
			text = asExpected(b.Part, text)
		}
		if b.Part == bridge.Price {
			text = words.Part(b.Part, b.Value, false)
		}
		p := whyPart{Text: text, Qty: words.Signed(b.Qty), Value: words.Signed(b.Value), Sub: b.Sub, Events: len(b.Events), Link: d.Ledger}
		if len(b.Events) == 1 {
			p.Link = "/event/" + b.Events[0]
		}
		if b.Part == bridge.Price {
			p.Qty = ""
		}
		d.Parts = append(d.Parts, p)
	}
	d.Parts = append(d.Parts, whyPart{Text: "There was", Qty: d.Actual, Value: d.ActualValue, Level: true})
	for _, f := range d.Findings {
		c := whyCause{Finding: f, Name: words.Cause(&f), Likely: words.Weight(&f), About: words.About(&f, d.Unit), First: f.Rank == 1}
		const mostEvents = 8
		for i, id := range f.Events {
			if i == mostEvents {
				c.MoreFor = len(f.Events) - i
				break
			}
			c.For = append(c.For, v.eventLink(id))
		}
		for _, id := range f.Against {
			c.Not = append(c.Not, v.eventLink(id))
		}
		if c.First && len(d.Causes) > 0 {
			d.Shared = true
		}
		d.Causes = append(d.Causes, c)
	}
	d.before()
}

// asExpected names a part of 0 that is made of lines.
func asExpected(part, text string) string {
	switch part {
	case bridge.Receipts:
		return "came in as it should have"
	case bridge.PrintRuns:
		return "print runs took as much as before"
	}
	return text
}

// eventLink says an event in a line.
func (v *view) eventLink(id string) eventLink {
	at, err := event.ParseID(id)
	if err != nil {
		return eventLink{id, id}
	}
	if e, ok := v.look.Log.Event(at); ok {
		return eventLink{id, v.site.day(time.UnixMilli(e.Time.Ms()).In(v.look.Zone)) + ", " + strings.ToLower(KindName(e.Kind)) + ": " + Say(e)}
	}
	if r, ok := v.look.refs()[at]; ok { // a log doesn't hold what orders and packs say
		return eventLink{id, v.site.day(time.UnixMilli(r.Ms).In(v.look.Zone)) + ", " + strings.ToLower(KindName(r.Kind))}
	}
	return eventLink{id, "an entry that isn't here"}
}

// refs are all events that stand, by id.
func (l *Look) refs() map[event.ID]fold.Ref {
	refs, _ := once(l, "refs", func() (map[event.ID]fold.Ref, error) {
		refs := make(map[event.ID]fold.Ref, l.Log.Len())
		l.Log.Refs(func(r fold.Ref) { refs[r.ID] = r })
		return refs, nil
	})
	return refs
}

// pictureOf draws the bridge as a waterfall.
func pictureOf(d *whyPage) template.HTML {
	w := chart.Waterfall{ID: "bridge", Title: "From what was expected to what was", Unit: d.Unit,
		Desc: fmt.Sprintf("From %s on hand, as was to be expected, to the %s that there were on %s. %s", words.InUnit(words.Short(d.Expected), d.Unit), words.InUnit(d.Actual, d.Unit), words.DayOf(d.Report.To), "Each part with its sign; what nobody wrote down stands last.")}
	if d.NoExpectation != "" {
		w.Desc = fmt.Sprintf("From %s on hand at the start to the %s that there were on %s.", words.InUnit(words.Short(d.Expected), d.Unit), words.InUnit(d.Actual, d.Unit), words.DayOf(d.Report.To))
	}
	for _, s := range words.Steps(&d.Figures, d.Unit) {
		step := chart.Step{Text: s.Text, Shown: words.StepQty(s), Value: words.StepValue(s), From: s.From, To: s.To, Level: s.Level, Unknown: s.Part == bridge.Unknown}
		if !s.Level {
			step.Link = d.Ledger
		}
		w.Steps = append(w.Steps, step)
	}
	return w.Figure().HTML()
}

// before sets the windows before beside the one that was asked about. Parts that are 0 in all of them are left out.
func (d *whyPage) before() {
	if len(d.Report.Earlier) == 0 {
		return
	}
	heads := []string{"Came in", "Orders", "Mix", "Specs", "Bench", "Back", "Runs", "Written off", "Unknown"}
	all := append([]bridge.Figures{d.Figures}, d.Report.Earlier...)
	used := make([]bool, len(heads))
	for _, f := range all {
		for i := range heads {
			used[i] = used[i] || f.Bridge[i].Qty != "0"
		}
	}
	for i, h := range heads {
		if used[i] {
			d.Heads = append(d.Heads, h)
		}
	}
	for k, f := range all {
		row := whyBefore{From: f.From, To: f.To, Days: words.DaysBetween(f.From, f.To), Orders: strconv.Itoa(f.Orders), Expected: words.ShortQty(f.Expected), Actual: words.ShortQty(f.Actual), Now: k == 0}
		for i := range heads {
			if used[i] {
				row.Parts = append(row.Parts, words.Signed(words.Short(f.Bridge[i].Qty)))
			}
		}
		d.Earlier = append(d.Earlier, row)
	}
}

// whysPage is where to look into.
type whysPage struct {
	Odd  []whyItem // more, or less, is missing than chance explains
	Rest []whyItem
}

type whyItem struct{ ID, Name, OnHand, Verdict, Unknown, Value string }

func serveWhys(v *view) error {
	l := v.look
	if id := strings.TrimSpace(v.r.URL.Query().Get("item")); id != "" {
		return v.redirect("/why/" + url.PathEscape(id))
	}
	what := shrinkage.What{}
	r, err := soon(v, fmt.Sprintf("shrinkage %+v", what), func(l *Look) (shrinkage.Report, error) { return l.lossesOf(what) })
	if err != nil {
		return err
	}
	d := &whysPage{}
	for _, s := range l.Stock().Items {
		if s.Retired && s.Qty.IsZero() {
			continue
		}
		x := whyItem{ID: s.Item, Name: s.Name, OnHand: words.InUnit(s.OnHand, s.Unit)}
		i := slices.IndexFunc(r.Items, func(it shrinkage.Item) bool { return it.Item == s.Item })
		if i < 0 {
			x.Verdict = "not counted twice yet"
			d.Rest = append(d.Rest, x)
			continue
		}
		it := &r.Items[i]
		x.Verdict, x.Unknown, x.Value = words.Verdict(*it), words.InUnit(it.Unknown, it.Unit), it.UnknownValue
		if it.Signal || it.Gain {
			d.Odd = append(d.Odd, x)
		} else {
			d.Rest = append(d.Rest, x)
		}
	}
	return v.render("whys", d)
}
