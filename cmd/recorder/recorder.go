//go:build js

package main

import (
	"context"
	"io"
	"sync"
	"syscall/js"
	"time"
	_ "time/tzdata" // the zones aren't on a browser's disk

	"countback/cmd/recorder/phone"
	"countback/ledger/store/indexeddb"
	"countback/ledger/store/paged"
)

const (
	database   = "countback"
	writerLock = "countback-writer"
)

// recorder is the module.
type recorder struct {
	now     func() time.Time
	entropy io.Reader
	build   string

	target js.Value // globalThis.countback
	post   *post

	opening sync.Mutex
	db      *indexeddb.Database // nil until it was opened
	p       *phone.Phone
	news    chan struct{} // the ledger has changed elsewhere

	mu     sync.Mutex
	locked bool // another tab records
	full   bool // the last recording found no space
	told   bool // a carrier that runs has told how things stand
}

func newRecorder(now func() time.Time, entropy io.Reader, build string) *recorder {
	return &recorder{now: now, entropy: entropy, build: build, news: make(chan struct{}, 1)}
}

// offer puts the functions where the page finds them.
func (r *recorder) offer() {
	r.target = js.Global().Get("EventTarget").New()
	for name, do := range r.functions() {
		r.target.Set(name, function(do))
	}
	r.post = newPost(r.hear)
	js.Global().Set("countback", r.target)
}

// emit tells the page of something.
func (r *recorder) emit(name string, detail any) {
	init := map[string]any{"detail": plain(detail)}
	r.target.Call("dispatchEvent", js.Global().Get("CustomEvent").New(name, init))
}

// ready opens the database, once.
func (r *recorder) ready(ctx context.Context) (*phone.Phone, error) {
	r.opening.Lock()
	defer r.opening.Unlock()
	if r.p != nil {
		return r.p, nil
	}
	db, err := indexeddb.Open(ctx, database, r.wrote)
	if err != nil {
		return nil, err
	}
	release, ok, err := indexeddb.Lock(ctx, writerLock, true)
	if err != nil {
		return nil, err
	}
	r.setLocked(ok && release == nil)
	r.db, db.Loose = db, paged.IsPoint
	r.p = &phone.Phone{
		Store: paged.New(db), Box: db, Now: r.now, Entropy: r.entropy, Build: r.build, Zone: time.LoadLocation, Breathe: breather(r.now),
	}
	r.post.tell("here")
	go r.follow(ctx)
	if ok && release == nil {
		go r.await(ctx)
	} else {
		go r.resume(ctx)
	}
	return r.p, nil
}

// breather lets the page do something else now and then while a fold runs: there is but one thread.
func breather(now func() time.Time) func() func() {
	const long = 12 * time.Millisecond
	return func() func() {
		last := now()
		return func() {
			if now().Sub(last) > long {
				time.Sleep(time.Microsecond)
				last = now()
			}
		}
	}
}

func (r *recorder) setLocked(locked bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.locked = locked
}

func (r *recorder) isLocked() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.locked
}

// await waits until the tab that records is closed, and takes its place.
func (r *recorder) await(ctx context.Context) {
	if _, ok, err := indexeddb.Lock(ctx, writerLock, false); !ok || err != nil {
		return
	}
	r.setLocked(false)
	r.emit("locked", map[string]bool{"locked": false})
	r.resume(ctx)
}

// wrote hears that another tab or the carrier has written to the ledger.
func (r *recorder) wrote() {
	select {
	case r.news <- struct{}{}:
	default:
	}
}

// follow reads the definitions anew when events have come from elsewhere, and tells the page. Most of what the carrier writes is its own notes.
func (r *recorder) follow(ctx context.Context) {
	const gather = 60 * time.Millisecond // what comes together is told once
	r.wrote()                            // definitions may have come while no tab was open
	mark := ""
	for first := true; ; first = false {
		<-r.news
		if !first {
			time.Sleep(gather)
		}
		now, err := r.p.Mark(ctx)
		if err != nil || now == mark {
			continue
		}
		mark = now
		was := r.p.State()
		changed, err := r.p.Refresh(ctx)
		if err != nil {
			continue
		}
		if r.p.State() == phone.Revoked && was != phone.Revoked {
			r.emit("revoked", nil)
		}
		if changed || !first {
			r.emit("changed", nil)
		}
	}
}

// writing returns an error in a tab that only shows.
func (r *recorder) writing(ctx context.Context) (*phone.Phone, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	if r.isLocked() {
		return nil, &phone.Refusal{Message: "the recorder is open in another tab, which records", Hint: "go on there, or close that tab", Kind: "locked"}
	}
	return p, nil
}
