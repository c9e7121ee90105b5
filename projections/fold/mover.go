package fold

import (
	"runtime"
	"sync"
)

// mover takes packs out of stock in a goroutine of its own, in their order, while the run works out the next ones. What an order is and which packs move
// hangs on no item's stock, so the two only meet where another event moves stock or the definitions change: there the run waits.
//
// The mover owns the items, and of an order its costs and lines. It never looks at what is rare in an order.
type mover struct {
	own   *State // the run's own items and view, with a place and notices of its own
	batch []job
	work  chan []job
	idle  chan []job
	busy  sync.WaitGroup
}

type job struct {
	rc  *rec
	o   *Order
	out *resolved
}

const (
	batchSize = 256
	batches   = 4
)

// startMover lets packs be moved aside, if nobody watches the movements and there is a processor for it.
func (s *State) startMover() {
	if s.observe != nil || runtime.GOMAXPROCS(0) < 2 {
		return
	}
	m := &mover{
		own:  &State{Items: s.Items, Catalog: s.Catalog, View: s.View, keep: s.keep, log: s.log},
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
		for _, j := range batch {
			m.own.cur = j.rc
			m.own.takeOut(j.o, j.out, nil, false)
		}
		m.idle <- batch[:0]
		m.busy.Done()
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
}

// meet waits for the mover before an event that it must not run beside.
func (s *State) meet(rc *rec) {
	if s.mover != nil && (rc.kind != isOrder && rc.kind != isPack || s.View.Due(rc.key)) {
		s.mover.wait()
	}
}

// endMover waits for the mover and takes over what it noticed.
func (s *State) endMover() {
	if m := s.mover; m != nil {
		s.mover = nil
		m.wait()
		close(m.work)
		s.Notices = append(s.Notices, m.own.Notices...)
	}
}

// moveOut takes a pack out of stock, now or aside.
func (s *State) moveOut(o *Order, out *resolved) {
	// Nothing but returns asks what was taken; behind a snapshot there may be some that nobody knows of yet, though of no order that it leaves out.
	supplied, takes := o.seen().supplied, s.backs[o.Number] || s.marking && !o.complete()
	if m := s.mover; m != nil {
		if len(supplied) == 0 && !takes {
			m.add(job{s.cur, o, out})
			return
		}
		m.wait()
	}
	s.takeOut(o, out, supplied, takes)
}
