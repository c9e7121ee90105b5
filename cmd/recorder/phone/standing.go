package phone

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/event"
	"countback/ledger/store"
)

// Many is the number of events up to which a phone is meant to hold a whole ledger.
const Many = 100_000

// Sent is what the carrier knows of the way of this phone's entries. It keeps it in the box.
type Sent struct {
	Sent        int64  `json:"sent"`         // the own log's events from the first on that stand on a bus
	Safe        int64  `json:"safe"`         // and on the disk of another member, by its receipt
	AtDesk      bool   `json:"at_desk"`      // the desk's bus can be reached
	Filling     bool   `json:"filling"`      // it is being read, and not yet to its end
	Ahead       int64  `json:"clock_ahead"`  // how far this phone's clock is ahead of the desk's, ms; below 0: behind
	Waiting     int    `json:"waiting"`      // events that wait for others or for their device's admission
	Quarantined int    `json:"quarantined"`  // lines that can't stand in any log
	Why         string `json:"why,omitzero"` // the desk can't be reached, in words
}

// Standing is what the page tells of the safety of entries. Numbers are of this phone's entries.
type Standing struct {
	Kept        int64  `json:"kept"`   // on this phone alone
	Sent        int64  `json:"sent"`   // on the desk's bus, not yet safe
	Safe        int64  `json:"safe"`   // on the disk of another device
	Oldest      string `json:"oldest"` // when the oldest that isn't safe was recorded, "" if all are
	AtDesk      bool   `json:"at_desk"`
	Filling     bool   `json:"filling"`
	Ahead       int64  `json:"clock_ahead_ms"`
	Waiting     int    `json:"waiting"`
	Quarantined int    `json:"quarantined"`
	TooMany     bool   `json:"too_many"` // the ledger has more events than a phone is meant to hold
	Why         string `json:"why"`
}

// KeepSent is for the carrier.
func KeepSent(ctx context.Context, b Box, s Sent) error {
	return b.PutLoosely(ctx, boxSent, KeptSent(s))
}

// Standing tells how safe the entries are.
func (p *Phone) Standing(ctx context.Context) (out Standing, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil || p.key == nil {
		return out, err
	}
	s, err := p.sent(ctx)
	if err != nil {
		return out, err
	}
	head, last, err := p.head(ctx)
	if err != nil {
		return out, err
	}
	const first = 1 // the device's own event is no entry
	entries := max(head-first, 0)
	safe := min(max(s.Safe-first, 0), entries)
	sent := min(max(s.Sent-first, safe), entries)
	out = Standing{
		Kept: entries - sent, Sent: sent - safe, Safe: safe, AtDesk: s.AtDesk, Filling: s.Filling, Ahead: s.Ahead, Waiting: s.Waiting, Quarantined: s.Quarantined,
		TooMany: last > Many, Why: s.Why,
	}
	if safe < entries {
		out.Oldest, err = p.recorded(ctx, first+safe+1)
	}
	return out, err
}

func (p *Phone) sent(ctx context.Context) (s Sent, err error) {
	_, err = p.read(ctx, boxSent, &s)
	return s, err
}

// head is the last sequence of the own log, and the store's last number.
func (p *Phone) head(ctx context.Context) (seq, last int64, err error) {
	heads, err := p.Store.Heads(ctx)
	if err != nil {
		return 0, 0, err
	}
	last, err = p.Store.Last(ctx)
	return heads[p.key.Device()].Seq, last, err
}

// recorded is when an event of the own log was recorded, which its id tells.
func (p *Phone) recorded(ctx context.Context, seq int64) (string, error) {
	row, err := p.Store.At(ctx, p.key.Device(), seq)
	if errors.Is(err, store.ErrNotFound) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	e, err := event.ParseLine(row.Line)
	if err != nil {
		return "", err
	}
	zone := time.UTC
	if p.face.Shop.Zone != "" {
		if zone, err = p.zone(); err != nil {
			return "", err
		}
	}
	return time.UnixMilli(e.ID.Ms()).In(zone).Format(time.RFC3339), nil
}

// Recent is one of the newest entries.
type Recent struct {
	ID       string `json:"id"`
	Kind     string `json:"kind"`
	Time     string `json:"time"`
	Text     string `json:"text"`
	Reversed bool   `json:"reversed"`
	State    string `json:"state"` // kept, sent or safe
	Own      bool   `json:"own"`   // recorded on this phone
}

// shown are the kinds that the list of recent entries shows.
var shown = []event.Kind{
	event.KindOrder, event.KindPack, event.KindReturn, event.KindRestock, event.KindCredit, event.KindReprint, event.KindDamage, event.KindCount, event.KindReverse,
}

// Recent lists the n newest entries in order of arrival, the newest first.
func (p *Phone) Recent(ctx context.Context, n int) ([]Recent, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return nil, err
	}
	out := []Recent{}
	if p.key == nil {
		return out, nil
	}
	s, err := p.sent(ctx)
	if err != nil {
		return nil, err
	}
	events, err := p.newest(ctx, n)
	if err != nil {
		return nil, err
	}
	w := p.words()
	for _, e := range events {
		r := Recent{ID: e.ID.String(), Kind: string(e.Kind), Time: e.Time.String(), Text: w.fact(e.Data), Own: e.Device == p.key.Device(), State: "safe"}
		if r.Own && e.Seq > s.Safe {
			if r.State = "sent"; e.Seq > s.Sent {
				r.State = "kept"
			}
		}
		if r.Reversed, err = p.held.Reversed(e.ID); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// newest looks back through the ledger in portions that grow, until there are n events.
func (p *Phone) newest(ctx context.Context, n int) ([]*event.Event, error) {
	last, err := p.Store.Last(ctx)
	if err != nil {
		return nil, err
	}
	var list []*event.Event
	for portion := int64(4 * n); ; portion *= 4 {
		list = nil
		err := p.Store.ScanKinds(ctx, shown, max(last-portion, 0), func(r store.Row) error {
			e, err := event.ParseLine(bytes.Clone(r.Line))
			list = append(list, e)
			return err
		})
		if err != nil {
			return nil, err
		}
		if len(list) >= n || portion >= last {
			break
		}
	}
	slices.Reverse(list)
	return list[:min(n, len(list))], nil
}

// KeptSent returns what the carrier has kept, as text, to see whether it has changed.
func KeptSent(s Sent) string {
	b, err := json.Marshal(s, json.Deterministic(true))
	if err != nil {
		return ""
	}
	return string(b)
}
