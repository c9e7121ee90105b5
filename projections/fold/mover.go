package fold

import (
	"runtime"
	"sync"

	"countback/ledger/event"
)

// mover moves stock in a goroutine of its own, event by event in their order, while the run works out the next orders and packs. What an order is and which
// packs move hangs on no item's stock, so the two only meet where an event hangs on both: a return, and a print run for an order.
//
// The mover owns the items, and of an order its costs and lines. It never looks at what is rare in an order.
type mover struct {
	own   *State // the run's own items, with a place, a view and notices of its own
	batch []job
	work  chan []job
	idle  chan []job
	busy  sync.WaitGroup
	fell  any // what a job panicked with: the run panics with it, where whoever asked for the run may catch it
}

// job is a pack that is worked out, or an event of which nothing is done yet.
type job struct {
	at  int // its record
	o   *Order
	out *resolved // nil: not a pack
}

const (
	batchSize = 256
	batches   = 4
)

// startMover lets stock be moved aside, if nobody watches and there is a processor for it.
func (s *State) startMover() {
	if s.observe != nil || s.counted != nil || runtime.GOMAXPROCS(0) < 2 {
		return
	}
	m := &mover{
		own: &State{
			Items: s.Items, Catalog: s.Catalog, View: s.Catalog.Start(), costing: s.costing, digits: s.digits, keep: s.keep, log: s.log, sessions: s.sessions,
		},
		work: make(chan []job, batches), idle: make(chan []job, batches),
	}
	for range batches {
		m.idle <- make([]job, 0, batchSize)
	}
	m.batch = <-m.idle
	s.mover = m
	go m.run()
}

func (m *mover) run() {
	for batch := range m.work {
		m.do(batch)
		m.idle <- batch[:0]
		m.busy.Done()
	}
}

func (m *mover) do(batch []job) {
	if m.fell != nil {
		return
	}
	defer func() { m.fell = recover() }()
	for _, j := range batch {
		m.own.to(j.at)
		if j.out == nil {
			m.own.step()
		} else {
			m.own.takeOut(j.o, j.out, nil, false)
		}
	}
}

func (m *mover) add(j job) {
	if m.batch = append(m.batch, j); len(m.batch) == batchSize {
		m.send()
	}
}

func (m *mover) send() {
	m.busy.Add(1)
	m.work <- m.batch
	m.batch = <-m.idle
}

// wait returns when everything is moved.
func (m *mover) wait() {
	if len(m.batch) > 0 {
		m.send()
	}
	m.busy.Wait()
	if m.fell != nil {
		panic(m.fell)
	}
}

// aside hands an event over that the mover can do by itself, and waits for the mover before one that needs both.
func (s *State) aside() bool {
	m := s.mover
	if m == nil || s.cur.kind == isOrder || s.cur.kind == isPack {
		return false
	}
	switch d := s.log.event(s.cur).Data.(type) {
	case *event.Return:
		m.wait()
		return false
	case *event.Reprint:
		if d.Order != "" {
			m.wait()
			return false
		}
	}
	m.add(job{at: s.at})
	return true
}

// endMover waits for the mover and takes over what it noticed.
func (s *State) endMover() {
	if m := s.mover; m != nil {
		s.mover = nil
		defer close(m.work)
		m.wait()
		s.Notices = append(s.Notices, m.own.Notices...)
	}
}

// moveOut takes a pack out of stock, now or aside.
func (s *State) moveOut(o *Order, out *resolved) {
	// Nothing but returns asks what was taken; behind a snapshot there may be some that nobody knows of yet, though of no order that it leaves out.
	supplied, takes := o.seen().supplied, s.backs[o.Number] || s.marking && !o.complete()
	if m := s.mover; m != nil {
		if len(supplied) == 0 && !takes {
			m.add(job{s.at, o, out})
			return
		}
		m.wait()
	}
	s.takeOut(o, out, supplied, takes)
}
