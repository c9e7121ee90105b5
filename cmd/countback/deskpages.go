package main

import (
	"context"
	"errors"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/oklog/ulid/v2"

	"countback/cmd/countback/pages"
	"countback/ledger/entry"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/num"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/projections/fold"
	"countback/sync/replicate"
)

// deskPages is what the desk pages ask of this program: the same code as the commands, on the store of a running serve.
type deskPages struct {
	m   *Main // quiet: nothing is asked or printed
	dir string

	mu      sync.Mutex
	store   *sqlite.Store // nil while there is no ledger
	key     *key.Key
	invited *invitation // the code that is shown; nil: none is
	owned   bool        // the store is to be closed with the pages

	founded chan struct{} // closed when a shop was founded here
	demo    demoHouse

	looks looks
}

// newDeskPages makes the desk of pages. Without a ledger the store and key are nil.
func (m *Main) newDeskPages(dir string, st *sqlite.Store, k *key.Key) *deskPages {
	quiet := *m
	quiet.Terminal, quiet.ErrTerminal, quiet.Asks, quiet.Width = false, false, false, 0
	quiet.Stdout, quiet.Stderr, quiet.Stdin = io.Discard, io.Discard, strings.NewReader("")
	quiet.format, quiet.json, quiet.exact = formatJSON, true, false
	p := &deskPages{m: &quiet, dir: dir, store: st, key: k, founded: make(chan struct{})}
	return p
}

// open is the ledger as a command finds it, for as long as ctx lasts. It must not be closed: the store is that of serve.
func (p *deskPages) open(ctx context.Context) (*desk, error) {
	p.mu.Lock()
	st, k := p.store, p.key
	p.mu.Unlock()
	if st == nil {
		return nil, pages.ErrNoShop
	}
	d := &desk{m: p.m, ctx: ctx, dir: p.dir, store: st, key: k}
	if err := d.load(); err != nil {
		return nil, problem(err)
	}
	return d, nil
}

// Now implements pages.Desk.
func (p *deskPages) Now() time.Time {
	if zone := p.zone(); zone != nil {
		return p.m.Now().In(zone)
	}
	return p.m.Now().UTC()
}

// NewID implements pages.Desk. It is random and no generated id of this device, so it never moves the device's own.
func (p *deskPages) NewID() event.ID {
	id, err := newID(p.m.Now(), p.m.Entropy)
	if err != nil {
		return event.ID{} // the fact gets one when it is recorded; only a doubled submit isn't noticed then
	}
	return id
}

// Moment implements pages.Desk.
func (p *deskPages) Moment(text string, kind event.Kind) (event.Time, error) {
	zone := p.zone()
	if zone == nil {
		zone = time.UTC
	}
	if text == "" {
		return event.TimeOf(p.m.Now().In(zone)), nil
	}
	t, err := parseMoment(text, partOf(kind), zone)
	if err != nil {
		return event.Time{}, problem(err)
	}
	return event.TimeOf(t), nil
}

// Record implements pages.Desk.
func (p *deskPages) Record(ctx context.Context, facts []event.Fact, sure bool) (pages.Recorded, error) {
	return p.RecordAs(ctx, "", facts, sure)
}

// notHeld leaves out the facts that the ledger has, and says where the others stood.
func (d *desk) notHeld(facts []event.Fact) (fresh []event.Fact, places []int, err error) {
	for i, f := range facts {
		if !f.ID.IsZero() {
			rows, err := d.store.ByID(d.ctx, f.ID)
			if err != nil {
				return nil, nil, err
			}
			if len(rows) > 0 {
				continue
			}
		}
		fresh, places = append(fresh, f), append(places, i)
	}
	return fresh, places, nil
}

func (p *deskPages) recordNow(ctx context.Context, d *desk, facts []event.Fact) (pages.Recorded, error) {
	before, err := d.before(facts)
	if err != nil {
		return pages.Recorded{}, problem(err)
	}
	result, err := d.recorder().Record(ctx, facts, d.check(facts))
	if err != nil {
		return pages.Recorded{}, refusal(err)
	}
	p.want(result.Last)
	d.remember()
	out := pages.Recorded{IDs: result.IDs, Recorded: result.Recorded, Skipped: result.Skipped, Version: result.Last}
	var told posted
	seen := moves{ids: map[event.ID]bool{}, change: map[int]num.Qty{}}
	for _, id := range result.IDs {
		seen.ids[id] = true
	}
	r, err := d.resume(fold.Run{Observe: seen.see}, result.Skipped > 0) // facts that were here before may stand before a checkpoint
	if err != nil {
		return out, nil // it is recorded all the same, and the pages show what it did
	}
	seen.tell(r.State, &told, before)
	told.Notices = append(told.Notices, before.settled(d, facts, seen, r.State)...)
	for _, s := range told.OnHand {
		out.OnHand = append(out.OnHand, pages.Moved(s))
	}
	for _, n := range told.Notices {
		out.Notices = append(out.Notices, pages.Notice(n))
	}
	p.after(d)
	return out, nil
}

// refusal is an error of recording as pages know it.
func refusal(err error) error {
	var one *record.FactError
	if errors.As(err, &one) {
		r := &pages.Refusal{Index: one.Index}
		var f *event.FieldError
		if errors.As(one.Err, &f) {
			r.Field = f.Field
			r.What, r.Hint, _ = strings.Cut(f.Why, "; ")
			return r
		}
		e := explain(one.Err)
		r.What, r.Hint = e.what, e.hint
		return r
	}
	var bad *entry.Error
	if errors.As(err, &bad) {
		return &pages.Refusal{Index: bad.Index, Field: bad.Field, What: bad.Why, Hint: bad.Hint}
	}
	return problem(err)
}

// problem is any error as pages know it.
func problem(err error) error {
	if err == nil {
		return nil
	}
	var known *pages.Problem
	var refused *pages.Refusal
	if errors.Is(err, pages.ErrNoShop) || errors.As(err, &known) || errors.As(err, &refused) || errors.Is(err, context.Canceled) {
		return err
	}
	f := explain(err)
	p := &pages.Problem{What: oneLine(f.what), Where: oneLine(f.where), Hint: oneLine(f.hint), Err: err}
	if f.status == statusMachine {
		p.Status = 500
	}
	var rows *badRows
	if errors.As(err, &rows) {
		for _, x := range rows.problems {
			p.Details = append(p.Details, pages.Detail(x))
		}
	}
	return p
}

// newID is an id of a moment and 80 random bits.
func newID(now time.Time, entropy io.Reader) (event.ID, error) {
	var u ulid.ULID
	if err := u.SetTime(uint64(now.UnixMilli())); err != nil {
		return event.ID{}, err
	}
	_, err := io.ReadFull(entropy, u[6:])
	return event.ID(u), err
}

// Store implements pages.Ledger.
func (p *deskPages) Store(ctx context.Context) (store.Store, string, error) {
	d, err := p.open(ctx)
	if err != nil {
		return nil, "", err
	}
	return d.store, d.shopID, nil
}

// ThrowAway implements pages.Ledger. The events stay as they are, so a look has to be asked for.
func (p *deskPages) ThrowAway(ctx context.Context) error {
	d, err := p.open(ctx)
	if err != nil {
		return err
	}
	if err := replicate.EmptyRefused(ctx, d.store); err != nil {
		return problem(err)
	}
	p.looks.mu.Lock()
	defer p.looks.mu.Unlock()
	p.looks.again = true
	return nil
}

// Changes implements pages.Ledger. It begins at a checkpoint, so it takes a few milliseconds where the next look takes a few hundred.
func (p *deskPages) Changes(ctx context.Context) ([]pages.Moved, error) {
	p.looks.mu.Lock()
	look := p.looks.last
	p.looks.mu.Unlock()
	if look == nil {
		return nil, nil
	}
	d, err := p.open(ctx)
	if err != nil {
		return nil, err
	}
	r, err := d.resume(fold.Run{AsOf: look.Run.AsOf}, false)
	if err != nil {
		return nil, problem(err)
	}
	old := look.State()
	var list []pages.Moved
	for _, it := range r.State.Catalog.Items {
		was, ok := old.Catalog.Find(it.ID)
		if !ok || it.Prepared() {
			continue
		}
		now, before := r.State.Items[it.Index].Account.OnHand(), old.Items[was.Index].Account.OnHand()
		if now != before {
			list = append(list, pages.Moved{Item: it.ID, Unit: it.Unit(), Change: now.Sub(before).String(), OnHand: now.String()})
		}
	}
	return list, nil
}
