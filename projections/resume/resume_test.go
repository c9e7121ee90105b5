package resume_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
	"countback/projections/fold"
	"countback/projections/oracle"
	"countback/projections/report"
	"countback/projections/resume"
	"countback/projections/stock"
)

var ctx = context.Background()

// desk puts facts into a store, on the logs of several devices.
type desk struct {
	store.Store
	logs   map[string]*storetest.Log
	recent []event.ID // recorded since the last fold that left checkpoints
}

func newDesk(devices ...string) *desk {
	d := &desk{Store: memory.New(), logs: map[string]*storetest.Log{}}
	for _, name := range devices {
		d.log(name)
	}
	return d
}

// log is a device's log; the first event of each is its own.
func (d *desk) log(name string) *storetest.Log {
	name = name[:1]
	if l := d.logs[name]; l != nil {
		return l
	}
	shop := storetest.NewLog(1, "").Shop
	l := storetest.NewLog(name[0]-'a'+1, shop)
	d.logs[name] = l
	d.insert(l.At(1577836800000, l.Device(storetest.NewLog(1, ""), "desk")))
	return l
}

func (d *desk) insert(e *event.Event) {
	err := d.Write(ctx, func(tx store.Tx) error { _, err := tx.Insert(e); return err })
	if err != nil {
		panic(err)
	}
}

// put records an event under its id and time. One of a shape that is void gets data that no kind takes.
func (d *desk) put(e *event.Event) {
	l := d.log(e.Device)
	data := e.Data
	if data == nil {
		data = &event.Retire{Item: "x"}
	}
	u := event.Unsigned{ID: e.ID, Shop: l.Shop, Device: l.Key.Device(), Time: e.Time, Seq: l.Seq + 1, Prev: l.Prev, Data: data}
	head, err := u.Head()
	if err != nil {
		panic(err)
	}
	if e.Data == nil {
		head = bytes.Replace(head, []byte("countback.retire.v1"), []byte("countback."+string(e.Kind)+".v1"), 1)
		head = bytes.Replace(head, []byte(`{"item":"x"}`), []byte(`{}`), 1)
	}
	d.insert(l.Seal(head))
	d.recent = append(d.recent, e.ID)
}

// job folds for an instant, leaving checkpoints after every fold.
func (d *desk) job(now, asOf int64) resume.Job {
	return resume.Job{Store: d, Build: "test", Now: now, After: 1, Run: fold.Run{AsOf: asOf}}
}

// outcome is all there is to compare of a fold.
type outcome struct {
	stock   string
	moves   []fold.Movement
	notices []fold.Notice
	result  *resume.Result
}

func (d *desk) fold(t interface{ Fatal(...any) }, j resume.Job) outcome {
	var o outcome
	j.Run.Observe = func(m fold.Movement) { o.moves = append(o.moves, m) }
	r, err := j.Fold(ctx)
	if err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(stock.Of(r.State, report.Style{Zone: time.UTC, Exact: true}, ""))
	if err != nil {
		t.Fatal(err)
	}
	o.stock, o.notices, o.result = string(text), r.State.Notices, r
	return o
}

// end is a snapshot at the end of the whole fold: every account, open order and session.
func (d *desk) end(t interface{ Fatal(...any) }, asOf int64) string {
	log, err := fold.Read(ctx, fold.Stored(d), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	text := ""
	log.Run(fold.Run{AsOf: asOf, Mark: func(sn *fold.Snapshot) { text = encode(t, sn) }})
	return text
}

func encode(t interface{ Fatal(...any) }, sn *fold.Snapshot) string {
	b, err := sn.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// same compares a fold that may have begun at a checkpoint with the one from the first event. It returns what differs, "" if nothing does.
func (d *desk) same(t interface{ Fatal(...any) }, now, asOf int64) (used bool, differs string) {
	whole := d.job(now, asOf)
	whole.Whole = true
	want, got := d.fold(t, whole), d.fold(t, d.job(now, asOf))
	if got.stock != want.stock {
		return got.result.Resumed, "stock:\n" + got.stock + "\nwant\n" + want.stock
	}
	if !got.result.Resumed {
		return false, ""
	}
	tail := want.moves[len(want.moves)-min(len(got.moves), len(want.moves)):]
	if len(got.moves) > 0 && !reflect.DeepEqual(got.moves, tail) {
		return true, fmt.Sprintf("movements:\n%v\nwant\n%v", got.moves, tail)
	}
	if err := got.result.Leave(ctx); err != nil {
		t.Fatal(err)
	}
	// What a fold from a checkpoint leaves itself is what one from the first event would have left there.
	points, err := storetest.Checkpoints(ctx, d, resume.Key("test"))
	if err != nil {
		t.Fatal(err)
	}
	last, err := d.Last(ctx)
	if err != nil {
		t.Fatal(err)
	}
	left := d.end(t, asOf)
	for _, p := range points {
		if p.Arrived == last && left != "" && positionOf(left) == positionOf(string(p.State)) && left != string(p.State) {
			return true, "checkpoint:\n" + string(p.State) + "\nwant\n" + left
		}
	}
	return true, d.told(want, got)
}

// told compares what the two folds say about the events that arrived last: those are told to who has recorded them.
func (d *desk) told(want, got outcome) string {
	late := map[event.ID]bool{}
	for _, e := range d.recent {
		late[e] = true
	}
	of := func(list []fold.Notice) (out []string) {
		for _, n := range list {
			if late[n.Event] {
				out = append(out, fmt.Sprint(n))
			}
		}
		return out
	}
	if w, g := of(want.notices), of(got.notices); !slices.Equal(w, g) {
		return fmt.Sprintf("notices:\n%q\nwant\n%q", g, w)
	}
	return ""
}

func positionOf(state string) string {
	var sn struct{ Position json.RawMessage }
	if err := json.Unmarshal([]byte(state), &sn); err != nil {
		panic(err)
	}
	return string(sn.Position)
}

// weekly gives the orders of each week numbers of their own, as a shop's are: with the generator's four numbers every order would be an old one.
func weekly(d event.Data, ms int64) event.Data {
	name := func(s string) string {
		if s == "" {
			return s
		}
		return fmt.Sprintf("%s-%d", s, (ms-oracle.Start)/(7*24*3600*1000))
	}
	switch d := d.(type) {
	case *event.Order:
		c := *d
		c.Order = name(d.Order)
		return &c
	case *event.Pack:
		c := *d
		c.Order, c.Joined = name(d.Order), name(d.Joined)
		return &c
	case *event.Return:
		c := *d
		c.Order = name(d.Order)
		return &c
	case *event.Reprint:
		c := *d
		c.Order = name(d.Order)
		return &c
	}
	return d
}

// tally counts what became of checkpoints.
var tally struct{ used, refused int }

// A fold from a checkpoint is the fold from the first event, bit for bit, whatever arrives after the checkpoint, in whatever order.
func TestACheckpointAndTheTailAreTheWhole(t *testing.T) {
	size := 40
	if os.Getenv("COUNTBACK_FULL") != "" {
		size = 150
	}
	const day = 24 * 3600 * 1000
	tally.used, tally.refused = 0, 0
	rapid.Check(t, func(t *rapid.T) {
		events := slices.Clone(oracle.Ledger(t, rapid.IntRange(size/2, size).Draw(t, "size")))
		spread := rapid.IntRange(0, 3).Draw(t, "spread")
		arrives := map[*event.Event]int64{}
		for i, e := range events {
			if spread > 0 && e.Data != nil {
				c := *e
				c.Data = weekly(e.Data, e.Time.Ms())
				e = &c
				events[i] = e
			}
			at := e.Time.Ms()
			if e.Kind.Rank() == 0 && rapid.IntRange(0, 9).Draw(t, "setup late") < 9 {
				at = 0
			} else if rapid.IntRange(0, 9).Draw(t, "late") == 9 {
				at += int64(rapid.IntRange(0, 20).Draw(t, "by")) * day
			}
			arrives[e] = at
		}
		slices.SortStableFunc(events, func(a, b *event.Event) int { return int(min(max(arrives[a]-arrives[b], -1), 1)) })
		d := newDesk("a")
		if rapid.Bool().Draw(t, "all devices at once") {
			d = newDesk("a", "b", "c")
		}
		var steps []string
		for len(events) > 0 {
			n := min(len(events), rapid.IntRange(size/6, 1+size/2).Draw(t, "batch"))
			for _, e := range events[:n] {
				d.put(e)
			}
			events = events[n:]
			now := oracle.Start + int64(rapid.IntRange(0, (oracle.Days+20)*4).Draw(t, "now"))*day/4
			asOf := int64(0)
			if rapid.IntRange(0, 2).Draw(t, "cut") == 2 {
				asOf = now + int64(rapid.IntRange(-40, 1).Draw(t, "as of"))*day/4
			}
			had, err := d.Checkpoints(ctx, resume.Key("test"))
			if err != nil {
				t.Fatal(err)
			}
			used, differs := d.same(t, now, asOf)
			if used {
				tally.used++
			} else if len(had) > 0 {
				tally.refused++
			}
			steps = append(steps, fmt.Sprintf("%d events, now %d, as of %d, resumed %v", n, now, asOf, used))
			if differs != "" {
				t.Fatalf("%s\n%s\n%s", strings.Join(steps, "\n"), text(t, d), differs)
			}
			r := d.fold(t, d.job(now, asOf)).result
			if err := r.Leave(ctx); err != nil {
				t.Fatal(err)
			}
			d.recent = nil
		}
	})
	t.Logf("checkpoints were used %d times and refused %d times", tally.used, tally.refused)
	if tally.used*5 < tally.refused {
		t.Errorf("checkpoints were used only %d times and refused %d times", tally.used, tally.refused)
	}
}

// text lists a ledger in its order of arrival.
func text(t interface{ Fatal(...any) }, s store.Store) string {
	var list []*event.Event
	err := s.Scan(ctx, 0, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		list = append(list, e)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return oracle.Text(list)
}
