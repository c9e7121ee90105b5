package main

import (
	"context"
	"errors"
	"io"
	"time"

	"countback/cmd/countback/pages"
	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/report"
	"countback/sync/handover"
	"countback/sync/pair"
)

// invitation is the code that the desk pages show. It stands in memory only.
type invitation struct {
	code pair.Code
	link pair.Link
	door *openDoors
}

// Kept implements pages.Devices.
func (p *deskPages) Kept(ctx context.Context) (*pages.Kept, error) {
	d, err := p.open(ctx)
	if err != nil {
		return nil, err
	}
	r, err := d.devices()
	if err != nil {
		return nil, problem(err)
	}
	s, err := d.status()
	if err != nil {
		return nil, problem(err)
	}
	k := &pages.Kept{
		Keeper: r.Keeper, IsKeeper: r.Keeper == d.key.Device(), Member: r.member, Unsafe: r.Unsafe,
		Backup: s.Backup, Serving: s.Serving, Door: s.Door, Clock: s.Clock, Events: s.Events, Bytes: s.Bytes, DiskLeft: s.DiskLeft, Folder: s.Folder,
		Version: s.Version, Engine: report.Engine, Refused: s.Refused, Deferred: s.Waiting,
	}
	for _, l := range r.Devices {
		k.Devices = append(k.Devices, pages.KeptDevice{
			Device: l.Device, Name: visible(l.Name), Role: l.Role, This: l.This, Keeper: l.Keeper, Revoked: l.Revoked, VoidAfter: l.VoidAfter, ReplacedBy: l.ReplacedBy,
			Events: l.Events, Lacks: l.Lacks, Unsafe: l.Unsafe, LastEvent: l.LastEvent, Seen: l.Seen, ClockAhead: l.ClockAhead,
		})
	}
	for _, w := range r.Waiting {
		k.Waiting = append(k.Waiting, pages.Stranger(w))
	}
	for _, b := range s.Buses {
		k.Buses = append(k.Buses, pages.KeptBus{Name: b.Bus, Up: b.Up, Why: b.Why})
	}
	return k, nil
}

// Pair implements pages.Devices.
func (p *deskPages) Pair(ctx context.Context) error {
	d, err := p.open(ctx)
	if err != nil {
		return err
	}
	a, err := p.m.openAuthority(p.dir, d.key.Device(), d.shop.Name)
	if err != nil {
		return problem(err)
	}
	announced, ok, err := pair.Door(ctx, d.store)
	if err != nil {
		return problem(err)
	}
	if !ok || announced.Pin != a.Pin() || !announced.Answers(ctx, p.m.Now) {
		return problem(wrong("", "start countback serve, then ask for a code again", "the door for phones isn't open"))
	}
	me := d.pairing(d.key)
	code, err := me.Open(ctx, false)
	if err != nil {
		return problem(pairFault("", err))
	}
	p.mu.Lock()
	p.invited = &invitation{code: code, link: pair.Link{Base: announced.Base, Code: code, Pin: a.Pin()},
		door: &openDoors{link: announced.Base, pin: a.Pin(), hex: a.Fingerprint(), text: announced.Trust}}
	p.mu.Unlock()
	return nil
}

func (p *deskPages) invitation() *invitation {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.invited
}

// Pairing implements pages.Devices.
func (p *deskPages) Pairing(ctx context.Context) (*pages.Pairing, error) {
	inv := p.invitation()
	if inv == nil {
		return nil, nil
	}
	d, err := p.open(ctx)
	if err != nil {
		return nil, err
	}
	out := &pages.Pairing{Phase: string(pair.Ended), Link: inv.link.Text(), Fingerprint: inv.door.hex, Trust: inv.door.text}
	v, err := d.pairing(d.key).View(ctx, inv.code)
	if errors.Is(err, pair.ErrCode) {
		return out, nil // another code was made meanwhile, which ended this one
	}
	if err != nil {
		return nil, problem(pairFault("", err))
	}
	out.Phase, out.Until, out.Name, out.Role, out.Left = string(v.Phase), v.Until.In(d.zone), visible(v.Name), v.Role, v.Left
	if v.Phase == pair.Decided {
		heads, err := d.store.Heads(ctx)
		if err != nil {
			return nil, problem(err)
		}
		if heads[v.Device].Seq > 0 {
			out.Phase = "joined"
		}
	}
	return out, nil
}

// Confirm implements pages.Devices.
func (p *deskPages) Confirm(ctx context.Context, digits string) error {
	inv := p.invitation()
	if inv == nil {
		return problem(wrong("", "make a code first", "no code is open"))
	}
	d, err := p.open(ctx)
	if err != nil {
		return err
	}
	typed := pair.Typed(digits)
	if typed == "" {
		return problem(wrong("", "type the six digits that the device shows", "no digits were typed"))
	}
	if err := d.pairing(d.key).Confirm(ctx, inv.code, typed, d.key); err != nil {
		return problem(pairFault("", err))
	}
	return nil
}

// EndPairing implements pages.Devices.
func (p *deskPages) EndPairing(ctx context.Context) error {
	inv := p.invitation()
	if inv == nil {
		return nil
	}
	d, err := p.open(ctx)
	if err != nil {
		return err
	}
	p.mu.Lock()
	p.invited = nil
	p.mu.Unlock()
	if err := d.pairing(d.key).Close(ctx, inv.code); err != nil && !errors.Is(err, pair.ErrCode) {
		return problem(pairFault("", err))
	}
	return nil
}

// Revoke implements pages.Devices.
func (p *deskPages) Revoke(ctx context.Context, device string, last int64, reason string) error {
	d, err := p.open(ctx)
	if err != nil {
		return err
	}
	members, err := chain.Load(ctx, d.store, d.shopID)
	if err != nil {
		return problem(err)
	}
	b, err := findDevice(members, device)
	if err != nil {
		return problem(err)
	}
	if err := d.mayRevoke(members, b); err != nil {
		return problem(err)
	}
	data := &event.Revoke{}
	result, err := d.recorder().Record(ctx, []event.Fact{{Time: event.TimeOf(d.now()), Data: data}}, func(tx store.Tx) error {
		return d.fillRevoke(tx, data, b, last, reason)
	})
	if err != nil {
		return problem(err)
	}
	p.want(result.Last)
	d.remember()
	return nil
}

// Backup implements pages.Devices.
func (p *deskPages) Backup(ctx context.Context, w io.Writer, passphrase string) error {
	d, err := p.open(ctx)
	if err != nil {
		return err
	}
	if _, err := d.writeBackup(w, passphrase); err != nil {
		return problem(err)
	}
	return problem(keepNote(ctx, d.store, noteBackup, []byte(d.now().Format(time.RFC3339))))
}

// Handover implements pages.Devices.
func (p *deskPages) Handover(ctx context.Context, w io.Writer) error {
	d, err := p.open(ctx)
	if err != nil {
		return err
	}
	_, err = handover.Write(ctx, w, d.store, handover.Head{Shop: d.shopID, Name: d.shop.Name, Device: d.key.Device(), Made: d.now().Format(time.RFC3339)}, nil)
	return problem(err)
}
