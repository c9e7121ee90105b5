package record_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/oklog/ulid/v2"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
)

var (
	ctx   = context.Background()
	noon  = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	hours = time.Hour
)

// shop is a founded shop whose clock the test moves.
type shop struct {
	*record.Recorder
	now time.Time
}

func found(t testing.TB, st store.Store) *shop {
	t.Helper()
	s := &shop{now: noon}
	random := rand.New(rand.NewSource(1))
	k, err := key.Generate(random)
	if err != nil {
		t.Fatal(err)
	}
	s.Recorder = &record.Recorder{Store: st, Key: k, Now: func() time.Time { return s.now }, Entropy: random, Person: "Wren"}
	s.Shop, err = record.Found(ctx, st, k, s.Now, random, "desk", event.Shop{Name: "Paper Moon Press", Currency: "CAD"}, event.TimeOf(noon))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func order(n int) event.Fact {
	return event.Fact{Time: event.TimeOf(noon), Data: storetest.Order(fmt.Sprintf("W-%d", n), int64(n+1))}
}

func withID(f event.Fact, at time.Time, n byte) event.Fact {
	var u ulid.ULID
	u.SetTime(uint64(at.UnixMilli()))
	u[15] = n
	f.ID = event.ID(u)
	return f
}

func (s *shop) must(t *testing.T, facts ...event.Fact) record.Result {
	t.Helper()
	res, err := s.Record(ctx, facts, nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func all(t *testing.T, st store.Store) (out []*event.Event) {
	t.Helper()
	for _, line := range storetest.Lines(t, st) {
		e, err := event.ParseLine(line)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}

func TestFound(t *testing.T) {
	s := found(t, memory.New())
	es := all(t, s.Store)
	if len(es) != 2 || es[0].Kind != event.KindDevice || es[1].Kind != event.KindShop || s.Shop != s.Key.Device() {
		t.Fatalf("founded with %d events", len(es))
	}
	d := es[0].Data.(*event.Device)
	if err := key.Verify(d.Key, key.Admit, key.AdmitPayload(s.Shop, d.Key, "desk"), d.Endorsement); err != nil || d.By != s.Shop {
		t.Errorf("endorsed by %s: %v", d.By, err)
	}
	_, err := record.Found(ctx, s.Store, s.Key, s.Now, s.Entropy, "desk", event.Shop{Name: "Second"}, event.TimeOf(noon))
	if !errors.Is(err, record.ErrFounded) || len(all(t, s.Store)) != 2 {
		t.Errorf("founded twice: %v", err)
	}
	if _, err := record.Found(ctx, memory.New(), s.Key, s.Now, s.Entropy, "", event.Shop{}, event.TimeOf(noon)); err == nil {
		t.Error("a desk without a name founds a shop")
	}
}

func TestJoin(t *testing.T) {
	s := found(t, memory.New())
	phone := storetest.NewLog(9, s.Shop)
	r := &record.Recorder{Store: s.Store, Key: phone.Key, Shop: s.Shop, Now: s.Now, Entropy: s.Entropy}
	if _, err := r.Record(ctx, []event.Fact{order(1)}, nil); !errors.Is(err, record.ErrNoLog) {
		t.Errorf("recording before pairing: %v", err)
	}
	sig, _ := s.Key.Sign(key.Admit, key.AdmitPayload(s.Shop, phone.Key.Public(), "phone"))
	d := event.Device{Key: phone.Key.Public(), Name: "cart phone", Role: "phone", By: s.Shop, Endorsement: sig}
	for _, want := range []error{nil, record.ErrFounded} {
		if err := record.Join(ctx, s.Store, phone.Key, s.Now, s.Entropy, s.Shop, d, event.TimeOf(noon)); !errors.Is(err, want) {
			t.Errorf("join: %v, want %v", err, want)
		}
	}
	if _, err := r.Record(ctx, []event.Fact{order(1)}, nil); err != nil {
		t.Error(err)
	}
	if err := record.Join(ctx, memory.New(), s.Key, s.Now, s.Entropy, s.Shop, d, event.TimeOf(noon)); !errors.Is(err, key.ErrKey) {
		t.Errorf("another device's admission: %v", err)
	}
}

func TestSignedChain(t *testing.T) {
	s := found(t, memory.New())
	s.must(t, order(1), order(2))
	s.must(t, order(3))
	prev := event.FirstPrev
	for i, e := range all(t, s.Store) {
		head, sig, err := event.Signed(e.Line)
		if err != nil {
			t.Fatal(err)
		}
		if err := key.Verify(s.Key.Public(), key.Event, head, sig); err != nil || e.Seq != int64(i+1) || e.Prev != prev || e.Shop != s.Shop || e.Fault != nil {
			t.Errorf("event %d: %v", i+1, err)
		}
		prev = e.Hash
	}
}

func TestSkips(t *testing.T) {
	s := found(t, memory.New())
	a, b, c := withID(order(1), noon, 1), withID(order(2), noon, 2), order(3)
	if res := s.must(t, a, b, a, c); res.Recorded != 3 || res.Skipped != 1 || res.IDs[0] != res.IDs[2] || res.IDs[3].IsZero() || res.Last != 5 || res.Differ != nil {
		t.Errorf("first: %+v", res)
	}
	checks := 0
	count := func(store.Tx) error { checks++; return nil }
	res, err := s.Record(ctx, []event.Fact{a, b}, count)
	if err != nil || res.Recorded != 0 || res.Skipped != 2 || !slices.Equal(res.IDs, []event.ID{a.ID, b.ID}) || res.Last != 5 || checks != 0 {
		t.Errorf("again: %+v %v, %d checks", res, err, checks)
	}
	changed := withID(order(7), noon, 2)
	later := a
	later.Time = event.TimeOf(noon.Add(hours))
	if res := s.must(t, changed, later, withID(order(9), noon, 3), withID(order(8), noon, 3)); !slices.Equal(res.Differ, []event.ID{b.ID, a.ID, withID(order(1), noon, 3).ID}) {
		t.Errorf("differ: %v", res.Differ)
	}
}

func TestAllOrNone(t *testing.T) {
	s := found(t, memory.New())
	no := errors.New("no such item")
	if _, err := s.Record(ctx, []event.Fact{order(1)}, func(store.Tx) error { return no }); !errors.Is(err, no) {
		t.Errorf("check: %v", err)
	}
	bad := event.Fact{Time: event.TimeOf(noon), Data: &event.Retire{}}
	device := event.Fact{Time: event.TimeOf(noon), Data: &event.Device{}}
	late := withID(order(1), noon.Add(25*hours), 1)
	old := withID(order(1), time.Date(1999, 12, 31, 23, 59, 59, 0, time.UTC), 1)
	huge := event.Fact{Time: event.TimeOf(noon), Data: &event.PackSpec{Formats: slices.Repeat([]event.Format{{Format: strings.Repeat("x", 100)}}, 900)}}
	for name, f := range map[string]event.Fact{"shape": bad, "device": device, "id ahead": late, "id of 1999": old, "no time": {Data: storetest.Order("W-1", 1)}, "nothing": {}, "too long": huge} {
		_, err := s.Record(ctx, []event.Fact{order(1), order(2), f}, nil)
		var at *record.FactError
		if !errors.As(err, &at) || at.Index != 2 {
			t.Errorf("%s: %v", name, err)
		}
	}
	if n := len(all(t, s.Store)); n != 2 {
		t.Errorf("%d events after failures", n)
	}
	s.must(t, withID(order(1), noon.Add(24*hours), 1), withID(order(1), time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), 1))
}

// Generated ids rise within the log, over calls, processes and a clock that is set back, and no given id moves them.
func TestGeneratedIDs(t *testing.T) {
	s := found(t, memory.New())
	var last event.ID
	for i, step := range []time.Duration{0, 0, time.Millisecond, hours, -2 * hours, 0, 5 * hours, -time.Millisecond, 48 * hours} {
		s.now = s.now.Add(step)
		given := withID(order(i), s.now.Add(23*hours), byte(i))
		if i > 4 {
			given = withID(order(i), s.now, byte(0xf0+i)) // of this millisecond, without randomness
		}
		again := *s.Recorder // as another process would
		s.Recorder = &again
		atEnd := withID(order(i), s.now.Add(23*hours), byte(100+i)) // what the next step finds at the end of the log
		res := s.must(t, order(1), given, order(2), given, order(3), atEnd)
		for _, id := range []event.ID{res.IDs[0], res.IDs[2], res.IDs[4]} {
			if id.Compare(last) <= 0 {
				t.Errorf("step %d: %s after %s", i, id, last)
			}
			if last = id; id.Ms() > s.now.Add(2*hours).UnixMilli() {
				t.Errorf("step %d: the id %s lies ahead", i, id)
			}
		}
	}
	if last.Ms() != s.now.UnixMilli() {
		t.Errorf("the last id carries %d, now is %d", last.Ms(), s.now.UnixMilli())
	}
}

// Ids seen in other logs move nothing either, even ones that another device generated.
func TestOthersIDs(t *testing.T) {
	s := found(t, memory.New())
	other := storetest.NewLog(9, s.Shop)
	first := other.Next(other.Device(nil, "phone"))
	ahead := other.NextID(withID(order(1), noon.Add(100*hours), 1).ID, storetest.Order("W-1", 1))
	storetest.Put(t, s.Store, first, ahead)
	if res := s.must(t, order(2)); res.IDs[0].Ms() != noon.UnixMilli() {
		t.Errorf("the id carries %d", res.IDs[0].Ms())
	}
}

type noRandom struct{}

func (noRandom) Read([]byte) (int, error) { return 0, errors.New("no randomness") }

func TestNoRandomness(t *testing.T) {
	s := found(t, memory.New())
	s.Entropy, s.now = noRandom{}, noon.Add(hours)
	if _, err := s.Record(ctx, []event.Fact{order(1)}, nil); err == nil || len(all(t, s.Store)) != 2 {
		t.Errorf("recorded without randomness: %v", err)
	}
}

// The n-th operation of the store fails, for n = 1, 2, 3 … until the job gets through; with Unsure the commit happens although it failed. After each
// failure the same facts are recorded again: every fact stands once, in order, with its bytes.
func TestRetryAfterFailure(t *testing.T) {
	for _, unsure := range []bool{false, true} {
		for n := 1; ; n++ {
			s := found(t, memory.New())
			facts := []event.Fact{withID(order(1), noon, 1), withID(order(2), noon, 2), withID(order(3), noon, 3)}
			good := s.Store
			f := &storetest.Faulty{Store: good, FailAt: n, Unsure: unsure}
			s.Store = f
			_, err := s.Record(ctx, facts, func(tx store.Tx) error { _, err := tx.Last(); return err })
			if f.Failed() != (err != nil) {
				t.Fatalf("failure %d: %v", n, err)
			}
			if got := len(all(t, good)) - 2; got != 0 && got != 3 {
				t.Fatalf("failure %d left %d events", n, got)
			}
			s.Store = good
			res := s.must(t, facts...)
			es := all(t, good)
			if len(es) != 5 || res.Recorded+res.Skipped != 3 || res.Differ != nil {
				t.Fatalf("failure %d: %d events, %+v", n, len(es), res)
			}
			for i, e := range es[2:] {
				if e.ID != facts[i].ID {
					t.Errorf("failure %d: event %d is %s", n, i, e.ID)
				}
			}
			if err == nil {
				break
			}
		}
	}
}
