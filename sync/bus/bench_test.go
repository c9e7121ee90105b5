//go:build !js

package bus_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
)

// BenchmarkBacklog brings 10,000 events from one device to durable on another over a desk's bus, beside the two things that cannot be done without: JetStream
// storing and handing out the same bodies in synced batches, and the store taking the same events in writes of 1,000. x-jetstream and x-store are our rate
// in theirs, x-both in that of one after the other.
func BenchmarkBacklog(b *testing.B) {
	const n = 10_000
	var ours, stream, stored time.Duration
	for b.Loop() {
		h := newHouse(b)
		second := storetest.NewLog(2, h.desk.Shop)
		h.admit(second, "phone")
		a := newReplica(b, h.desk, h.desk.Next(h.desk.Device(nil, "desk")))
		es := storetest.Some(h.desk, n)
		fill(b, a.st, es)
		c := newReplica(b, second, second.Next(second.Device(h.desk, "phone")))
		maker := drive(h.desk.Shop, h.desk, true, h.own) // the desk's bus is there already
		maker.Next(20 * time.Second)
		maker.Close()
		start := time.Now()
		a.run(h.desk.Shop, true, h.own)
		c.run(h.desk.Shop, false, h.as(second.Key))
		eventually(b, "all have come", func() bool {
			heads, err := c.st.Heads(ctx)
			return err == nil && heads[h.desk.Key.Device()].Seq >= n
		})
		ours += time.Since(start)
		a.halt()
		c.halt()

		stream += throughJetStream(b, es)
		alone := newReplica(b, h.desk)
		start = time.Now()
		first, err := a.st.At(ctx, h.desk.Key.Device(), 1)
		if err != nil {
			b.Fatal(err)
		}
		e, err := event.ParseLine(first.Line)
		if err != nil {
			b.Fatal(err)
		}
		fill(b, alone.st, append([]*event.Event{e}, es...))
		stored += time.Since(start)
	}
	runs := float64(b.N)
	b.ReportMetric(n*runs/ours.Seconds(), "events/s")
	b.ReportMetric(n*runs/stream.Seconds(), "jetstream/s")
	b.ReportMetric(n*runs/stored.Seconds(), "store/s")
	b.ReportMetric(stream.Seconds()/ours.Seconds(), "x-jetstream")
	b.ReportMetric(stored.Seconds()/ours.Seconds(), "x-store")
	b.ReportMetric((stored+stream).Seconds()/ours.Seconds(), "x-both")
}

// fill puts events into a store, 1,000 in a write.
func fill(b *testing.B, st store.Store, es []*event.Event) {
	b.Helper()
	for len(es) > 0 {
		k := min(len(es), 1000)
		storetest.Put(b, st, es[:k]...)
		es = es[k:]
	}
}

// throughJetStream publishes bodies in batches and reads them again, with nothing else.
func throughJetStream(b *testing.B, es []*event.Event) time.Duration {
	b.Helper()
	h := newHouse(b)
	c := drive(h.desk.Shop, h.desk, true, h.own)
	defer c.Close()
	r := drive(h.desk.Shop, h.desk, false, h.own)
	defer r.Close()
	next := func(c *conn) replicate.Input {
		for {
			in, ok := c.Next(20 * time.Second)
			if !ok {
				b.Fatal("no answer")
			}
			if _, ok := in.(replicate.Held); !ok {
				return in
			}
		}
	}
	next(c)
	if d, ok := next(r).(replicate.Down); ok { // the streams weren't there yet
		next(r)
		_ = d
	}
	start := time.Now()
	done := make(chan struct{})
	go func() {
		defer close(done)
		after := uint64(0)
		for op := int64(1); after < uint64(len(es)); op++ {
			r.Do(replicate.Fetch{Bus: "bus", Op: op, After: after, Max: 1000})
			if m, ok := next(r).(replicate.Messages); ok && len(m.List) > 0 {
				after = m.List[len(m.List)-1].Seq
			}
		}
	}()
	last := uint64(0)
	for i := 0; i < len(es); i += 1000 {
		p := replicate.Publish{Bus: "bus", Op: int64(i + 1), Subject: replicate.Subject(h.desk.Shop, "log", h.desk.Key.Device()), Expected: true, Last: last}
		for _, e := range es[i:min(i+1000, len(es))] {
			p.Bodies = append(p.Bodies, e.Line)
		}
		c.Do(p)
		a := next(c).(replicate.Published)
		if a.Err != nil {
			b.Fatal(a.Err)
		}
		last = a.Seq
	}
	<-done
	return time.Since(start)
}

// BenchmarkRecording is one event from recorded on a desk to stored on another device, the next one when it is there.
func BenchmarkRecording(b *testing.B) {
	h := newHouse(b)
	second := storetest.NewLog(2, h.desk.Shop)
	h.admit(second, "phone")
	a := newReplica(b, h.desk, h.desk.Next(h.desk.Device(nil, "desk")))
	c := newReplica(b, second, second.Next(second.Device(h.desk, "phone")))
	a.run(h.desk.Shop, true, h.own)
	c.run(h.desk.Shop, false, h.as(second.Key))
	eventually(b, "in step", func() bool { return a.ends() == c.ends() })
	var took []time.Duration
	for b.Loop() {
		e := h.desk.Next(storetest.Order(fmt.Sprintf("W-%d", h.desk.Seq), 1))
		start := time.Now()
		storetest.Put(b, a.st, e)
		if err := a.runner.Nudge(ctx); err != nil {
			b.Fatal(err)
		}
		for {
			if heads, err := c.st.Heads(ctx); err == nil && heads[h.desk.Key.Device()].Seq == e.Seq {
				break
			}
			time.Sleep(time.Millisecond / 2)
		}
		took = append(took, time.Since(start))
	}
	b.ReportMetric(median(took), "ms/median")
}

func median(list []time.Duration) float64 {
	slices.Sort(list)
	return float64(list[len(list)/2].Microseconds()) / 1000
}
