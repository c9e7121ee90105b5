//go:build js

package main

import (
	"context"
	"errors"
	"slices"
	"syscall/js"
	"time"

	"github.com/go-json-experiment/json"

	"countback/cmd/recorder/phone"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/indexeddb"
)

type call = func(ctx context.Context, args []js.Value) (any, error)

// functions are those of globalThis.countback, by name.
func (r *recorder) functions() map[string]call {
	return map[string]call{
		"open": r.open, "items": r.items, "stock": r.stock, "openOrders": r.openOrders, "check": r.check, "record": r.record, "takeBack": r.takeBack,
		"remember": r.remember, "recent": r.recent, "standing": r.standing, "round": r.round, "keepRound": r.keepRound, "keptRound": r.keptRound,
		"dropRound": r.dropRound, "pair": r.pair, "endorse": r.endorse, "handover": r.handover, "takeHandover": r.takeHandover, "verifyReports": r.verifyReports,
		"retry": r.retry, "persist": r.persist,
	}
}

func (r *recorder) open(ctx context.Context, _ []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	o, err := p.Open(ctx)
	return struct {
		phone.Opened
		Locked bool `json:"locked"`
	}{o, r.isLocked()}, err
}

func (r *recorder) items(ctx context.Context, _ []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	return p.Items(ctx)
}

func (r *recorder) stock(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	return p.Stock(ctx, text(args, 0))
}

func (r *recorder) openOrders(ctx context.Context, _ []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	return p.OpenOrders(ctx)
}

func (r *recorder) check(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	facts, err := p.Parse(ctx, source(args, 0))
	if err != nil {
		return nil, err
	}
	questions, err := p.Check(ctx, facts)
	return map[string][]string{"questions": questions}, err
}

func (r *recorder) record(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.writing(ctx)
	if err != nil {
		return nil, err
	}
	facts, err := p.Parse(ctx, source(args, 0))
	if err != nil {
		return nil, err
	}
	var how struct {
		Sure bool `json:"sure"`
	}
	if raw := source(args, 1); raw != nil {
		if err := json.Unmarshal(raw, &how); err != nil {
			return nil, err
		}
	}
	posted, err := p.Record(ctx, facts, how.Sure)
	return r.recorded(ctx, facts, posted, err)
}

// recorded takes note of a recording, behind its answer.
func (r *recorder) recorded(ctx context.Context, facts []event.Fact, posted phone.Posted, err error) (any, error) {
	r.mu.Lock()
	r.full = errors.Is(err, store.ErrFull)
	r.mu.Unlock()
	if err != nil {
		return nil, err
	}
	go func() {
		_ = r.p.Note(ctx, facts) // the order of a list
		if len(facts) == 0 || slices.ContainsFunc(facts, func(f event.Fact) bool { return f.Data.Kind().Rank() == 0 }) {
			if _, err := r.p.Refresh(ctx); err != nil { // what was defined; it is read again at the next start
				return
			}
		}
		r.emit("changed", nil)
		r.emit("standing", nil)
	}()
	return posted, nil
}

func (r *recorder) takeBack(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.writing(ctx)
	if err != nil {
		return nil, err
	}
	posted, err := p.TakeBack(ctx, text(args, 0), text(args, 1))
	return r.recorded(ctx, nil, posted, err)
}

func (r *recorder) remember(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.writing(ctx)
	if err != nil {
		return nil, err
	}
	posted, err := p.Remember(ctx, text(args, 0), text(args, 1))
	return r.recorded(ctx, nil, posted, err)
}

func (r *recorder) recent(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	const some, most = 20, 1000
	n := some
	if len(args) > 0 && args[0].Type() == js.TypeNumber {
		n = min(max(args[0].Int(), 1), most)
	}
	return p.Recent(ctx, n)
}

func (r *recorder) standing(ctx context.Context, _ []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	s, err := p.Standing(ctx)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	full, told := r.full, r.told
	r.mu.Unlock()
	if !told { // what stands in the box is of an earlier time
		s.AtDesk, s.Filling, s.Why = false, false, ""
	}
	return struct {
		phone.Standing
		Full        bool   `json:"full"`
		Persistence string `json:"persistence"`
	}{s, full, persistence(ctx, "persisted")}, nil
}

// persistence asks the browser whether it keeps the storage (persisted), or to do so (persist).
func persistence(ctx context.Context, how string) string {
	storage := js.Global().Get("navigator").Get("storage")
	if !storage.Truthy() || storage.Get(how).Type() != js.TypeFunction {
		return "unknown"
	}
	v, err := indexeddb.Await(ctx, storage.Call(how))
	switch {
	case err != nil:
		return "unknown"
	case v.Truthy():
		return "granted"
	}
	return "denied"
}

func (r *recorder) persist(ctx context.Context, _ []js.Value) (any, error) {
	return map[string]string{"persistence": persistence(ctx, "persist")}, nil
}

func (r *recorder) round(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	return p.Round(ctx, text(args, 0))
}

func (r *recorder) keepRound(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.writing(ctx)
	if err != nil {
		return nil, err
	}
	return nil, p.KeepRound(ctx, string(source(args, 0)))
}

func (r *recorder) keptRound(ctx context.Context, _ []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	kept, err := p.KeptRound(ctx)
	if err != nil || kept == "" {
		return js.Null(), err
	}
	return parsed(kept), nil
}

func (r *recorder) dropRound(ctx context.Context, _ []js.Value) (any, error) {
	p, err := r.writing(ctx)
	if err != nil {
		return nil, err
	}
	return nil, p.KeepRound(ctx, "")
}

// blob gathers what is written as parts of a Blob, so that a file of any size never stands in the module's own memory.
type blob struct{ parts js.Value }

func (b *blob) Write(p []byte) (int, error) {
	b.parts.Call("push", indexeddb.FromBytes(p))
	return len(p), nil
}

func (r *recorder) handover(ctx context.Context, _ []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	b := &blob{js.Global().Get("Array").New()}
	if _, err := p.Handover(ctx, b); err != nil {
		return nil, err
	}
	return js.Global().Get("Blob").New(b.parts, map[string]any{"type": "application/octet-stream"}), nil
}

func (r *recorder) verifyReports(ctx context.Context, args []js.Value) (any, error) {
	p, err := r.ready(ctx)
	if err != nil {
		return nil, err
	}
	asOf := r.now()
	if t := text(args, 0); t != "" {
		if asOf, err = time.Parse(time.RFC3339, t); err != nil {
			return nil, &phone.Refusal{Message: "that isn't a time such as 2026-03-02T09:30:00-04:00", Field: "asOf"}
		}
	}
	return p.VerifyReports(ctx, asOf)
}
