package fold

import (
	"context"
	"errors"
	"runtime"
	"sync"

	"countback/ledger/store"
)

// Reading reads a store again and again. It keeps what it has read, so that each time costs what has arrived since, and putting everything in order. It is safe
// for several goroutines; the logs that it returns may be used beside one another.
type Reading struct {
	store store.Store

	mu      sync.Mutex
	readers []*reader
	through int64            // number of arrival up to which everything was read
	ends    map[string]int64 // the last sequence read of each log
}

// mostReaders is how many parts are kept before all is read anew.
const mostReaders = 100

var errCut = errors.New("a log was cut")

// NewReading returns a Reading of everything in a store.
func NewReading(s store.Store) *Reading { return &Reading{store: s} }

// Read returns the log as the store holds it now, like [Read]. Where a log was cut (store.Tx.Cut) all is read anew.
func (g *Reading) Read(ctx context.Context) (*Log, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	last, err := g.store.Last(ctx)
	if err != nil {
		return nil, err
	}
	if last < g.through || len(g.readers) >= mostReaders {
		g.forget()
	}
	if err = g.more(ctx, last); err == errCut {
		g.forget()
		err = g.more(ctx, last)
	}
	if err != nil {
		g.forget() // how far it was read isn't known
		return nil, err
	}
	return logOf(g.readers, Choice{}, true), nil
}

func (g *Reading) forget() { g.readers, g.through, g.ends = nil, 0, nil }

// more reads what has arrived up to a number.
func (g *Reading) more(ctx context.Context, last int64) error {
	if last == g.through {
		return nil
	}
	sources, err := stored{g.store, g.through, last}.Divide(ctx, runtime.GOMAXPROCS(0))
	if err != nil {
		return err
	}
	readers, err := readAll(ctx, sources, Choice{})
	if err != nil {
		return err
	}
	if g.ends == nil {
		g.ends = map[string]int64{}
	}
	for _, r := range readers {
		for i, device := range r.names {
			if r.begins[i] <= g.ends[device] {
				return errCut
			}
			g.ends[device] = r.ends[i]
		}
		r.part.index = len(g.readers)
		g.readers = append(g.readers, r)
	}
	g.through = last
	return nil
}
