package pages

import (
	"fmt"
	"sync"
	"time"

	"countback/ledger/catalog"
	"countback/projections/fold"
	"countback/projections/report"
)

// Look is one look at the ledger: all figures that a page shows come from it and belong together. It never changes; several pages may use it at once.
type Look struct {
	Log     *fold.Log
	Run     fold.Run         // up to the end of today, as reports without --as-of are; copy it before setting more
	Catalog *catalog.Catalog // the log's
	View    *catalog.View    // at its end: what holds now
	Shop    catalog.Shop
	Zone    *time.Location // the shop's
	Style   report.Style
	Now     time.Time // when the look was taken, in Zone
	Version int64     // the number of arrival of the last event in it

	Beside func() ([]fold.Notice, error) // what stands beside the fold and needs a decision: void closes, refused lines, facts of branches, recoveries; may be nil

	mu   sync.Mutex
	once map[string]*single
}

// single is one computation of a report.
type single struct {
	do    sync.Once
	value any
	err   error
}

// Once returns what make makes, which is called once for each key of a look, however many pages ask at the same time. What it returns is shared: nobody may change it.
func (l *Look) Once(key string, make func() (any, error)) (any, error) {
	l.mu.Lock()
	if l.once == nil {
		l.once = map[string]*single{}
	}
	s, ok := l.once[key]
	if !ok {
		s = &single{}
		l.once[key] = s
	}
	l.mu.Unlock()
	s.do.Do(func() {
		s.err = fmt.Errorf("%s couldn't be worked out; load the page again, and if it stays so report it", key) // in case make panics
		s.value, s.err = make()
	})
	return s.value, s.err
}

// once is Look.Once with the type of what is made.
func once[T any](l *Look, key string, make func() (T, error)) (T, error) {
	v, err := l.Once(key, func() (any, error) { return make() })
	if err != nil {
		var none T
		return none, err
	}
	return v.(T), nil
}

// State is what is on hand at the look's end.
func (l *Look) State() *fold.State {
	s, _ := once(l, "state", func() (*fold.State, error) { return l.Log.Run(l.Run), nil })
	return s
}

// session is the longest time between the first and the last figure of a count session, which is asserted as a whole.
const session = 24 * time.Hour

// upTo is a run that goes through the events up to an instant as the whole run does: to a day after it, so that it cuts no session that an event of that instant is in.
func (l *Look) upTo(ms int64) fold.Run {
	run := l.Run
	run.AsOf = min(run.AsOf, ms+session.Milliseconds())
	return run
}

// Def is the definition of an item that holds now, nil for an id that nobody defined.
func (l *Look) Def(id string) *catalog.Def {
	it, ok := l.Catalog.Find(id)
	if !ok {
		return nil
	}
	return l.View.Def(it.Index)
}

// Today is the day of the look, as 2026-03-02.
func (l *Look) Today() string { return l.Now.Format(time.DateOnly) }
