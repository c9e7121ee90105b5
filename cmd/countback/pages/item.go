package pages

import (
	"cmp"
	"fmt"
	"html/template"
	"maps"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"countback/cmd/countback/pages/chart"
	"countback/cmd/countback/words"
	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/outlook"
	"countback/projections/reorder"
	"countback/projections/stock"
)

// itemPages are about one item.
var itemPages = []route{
	{pattern: "GET /item/{id}", serve: serveItem},
	{pattern: "GET /items", serve: serveOnHand},
}

// itemPage is what is known of one item.
type itemPage struct {
	stock.Item
	Def       *catalog.Def
	Currency  string
	Parts     []event.Part
	Packs     []string
	Chart     template.HTML
	Runs      *reorder.Item // how it runs out; nil for what nothing takes
	RunsOut   string
	Between   string
	Sureness  string
	OrderBy   string
	ToGet     string
	Users     []user
	Bought    []bought
	Who       []recorder
	Latest    []moveRow
	Entries   int
	NeverHere bool
	LastCount string
}

// user is a spec that takes an item.
type user struct{ What, Qty, Link string }

// bought is one delivery of an item.
type bought struct {
	Event      string
	Time       time.Time
	Qty, Value string
	UnitCost   string
}

// recorder is who recorded how many entries that moved an item.
type recorder struct {
	Name    string
	Entries int
	Link    string
}

// moveRow is one movement.
type moveRow struct {
	Event, What, Order, Change, OnHand string
	Time                               time.Time
}

// How much an item's page lists.
const (
	mostBought = 6
	mostMoves  = 15
)

func serveItem(v *view) error {
	l, id := v.look, v.r.PathValue("id")
	it, ok := l.Catalog.Find(id)
	if !ok {
		return NotFound("there is no item %q", id)
	}
	p := itemPage{Def: l.View.Def(it.Index), Currency: l.Shop.Currency}
	p.Item.Item, p.Name, p.Unit, p.Type = id, p.Def.Name, p.Def.Unit, p.Def.Type
	p.packs()
	p.users(l, it)
	if it.Prepared() {
		p.Parts = p.Def.Parts
		return v.render("item", p)
	}
	for _, s := range l.Stock().Items {
		if s.Item == id {
			p.Item = s
		}
	}
	if err := p.ahead(l, it.Index); err != nil {
		return err
	}
	all := l.moves(it.Index)
	p.Entries, p.NeverHere = len(all), len(all) == 0
	p.movements(l, all)
	if err := p.recorders(v, all); err != nil {
		return err
	}
	if len(all) > 0 {
		o, err := l.Outlook()
		if err != nil {
			return err
		}
		p.Chart = p.timeline(l, all, o, it.Index).Figure().HTML()
	}
	return v.render("item", p)
}

// packs says how the item is bought and used.
func (p *itemPage) packs() {
	for _, forms := range []map[string]num.Qty{p.Def.Packs, p.Def.Measures} {
		for _, name := range slices.Sorted(maps.Keys(forms)) {
			p.Packs = append(p.Packs, "a "+name+" is "+words.InUnit(forms[name].String(), p.Unit))
		}
	}
}

// ahead says how the item runs out.
func (p *itemPage) ahead(l *Look, index int) error {
	r, err := l.Reorder()
	if err != nil {
		return err
	}
	o, err := l.Outlook()
	if err != nil {
		return err
	}
	for i := range r.Items {
		x := &r.Items[i]
		if x.Item != p.Item.Item || x.Basis == string(outlook.None) {
			continue
		}
		p.Runs, p.RunsOut, p.Between, p.Sureness = x, words.RunsOut(r, x, o.Horizon), words.Between(r, x, o.Horizon), words.Sureness(x, o.Horizon)
		p.OrderBy, p.ToGet = words.OrderBy(r, x), words.ToGet(x)
	}
	return nil
}

// users lists the lines of the specs in force that take the item.
func (p *itemPage) users(l *Look, it *catalog.Item) {
	add := func(what, link string, x event.Line) {
		if x.Item != it.ID {
			return
		}
		qty := words.InUnit(x.Qty.String(), p.Unit)
		if form := cmp.Or(x.Measure, x.Pack); form != "" {
			qty = Grouped(x.Qty.String()) + " " + form
		}
		p.Users = append(p.Users, user{what, qty + " per " + x.Per, link})
	}
	if s := l.View.Spec(); s != nil && s.Data != nil {
		for _, x := range s.Data.Lines {
			add("every parcel's packing", "/event/"+s.By.String(), x)
		}
		for _, f := range s.Data.Formats {
			for _, x := range f.Lines {
				add("packing a "+f.Format, "/event/"+s.By.String(), x)
			}
		}
	}
	for _, other := range l.Catalog.Items {
		if m := l.View.Make(other.Index); m != nil && m.Data != nil {
			for _, x := range m.Data.Lines {
				add("making "+other.ID, "/event/"+m.By.String(), x)
			}
		}
		for _, part := range l.View.Def(other.Index).Parts {
			if part.Item == it.ID {
				p.Users = append(p.Users, user{other.ID + " stands for", words.InUnit(part.Qty.String(), p.Unit), "/item/" + url.PathEscape(other.ID)})
			}
		}
	}
}

// movements lists what was bought and what moved last.
func (p *itemPage) movements(l *Look, all []moved) {
	digits := l.Log.Digits()
	for i := len(all) - 1; i >= 0; i-- {
		m := &all[i]
		at := time.UnixMilli(m.ms).In(l.Zone)
		if len(p.Latest) < mostMoves {
			p.Latest = append(p.Latest, moveRow{m.event.String(), KindName(m.kind), m.order, signed(m.qty.String()), m.onHand.String(), at})
		}
		if m.column == fold.Bought && m.qty.Sign() > 0 && len(p.Bought) < mostBought {
			p.Bought = append(p.Bought, bought{m.event.String(), at, m.qty.String(), l.Style.Money(m.value, digits), l.Style.UnitCost(m.value.Part(num.Whole(1), m.qty), digits)})
		}
	}
	if p.LastCount = p.Item.LastCount; p.LastCount == "" && len(all) > 0 {
		p.LastCount = "never"
	}
}

// recorders adds up who recorded the entries that moved the item.
func (p *itemPage) recorders(v *view, all []moved) error {
	st, _, err := v.desk().Store(v.ctx())
	if err != nil {
		return err
	}
	entries, devices, err := v.site.index.read(v.ctx(), st)
	if err != nil {
		return err
	}
	movers := make(map[event.ID]bool, len(all))
	for _, m := range all {
		movers[m.event] = true
	}
	type by struct{ person, device string }
	n := map[by]int{}
	for _, e := range entries {
		if movers[e.id] {
			n[by{e.person, e.device}]++
		}
	}
	for k, c := range n {
		name := cmp.Or(devices[k.device], k.device)
		if k.person != "" {
			name = k.person + ", " + name
		}
		p.Who = append(p.Who, recorder{name, c, "/ledger?item=" + url.QueryEscape(p.Item.Item) + "&device=" + url.QueryEscape(k.device)})
	}
	slices.SortFunc(p.Who, func(a, b recorder) int { return cmp.Or(b.Entries-a.Entries, strings.Compare(a.Name, b.Name)) })
	return nil
}

// The time that an item's picture shows, in days.
const (
	daysBack      = 182
	leastAhead    = 28
	mostAhead     = 120
	afterTheWorst = 7
)

// timeline is what was on hand of late and what is expected.
func (p *itemPage) timeline(l *Look, all []moved, o *outlook.Outlook, index int) chart.Timeline {
	now := l.Now.UnixMilli()
	day := func(n int) int64 { return l.Now.AddDate(0, 0, n).UnixMilli() }
	ahead := leastAhead
	if p.Runs != nil {
		ahead = min(max(ahead, p.Runs.P90+afterTheWorst), mostAhead)
	}
	t := chart.Timeline{
		ID: "timeline", Title: p.Name + " on hand", Unit: p.Unit, Zone: l.Zone, From: max(day(-daysBack), min(all[0].ms, day(-1))), To: day(ahead), Now: now,
		Show: func(q num.Qty) string { return words.Grouped(q.String()) },
	}
	for _, m := range all {
		switch {
		case m.ms < t.From:
			t.Start = m.onHand
		case m.ms <= now:
			t.Moves = append(t.Moves, chart.Move{Ms: m.ms, Sort: sortOf(m), What: strings.ToLower(KindName(m.kind)), Qty: m.qty, OnHand: m.onHand, Link: "/event/" + m.event.String()})
		}
	}
	p.expect(&t, l, o, index, ahead, day)
	first := time.UnixMilli(t.From).In(l.Zone).Format("2 January 2006")
	t.Desc = fmt.Sprintf("From %s to today: %s now.", first, words.InUnit(p.OnHand, p.Unit))
	if p.RunsOut != "" && p.Runs != nil {
		t.Desc += " As likely as not it is gone " + p.RunsOut + "."
	}
	return t
}

func sortOf(m moved) chart.Sort {
	switch {
	case m.kind == event.KindCount:
		return chart.Counted
	case m.qty.Sign() > 0 && m.kind != event.KindCredit:
		return chart.Came
	}
	return chart.Other
}

// expect adds what is expected from today on. Between the mean and the days on which it is gone in one and in nine of ten cases lines are straight: the picture says no more than
// the figures beside it.
func (p *itemPage) expect(t *chart.Timeline, l *Look, o *outlook.Outlook, index, ahead int, day func(int) int64) {
	i := slices.IndexFunc(o.Items, func(x outlook.Item) bool { return x.Index == index })
	if i < 0 || p.Runs == nil || p.Qty.Sign() <= 0 {
		return
	}
	x := &o.Items[i]
	now := day(0)
	left := x.OnHand
	t.Expected = append(t.Expected, chart.Level{Ms: now, Qty: left})
	used := 0.0
	for n := 0; n < min(ahead, len(x.Expected)); n++ {
		used += x.Expected[n]
		left = x.OnHand.Sub(num.Whole(int64(math.Round(used))))
		if left.Sign() <= 0 {
			left = num.Qty{}
		}
		if n%7 == 6 || left.IsZero() || n == ahead-1 {
			t.Expected = append(t.Expected, chart.Level{Ms: day(n + 1), Qty: left})
		}
		if left.IsZero() {
			break
		}
	}
	if x.OnOrder.IsZero() && p.Runs.P10 > 0 && p.Runs.P90 < o.Horizon {
		share := func(gone int) num.Qty { // what is left on day P10 of what is gone on a later day
			return x.OnHand.Part(num.Whole(int64(gone-p.Runs.P10)), num.Whole(int64(max(gone, 1))))
		}
		t.Likely = []chart.Spread{{Ms: now, Low: x.OnHand, High: x.OnHand}, {Ms: day(p.Runs.P10), High: share(p.Runs.P90)}}
		if p.Runs.P90 <= ahead {
			t.Likely = append(t.Likely, chart.Spread{Ms: day(p.Runs.P90)})
		}
	}
	if p.Runs.HasBy && p.Runs.By >= 0 && p.Runs.By <= ahead {
		word := "order by"
		if p.Runs.Make != nil {
			word = "print by"
		}
		t.Days = append(t.Days, chart.Mark{Ms: day(p.Runs.By), Text: word})
	}
}

// onHandPage lists all items.
type onHandPage struct {
	stock.Report
	All bool
}

func serveOnHand(v *view) error {
	p := onHandPage{Report: v.look.Stock(), All: v.r.URL.Query().Has("all")}
	if !p.All {
		p.Items = slices.DeleteFunc(slices.Clone(p.Items), func(it stock.Item) bool { return it.Retired && it.Qty.IsZero() && it.OnOrder == "" })
	}
	return v.render("items", p)
}
