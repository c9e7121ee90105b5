package bus

import (
	"context"
	"sync"

	"countback/sync/replicate"
)

// Queue holds inputs until they are taken, in their order. Of receipts only the newest of each device waits, so that nobody can fill it.
type Queue struct {
	mu    sync.Mutex
	list  []replicate.Input
	held  map[place]replicate.Held
	order []place
	ready chan struct{}
}

type place struct{ bus, device string }

const maxHeld = 4096

// NewQueue makes an empty queue.
func NewQueue() *Queue {
	return &Queue{held: map[place]replicate.Held{}, ready: make(chan struct{}, 1)}
}

// Put adds an input.
func (q *Queue) Put(in replicate.Input) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if h, ok := in.(replicate.Held); ok {
		p := place{h.Bus, h.Device}
		if _, known := q.held[p]; !known {
			if len(q.order) >= maxHeld {
				return
			}
			q.order = append(q.order, p)
		}
		q.held[p] = h
	} else {
		q.list = append(q.list, in)
	}
	select {
	case q.ready <- struct{}{}:
	default:
	}
}

// Ready tells that there may be something to take.
func (q *Queue) Ready() <-chan struct{} { return q.ready }

// Take returns the next input, if there is one.
func (q *Queue) Take() (in replicate.Input, ok bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	switch {
	case len(q.list) > 0:
		in, q.list = q.list[0], q.list[1:]
	case len(q.order) > 0:
		in = q.held[q.order[0]]
		delete(q.held, q.order[0])
		q.order = q.order[1:]
	default:
		return nil, false
	}
	if len(q.list)+len(q.order) > 0 {
		select {
		case q.ready <- struct{}{}:
		default:
		}
	}
	return in, true
}

// Next waits for the next input. It returns false once the context has ended.
func (q *Queue) Next(ctx context.Context) (replicate.Input, bool) {
	for {
		if in, ok := q.Take(); ok {
			return in, true
		}
		select {
		case <-ctx.Done():
			return nil, false
		case <-q.ready:
		}
	}
}
