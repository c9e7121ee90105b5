//go:build js

package main

import (
	"context"
	"errors"
	"net"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"countback/cmd/recorder/phone"
	"countback/ledger/key"
	"countback/sync/bus"
	"countback/sync/handover"
	"countback/sync/pair"
	"countback/sync/replicate"
)

const (
	deskBus    = "desk"
	storePoll  = 250 * time.Millisecond // how often the runner looks at a number in memory
	dialWait   = 10 * time.Second
	gather     = 150 * time.Millisecond // what comes together is told once
	lookOften  = 2 * time.Second        // while the bus is being read
	lookSeldom = 30 * time.Second       // what matters is told by itself, else
	doorPause  = 20 * time.Second       // between two questions at the door
)

// upkeep is one run of a replica.
type upkeep struct {
	*carrier
	key     *key.Key
	shop    string
	runner  *bus.Runner
	machine *replicate.Machine
	news    chan struct{} // something that is told has changed
	doubt   chan struct{} // the bus has refused this phone's key
	up      bool
	why     string
	told    string
}

// keepUp keeps the ledger in step with the desk until the context ends.
func (c *carrier) keepUp(ctx context.Context, k *key.Key, shop string) error {
	c.db.Loose = phone.Loose(k.Device())
	machine, err := replicate.New(ctx, replicate.Config{Store: c.store, Key: k, Shop: shop})
	if err != nil {
		return err
	}
	u := &upkeep{carrier: c, key: k, shop: shop, machine: machine, news: make(chan struct{}, 1), doubt: make(chan struct{}, 1)}
	u.runner = bus.NewRunner(bus.RunnerConfig{
		Machine: machine,
		Buses: []bus.Config{{
			Name: deskBus, Shop: shop, Device: k.Device(), Connect: u.connect, Download: u.download, After: time.After,
		}},
		Cursor: func(ctx context.Context, name string) (replicate.Cursor, error) {
			return replicate.ReadPlace(ctx, c.store, name)
		},
		Version: func(context.Context) (int64, error) { return c.store.Version(), nil },
		Poll:    storePoll, Now: c.now, After: time.After,
		Report:  u.report,
		Changed: func(*replicate.Machine) { nudge(u.news) },
		State:   u.state,
	})
	c.set(u.runner)
	defer c.set(nil)
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	go u.tellStanding(ctx)
	go u.askDoor(ctx)
	return u.runner.Run(ctx)
}

// connect connects to the desk's bus.
func (u *upkeep) connect(ctx context.Context, opts ...nats.Option) (*nats.Conn, error) {
	opts = append(opts, nats.SetCustomDialer(dialer{ctx, u.carrier}), nats.SkipHostLookup(), nats.IgnoreDiscoveredServers(), nats.ReconnectBufSize(-1), bus.AsDevice(u.key))
	return nats.Connect("nats://desk", opts...)
}

type dialer struct {
	ctx context.Context
	c   *carrier
}

// SkipTLSHandshake says that the browser has seen to that.
func (dialer) SkipTLSHandshake() bool { return true }

// Dial implements nats.CustomDialer.
func (d dialer) Dial(string, string) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(d.ctx, dialWait)
	defer cancel()
	return dial(ctx, d.c.now, "ws"+strings.TrimPrefix(d.c.origin, "http")+"/nats")
}

// download fetches the hand-over file from the desk's door.
func (u *upkeep) download(ctx context.Context, part func(replicate.Downloaded)) error {
	c := u.client()
	defer c.Close()
	return c.Download(ctx, u.key, func(_ handover.Head, x handover.Part) error {
		part(replicate.Downloaded{Lines: x.Lines, Receipts: x.Receipts, Place: x.Place, Done: x.Done})
		return nil
	})
}

// report hears what a person should know, in the runner's goroutine.
func (u *upkeep) report(r replicate.Report) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.taking != nil {
		*u.taking = append(*u.taking, r.Text())
	}
	nudge(u.news)
}

// state hears that the bus has come up or can't be used.
func (u *upkeep) state(s bus.State) {
	u.mu.Lock()
	u.up, u.why = s.Up, ""
	if s.Err != nil {
		u.why = s.Err.Error()
	}
	u.mu.Unlock()
	nudge(u.news)
	var p *bus.Problem
	if s.Up || errors.As(s.Err, &p) {
		nudge(u.doubt)
	}
}

// askDoor finds out whether this phone is let in, where the bus has refused it, and says so.
func (u *upkeep) askDoor(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-u.doubt:
		}
		u.mu.Lock()
		up := u.up
		u.mu.Unlock()
		if up {
			u.turn(ctx, phone.Member)
			continue
		}
		c := u.client()
		err := c.Admitted(ctx, u.key, u.shop)
		c.Close()
		switch {
		case errors.Is(err, pair.ErrMember):
			u.turn(ctx, phone.Revoked)
		case errors.Is(err, pair.ErrElsewhere):
			u.turn(ctx, phone.Foreign)
		}
		if wait(ctx, doorPause) != nil {
			return
		}
		nudge(u.doubt)
	}
}

// turn tells the page what the door says, if that isn't what the phone shows already.
func (u *upkeep) turn(ctx context.Context, state string) {
	f, err := phone.ReadFace(ctx, u.db)
	if err == nil && f != nil && f.State != state {
		u.post.say(map[string]any{"told": "door", "state": state})
	}
}

// tellStanding keeps what is known of the way of the entries in the box, and tells the page when it has changed.
func (u *upkeep) tellStanding(ctx context.Context) {
	for {
		again := lookSeldom
		if s, err := u.standing(ctx); err == nil {
			if s.Filling {
				again = lookOften
			}
			if text := phone.KeptSent(s); text != u.told && phone.KeepSent(ctx, u.db, s) == nil {
				u.told = text
				u.post.say(map[string]any{"told": "standing"})
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-u.news:
			if wait(ctx, gather) != nil {
				return
			}
		case <-time.After(again):
		}
	}
}

func (u *upkeep) standing(ctx context.Context) (s phone.Sent, err error) {
	u.mu.Lock()
	s.AtDesk, s.Why = u.up, u.why
	u.mu.Unlock()
	states, _, err := u.runner.States(ctx)
	if err != nil {
		return s, err
	}
	for _, st := range states {
		s.Filling = st.Up && st.Read < st.Stored
	}
	var failed error
	if err := u.runner.Do(ctx, func(m *replicate.Machine) {
		list, err := m.Standings()
		failed = err
		s.Ahead = m.Off(deskBus).Milliseconds()
		for _, x := range list {
			if x.Device == u.key.Device() {
				s.Sent, s.Safe = x.Sent, x.Safe
			}
		}
	}); err != nil || failed != nil {
		return s, errors.Join(err, failed)
	}
	waiting, err := replicate.Waiting(ctx, u.store)
	if err != nil {
		return s, err
	}
	refused, err := replicate.Refused(ctx, u.store)
	s.Waiting, s.Quarantined = len(waiting), len(refused)
	return s, err
}
