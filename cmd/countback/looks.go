package main

import (
	"context"
	"maps"
	"sync"
	"time"

	"countback/cmd/countback/pages"
	"countback/ledger/store"
	"countback/projections/fold"
)

// looks keeps the latest look at the ledger for the pages, and takes the next one in the background when the ledger has changed.
type looks struct {
	mu     sync.Mutex
	last   *pages.Look
	store  store.Store           // that was read
	read   *fold.Reading         // of store
	heads  map[string]store.Head // of last
	again  bool                  // the next look is to be a new one, though no event has come
	wanted int64                 // a look must hold at least the events up to this number of arrival
	taking chan struct{}         // closed when the look that is being taken is there; nil: none is
	failed error                 // of the last try
	tell   func(*pages.Look)     // of every new look; may be nil
}

// zone is the shop's, nil while there is no look.
func (p *deskPages) zone() *time.Location {
	p.looks.mu.Lock()
	defer p.looks.mu.Unlock()
	if p.looks.last == nil {
		return nil
	}
	return p.looks.last.Zone
}

// want makes every later look hold the events up to a number of arrival.
func (p *deskPages) want(n int64) {
	p.looks.mu.Lock()
	p.looks.wanted = max(p.looks.wanted, n)
	p.looks.mu.Unlock()
}

// Look implements pages.Desk.
func (p *deskPages) Look(ctx context.Context) (*pages.Look, error) {
	l := &p.looks
	for tried := false; ; tried = true {
		l.mu.Lock()
		if l.last != nil && !l.again && l.last.Version >= l.wanted && sameDay(l.last.Now, p.m.Now()) {
			defer l.mu.Unlock()
			return l.last, nil
		}
		if tried && l.failed != nil {
			defer l.mu.Unlock()
			return nil, l.failed
		}
		done := p.take()
		l.mu.Unlock()
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-done:
		}
	}
}

func sameDay(look, now time.Time) bool {
	now = now.In(look.Location())
	return look.YearDay() == now.YearDay() && look.Year() == now.Year()
}

// take begins to take a look if none is being taken, and returns what tells when it is there. The caller holds looks.mu.
func (p *deskPages) take() <-chan struct{} {
	l := &p.looks
	if l.taking != nil {
		return l.taking
	}
	done := make(chan struct{})
	again := l.again
	l.taking, l.again = done, false
	wanted := l.wanted
	go func() {
		look, heads, err := p.takeLook(context.Background()) // whoever asked may go; the look is for all
		l.mu.Lock()
		l.taking, l.failed = nil, err
		l.again = l.again || again && err != nil // what was asked for anew is still to come
		if err == nil {
			l.last, l.heads = look, heads
			if look.Version < wanted && l.wanted == wanted { // a log was cut: there is no such event any more
				l.wanted = look.Version
			}
		}
		tell := l.tell
		l.mu.Unlock()
		close(done)
		if err == nil && tell != nil {
			tell(look)
		}
	}()
	return done
}

// takeLook reads the ledger.
func (p *deskPages) takeLook(ctx context.Context) (*pages.Look, map[string]store.Head, error) {
	d, err := p.open(ctx)
	if err != nil {
		return nil, nil, err
	}
	last, err := d.store.Last(ctx)
	if err != nil {
		return nil, nil, problem(err)
	}
	heads, err := d.store.Heads(ctx)
	if err != nil {
		return nil, nil, problem(err)
	}
	log, err := p.reading(d.store).Read(ctx)
	if err != nil {
		return nil, nil, problem(err)
	}
	asOf, _, err := new(asked).instants(d)
	if err != nil {
		return nil, nil, problem(err)
	}
	return &pages.Look{
		Log: log, Run: fold.Run{AsOf: asOf}, Catalog: log.Catalog, View: log.Catalog.End(), Shop: d.shop, Zone: d.zone, Style: d.style(), Now: d.now(), Version: last,
		Beside: d.toReview,
	}, heads, nil
}

// reading keeps what was read of the store for the next look.
func (p *deskPages) reading(st store.Store) *fold.Reading {
	p.looks.mu.Lock()
	defer p.looks.mu.Unlock()
	if p.looks.store != st {
		p.looks.store, p.looks.read = st, fold.NewReading(st)
	}
	return p.looks.read
}

// watch takes looks until ctx ends: at once, when the ledger has changed, and when a new day begins, as long as somebody is there (awake). moved is told of new events before the look is taken: what it finds out takes less.
func (p *deskPages) watch(ctx context.Context, awake func() bool, moved func(after int64)) {
	seen := int64(-1)
	for ctx.Err() == nil {
		p.mu.Lock()
		st := p.store
		p.mu.Unlock()
		if st != nil {
			if v, err := st.DataVersion(ctx); err == nil && v != seen {
				seen = v
				p.look(ctx, st, awake, moved)
			} else if awake() {
				p.nextDay()
			}
		}
		if wait(ctx, storePoll) != nil {
			return
		}
	}
}

// nextDay takes a look when the last one is of yesterday.
func (p *deskPages) nextDay() {
	l := &p.looks
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.last != nil && !sameDay(l.last.Now, p.m.Now()) {
		p.take()
	}
}

// look takes a look if events have come or gone: a note or a checkpoint changes the store as well.
func (p *deskPages) look(ctx context.Context, st store.Store, awake func() bool, moved func(after int64)) {
	l := &p.looks
	last, err := st.Last(ctx)
	if err != nil {
		return // the next request says what is wrong
	}
	heads, err := st.Heads(ctx)
	if err != nil {
		return
	}
	l.mu.Lock()
	fresh := l.last == nil || l.last.Version != last || !maps.Equal(l.heads, heads)
	from := int64(0)
	if l.last != nil {
		from = l.last.Version
	}
	busy := l.taking != nil
	if fresh {
		l.wanted = max(l.wanted, last)
	}
	l.mu.Unlock()
	if !fresh || !awake() { // the next page that is asked for takes it
		return
	}
	if from > 0 && from < last {
		moved(from)
	}
	l.mu.Lock()
	done := p.take()
	l.mu.Unlock()
	if busy { // what is being taken may have begun before the change
		<-done
		l.mu.Lock()
		if l.last == nil || l.last.Version < l.wanted {
			p.take()
		}
		l.mu.Unlock()
	}
}

// after leaves the checkpoints of a recording, when its answer is under way.
func (p *deskPages) after(d *desk) {
	go func() {
		d.ctx = context.WithoutCancel(d.ctx)
		d.leaveCheckpoints()
	}()
}
