package closing_test

import (
	"math/rand"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/store/storetest"
	"countback/projections/closing"
	"countback/projections/foldtest"
)

// shop is a shop of devices with real keys.
type shop struct {
	t     *testing.T
	logs  map[string]event.LogHead
	lines foldtest.Lines
}

func (s *shop) next(l *storetest.Log, d event.Data) *event.Event {
	at, err := event.ParseTime("2026-03-05T00:00:00Z")
	if err != nil {
		s.t.Fatal(err)
	}
	e := l.At(at.Ms(), d)
	s.logs[e.Device] = event.LogHead{Seq: e.Seq, Hash: e.Hash}
	s.lines = append(s.lines, e.Line)
	return e
}

// closes records the close of a period over everything there is but some devices' logs, by a device that may or may not be the keeper.
func (s *shop) closes(l *storetest.Log, period string, without ...*storetest.Log) {
	upto := map[string]event.LogHead{}
	for device, h := range s.logs {
		upto[device] = h
	}
	for _, w := range without {
		delete(upto, w.Key.Device())
	}
	digest := event.Digests{Average: event.FirstPrev, FIFO: event.FirstPrev}
	s.next(l, &event.Close{Period: period, Upto: upto, Digest: digest, Engine: "1"})
}

func (s *shop) want(desk *storetest.Log, closed string, void int) {
	s.t.Helper()
	lines := append(foldtest.Lines{}, s.lines...)
	for seed := range int64(4) {
		l, err := closing.Read(ctx, lines, time.UTC, closing.ByChain(desk.Shop))
		if err != nil {
			s.t.Fatal(err)
		}
		got := ""
		for _, c := range l.Closed {
			got += c.Period.String() + " "
		}
		if got != closed || len(l.Void) != void {
			s.t.Fatalf("closed %q, want %q; void %v, want %d", got, closed, l.Void, void)
		}
		rand.New(rand.NewSource(seed)).Shuffle(len(lines), func(i, k int) { lines[i], lines[k] = lines[k], lines[i] })
	}
}

// The office of the keeper is handed on: each closes while it holds the office, by what it knew.
func TestOnlyTheKeeperCloses(t *testing.T) {
	desk := storetest.NewLog(1, "")
	s := &shop{t: t, logs: map[string]event.LogHead{}}
	s.next(desk, desk.Device(nil, "desk"))
	s.next(desk, &event.Item{Item: "board", Name: "Board", Type: "supply", Unit: "each"})
	s.next(desk, &event.Count{Item: "board", Qty: ptr(num.Whole(5))})
	phone, second := storetest.NewLog(2, desk.Shop), storetest.NewLog(3, desk.Shop)
	s.next(phone, phone.Device(desk, "phone"))
	s.next(second, second.Device(desk, "desk"))
	s.closes(phone, "2026-03")
	s.closes(second, "2026-03")
	s.want(desk, "", 2)
	s.closes(desk, "2026-03")
	s.want(desk, "2026-03 ", 2)
	s.next(desk, &event.Shop{Keeper: second.Key.Device()})
	s.closes(desk, "2026-04") // no longer the keeper, and knows it
	s.want(desk, "2026-03 ", 3)
	s.closes(second, "2026-04")
	s.want(desk, "2026-03 2026-04 ", 3)
	s.closes(desk, "2026-05")
	s.want(desk, "2026-03 2026-04 ", 4)
}

// A desk that replaces the keeper goes on closing, and what it revokes afterwards doesn't undo the months that its own closes build on.
func TestASuccessorGoesOnClosing(t *testing.T) {
	desk := storetest.NewLog(1, "")
	s := &shop{t: t, logs: map[string]event.LogHead{}}
	first := s.next(desk, desk.Device(nil, "desk"))
	s.next(desk, &event.Item{Item: "board", Name: "Board", Type: "supply", Unit: "each"})
	s.next(desk, &event.Count{Item: "board", Qty: ptr(num.Whole(5))})
	s.closes(desk, "2026-03")
	fresh := storetest.NewLog(4, desk.Shop)
	s.next(fresh, fresh.Successor(desk, desk, "desk"))
	s.closes(fresh, "2026-04")
	s.want(desk, "2026-03 2026-04 ", 0)
	s.closes(desk, "2026-05", fresh) // the replaced desk doesn't know that it was
	s.next(fresh, &event.Revoke{Device: desk.Key.Device(), Last: 1, Hash: first.Hash, Reason: "stolen"})
	s.want(desk, "2026-03 2026-04 ", 1)
}
