package pages

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"maps"
	"slices"
	"sync"
	"time"

	"countback/cmd/countback/words"
	"countback/projections/plan"
)

// What a report needs longer for than a page should take is worked out beside the page: whoever asks first sees that it is being worked out, and the page comes by
// itself when it is done. When the ledger moves on, what was asked for of late is worked out anew before anybody asks again.

// errSoon says that a page's figures are still being worked out.
var errSoon = errors.New("it is being worked out; load the page again")

const (
	patience = 120 * time.Millisecond // how long a page waits for its figures
	liveWait = 20 * time.Second       // how long the renewal of an open page does: nobody looks at an empty page meanwhile
	recent   = 15 * time.Minute       // how long after it was asked for a report is kept warm
)

// pending is a report that is being worked out.
type pending struct {
	done  chan struct{}
	value any
	err   error
}

// soon returns what work makes of the view's look, once for each key of a look. The error is errSoon while it isn't there. work must not keep the view.
func soon[T any](v *view, key string, work func(l *Look) (T, error)) (T, error) {
	x, err := v.site.warm.begin(v.look, key, func(l *Look) (any, error) { return work(l) }).wait(v)
	if err != nil {
		var none T
		return none, err
	}
	return x.(T), nil
}

func (p *pending) wait(v *view) (any, error) {
	patience := patience
	if v.r.Header.Get("X-Live") != "" {
		patience = liveWait
	}
	t := time.NewTimer(patience)
	defer t.Stop()
	select {
	case <-p.done:
		return p.value, p.err
	case <-t.C:
		return nil, errSoon
	case <-v.ctx().Done():
		return nil, v.ctx().Err()
	}
}

// warmth remembers which reports were asked for, so that they can be worked out for the next look before anybody asks.
type warmth struct {
	mu    sync.Mutex
	asked map[string]wish
}

type wish struct {
	work func(l *Look) (any, error)
	last time.Time
}

// begin starts to work out a report, unless that was begun.
func (w *warmth) begin(l *Look, key string, work func(l *Look) (any, error)) *pending {
	w.mu.Lock()
	if w.asked == nil {
		w.asked = map[string]wish{}
	}
	w.asked[key] = wish{work, l.Now}
	w.mu.Unlock()
	return l.begin(key, work)
}

func (l *Look) begin(key string, work func(l *Look) (any, error)) *pending {
	v, _ := l.Once("soon "+key, func() (any, error) {
		p := &pending{done: make(chan struct{})}
		go func() {
			defer close(p.done)
			p.err = fmt.Errorf("%s couldn't be worked out; load the page again, and if it stays so report it", key) // in case work panics
			defer func() { _ = recover() }()
			p.value, p.err = work(l)
		}()
		return p, nil
	})
	return v.(*pending)
}

// renew works out for a new look, one after the other, what was asked for of late. A later look, or the end of ctx, stops it.
func (s *Site) renew(ctx context.Context, l *Look) {
	w := &s.warm
	w.mu.Lock()
	list := map[string]wish{}
	for key, x := range w.asked {
		if l.Now.Sub(x.last) > recent {
			delete(w.asked, key)
			continue
		}
		list[key] = x
	}
	w.mu.Unlock()
	for _, key := range slices.Sorted(maps.Keys(list)) {
		s.live.mu.Lock()
		old := s.live.version > l.Version
		s.live.mu.Unlock()
		if old || ctx.Err() != nil {
			return
		}
		<-l.begin(key, list[key].work).done
	}
}

// reportFuncs are what the templates of reports can say beside their data.
var reportFuncs = template.FuncMap{
	"shortQty":    words.ShortQty,
	"short":       words.Short,
	"advice":      advice,
	"reasonName":  words.Reason,
	"dayOnly":     dayOnly,
	"prepareWhat": words.What,
	"prepareFrom": prepareFrom,
	"percent":     words.Percent,
	"span":        words.Span,
	"signed":      words.Signed,
	"ratio":       words.Ratio,
	"zoneName":    words.Zone,
	"goods":       words.Goods,
	"totals":      words.Totals,
	"nonzero":     func(s string) bool { return !words.Quantity(s).IsZero() },
	"negative":    func(s string) bool { return words.Quantity(s).Sign() < 0 },
	"or2": func(s, other string) string {
		if s == "" {
			return other
		}
		return s
	},
}

// prepareFrom says what pieces are made from: how much, and of which packs.
func prepareFrom(p plan.Prepare) string {
	text := ""
	if p.Takes != "" {
		text = words.InUnit(p.Takes, p.Unit)
	}
	if from := words.From(p); from != "" && text != "" {
		return text + ", " + from
	} else if from != "" {
		return from
	}
	return text
}
