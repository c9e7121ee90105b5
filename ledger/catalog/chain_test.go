package catalog_test

import (
	"encoding/binary"
	"testing"

	"countback/ledger/catalog"
	"countback/ledger/event"
)

func chainID(n int) event.ID {
	var id event.ID
	id[5] = 1
	binary.BigEndian.PutUint32(id[12:], uint32(n))
	return id
}

// chain returns n packing specs with the ids 1 to n, each of which restates the one before it; the first restates the one with the given number, 0 for none.
func chain(n, first int) []catalog.Input {
	at, _ := event.ParseTime("2026-03-01T00:00:00Z")
	var in []catalog.Input
	for i := 1; i <= n; i++ {
		d := &event.PackSpec{Formats: []event.Format{{Format: "mailer"}}}
		if i > 1 {
			d.Restates = chainID(i - 1)
		} else if first > 0 {
			d.Restates = chainID(first)
		}
		in = append(in, catalog.Input{Event: &event.Event{ID: chainID(i), Kind: event.KindPackSpec, Version: 1, Time: at, Data: d}})
	}
	return in
}

// Each restatement is looked at once: a chain as long as this would keep a square of its length busy for minutes.
func TestALongChainResolvesToItsEnd(t *testing.T) {
	const n = 30_000
	s := catalog.Build(chain(n, 0)).End().Spec()
	if s == nil || s.Event != chainID(1) || s.By != chainID(n) {
		t.Errorf("got %+v", s)
	}
}

func TestAReversalInAChainTakesWhatFollowsAlong(t *testing.T) {
	in := chain(5, 0)
	in[2].Reversed = true
	s := catalog.Build(in).End().Spec()
	if s == nil || s.By != chainID(2) {
		t.Errorf("got %+v", s)
	}
}

func TestRestatementsInACircleAreVoid(t *testing.T) {
	c := catalog.Build(chain(5, 3)) // 1, 2 and 3 go in a circle; 4 and 5 lead into it
	for n := 1; n <= 3; n++ {
		if c.Void[chainID(n)] == "" {
			t.Errorf("%d counts", n)
		}
	}
	if s := c.End().Spec(); s != nil {
		t.Errorf("in force: %+v", s)
	}
}
