package pages

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"countback/cmd/countback/agenda"
	"countback/cmd/countback/pages/chart"
	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/ledger/num"
	"countback/projections/outlook"
	"countback/projections/reorder"
	"countback/projections/reprint"
)

// buyingPages are about what to buy and to print.
var buyingPages = []route{
	{pattern: "GET /buying", serve: serveBuying},
	{pattern: "GET /buying/calendar.ics", serve: serveCalendar},
}

// buyingAsk is what a person may add to what the ledger says, as the command's flags do. Its zero value but for the usual terms is what the shop now shows.
type buyingAsk struct {
	terms  reorder.Terms
	busier float64
	guess  map[int]float64
	within int
	budget *num.Money
	key    string // of what changes the report; "" for the usual one
}

// buyingPage is what to buy.
type buyingPage struct {
	Report   *reorder.Report
	Lead     string
	NoLead   []string // items without a lead time
	Rows     []buyRow
	Idle     []string
	Wrong    []string
	Lists    []buyList
	Spend    *reorder.Spending
	Total    string
	Within   int
	Make     []makeRow
	Picture  template.HTML
	Season   string
	Measured []measured
	Late     []reorder.Late
	Stale    []reorder.Order
	Unpacked string
	Short    int // days of history, where it is short; 0: it isn't
	Asked    map[string]string
	Calendar string
	Changed  bool // other terms than the usual ones
	None     bool // no history and no estimates

}

// buyRow is an item with its words.
type buyRow struct {
	reorder.Item
	Runs, Between, Sure, OrderBy, ToGet, PerDay string
	Tone                                        string
}

type buyList struct {
	reorder.List
	When  string
	Lines []buyLine
}

type buyLine struct {
	reorder.Line
	By, Buy string
}

type measured struct{ Item, Name, Ratio string }

type makeRow struct {
	reprint.Item
	Due string // when it has to be printed
}

// plainNumber reads a plain number within limits.
func plainNumber(f *form, field, label string, usual, least, most float64) float64 {
	text, ok := f.number(field)
	if !ok {
		return usual
	}
	q, err := num.ParseQty(text)
	if err != nil || q.Float() < least || q.Float() > most {
		f.fail(field, label+" must lie between "+strconv.FormatFloat(least, 'g', -1, 64)+" and "+strconv.FormatFloat(most, 'g', -1, 64), "")
		return usual
	}
	return q.Float()
}

func wholeNumber(f *form, field, label string, usual, least, most int) int {
	n := f.days(field)
	switch {
	case n == nil:
		return usual
	case *n < least || *n > most:
		f.fail(field, fmt.Sprintf("%s must lie between %d and %d", label, least, most), "")
		return usual
	}
	return *n
}

// buyingAsk reads what was asked for.
func (v *view) buyingAsk(f *form) buyingAsk {
	a := buyingAsk{terms: UsualTerms, busier: 1, guess: map[int]float64{}}
	a.terms.Service = plainNumber(f, "service", "how sure", 95, 50, 99.9) / 100
	a.terms.Cover = wholeNumber(f, "cover", "days to buy for", reorder.UsualCover, 1, 365)
	a.terms.Lead = wholeNumber(f, "lead", "days that a delivery takes", 0, 1, 365)
	a.terms.Holding = plainNumber(f, "holding", "what keeping costs", 20, 0.1, 1000) / 100
	a.busier = plainNumber(f, "busier", "how many times as many orders", 1, 0.1, 10)
	a.within = wholeNumber(f, "within", "days ahead", 7, 0, 365)
	positive := func(field string) *num.Money {
		m := f.money(field)
		if m != nil && m.Sign() <= 0 {
			f.fail(field, "must be above 0", "leave it out, or give an amount")
			return nil
		}
		return m
	}
	a.terms.OrderCost, a.budget = positive("order_cost"), positive("budget")
	for _, part := range strings.FieldsFunc(f.text("expect"), func(r rune) bool { return r == '\n' || r == ';' || r == ',' }) {
		v.guess(f, &a, strings.TrimSpace(part))
	}
	usual := buyingAsk{terms: UsualTerms, busier: 1}
	if a.terms.Service != usual.terms.Service || a.terms.Cover != usual.terms.Cover || a.terms.Lead != 0 || a.terms.OrderCost != nil || a.busier != 1 || len(a.guess) > 0 || a.terms.Holding != usual.terms.Holding {
		a.key = fmt.Sprintf("%v %v %v %v %v %v %v", a.terms.Service, a.terms.Cover, a.terms.Lead, f.text("order_cost"), a.terms.Holding, a.busier, f.text("expect"))
	}
	return a
}

// guess reads a person's own estimate of what a day takes of an item, "board = 12".
func (v *view) guess(f *form, a *buyingAsk, text string) {
	if text == "" {
		return
	}
	name, value, ok := strings.Cut(text, "=")
	if !ok {
		f.fail("expect", fmt.Sprintf("%q can't be read", clipped(text)), "write it like board = 12")
		return
	}
	it, err := f.read.Item(strings.TrimSpace(name))
	if err != nil {
		f.failed("expect", err)
		return
	}
	number, word, err := typed.CutNumber(strings.TrimSpace(value))
	if err != nil {
		f.failed("expect", err)
		return
	}
	x, err := f.read.Amount(it, number, word, "")
	if err != nil {
		f.failed("expect", err)
		return
	}
	q := f.read.Base(it, x)
	if q.Sign() <= 0 {
		f.fail("expect", value+" a day of "+it.ID+" is no use", "give what a day uses, or leave the item out")
		return
	}
	a.guess[it.Index] = q.Float()
}

// forecasted is a forecast with what it says to buy.
type forecasted struct {
	out    *outlook.Outlook
	report *reorder.Report
}

func (l *Look) forecast(a buyingAsk) (forecasted, error) {
	if a.key == "" {
		o, err := l.Outlook()
		if err != nil {
			return forecasted{}, err
		}
		r, err := l.Reorder()
		return forecasted{o, r}, err
	}
	u := l.Use()
	o, err := outlook.Of(l.Log, l.Run, outlook.Ask{Zone: l.Zone, Ratio: u.Measured(l.Catalog), Guess: a.guess, Busier: a.busier, Paths: reorder.Paths(a.terms.Service)})
	if err != nil {
		return forecasted{}, err
	}
	return forecasted{o, reorder.Of(l.Log, o, l.Style, a.terms)}, nil
}

func serveBuying(v *view) error {
	q := v.r.URL.Query()
	f := newForm(v.look, v.desk().Now(), q)
	a := v.buyingAsk(f)
	x, err := soon(v, "buying "+a.key, func(l *Look) (forecasted, error) { return l.forecast(a) })
	if err != nil {
		return err
	}
	made, err := soon(v, "printable", func(l *Look) (reprint.Report, error) { return reprint.All(l.State(), l.Style, ""), nil })
	if err != nil {
		return err
	}
	d := v.buying(x, made, a)
	for _, field := range f.order {
		d.Wrong = append(d.Wrong, f.wrong[field])
	}
	for _, name := range []string{"service", "cover", "lead", "order_cost", "holding", "busier", "within", "budget", "expect"} {
		d.Asked[name] = f.text(name)
	}
	d.Calendar = address("/buying/calendar.ics", buyingQuery(f))
	status := http.StatusOK
	if f.bad() {
		status = http.StatusUnprocessableEntity
	}
	return v.renderStatus(status, "buying", d)
}

// buyingQuery is what was asked for as an address says it.
func buyingQuery(f *form) url.Values {
	q := url.Values{}
	for _, name := range []string{"service", "cover", "lead", "order_cost", "holding", "busier", "expect"} {
		if f.has(name) {
			q.Set(name, f.text(name))
		}
	}
	return q
}

func (v *view) buying(x forecasted, made reprint.Report, a buyingAsk) *buyingPage {
	l, r := v.look, x.report
	d := &buyingPage{Report: r, Within: a.within, Asked: map[string]string{}, Late: r.Late, Stale: r.Stale, Changed: a.key != ""}
	known := false
	d.Lead, known = words.Urgent(r)
	if !known {
		d.Lead = words.NoLead
	}
	d.None = r.Orders == 0 && len(a.guess) == 0
	if r.Orders > 0 && x.out.Days < 28 {
		d.Short = x.out.Days
	}
	if x.out.Season >= 1.25 || x.out.Season > 0 && x.out.Season <= 0.75 {
		d.Season = strconv.FormatFloat(x.out.Season, 'f', 1, 64)
	}
	if x.out.Unpacked != nil {
		d.Unpacked = strings.TrimPrefix(x.out.Unpacked.Error(), "void: ")
	}
	for _, it := range r.Items {
		if it.Basis == string(outlook.None) {
			d.Idle = append(d.Idle, it.Item)
			continue
		}
		if it.LeadFrom == "" {
			d.NoLead = append(d.NoLead, it.Item)
		}
		d.Rows = append(d.Rows, buyRowOf(r, it, x.out.Horizon))
	}
	used := l.Use()
	ratios := used.Measured(l.Catalog)
	for _, u := range used.Items {
		if it, ok := l.Catalog.Find(u.Item); ok && u.Proposed != nil && ratios[it.Index] != 0 {
			d.Measured = append(d.Measured, measured{u.Item, u.Name, words.Ratio(u.Ratio)})
		}
	}
	s := r.Shopping(a.within, l.Log.Digits(), l.Style)
	d.Total = s.Total
	for _, list := range s.Suppliers {
		b := buyList{List: list, When: words.OrderWhen(r.Today, list.By)}
		for i := range list.Items {
			b.Lines = append(b.Lines, buyLine{list.Items[i], words.LineBy(r.Today, &list.Items[i]), words.Packs(&list.Items[i])})
		}
		d.Lists = append(d.Lists, b)
	}
	if a.budget != nil {
		d.Spend = r.Spend(*a.budget, l.Log.Digits(), l.Style)
	}
	d.Make = toPrint(r, made)
	d.Picture = runOuts(r, x.out.Horizon)
	return d
}

func buyRowOf(r *reorder.Report, it reorder.Item, horizon int) buyRow {
	row := buyRow{Item: it, Runs: words.RunsOut(r, &it, horizon), Between: words.Between(r, &it, horizon), Sure: words.Sureness(&it, horizon), OrderBy: strings.TrimSpace(words.OrderBy(r, &it)), ToGet: words.ToGet(&it),
		PerDay: words.PerDay(it.UsePerDay)}
	switch {
	case it.HasBy && it.By <= 0:
		row.Tone = "short"
	case it.HasBy && it.By <= 7:
		row.Tone = "soon"
	}
	return row
}

// toPrint puts what could be printed in the order in which it has to be.
func toPrint(r *reorder.Report, made reprint.Report) (list []makeRow) {
	rank := map[string]int{}
	for i := range r.Items {
		rank[r.Items[i].Item] = i
	}
	for _, it := range made.Items {
		row := makeRow{Item: it}
		if i, ok := rank[it.Item]; ok {
			row.Due = strings.TrimSpace(words.OrderBy(r, &r.Items[i]))
		}
		list = append(list, row)
	}
	slices.SortStableFunc(list, func(a, b makeRow) int {
		i, ok := rank[a.Item.Item]
		k, ok2 := rank[b.Item.Item]
		if !ok || !ok2 {
			return 0
		}
		return i - k
	})
	return list
}

// mostRunOuts is how many items are drawn.
const mostRunOuts = 15

// runOuts draws when what runs out first does: eight cases in ten as a range, and as likely as not as a bar.
func runOuts(r *reorder.Report, horizon int) template.HTML {
	b := chart.Bars{ID: "runouts", Title: "What runs out first", Head: "Item", Parts: []chart.Part{{Name: "days from today, as likely as not", Fill: chart.Light}},
		Desc: "Days from today until nothing is left. The bar ends where it is as likely as not; eight cases in ten end within the range."}
	for i := range r.Items {
		it := &r.Items[i]
		if len(b.Rows) == mostRunOuts || it.P50 > horizon || it.Basis == string(outlook.None) {
			break
		}
		row := chart.Bar{Text: it.Name, Link: "/item/" + url.PathEscape(it.Item), Note: words.OrderBy(r, it), Amounts: []chart.Amount{{At: num.Whole(int64(it.P50)), Shown: words.DayAhead(r.Today, it.P50)}}}
		if row.Note = strings.TrimSpace(row.Note); row.Note != "" {
			row.Note = "· order " + row.Note
		}
		if it.P90 <= horizon {
			row.Range = &chart.Range{Low: num.Whole(int64(it.P10)), High: num.Whole(int64(it.P90)), Shown: words.Between(r, it, horizon)}
		}
		b.Rows = append(b.Rows, row)
	}
	if len(b.Rows) == 0 {
		return ""
	}
	return b.Figure().HTML()
}

func serveCalendar(v *view) error {
	f := newForm(v.look, v.desk().Now(), v.r.URL.Query())
	a := v.buyingAsk(f)
	if f.bad() {
		return &Problem{What: f.wrong[f.order[0]], Hint: "go back and correct it"}
	}
	x, err := v.look.forecast(a)
	if err != nil {
		return err
	}
	_, shop, err := v.desk().Store(v.ctx())
	if err != nil {
		return err
	}
	text, _, err := agenda.Calendar(v.look.Log, x.report, agenda.Shop{Name: v.look.Shop.Name, ID: shop}, v.look.Run.AsOf, v.look.Style)
	if err != nil {
		return err
	}
	h := v.w.Header()
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="stock.ics"`)
	h.Set("Cache-Control", "no-store")
	return send(v.w, v.r, http.StatusOK, text)
}
