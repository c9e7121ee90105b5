package main

import (
	"errors"
	"os"
	"strings"
	"testing"

	"countback/cmd/recorder/browser"
)

// Every page keeps the rules of accessibility, on a desk and on a phone, light and dark.
func TestDeskPagesAreAccessible(t *testing.T) {
	rules, err := browser.Rules(t.Context())
	if errors.Is(err, browser.ErrNoRules) && os.Getenv("CI") == "" {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	door := demoDesk(t)
	p := sitter(t, door, browser.Options{Width: 1280, Height: 900, Desk: true})
	for i, path := range deskPaths {
		path = strings.Replace(path, "EVENT", anEvent(t, door), 1)
		for k, look := range []struct {
			name  string
			width int64
			dark  bool
		}{{"desk, light", 1280, false}, {"phone, dark", 390, true}, {"desk, dark", 1280, true}, {"phone, light", 390, false}} {
			if k >= 2 && i%4 != k { // colours and layout are the same everywhere
				continue
			}
			if err := errors.Join(p.Size(look.width, 900), p.Dark(look.dark), p.Open(door.base(t)+path)); err != nil {
				t.Fatal(err)
			}
			if err := p.Until("the page itself", loaded); err != nil {
				t.Fatal(err)
			}
			broken, err := p.Breaks(rules)
			if err != nil {
				t.Fatal(path, err)
			}
			for _, b := range broken {
				t.Errorf("%s, %s: %s", path, look.name, b)
			}
		}
	}
}

// loaded is true when a page is there and its figures are.
const loaded = `document.readyState === "complete" && !document.title.startsWith("One moment")`
