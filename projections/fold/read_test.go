package fold_test

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/oracle"
)

// divided is lines that are read in parts, each ending at a place of ends.
type divided struct {
	fold.Source
	lines foldtest.Lines
	ends  []int
}

func parted(lines foldtest.Lines, ends ...int) divided { return divided{lines, lines, ends} }

func (d divided) Divide(context.Context, int) (out []fold.Source, err error) {
	from := 0
	for _, end := range append(slices.Sorted(slices.Values(d.ends)), len(d.lines)) {
		out = append(out, stopped(d.lines[from:end]))
		from = end
	}
	return out, nil
}

// stopped is lines that are read as far as the context lets them.
type stopped foldtest.Lines

func (s stopped) Lines(ctx context.Context, fn func([]byte) error) error {
	return foldtest.Lines(s).Lines(ctx, func(line []byte) error { return cmp.Or(ctx.Err(), fn(line)) })
}

// all is everything that a log and its fold say.
func all(log *fold.Log) string {
	var out []string
	log.Refs(func(r fold.Ref) { out = append(out, fmt.Sprint(r)) })
	log.Events(func(e *event.Event, reversed bool) { out = append(out, fmt.Sprint(e.Device, e.Seq, reversed)) })
	s := log.Run(fold.Run{Orders: true})
	for _, n := range s.Notices {
		out = append(out, fmt.Sprint(n))
	}
	out = append(out, describe(s, log, 0)...)
	return strings.Join(append(out, fmt.Sprint(log.Unknown())), "\n")
}

// A ledger says the same however many goroutines read it, and wherever their parts meet.
func TestPartsOfALedgerSayTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := oracle.Ledger(t, rapid.IntRange(5, 60).Draw(t, "size"))
		lines := foldtest.Events(rapid.Permutation(events).Draw(t, "arrival"))
		ends := rapid.SliceOfN(rapid.IntRange(0, len(lines)), 0, 4).Draw(t, "ends")
		say := func(src fold.Source) string {
			log, err := fold.Read(context.Background(), src, fold.Choice{})
			if err != nil {
				t.Fatal(err)
			}
			return all(log)
		}
		if one, many := say(lines), say(parted(lines, ends...)); one != many {
			t.Fatalf("in one:\n%s\n\nin parts that end at %v:\n%s", one, ends, many)
		}
	})
}

// What was ordered and packed is kept in other bytes than those of its line, and nothing of it is lost.
func TestMoneyAndOptionsOutliveTheirLine(t *testing.T) {
	lines := foldtest.Facts(`
		item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
		item 2026-01-01 {"item":"bag","name":"Bag","type":"supply","unit":"each"}
		packspec 2026-01-01 {"formats":[{"format":"flat","lines":[{"item":"bag","qty":"1","per":"parcel","option":"gift","zones":["sea"]},{"item":"bag","qty":"10","per":"parcel","zones":["ca"]}]}]}
		order 2026-01-02 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"},{"item":"card","qty":"1"}],"options":["gift"],"value":"12.5","shipping":"3"}
		order 2026-01-02 {"order":"2","zone":"ca","lines":[{"item":"card","qty":"2"}],"shipping":"3"}
		pack 2026-01-03 {"order":"1","zone":"sea","postage":"4.20"}
		pack 2026-01-03 {"order":"2","lines":[{"item":"card","qty":"1"}],"options":["gift"],"postage":"1.1"}
		pack 2026-01-04 {"order":"2"}
		pack 2026-01-04 {"order":"2","note":"said \"again\""}
	`)
	s := foldtest.Run(lines, 0)
	one, two := s.Orders["1"], s.Orders["2"]
	if got := fmt.Sprint(one.Zone, one.Postage, one.Lines, two.Zone, two.Postage, two.Lines, len(two.Pending)); got !=
		"sea4.2 [{1 3 [0 0] true} {0 1 [0 0] true}]ca1.1 [{1 1 [0 0] true} {0 10 [0 0] true}] 2" {
		t.Error(got)
	}
}

func TestDoubledOrdersThatDifferInMoneyAlone(t *testing.T) {
	for _, c := range []struct {
		money   string // of the second one; the first says "value":"1.5"
		notices int
	}{{`"value":"1.5"`, 0}, {`"value":"1.50"`, 1}, {`"value":"1.6"`, 1}, {`"shipping":"1.5"`, 1}} {
		lines := foldtest.Facts(`
			item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
			#R1 order 2026-01-02 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}],"value":"1.5"}
			@2 #R1 order 2026-01-02 {"order":"1","zone":"ca","lines":[{"item":"card","qty":"2"}],"value":"1.5"}`)
		lines[2] = bytes.Replace(lines[2], []byte(`"value":"1.5"`), []byte(c.money), 1)
		for _, src := range []fold.Source{lines, parted(lines, 2)} {
			log, err := fold.Read(context.Background(), src, fold.Choice{})
			if err != nil {
				t.Fatal(err)
			}
			if s := log.Run(fold.Run{}); len(s.Notices) != c.notices {
				t.Errorf("%s: %v", c.money, s.Notices)
			}
		}
	}
}

// An event of the wrong shape is void, and it is there all the same: a decision on it isn't about nothing.
func TestDecisionOnAVoidEvent(t *testing.T) {
	lines := foldtest.Facts(`
		item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
		#D1 damage 2026-01-02 {"item":"card","qty":"1","reason":"damaged"}
		decide 2026-01-03 {"event":"#D1","keep":true}`)
	if s := foldtest.Run(lines, 0); topics(s) != "no_cost" {
		t.Error(s.Notices)
	}
	lines[1] = bytes.Replace(lines[1], []byte(`"qty":"1"`), []byte(`"qty":"0"`), 1)
	s := foldtest.Run(lines, 0)
	if topics(s) != "void" || s.Notices[0].About != "damage" {
		t.Error(s.Notices)
	}
}

// Of several bad lines the first in order of arrival is told, however many read.
func TestTheFirstBadLineIsTold(t *testing.T) {
	lines := foldtest.Facts("item 2026-01-01 {\"item\":\"card\",\"name\":\"Card\",\"type\":\"good\",\"unit\":\"each\"}")
	for range 2000 {
		lines = append(lines, lines[0])
	}
	long, short := []byte(strings.Repeat("x", event.MaxLine+1)), []byte("x")
	lines[900], lines[1001], lines[1900] = long, short, short
	_, want := fold.Read(context.Background(), lines, fold.Choice{})
	for range 20 {
		_, err := fold.Read(context.Background(), parted(lines, 1000, 1500), fold.Choice{})
		if err == nil || err.Error() != want.Error() || errors.Is(err, context.Canceled) {
			t.Fatalf("%v, not %v", err, want)
		}
	}
}

// The parts of a store hold every event once, in order, and nothing that came after they were made.
func TestPartsOfAStore(t *testing.T) {
	ctx := context.Background()
	st := memory.New()
	l := storetest.NewLog(1, "")
	events := storetest.Some(l, 2)
	for i := range 11_000 {
		events = append(events, l.NextID(event.ID{1, 15: byte(i), 14: byte(i >> 8)}, &event.Damage{Item: "board", Qty: num.Whole(1), Reason: "damaged"}))
	}
	storetest.Put(t, st, events...)
	for n := 1; n <= 4; n++ {
		parts, err := fold.Stored(st).Divide(ctx, n)
		if err != nil || len(parts) != min(n, 2) {
			t.Fatalf("%d parts of %d, %v", len(parts), n, err)
		}
		storetest.Put(t, st, l.Next(storetest.Count("board", int64(n))))
		i := 0
		for p, part := range parts {
			if err := part.Lines(ctx, func(line []byte) error {
				if i < len(events) && string(line) != string(events[i].Line) {
					t.Fatalf("part %d holds %s at place %d", p, line, i)
				}
				i++
				return nil
			}); err != nil {
				t.Fatal(err)
			}
		}
		if now := len(events) + n; len(parts) > 1 && i != now-1 || len(parts) == 1 && i != now {
			t.Errorf("%d parts hold %d events of %d", len(parts), i, now)
		}
	}
	stop := errors.New("stop")
	err := fold.Stored(st).Lines(ctx, func([]byte) error { return stop })
	if !errors.Is(err, stop) {
		t.Error(err)
	}
}
