package main

import (
	"context"
	"errors"
	"os"
	"strings"
	"sync"
	"time"

	"countback/cmd/countback/pages"
	"countback/ledger/event"
)

// demoHouse is the demo shop that was opened beside a desk.
type demoHouse struct {
	mu   sync.Mutex
	door *pagesDoor
	dir  string
}

// Folder implements pages.Founding.
func (p *deskPages) Folder() string { return p.dir }

// Found implements pages.Founding.
func (p *deskPages) Found(ctx context.Context, f pages.Founder) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.store != nil {
		return nil // the form was sent twice
	}
	asked := founding{shop: f.Shop, currency: f.Currency, zone: f.Zone, costing: f.Costing, device: f.Device}
	if err := asked.check(); err != nil {
		return settingRefused(err)
	}
	if err := event.Check(&event.Shop{Name: f.Device}); err != nil || f.Device == "" {
		return &pages.Refusal{Field: "device", What: "this is no name for a desk", Hint: "give a short one, such as desk"}
	}
	if _, err := p.m.found(context.WithoutCancel(ctx), p.dir, asked); err != nil {
		return problem(err)
	}
	k, err := readKey(p.dir)
	if err != nil {
		return problem(err)
	}
	st, err := p.m.openStore(p.dir)
	if err != nil {
		return problem(err)
	}
	p.store, p.key, p.owned = st, k, true
	close(p.founded)
	return nil
}

// settingRefused names the form's field where the command names its flag.
func settingRefused(err error) error {
	f := explain(err)
	fields := map[string]string{"--shop": "shop", "--currency": "currency", "--zone": "zone", "--costing": "costing"}
	if field, ok := fields[f.where]; ok {
		what, hint := oneLine(f.what), oneLine(f.hint)
		if strings.HasPrefix(what, "is ") {
			what = "it " + what
		}
		if strings.HasPrefix(hint, "add --") {
			hint = ""
		}
		return &pages.Refusal{Field: field, What: what, Hint: hint}
	}
	return problem(err)
}

// Demo implements pages.Founding.
func (p *deskPages) Demo(context.Context) (string, error) {
	h := &p.demo
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.door == nil {
		dir, err := os.MkdirTemp("", "countback-demo-")
		if err != nil {
			return "", problem(err)
		}
		door, err := p.m.openDemo(context.Background(), dir, "0") // it ends with close
		if err != nil {
			return "", problem(errors.Join(err, os.RemoveAll(dir)))
		}
		h.door, h.dir = door, dir
	}
	address, err := h.door.site.Address()
	return address, problem(err)
}

func (h *demoHouse) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.door != nil {
		h.door.close()
		_ = os.RemoveAll(h.dir) // what is left is the demo's, in the folder for what is temporary
		h.door = nil
	}
}

// openDemo builds the demo shop in a folder and opens its pages. Its clock goes on from the end of the demo's year.
func (m *Main) openDemo(ctx context.Context, dir, port string) (*pagesDoor, error) {
	now, _, err := m.buildDemo(ctx, dir)
	if err != nil {
		return nil, err
	}
	return m.openDemoPages(ctx, dir, now, port)
}

// openDemoPages opens the pages of a demo shop that was built.
func (m *Main) openDemoPages(ctx context.Context, dir string, now time.Time, port string) (*pagesDoor, error) {
	shop := *m
	began := m.Now()
	shop.Now = func() time.Time { return now.Add(m.Now().Sub(began)) }
	st, err := shop.openStore(dir)
	if err != nil {
		return nil, err
	}
	k, err := readKey(dir)
	if err != nil {
		return nil, errors.Join(err, st.Close())
	}
	p := shop.newDeskPages(dir, st, k)
	p.owned = true
	door, err := openPages(ctx, p, port, pages.Options{Demo: true, Entered: m.letIn})
	if err != nil {
		return nil, errors.Join(err, st.Close())
	}
	return door, nil
}

// serveNew opens the pages on a folder without a ledger and waits until the shop is founded there.
func (m *Main) serveNew(ctx context.Context, dir, port string) (*pagesDoor, error) {
	door, err := openPages(ctx, m.newDeskPages(dir, nil, nil), port, pages.Options{Entered: m.letIn})
	if err != nil {
		return nil, err
	}
	address, err := door.site.Address()
	if err == nil {
		err = m.say("%s\n%s", m.wrapAll("There is no ledger in "+dir+" yet. Found the shop in a browser on this machine; this address lets in one, once:"), address)
	}
	if err == nil {
		select {
		case <-ctx.Done():
			err = context.Canceled
		case <-door.desk.founded:
			return door, nil
		}
	}
	door.close()
	return nil, err
}
