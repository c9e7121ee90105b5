package main

import (
	"bytes"
	"context"

	"countback/ledger/event"
	"countback/projections/closing"
)

// CloseMonth implements pages.Desk.
func (p *deskPages) CloseMonth(ctx context.Context, period closing.Period, force bool) (event.ID, error) {
	d, err := p.open(ctx)
	if err != nil {
		return event.ID{}, err
	}
	l, err := d.closings()
	if err != nil {
		return event.ID{}, problem(err)
	}
	id, err := d.closePeriod(l, period, force)
	if err != nil {
		return event.ID{}, problem(err)
	}
	last, err := d.store.Last(ctx)
	if err == nil {
		p.want(last)
	}
	return id, nil
}

// ClosesCSV implements pages.Desk.
func (p *deskPages) ClosesCSV(ctx context.Context) ([]byte, error) {
	d, err := p.open(ctx)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	m := *p.m
	m.format, m.json, m.Stdout = formatCSV, false, &out
	d.m = &m
	if err := m.exportCloses(d, ""); err != nil {
		return nil, problem(err)
	}
	return out.Bytes(), nil
}
