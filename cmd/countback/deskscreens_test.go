package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"countback/cmd/recorder/browser"
	"countback/ledger/event"
)

var (
	screens = flag.String("screens", "", "`folder` into which TestScreens puts pictures of every desk page")
	only    = flag.String("page", "", "with -screens: the `address` of one page")
)

// demoDesk opens the pages of the demo shop.
func demoDesk(tb testing.TB) *pagesDoor {
	tb.Helper()
	began := time.Now()
	m := &Main{Stdout: os.Stderr, Stderr: os.Stderr, Getenv: func(string) string { return "" }, Now: func() time.Time { return began }, Entropy: &counter{}, Version: "test", Build: "test"}
	dir := filepath.Join(tb.TempDir(), "demo")
	door, err := m.openDemo(context.Background(), dir, "0")
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(door.close)
	return door
}

// counter is no chance at all, but never the same twice.
type counter struct{ n byte }

func (c *counter) Read(p []byte) (int, error) {
	for i := range p {
		c.n++
		p[i] = c.n ^ byte(i*7)
	}
	return len(p), nil
}

// sitter is a person at a browser on this machine.
func sitter(tb testing.TB, door *pagesDoor, o browser.Options) *browser.Phone {
	tb.Helper()
	if _, err := exec.LookPath("chromium"); err != nil {
		if os.Getenv("CI") != "" {
			tb.Fatal("chromium is missing: apt-get install chromium")
		}
		tb.Skip("chromium is missing: apt-get install chromium; in CI this is a failure")
	}
	o.Folder = tb.TempDir()
	p, err := browser.Start(context.Background(), o)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(p.Close)
	address, err := door.site.Address()
	if err != nil {
		tb.Fatal(err)
	}
	if err := p.Open(address); err != nil {
		tb.Fatal(err)
	}
	if err := p.Until("the shop now", `location.pathname === "/" || location.pathname === "/start"`); err != nil {
		tb.Fatal(err)
	}
	return p
}

// base is the site's address without its end.
func (d *pagesDoor) base(tb testing.TB) string {
	tb.Helper()
	address, err := d.site.Address()
	if err != nil {
		tb.Fatal(err)
	}
	return address[:strings.Index(address, "/enter")]
}

// deskPaths are pages of the demo shop.
var deskPaths = []string{
	"/", "/items", "/item/stiffener", "/ledger", "/ledger?item=stiffener", "/event/EVENT", "/devices", "/start",
	"/record", "/record/count", "/record/restock", "/record/pack", "/record/return", "/record/reprint", "/record/decide",
	"/setup", "/setup/items", "/setup/item", "/setup/item?item=stiffener", "/setup/packing", "/setup/making", "/setup/making?item=card-fern", "/setup/shop",
	"/setup/cut?what=sheet&from=A3&piece=A6&item=stiffener", "/setup/labels", "/import",
	"/packing", "/orders", "/counting", "/losses", "/why", "/why/stiffener", "/buying", "/closing", "/closing/2025-11", "/decide", "/orders/3399", "/counting/enter", "/counting/sheet", "/counting/use?item=stiffener", "/counting/result?session=2026-10+count", "/losses?item=stiffener",
}

// TestScreens takes pictures of every page, on a desk and on a phone, light and dark.
func TestScreens(t *testing.T) {
	if *screens == "" {
		t.Skip("name a folder for the pictures: go test ./cmd/countback -run TestScreens -screens FOLDER")
	}
	if err := os.MkdirAll(*screens, 0o755); err != nil {
		t.Fatal(err)
	}
	door := demoDesk(t)
	for _, s := range []struct {
		name string
		o    browser.Options
	}{
		{"desk", browser.Options{Width: 1280, Height: 900, Desk: true}},
		{"phone", browser.Options{Width: 390, Height: 780}},
	} {
		p := sitter(t, door, s.o)
		for _, path := range deskPaths {
			if *only != "" && path != *only {
				continue
			}
			path = strings.Replace(path, "EVENT", anEvent(t, door), 1)
			for _, dark := range []bool{false, true} {
				look := map[bool]string{false: "light", true: "dark"}[dark]
				name := strings.NewReplacer("/", "_", "?", "_", "=", "-").Replace(strings.TrimPrefix(path, "/"))
				if name == "" {
					name = "now"
				}
				if strings.HasPrefix(name, "event_") {
					name = "event"
				}
				if err := p.Dark(dark); err != nil {
					t.Fatal(err)
				}
				if err := p.Open(door.base(t) + path); err != nil {
					t.Fatal(err)
				}
				if err := p.Until("the page itself", loaded); err != nil {
					t.Fatal(err)
				}
				png, err := p.Picture(true)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(*screens, fmt.Sprintf("%s-%s-%s.png", name, s.name, look)), png, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// anEvent is the id of a count of the demo.
func anEvent(tb testing.TB, door *pagesDoor) string {
	tb.Helper()
	d, err := door.desk.open(tb.Context())
	if err != nil {
		tb.Fatal(err)
	}
	list, err := scan(tb.Context(), d.store, []event.Kind{event.KindShop, event.KindItem, event.KindRetire, event.KindPackSpec, event.KindMakeSpec})
	if err != nil || len(list) == 0 {
		tb.Fatal("the demo has no setup", err)
	}
	return list[len(list)-1].ID.String()
}

// idOf is the id of a stored event.
func idOf(tb testing.TB, line []byte) string {
	tb.Helper()
	e, err := event.ParseLine(line)
	if err != nil {
		tb.Fatal(err)
	}
	return e.ID.String()
}
