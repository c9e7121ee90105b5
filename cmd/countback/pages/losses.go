package pages

import (
	"cmp"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"countback/cmd/countback/pages/chart"
	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/projections/fill"
	"countback/projections/shrinkage"
)

// lossesPages are about what went missing.
var lossesPages = []route{{pattern: "GET /losses", serve: serveLosses}}

// lossesOf is the report of shrinkage with its reasons, as the command prints it.
func (l *Look) lossesOf(what shrinkage.What) (shrinkage.Report, error) {
	r := shrinkage.Of(l.Intervals(), l.Style, what)
	r.Reasons = shrinkage.ReasonsOf(l.Log, l.Run, l.Style, what)
	return r, nil
}

// losses is lossesOf, worked out beside the page.
func (v *view) losses(what shrinkage.What) (shrinkage.Report, error) {
	return soon(v, fmt.Sprintf("shrinkage %+v", what), func(l *Look) (shrinkage.Report, error) { return l.lossesOf(what) })
}

// lossesIn is the time that is asked for, as it was typed, and what is wrong with it.
func (l *Look) lossesIn(from, to string) (what shrinkage.What, wrong string) {
	edge := func(text string, part typed.Part) int64 {
		if text == "" {
			return 0
		}
		t, err := typed.Moment(text, part, l.Zone)
		if err != nil {
			wrong = err.Error()
			return 0
		}
		return t.UnixMilli()
	}
	what.From, what.To = edge(from, typed.Start), edge(to, typed.End)
	if what.To != 0 && what.To < what.From {
		wrong, what.To = "the time ends before it begins", 0
	}
	return what, wrong
}

// lossesPage is what went missing.
type lossesPage struct {
	Report   shrinkage.Report
	Rows     []lossRow
	Ranking  template.HTML
	Groups   []lossGroups
	Reasons  []shrinkage.Reason
	Fill     *fill.Report
	From, To string
	Wrong    string
	More     []string // names of what is missing more than chance
	Gained   []string
	Costing  string
	Item     *itemLosses // where one was asked for
}

// lossRow is an item with its verdict.
type lossRow struct {
	shrinkage.Item
	Verdict string
}

type lossGroups struct {
	Head   string
	Groups []lossGroup
}

// lossGroup is a group with the address of the events that it is made of.
type lossGroup struct {
	shrinkage.Group
	Events string
}

// groupsOf are groups of one sort. An address names a group and the time that its report is about, not its items: those may be more than an address holds.
func groupsOf(l *Look, d *lossesPage, head string, list []shrinkage.Group) lossGroups {
	out := lossGroups{Head: head}
	day := func(ms int64) string { return time.UnixMilli(ms).In(l.Zone).Format(time.DateOnly) }
	for _, g := range list {
		a := asked{Losses: strings.ToLower(head) + ":" + g.Name, LossesFrom: d.From, LossesTo: d.To, From: day(g.From), To: day(g.To)}
		out.Groups = append(out.Groups, lossGroup{g, a.query(1)})
	}
	return out
}

// groupAsked finds the group that a search of the ledger names, and says which items it has. It is nil where there is none any more; nothing is said where there can be none.
func (v *view) groupAsked(a asked) (*shrinkage.Group, string, error) {
	what, _ := v.look.lossesIn(a.LossesFrom, a.LossesTo) // the page that leads here says what is wrong with it
	r, err := v.losses(what)
	if err != nil {
		return nil, "", err
	}
	sort, name, _ := strings.Cut(a.Losses, ":")
	var list []shrinkage.Group
	which := groupWords(sort, name)
	switch sort {
	case "place":
		list = r.Places
	case "supplier":
		list = r.Suppliers
	case "kind":
		list = r.Kinds
	case "month":
		list = r.Months
	}
	for i := range list {
		if list[i].Name == name {
			return &list[i], which, nil
		}
	}
	return nil, which, nil
}

// groupWords says behind "items" what those of a group have in common.
func groupWords(sort, name string) string {
	switch {
	case (sort == "place" || sort == "supplier") && name == "":
		return "without a " + sort
	case sort == "place":
		return "kept at " + name
	case sort == "supplier":
		return "from " + name
	case sort == "kind":
		return "of the kind " + name
	case sort == "month":
		return "counted in " + words.Month(name)
	}
	return ""
}

// itemLosses are an item's intervals one by one.
type itemLosses struct {
	lossRow
	Months template.HTML
	Judged int
}

func serveLosses(v *view) error {
	q := v.r.URL.Query()
	l := v.look
	d := &lossesPage{From: q.Get("from"), To: q.Get("to")}
	var what shrinkage.What
	what, d.Wrong = l.lossesIn(d.From, d.To)
	if what.Item = q.Get("item"); what.Item != "" {
		def := l.Def(what.Item)
		if def == nil {
			return NotFound("there is no item %q", clipped(what.Item))
		}
	}
	r, err := v.losses(what)
	if err != nil {
		return err
	}
	d.Report, d.Costing, d.Reasons = r, costingWords(r.Costing), r.Reasons
	for _, it := range r.Items {
		row := lossRow{it, words.Verdict(it)}
		d.Rows = append(d.Rows, row)
		switch {
		case it.Signal:
			d.More = append(d.More, it.Name)
		case it.Gain:
			d.Gained = append(d.Gained, it.Name)
		}
	}
	rank := func(r *lossRow) int {
		switch {
		case r.Signal:
			return 0
		case r.Gain:
			return 1
		}
		return 2
	}
	slices.SortStableFunc(d.Rows, func(a, b lossRow) int {
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), words.Quantity(b.UnknownValue).Cmp(words.Quantity(a.UnknownValue)))
	})
	if what.Item != "" {
		if len(d.Rows) == 1 {
			d.Item = &itemLosses{lossRow: d.Rows[0], Judged: r.Judged}
			d.Item.Months = intervalsOf(l, &d.Rows[0].Item)
		}
		return v.render("losses-item", struct {
			*lossesPage
			ID, Name string
		}{d, what.Item, l.nameOf(what.Item)})
	}
	d.Ranking = rankingOf(d.Rows, r.Currency)
	d.Groups = []lossGroups{groupsOf(l, d, "Place", r.Places), groupsOf(l, d, "Supplier", r.Suppliers), groupsOf(l, d, "Kind", r.Kinds), groupsOf(l, d, "Month", r.Months)}
	f, err := soon(v, "deliveries against their promise", func(l *Look) (fill.Report, error) { return fill.ReportOf(l.Log, l.State(), l.Style), nil })
	if err != nil {
		return err
	}
	d.Fill = &f
	return v.render("losses", d)
}

// mostRanked is how many items are drawn.
const mostRanked = 20

// rankingOf draws known and unknown loss of each item in money, with the range in which the unknown lies in nineteen of twenty cases.
func rankingOf(rows []lossRow, currency string) template.HTML {
	b := chart.Bars{ID: "ranking", Title: "What went missing, by item", Head: "Item", Parts: []chart.Part{{Name: "nobody wrote down", Fill: chart.Crossed}, {Name: "written off", Fill: chart.Hatched}},
		Desc: "In " + currency + ". What nobody wrote down stands from zero outwards, with the range that holds it 19 times in 20; what was written off stands behind it. Left of zero more was counted than the ledger had."}
	list := slices.Clone(rows)
	slices.SortStableFunc(list, func(a, b lossRow) int {
		return words.Quantity(b.UnknownValue).Cmp(words.Quantity(a.UnknownValue))
	})
	for i := range list {
		it := &list[i]
		if i == mostRanked {
			b.Desc += fmt.Sprintf(" The first %d are drawn; the table has all.", mostRanked)
			break
		}
		row := chart.Bar{Text: it.Name, Link: "/losses?item=" + url.QueryEscape(it.Item.Item), Note: it.Verdict, Amounts: []chart.Amount{
			{At: words.Quantity(it.UnknownValue), Shown: minus(it.UnknownValue)}, {At: words.Quantity(it.RecordedValue), Shown: minus(it.RecordedValue)},
		}}
		if u := words.Quantity(it.Unknown); !u.IsZero() && it.Low != "" {
			value := words.Quantity(it.UnknownValue)
			low, high := value.Part(words.Quantity(it.Low), u).Round(2), value.Part(words.Quantity(it.High), u).Round(2)
			row.Range = &chart.Range{Low: low, High: high, Shown: minus(low.StringFixed(2)) + " to " + minus(high.StringFixed(2))}
		}
		b.Rows = append(b.Rows, row)
	}
	if len(b.Rows) == 0 {
		return ""
	}
	return b.Figure().HTML()
}

// minus writes a canonical decimal for a picture.
func minus(s string) string { return Grouped(s) }

// intervalsOf draws an item's unknown interval by interval.
func intervalsOf(l *Look, it *shrinkage.Item) template.HTML {
	b := chart.Bars{ID: "intervals", Title: "Between counts", Head: "Count", Parts: []chart.Part{{Name: "nobody wrote down, " + it.Unit, Fill: chart.Crossed}},
		Desc: "What each count found missing, with the range that holds it 19 times in 20, usual waste included."}
	for i := range it.Intervals {
		n := &it.Intervals[i]
		row := chart.Bar{Text: words.DayOf(n.To), Link: address("/ledger", url.Values{"item": {it.Item}, "from": {dayOnly(n.From)}, "to": {dayOnly(n.To)}}),
			Amounts: []chart.Amount{{At: words.Quantity(n.Unknown), Shown: words.InUnit(n.Unknown, it.Unit)}}}
		if n.Low != "" {
			row.Range = &chart.Range{Low: words.Quantity(n.Low), High: words.Quantity(n.High), Shown: words.Span(n.Low, n.High)}
		}
		b.Rows = append(b.Rows, row)
	}
	return b.Figure().HTML()
}

// dayOnly is the day of a time of RFC 3339.
func dayOnly(s string) string {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t.Format(time.DateOnly)
	}
	return ""
}
