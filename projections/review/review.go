// Package review lists what needs a person's decision, each with the event behind it, the reason and what to do.
package review

import (
	"slices"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/doubt"
	"countback/projections/fold"
	"countback/projections/report"
)

// Item is one question.
type Item struct {
	Event   string   `json:"event"`
	Topic   string   `json:"topic"`
	About   string   `json:"about"`
	Why     string   `json:"why"`
	Choices []string `json:"choices"`
}

// Report lists the questions, oldest event first.
type Report struct {
	report.Head
	Items []Item `json:"items"`
}

// shelfDays is how long after a count a receipt may have been on the shelf already.
const shelfDays = 14

// Of runs the log and lists what it found. Extra notices, such as those of a store, are added.
func Of(l *fold.Log, run fold.Run, st report.Style, extra ...fold.Notice) (Report, *fold.State) {
	w := watcher{items: make([]watched, len(l.Catalog.Items)), log: l}
	standing := doubt.Stand(l, run.AsOf)
	run.Observe = func(m fold.Movement) {
		w.see(m)
		standing.See(m)
	}
	s := l.Run(run)
	list := slices.Concat(s.Notices, w.found, odd(standing), w.belowZero(s), old(s), extra)
	slices.SortStableFunc(list, func(a, b fold.Notice) int { return a.Event.Compare(b.Event) })
	r := Report{Head: report.HeadOf(s, st), Items: []Item{}}
	for _, n := range list {
		choices := n.Choices
		if choices == nil {
			choices = []string{}
		}
		id := ""
		if !n.Event.IsZero() {
			id = n.Event.String()
		}
		r.Items = append(r.Items, Item{id, n.Topic, n.About, n.Why, choices})
	}
	return r, s
}

// watcher asks "was it already on the shelf?": a receipt within 14 days after a count whose gain is within tolerance of what was
// received, less the use since.
type watcher struct {
	log   *fold.Log
	items []watched
	found []fold.Notice
}

type watched struct {
	at     int64 // of the count
	gain   num.Qty
	used   num.Qty // since the count
	event  event.ID
	active bool
	ran    event.ID // took more than there was; zero while there is something, or nothing
}

func (w *watcher) see(m fold.Movement) {
	x := &w.items[m.Item]
	switch {
	case m.OnHand.Sign() >= 0:
		x.ran = event.ID{}
	case x.ran.IsZero():
		x.ran = m.Event
	}
	switch {
	case m.Kind == event.KindCount:
		*x = watched{ran: x.ran}
		if m.Column == fold.Gained && m.Qty.Sign() > 0 {
			*x = watched{at: m.Ms, gain: m.Qty, event: m.Event, active: true, ran: x.ran}
		}
	case !x.active:
	case m.Ms-x.at > shelfDays*24*60*60*1000:
		x.active = false
	case m.Kind == event.KindRestock && m.Column == fold.Bought && m.Qty.Sign() > 0:
		if w.near(m, x) {
			id := w.log.Catalog.Items[m.Item].ID
			w.found = append(w.found, fold.Notice{
				Event: m.Event, Topic: "on_shelf_already", About: id,
				Why:     "was it already on the shelf? The count before found " + x.gain.String() + " too many, and " + m.Qty.String() + " came in after it",
				Choices: []string{"record the delivery anew with its true day, before the count: countback reverse " + m.Event.String() + " --reason late", "count " + id + " again"},
			})
			x.active = false
		}
	case !m.Column.In() && m.Qty.Sign() > 0:
		x.used = x.used.Add(m.Qty)
	}
}

// near reports whether the gain is what came, or what is left of it after the use since, within the tolerance of counting.
func (w *watcher) near(m fold.Movement, x *watched) bool {
	tol := Tolerance(w.log, m.Item, m.Ms, x.gain)
	high := m.Qty.Add(tol)
	low := m.Qty.Sub(x.used).Sub(tol)
	return x.gain.Cmp(low) >= 0 && x.gain.Cmp(high) <= 0
}

// Tolerance is the half-width that holds 95 % of counts of a figure: the item's own, else by number max(0.5, 0.5 %), and by length,
// mass or volume 2 %.
func Tolerance(l *fold.Log, item int, ms int64, figure num.Qty) num.Qty {
	view := l.Catalog.At(event.Key{Ms: ms, Rank: 255})
	t := view.Def(item).Tolerance
	percent := func(p string) num.Qty { return figure.Times(num.MustQty(p)) }
	floor := num.Max(num.MustQty("0.5"), percent("0.005"))
	if l.Catalog.Items[item].Unit() != "each" {
		floor = percent("0.02")
	}
	switch {
	case t == nil:
		return floor
	case t.Percent:
		return num.Max(floor, figure.Part(t.Value, num.Whole(100)))
	}
	return t.Value
}
