package replicate_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/simulate"
)

var ctx = context.Background()

// rig is one machine at a bus that answers at once.
type rig struct {
	t       *testing.T
	st      store.Store
	m       *replicate.Machine
	bus     *simulate.Server
	now     time.Time
	fetch   replicate.Fetch
	wake    time.Duration
	reports []replicate.Report
	sent    []replicate.Publish
	keep    uint64
	silent  bool // the bus does what it is asked and doesn't answer
	unsure  bool // the bus does what it is asked, and the driver can't tell
	deaf    bool // the bus does nothing of what it is asked
	away    bool
	files   func(replicate.Download) []replicate.Downloaded
}

func newRig(t *testing.T, k *key.Key, shop string, bus *simulate.Server, change ...func(*replicate.Config)) *rig {
	t.Helper()
	r := &rig{t: t, st: memory.New(), bus: bus, now: time.UnixMilli(storetest.Start)}
	r.restart(k, shop, change...)
	return r
}

// restart makes a machine anew on the same store.
func (r *rig) restart(k *key.Key, shop string, change ...func(*replicate.Config)) {
	r.t.Helper()
	c := replicate.Config{Store: r.st, Key: k, Shop: shop, Build: "1"}
	for _, f := range change {
		f(&c)
	}
	m, err := replicate.New(ctx, c)
	if err != nil {
		r.t.Fatal(err)
	}
	r.m = m
}

func desk(c *replicate.Config) { c.Desk = true }

func (r *rig) up() {
	r.step(replicate.Up{Bus: "desk", Created: r.bus.Created, Last: r.bus.Last(), Batch: r.bus.Batch, Download: r.files != nil})
	r.bus.Receipts(func(d string, b []byte) { r.step(replicate.Held{Bus: "desk", Device: d, Body: b}) })
}

func (r *rig) step(in replicate.Input) {
	for _, o := range r.m.Step(r.now, in) {
		r.do(o)
	}
}

func (r *rig) do(o replicate.Output) {
	switch o := o.(type) {
	case replicate.Report:
		r.reports = append(r.reports, o)
	case replicate.Wake:
		r.wake = o.In
	case replicate.Keep:
		r.keep = o.Seq
	case replicate.Fetch:
		r.fetch = o
		r.deliver()
	case replicate.Look:
		r.step(replicate.Found{Bus: o.Bus, Op: o.Op, Message: r.bus.Look(o.Subject)})
	case replicate.Publish:
		r.sent = append(r.sent, o)
		var seq uint64
		err := errors.New("no connection")
		if !r.deaf {
			seq, err = r.bus.Publish(o, r.now.UnixNano())
		}
		if r.unsure {
			err = errors.New("no answer")
		}
		if !r.silent {
			r.step(replicate.Published{Bus: o.Bus, Op: o.Op, Seq: seq, Err: err})
		}
		r.deliver()
	case replicate.Download:
		for _, in := range r.files(o) {
			r.step(in)
		}
	}
}

// deliver answers the fetch that waits.
func (r *rig) deliver() {
	f := r.fetch
	if list := r.bus.Fetch(f.After, f.Max); f.Op != 0 && !r.away && len(list) > 0 {
		r.fetch = replicate.Fetch{}
		r.step(replicate.Messages{Bus: f.Bus, Op: f.Op, List: list})
	}
}

// pass lets time pass, with a tick whenever one was asked for.
func (r *rig) pass(d time.Duration) {
	end := r.now.Add(d)
	for r.wake > 0 && !r.now.Add(r.wake).After(end) {
		r.now = r.now.Add(r.wake)
		r.wake = 0
		r.step(replicate.Tick{})
	}
	r.now = end
	r.step(replicate.Tick{})
}

// put lets a device publish lines, whatever they are.
func (r *rig) put(sort, device, shop string, lines ...[]byte) {
	for _, line := range lines {
		if _, err := r.bus.Publish(replicate.Publish{Subject: replicate.Subject(shop, sort, device), Bodies: [][]byte{line}}, r.now.UnixNano()); err != nil {
			r.t.Fatal(err)
		}
	}
	r.deliver()
}

func linesOf(events []*event.Event) (out [][]byte) {
	for _, e := range events {
		out = append(out, e.Line)
	}
	return out
}

// wantLog checks what stands in a device's log.
func (r *rig) wantLog(device string, want ...*event.Event) {
	r.t.Helper()
	var got []*event.Event
	for seq := int64(1); ; seq++ {
		row, err := r.st.At(ctx, device, seq)
		if err != nil {
			break
		}
		e, err := event.ParseLine(row.Line)
		if err != nil {
			r.t.Fatal(err)
		}
		got = append(got, e)
	}
	if !slices.EqualFunc(got, want, func(a, b *event.Event) bool { return bytes.Equal(a.Line, b.Line) }) {
		r.t.Errorf("the log has %d events, want %d, or they differ", len(got), len(want))
		for _, e := range got {
			r.t.Logf("  %d %s", e.Seq, e.Hash[:8])
		}
	}
}

func (r *rig) said(what replicate.What) bool {
	return slices.ContainsFunc(r.reports, func(x replicate.Report) bool { return x.What == what })
}

func (r *rig) wantSaid(what ...replicate.What) {
	r.t.Helper()
	for _, w := range what {
		if !r.said(w) {
			r.t.Errorf("%s wasn't reported; %v was", w, r.reports)
		}
	}
	for _, x := range r.reports {
		if text := x.Text(); text == "" || bytes.ContainsRune([]byte(text), '\n') {
			r.t.Errorf("report %s reads %q", x.What, text)
		}
	}
}

func count[T any](t *testing.T, list []T, err error, want int, what string) {
	t.Helper()
	if err != nil || len(list) != want {
		t.Errorf("%d %s (%v), want %d", len(list), what, err, want)
	}
}
