package pages

import (
	"bytes"
	"context"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/store"
)

// ledgerPages are what was recorded, and the proof of each event.
var ledgerPages = []route{
	{pattern: "GET /ledger", serve: serveLedger},
	{pattern: "GET /event/{id}", serve: serveEvent},
}

// Ledger is what the pages ask of the ledger beside a look.
type Ledger interface {
	// Store is the ledger's store, to be read only, and the shop's id.
	Store(ctx context.Context) (store.Store, string, error)
	// Changes are the items whose stock isn't that of the latest look any more, found without waiting for the next one.
	Changes(ctx context.Context) ([]Moved, error)
	// ThrowAway throws away the lines that were refused because they can stand in no log.
	ThrowAway(ctx context.Context) error
}

// perPage is how many events a page lists.
const perPage = 60

// asked is a search of the ledger, as its address says it.
type asked struct {
	Text, Item, Order, Kind, Device, From, To string
	Losses                                    string // a group of what went missing, as place:shelf; its items are asked for
	LossesFrom, LossesTo                      string // the time that its report is about
	page                                      int
}

func (v *view) asked() asked {
	q := v.r.URL.Query()
	get := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	a := asked{Text: get("q"), Item: get("item"), Order: get("order"), Kind: get("kind"), Device: get("device"), From: get("from"), To: get("to")}
	if a.Item == "" { // else the item is meant, not the group that the form was opened with
		a.Losses, a.LossesFrom, a.LossesTo = q.Get("losses"), get("losses_from"), get("losses_to")
	}
	a.page, _ = strconv.Atoi(q.Get("page")) // anything else is the first page
	a.page = max(a.page, 1)
	return a
}

// query is the address of a page of a search.
func (a asked) query(page int) string {
	q := url.Values{}
	for _, p := range [][2]string{{"q", a.Text}, {"item", a.Item}, {"order", a.Order}, {"kind", a.Kind}, {"device", a.Device}, {"from", a.From}, {"to", a.To},
		{"losses", a.Losses}, {"losses_from", a.LossesFrom}, {"losses_to", a.LossesTo}} {
		if p[1] != "" {
			q.Set(p[0], p[1])
		}
	}
	if page > 1 {
		q.Set("page", strconv.Itoa(page))
	}
	if len(q) == 0 {
		return "/ledger"
	}
	return "/ledger?" + q.Encode()
}

// ledgerRow is one event of a list.
type ledgerRow struct {
	Event, Kind, Says, Who, Order string
	Time                          time.Time
	Reversed, Void                bool
	Change, OnHand                string // of the item that was asked for, if it moved
}

type ledgerPage struct {
	Asked         asked
	Item          string // the one that is asked for
	Name, Unit    string // of it, or how many there are
	Group         string // the items of a group of what went missing, in words
	Rows          []ledgerRow
	Found, From   int
	Newer, Older  string // addresses
	Kinds         []choice
	Devices       []choice
	Problem       string // what is wrong with the search
	ShowsMovement bool
}

// choice is one of a list to choose from.
type choice struct {
	Value, Name string
	Chosen      bool
}

func serveLedger(v *view) error {
	a := v.asked()
	p := ledgerPage{Asked: a}
	st, _, err := v.desk().Store(v.ctx())
	if err != nil {
		return err
	}
	all, devices, err := v.site.index.read(v.ctx(), st)
	if err != nil {
		return err
	}
	items, err := v.itemsAsked(a, &p)
	if err != nil {
		return err
	}
	keep, err := v.filter(a, items, &p)
	if err != nil {
		p.Problem = err.Error()
	}
	p.choices(all, devices)
	var found []*entry
	for i := len(all) - 1; i >= 0 && p.Problem == ""; i-- { // the newest first
		if keep(all[i]) {
			found = append(found, all[i])
		}
	}
	p.Found = len(found)
	last := max(1, (len(found)+perPage-1)/perPage)
	page := min(a.page, last)
	p.From = (page-1)*perPage + 1
	if page > 1 {
		p.Newer = a.query(page - 1)
	}
	if page < last {
		p.Older = a.query(page + 1)
	}
	list := found[(page-1)*perPage : min(len(found), page*perPage)]
	if p.Rows, err = v.rows(st, list, devices, p.Item); err != nil {
		return err
	}
	return v.render("ledger", p)
}

// choices fills in what the lists of the search offer.
func (p *ledgerPage) choices(all []*entry, devices map[string]string) {
	seen := map[event.Kind]bool{}
	for _, e := range all {
		seen[e.kind] = true
	}
	for k := range seen {
		p.Kinds = append(p.Kinds, choice{string(k), KindName(k), string(k) == p.Asked.Kind})
	}
	for id, name := range devices {
		p.Devices = append(p.Devices, choice{id, name, id == p.Asked.Device})
	}
	byName := func(a, b choice) int { return strings.Compare(a.Name+" "+a.Value, b.Name+" "+b.Value) }
	slices.SortFunc(p.Kinds, byName)
	slices.SortFunc(p.Devices, byName)
}

// itemsAsked are the items that a search is about; none: it is about all. What is wrong with the search stands in p.
func (v *view) itemsAsked(a asked, p *ledgerPage) (items []*catalog.Item, err error) {
	if a.Losses == "" {
		if items, err = v.itemsOf(a.Item); err != nil {
			p.Problem = err.Error()
		}
		return items, nil
	}
	g, which, err := v.groupAsked(a)
	switch {
	case err != nil:
		return nil, err
	case which == "":
		p.Problem = "What went missing has no such group; choose one there"
	case g == nil:
		p.Problem = "What went missing has no group of items " + which + " any more; choose another one there"
	default:
		for _, id := range g.Of {
			if it, ok := v.look.Catalog.Find(id); ok {
				items = append(items, it)
			}
		}
		p.Group = Count(len(items), "item", "items") + " " + which
	}
	return items, nil
}

// filter is what a search keeps.
func (v *view) filter(a asked, items []*catalog.Item, p *ledgerPage) (func(*entry) bool, error) {
	from, to, err := v.span(a.From, a.To)
	if err != nil {
		return nil, err
	}
	var movers map[event.ID]bool
	switch len(items) {
	case 0:
	case 1:
		movers = map[event.ID]bool{}
		for _, m := range v.look.moves(items[0].Index) {
			movers[m.event] = true
		}
		def := v.look.View.Def(items[0].Index)
		p.Item, p.Name, p.Unit, p.ShowsMovement = items[0].ID, def.Name, def.Unit, !items[0].Prepared()
	default:
		movers = v.look.movers(items)
		p.Name = Count(len(items), "item", "items")
	}
	named := map[string]bool{}
	for _, it := range items {
		named[it.ID] = true
	}
	about := func(e *entry) bool {
		return len(items) == 0 || movers[e.id] || slices.ContainsFunc(e.items, func(id string) bool { return named[id] })
	}
	text := strings.ToLower(a.Text)
	return func(e *entry) bool {
		return (a.Kind == "" || string(e.kind) == a.Kind) && (a.Device == "" || e.device == a.Device) && e.key.Ms >= from && e.key.Ms <= to &&
			(a.Order == "" || e.order == a.Order) && about(e) && (text == "" || e.says(text))
	}, nil
}

// itemsOf finds the item that is asked for, or several with commas between them.
func (v *view) itemsOf(text string) (list []*catalog.Item, err error) {
	if it, ok := v.look.Catalog.Find(text); ok {
		return []*catalog.Item{it}, nil
	}
	for id := range strings.SplitSeq(text, ",") {
		if id = strings.TrimSpace(id); id == "" {
			continue
		}
		it, ok := v.look.Catalog.Find(id)
		if !ok {
			return nil, fmt.Errorf("there is no item %q; choose one of the list", id)
		}
		list = append(list, it)
	}
	return list, nil
}

// says reports whether an event has a text, in lower case.
func (e *entry) says(text string) bool {
	if strings.Contains(e.text, text) || strings.Contains(strings.ToLower(e.order), text) || strings.Contains(strings.ToLower(e.id.String()), text) {
		return true
	}
	return slices.ContainsFunc(e.items, func(id string) bool { return strings.Contains(strings.ToLower(id), text) })
}

// span reads two days of the shop, either of which may be missing.
func (v *view) span(from, to string) (start, end int64, err error) {
	end = 1<<63 - 1
	for _, d := range []struct {
		text string
		kind event.Kind
		at   *int64
	}{{from, event.KindRestock, &start}, {to, event.KindCount, &end}} { // the first instant of a day, and its last
		if d.text == "" {
			continue
		}
		t, err := v.desk().Moment(d.text, d.kind)
		if err != nil {
			return 0, 0, err
		}
		*d.at = t.Ms()
	}
	return start, end, nil
}

// rows reads the events of a list.
func (v *view) rows(st store.Store, list []*entry, devices map[string]string, item string) ([]ledgerRow, error) {
	did := map[event.ID]*moved{}
	if it, ok := v.look.Catalog.Find(item); ok && item != "" {
		all := v.look.moves(it.Index)
		for i := range all {
			did[all[i].event] = &all[i]
		}
	}
	var rows []ledgerRow
	for _, x := range list {
		e, err := v.stored(st, x.device, x.seq)
		if err != nil {
			return nil, err
		}
		r := ledgerRow{Event: e.ID.String(), Kind: KindName(e.Kind), Says: Say(e), Order: x.order, Time: time.UnixMilli(e.Time.Ms()).In(v.look.Zone), Void: e.Fault != nil,
			Who: who(e, devices), Reversed: v.look.Log.Reversed(e.ID)}
		if m := did[e.ID]; m != nil {
			r.Change, r.OnHand = signed(m.qty.String()), m.onHand.String()
		}
		rows = append(rows, r)
	}
	return rows, nil
}

// stored reads one event at its place.
func (v *view) stored(st store.Store, device string, seq int64) (*event.Event, error) {
	r, err := st.At(v.ctx(), device, seq)
	if err != nil {
		return nil, err
	}
	e, err := event.ParseLine(bytes.Clone(r.Line))
	if err != nil {
		return nil, store.Fail("read the ledger", fmt.Sprintf("event %d of %s", seq, device), store.ErrDamaged, err)
	}
	return e, nil
}

// who recorded an event: the person if one is named, and the device.
func who(e *event.Event, devices map[string]string) string {
	name := devices[e.Device]
	if name == "" {
		name = e.Device
	}
	if e.Person != "" {
		return e.Person + ", " + name
	}
	return name
}

// signed writes a difference with its sign.
func signed(s string) string {
	if s == "0" || strings.HasPrefix(s, "-") {
		return Grouped(s)
	}
	return "+" + Grouped(s)
}

// Plain is the address of the search's first page.
func (a asked) Plain() string { return a.query(1) }

// Missing is the address of the report that the group stands in, "" where none is asked for.
func (a asked) Missing() string {
	if a.Losses == "" {
		return ""
	}
	q := url.Values{}
	for name, value := range map[string]string{"from": a.LossesFrom, "to": a.LossesTo} {
		if value != "" {
			q.Set(name, value)
		}
	}
	return address("/losses", q)
}

// Until is the number of the last row.
func (p ledgerPage) Until() int { return p.From + len(p.Rows) - 1 }
