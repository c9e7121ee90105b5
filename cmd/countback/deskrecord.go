package main

import (
	"bytes"
	"context"
	"time"

	"countback/cmd/countback/pages"
	"countback/ledger/event"
	"countback/ledger/record"
	"countback/ledger/sheet"
	"countback/ledger/store"
	"countback/projections/doubt"
)

// as is the same desk with the label of a person.
func (p *deskPages) as(person string) *Main {
	m := *p.m
	if person != "" {
		m.person = person
	}
	return &m
}

// RecordAs implements pages.Desk.
func (p *deskPages) RecordAs(ctx context.Context, person string, facts []event.Fact, sure bool) (pages.Recorded, error) {
	d, err := p.open(ctx)
	if err != nil {
		return pages.Recorded{}, err
	}
	d.m = p.as(person)
	for i := range facts {
		if err := event.Check(facts[i].Data); err != nil {
			return pages.Recorded{}, refusal(&record.FactError{Index: i, Err: err})
		}
	}
	if !sure && doubt.Possible(facts) {
		// What is certainly wrong is said first: a question about it would be answered in vain.
		if err := d.check(facts)(nil); err != nil {
			return pages.Recorded{}, refusal(err)
		}
		if err := p.question(ctx, d, facts); err != nil {
			return pages.Recorded{}, err
		}
	}
	return p.recordNow(ctx, d, facts)
}

// question asks about those facts that look like slips and aren't here yet.
func (p *deskPages) question(ctx context.Context, d *desk, facts []event.Fact) error {
	look, err := p.Look(ctx)
	if err != nil {
		return err
	}
	fresh, places, err := d.notHeld(facts)
	if err != nil {
		return problem(err)
	}
	list := doubt.Of(look.Log, fresh, nil)
	if len(list) == 0 {
		return nil
	}
	q := &pages.Questions{}
	for _, x := range list {
		q.List = append(q.List, pages.Question{Index: places[x.Index], Why: x.Why, Hint: x.Hint})
	}
	return q
}

// Since implements pages.Desk.
func (p *deskPages) Since(ctx context.Context, version int64) (list []*event.Event, last int64, err error) {
	d, err := p.open(ctx)
	if err != nil {
		return nil, 0, err
	}
	last = version
	err = d.store.Scan(ctx, version, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return err
		}
		list, last = append(list, e), r.N
		return nil
	})
	return list, last, problem(err)
}

// Held implements pages.Desk.
func (p *deskPages) Held(ctx context.Context, id event.ID) (*event.Event, bool, error) {
	d, err := p.open(ctx)
	if err != nil {
		return nil, false, err
	}
	e, held, err := d.held.Event(id)
	if err != nil || !held {
		return nil, false, problem(err)
	}
	off, err := d.held.Reversed(id)
	return e, off, problem(err)
}

// Import implements pages.Desk.
func (p *deskPages) Import(ctx context.Context, f pages.File, dry, sure bool) (pages.Taken, error) {
	d, err := p.open(ctx)
	if err != nil {
		return pages.Taken{}, err
	}
	d.m = p.as(f.Person)
	j := &importJob{d: d, file: f.Name, raw: f.Bytes, dry: dry, sure: sure}
	r, err := j.read(f)
	if err != nil {
		return pages.Taken{}, problem(err)
	}
	if !dry && !sure && doubt.Possible(r.Facts) {
		if err := p.question(ctx, d, r.Facts); err != nil {
			return pages.Taken{}, err
		}
	}
	out, _, err := j.settle(r)
	if err != nil {
		return pages.Taken{}, problem(err)
	}
	if !dry && out.Recorded > 0 {
		last, err := d.store.Last(ctx)
		if err != nil {
			return pages.Taken{}, problem(err)
		}
		p.want(last)
		d.remember()
		p.after(d)
	}
	return takenOf(out), nil
}

// read makes facts of a file from the pages.
func (j *importJob) read(f pages.File) (*sheet.Result, error) {
	if f.What == pages.FileOfOrders {
		return j.readOrders(f.Map, "the map")
	}
	now := j.d.now()
	if !f.At.IsZero() {
		now = time.UnixMilli(f.At.Ms()).In(j.d.zone)
	}
	return j.readOwn(f.What, now)
}

func takenOf(out *imported) pages.Taken {
	t := pages.Taken{Facts: out.Facts, Recorded: out.Recorded, Skipped: out.Skipped, Warnings: out.Warnings}
	for _, f := range out.Fates {
		t.Rows = append(t.Rows, pages.Fate{What: f.Fate, Rows: f.Rows})
	}
	for _, f := range out.Entries {
		t.Entries = append(t.Entries, pages.Fate{What: f.Fate, Rows: f.Rows})
	}
	for _, m := range out.OnHand {
		t.OnHand = append(t.OnHand, pages.Moved(m))
	}
	for _, n := range out.Notices {
		t.Notices = append(t.Notices, pages.Notice(n))
	}
	return t
}
