package closing

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/projections/fold"
	"countback/projections/report"
	"countback/projections/review"
)

// ErrRefused is matched (errors.Is) by every error that says why a period can't be closed or shown; its text says what to do, behind a semicolon.
var ErrRefused = errors.New("refused")

type refusal string

func (r refusal) Error() string        { return string(r) }
func (r refusal) Is(target error) bool { return target == ErrRefused }

func refuse(format string, args ...any) error { return refusal(fmt.Sprintf(format, args...)) }

// Next returns the period that is to be closed next: the one after the last that is closed, else the month in which stock moved first; false if none has.
func (l *Ledger) Next(ctx context.Context) (Period, bool, error) {
	if last := l.Last(); last != nil {
		return last.Period.Next(), true, nil
	}
	all, err := l.read(ctx, l.Heads)
	if err != nil {
		return Period{}, false, err
	}
	first, found := int64(0), false
	all.log.Run(fold.Run{Observe: func(m fold.Movement) {
		if !found && !(m.Qty.IsZero() && m.Value.IsZero()) {
			first, found = m.Ms, true
		}
	}})
	return PeriodOf(first, l.zone), found, nil
}

// Show returns the figures of a period: of a closed one its closed figures, of the next one those that a close would have now. Where a close waits for
// events, the figures have no rows and no state.
func (l *Ledger) Show(ctx context.Context, p Period) (*Figures, error) {
	for i, c := range l.Closed {
		if c.Period != p {
			continue
		}
		f, err := l.closed(ctx, i)
		if err == nil && f.State != nil {
			f.Late, err = l.since(ctx, f)
		}
		return f, err
	}
	next, ok, err := l.Next(ctx)
	if err != nil {
		return nil, err
	}
	switch {
	case !ok:
		return nil, refuse("nothing has moved stock yet, so there is nothing to close; record what is on the shelf first: countback count ITEM N")
	case p.Before(next) && l.Last() == nil:
		return nil, refuse("stock moved first in %s, so %s has nothing to close; begin with countback close %s", next, p, next)
	case p.Before(next):
		return nil, refuse("%s lies before %s, the first month that was closed; what happened then is in the figures of the month that covers it", p, l.Closed[0].Period)
	case next.Before(p):
		return nil, refuse("months are closed in turn, and %s isn't closed yet; close it first: countback close %s", next, next)
	}
	if last := l.Last(); last != nil && len(last.Waiting) > 0 {
		return nil, refuse("events that the close of %s covers aren't here yet (%s); bring this ledger up to date and try again", last.Period, last.Waiting[0])
	}
	return l.figures(ctx, p, l.Heads, l.Last())
}

// closed returns the figures of one of the closed periods, without what has come since.
func (l *Ledger) closed(ctx context.Context, i int) (*Figures, error) {
	c := l.Closed[i]
	if len(c.Waiting) > 0 {
		f := &Figures{Period: c.Period, Close: c}
		f.From, f.To = c.Period.Span(l.zone)
		return f, nil
	}
	var before *Close
	if i > 0 {
		before = l.Closed[i-1]
	}
	f, err := l.figures(ctx, c.Period, c.Data.Upto, before)
	if err == nil {
		f.Close = c
	}
	return f, err
}

// since lists what has come since a period was closed and acts on it or before it.
func (l *Ledger) since(ctx context.Context, f *Figures) ([]Late, error) {
	old, err := l.read(ctx, f.Upto)
	if err != nil {
		return nil, err
	}
	all, err := l.read(ctx, l.Heads)
	if err != nil {
		return nil, err
	}
	list, _, err := l.late(ctx, old, all, f.To)
	return list, err
}

// Propose returns the figures that a close of the period would have, or why device can't close it at the instant now.
func (l *Ledger) Propose(ctx context.Context, p Period, device string, now time.Time) (*Figures, error) {
	if c := l.Find(p); c != nil {
		return nil, refuse("%s was closed on %s; countback close %s --dry-run shows its figures, and what came later shows in the next month", p, time.UnixMilli(c.Event.Time.Ms()).In(l.zone).Format("Mon 2 Jan 2006"), p)
	}
	from, to := p.Span(l.zone)
	switch {
	case now.UnixMilli() < from:
		return nil, refuse("%s lies in the future; look at this month with countback close %s --dry-run", p, PeriodOf(now.UnixMilli(), l.zone))
	case now.UnixMilli() <= to:
		return nil, refuse("%s isn't over before %s; until then countback close %s --dry-run shows how it stands", p, time.UnixMilli(to+1).In(l.zone).Format("Mon 2 Jan 2006"), p)
	}
	if keeper := l.Keeper(); keeper != device {
		return nil, refuse("only the keeper closes a month, and that is the device %s; close it there", keeper)
	}
	f, err := l.Show(ctx, p)
	if err != nil {
		return nil, err
	}
	unknown := 0
	for _, n := range f.State.Unknown {
		unknown += n
	}
	if unknown > 0 {
		return nil, refuse("the ledger holds events of a kind that this program doesn't know (%d), so the figures aren't complete; install the current version and close then", unknown)
	}
	return f, nil
}

// Questions lists what isn't decided about a period or the ones before it, and was not accepted by a close before.
func (l *Ledger) Questions(f *Figures, st report.Style) []review.Item {
	accepted := map[string]bool{}
	for _, c := range l.Closed {
		for _, id := range c.Data.Accepted {
			accepted[id.String()] = true
		}
	}
	later := map[string]bool{}
	f.Log.Refs(func(r fold.Ref) {
		if r.Ms > f.To {
			later[r.ID.String()] = true
		}
	})
	all, _ := review.Of(f.Log, fold.Run{AsOf: f.To}, st)
	return slices.DeleteFunc(all.Items, func(it review.Item) bool { return it.Event == "" || accepted[it.Event] || later[it.Event] })
}

// maxAccepted is how many events a close can name.
const maxAccepted = 1000

// Data returns the data of the close, which accepts what the questions are about.
func (f *Figures) Data(accept []review.Item) (*event.Close, error) {
	d := &event.Close{Period: f.Period.String(), Upto: f.Upto, Digest: f.Digest, Engine: report.Engine}
	for _, it := range accept {
		id, err := event.ParseID(it.Event)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(d.Accepted, id) {
			d.Accepted = append(d.Accepted, id)
		}
	}
	if len(d.Accepted) > maxAccepted {
		return nil, refuse("%d questions are open, and a close accepts at most %d; settle some first: countback review", len(d.Accepted), maxAccepted)
	}
	return d, nil
}
