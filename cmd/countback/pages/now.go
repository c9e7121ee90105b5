package pages

import (
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"countback/cmd/countback/words"
	"countback/projections/plan"
	"countback/projections/reorder"
	"countback/projections/review"
)

// nowPages are about how the shop stands.
var nowPages = []route{{pattern: "GET /{$}", serve: serveNow}}

// Standing is how the shop stands, in one sentence at the top of every page.
type Standing struct {
	Text string
	Tone string // "", "soon" or "short": never said by colour alone
	Link string // where to look first
}

// standings keeps the sentence of the latest look for which it is there: it takes all reports, and no page waits for it.
type standings struct {
	mu      sync.Mutex
	last    *Standing
	version int64
}

// standing is the sentence for a page. While the one of its look is being worked out it is the one before.
func (v *view) standing() *Standing {
	s := &v.site.stand
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.last == nil {
		return &Standing{Text: v.look.Shop.Name, Link: "/"}
	}
	return s.last
}

// Warm works out what every page shows of a look, and what most pages ask for first. It takes a moment; it is called in the background, for one look after the other.
func (s *Site) Warm(ctx context.Context, l *Look) {
	l.State() // what the next entry changes is told by the difference to it
	k, err := s.desk.Kept(ctx)
	if err != nil {
		k = nil // the page of devices says what is wrong
	}
	st, err := l.standing(k)
	if err != nil || ctx.Err() != nil {
		return // the pages that show those reports say what is wrong
	}
	s.stand.mu.Lock()
	changed := s.stand.last == nil || *s.stand.last != *st
	s.stand.last, s.stand.version = st, l.Version
	s.stand.mu.Unlock()
	if changed {
		s.live.again()
	}
	if store, _, err := s.desk.Store(ctx); err == nil {
		_, _, _ = s.index.read(ctx, store) // the ledger's page says what is wrong
	}
	s.renew(ctx, l)
}

// standing works the sentence out. k may be nil.
func (l *Look) standing(k *Kept) (*Standing, error) {
	r, err := l.Reorder()
	if err != nil {
		return nil, err
	}
	ask, err := l.Review()
	if err != nil {
		return nil, err
	}
	day, err := l.Plan()
	if err != nil {
		return nil, err
	}
	s := &Standing{Link: "/"}
	var parts []string
	say := func(tone, link, text string) {
		if s.Tone == "" || tone == "short" && s.Tone == "soon" {
			s.Tone = tone
		}
		if len(parts) == 0 {
			s.Link = link
		}
		parts = append(parts, text)
	}
	for _, x := range l.steps(true) {
		if x.needed() {
			say("soon", "/start", "the shop isn't set up yet; next: "+strings.ToLower(x.Name[:1])+x.Name[1:])
			break
		}
	}
	if short := l.short(); len(short) > 0 {
		say("short", "/decide", words.Some(short)+is(len(short))+"short: more left than came in")
	}
	if now := toGet(r); len(now) > 0 {
		say("soon", "/buying", "order or print "+words.Some(now)+" now")
	}
	if c := day.Choice; c.Open > 0 {
		text := Count(c.Open, "order waits", "orders wait") + " to be packed"
		tone := ""
		if left := c.Open - c.Ready; left > 0 {
			text, tone = text+", of which "+Count(left, "can't go out complete", "can't go out complete"), "soon"
		}
		say(tone, "/packing", text)
	}
	if n := len(ask.Items); n > 0 {
		say("soon", "/decide", Count(n, "thing needs", "things need")+" a decision")
	}
	if k != nil && k.Unsafe > 0 {
		say("", "/devices", Count(k.Unsafe, "entry isn't", "entries aren't")+" safe yet")
	}
	if next := nextOut(r); len(parts) == 0 || s.Tone == "" && next != "" {
		if len(parts) == 0 {
			parts = append(parts, "nothing needs you now")
		}
		if next != "" {
			parts = append(parts, next)
		}
	}
	text := strings.Join(parts, "; ") + "."
	s.Text = strings.ToUpper(text[:1]) + text[1:]
	return s, nil
}

func is(n int) string {
	if n == 1 {
		return " is "
	}
	return " are "
}

// short lists the items of which more left than came in.
func (l *Look) short() []string {
	var list []string
	for _, it := range l.Stock().Items {
		if it.Short {
			list = append(list, it.Item)
		}
	}
	return list
}

// toGet lists what is to be ordered or printed now.
func toGet(r *reorder.Report) []string {
	var list []string
	for i := range r.Items {
		if r.Items[i].Now {
			list = append(list, r.Items[i].Item)
		}
	}
	return list
}

// nextOut says what runs out first.
func nextOut(r *reorder.Report) string {
	for i := range r.Items {
		it := &r.Items[i]
		if it.RunsOut.P50 != "" && it.P50 > 0 {
			return it.Item + " runs out first, about " + words.DayAhead(r.Today, it.P50) + " (" + words.InDays(it.P50) + ")"
		}
	}
	return ""
}

// nowPage is what the first page shows.
type nowPage struct {
	Stand    *Standing
	Reorder  *reorder.Report
	Next     []nextRow
	MoreNext int
	Ask      []review.Item
	MoreAsk  int
	Day      plan.Report
	Short    []plan.Pull
	Kept     *Kept
	Lacking  []KeptDevice
	Latest   []ledgerRow
	Value    string
	Items    int
}

// nextRow is an item that runs out.
type nextRow struct {
	Item, Name, OnHand, When, By, Tone string
}

// How much the first page lists of each.
const (
	mostNext   = 8
	mostAsk    = 5
	mostLatest = 8
)

func serveNow(v *view) error {
	l := v.look
	var p nowPage
	var err error
	if p.Reorder, err = l.Reorder(); err != nil {
		return err
	}
	ask, err := l.Review()
	if err != nil {
		return err
	}
	p.Ask = ask.Items[:min(len(ask.Items), mostAsk)]
	p.MoreAsk = len(ask.Items) - len(p.Ask)
	if p.Day, err = l.Plan(); err != nil {
		return err
	}
	for _, x := range p.Day.Pull {
		if x.Short != "0" {
			p.Short = append(p.Short, x)
		}
	}
	if p.Kept, err = v.desk().Kept(v.ctx()); err != nil {
		return err
	}
	for _, d := range p.Kept.Devices {
		if !d.This && !d.Revoked && d.ReplacedBy == "" && (d.Lacks == nil || *d.Lacks > 0) {
			p.Lacking = append(p.Lacking, d)
		}
	}
	o, err := l.Outlook()
	if err != nil {
		return err
	}
	p.next(p.Reorder, o.Horizon)
	if p.Stand, err = l.standing(p.Kept); err != nil {
		return err
	}
	stock := l.Stock()
	p.Value, p.Items = Grouped(stock.Total)+" "+stock.Currency, len(stock.Items)
	if p.Latest, err = v.latest(mostLatest); err != nil {
		return err
	}
	return v.render("now", p)
}

// next lists what runs out first, as long as it is within the time looked at.
func (p *nowPage) next(r *reorder.Report, horizon int) {
	n := 0
	for i := range r.Items {
		it := &r.Items[i]
		if it.RunsOut.P50 == "" {
			continue
		}
		if n++; n > mostNext {
			continue
		}
		row := nextRow{Item: it.Item, Name: it.Name, OnHand: words.InUnit(it.OnHand, it.Unit), When: words.RunsOut(r, it, horizon), By: words.OrderBy(r, it)}
		switch {
		case it.P50 == 0:
			row.Tone = "short"
		case it.Now:
			row.Tone = "soon"
		}
		p.Next = append(p.Next, row)
	}
	p.MoreNext = max(0, n-mostNext)
}

// latest lists what was recorded last, by the time at which it was recorded.
func (v *view) latest(most int) ([]ledgerRow, error) {
	st, _, err := v.desk().Store(v.ctx())
	if err != nil {
		return nil, err
	}
	_, devices, err := v.site.index.read(v.ctx(), st)
	if err != nil {
		return nil, err
	}
	list := v.site.index.arrived(most)
	slices.Reverse(list)
	rows, err := v.rows(st, list, devices, "")
	for i := range rows {
		rows[i].Time = time.UnixMilli(list[i].id.Ms()).In(v.look.Zone)
	}
	return rows, err
}
