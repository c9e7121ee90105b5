package main

import (
	"errors"
	"os"
	"strings"
	"testing"

	"countback/cmd/recorder/browser"
	"countback/ledger/event"
)

// loaded is true when a page is there and its figures are.
const loaded = `document.readyState === "complete" && !document.title.startsWith("One moment") && !document.querySelector("[aria-busy=true]")`

// Every page keeps the rules of accessibility and fits the screen: on a desk and on a phone, light and dark; all four of each with COUNTBACK_FULL=1.
func TestDeskPagesAreAccessible(t *testing.T) {
	rules, err := browser.Rules(t.Context())
	if err != nil && os.Getenv("CI") == "" {
		t.Skip("in CI this is a failure: ", err)
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
			if i%4 != k && os.Getenv("COUNTBACK_FULL") == "" { // colours and layout are the same everywhere
				continue
			}
			if err := errors.Join(p.Size(look.width, 900), p.Dark(look.dark), p.Open(door.base(t)+path)); err != nil {
				t.Fatal(err)
			}
			if err := p.Until(path, loaded); err != nil {
				t.Fatal(err)
			}
			broken, err := p.Breaks(rules)
			if err != nil {
				t.Fatal(path, err)
			}
			for _, b := range broken {
				t.Errorf("%s, %s: %s", path, look.name, b)
			}
			wide, err := browser.Eval[string](p, `document.documentElement.scrollWidth > document.documentElement.clientWidth + 1 ?
				[...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".wide, .k-scroll, .rows")).slice(0, 3).map(e => e.outerHTML.slice(0, 200)).join("\n") || "something" : ""`)
			if err != nil || wide != "" {
				t.Errorf("%s, %s: the page is wider than the screen: %v %s", path, look.name, err, wide)
			}
		}
	}
}

// Somebody without a mouse skips the list of pages, goes to a form, fills it in, and records.
func TestDeskByKeys(t *testing.T) {
	w := newTypist(t, browser.Options{Width: 1280, Height: 900, Desk: true}, formSetup...)
	w.open("/item/board")
	press := func(keys string) {
		t.Helper()
		if err := w.page.Press(keys); err != nil {
			t.Fatal(err)
		}
	}
	focus := func() string {
		t.Helper()
		s, err := browser.Eval[string](w.page, `(document.activeElement.name || document.activeElement.innerText || document.activeElement.id || "").trim()`)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	// reach goes from one thing to the next until it is at the one that is named.
	reach := func(name string) {
		t.Helper()
		const most = 120
		for range most {
			if focus() == name {
				return
			}
			press("\t")
		}
		t.Fatalf("the tab key never comes to %q", name)
	}
	press("\t")
	if got := focus(); got != "To the page itself" {
		t.Fatalf("the first thing is %q", got)
	}
	seen, err := browser.Eval[bool](w.page, `document.activeElement.getBoundingClientRect().left >= 0`)
	if err != nil || !seen {
		t.Error("what has the focus can't be seen", err)
	}
	press("\r")
	w.until("the page itself has the focus", `location.hash === "#main"`)
	press("\t")
	if in, err := browser.Eval[bool](w.page, `!!document.activeElement.closest("main")`); err != nil || !in {
		t.Error("the tab key goes on outside of the page itself", err)
	}
	reach("Write off")
	press("\r")
	w.until("the form", `location.pathname === "/record/damage" && document.readyState === "complete"`)
	reach("lines[0].qty")
	press("3")
	reach("reason")
	press("spo")
	w.until("the reason", `document.getElementsByName("reason")[0].value === "spoiled"`)
	was := w.events()
	reach("Record it")
	press("\r")
	w.until("what was recorded", `document.readyState === "complete" && document.getElementById("done")?.innerText.includes("297")`)
	if got := w.last(1)[0]; w.events() != was+1 || got.Kind != event.KindDamage {
		t.Errorf("%d events, the last %s", w.events()-was, got.Kind)
	}
}

// An open page shows what another process records without being loaded again, and leaves alone what somebody is typing.
func TestAnOpenPageFollows(t *testing.T) {
	w := newTypist(t, browser.Options{Width: 1280, Height: 900, Desk: true}, formSetup...)
	w.open("/items")
	if _, err := browser.Eval[bool](w.page, `window.same = true`); err != nil {
		t.Fatal(err)
	}
	w.command("damage board 5 --reason spoiled")
	w.until("the news", `document.getElementById("arrived").innerText.includes("5 × board, spoiled")`)
	w.until("the figure", `document.querySelector('[data-stock="board"]').innerText === "295"`)
	w.until("the look", `document.querySelector('[data-value="295"]') !== null && document.getElementById("standing") !== null`)
	if same, err := browser.Eval[bool](w.page, `window.same === true`); err != nil || !same {
		t.Error("the page was loaded anew", err)
	}
	w.open("/record/damage?item=board")
	w.field("lines[0].qty", "7")
	w.command("damage board 1 --reason gift")
	w.until("the news", `document.getElementById("arrived").innerText.includes("1 × board, gift")`)
	w.until("what was typed", `document.getElementsByName("lines[0].qty")[0].value === "7"`)
}

// On a phone what a table says stands below each other where it is wider than the screen; only a month's columns, which are one sum across, are scrolled.
func TestTablesOnAPhone(t *testing.T) {
	door := demoDesk(t)
	p := sitter(t, door, browser.Options{Width: 390, Height: 780})
	for _, path := range []string{"/items", "/item/stiffener", "/packing", "/orders", "/losses", "/buying", "/why/stiffener", "/setup/packing", "/counting/use?item=stiffener", "/closing/2025-11"} {
		if err := p.Open(door.base(t) + path); err != nil {
			t.Fatal(err)
		}
		if err := p.Until("the page itself", loaded); err != nil {
			t.Fatal(err)
		}
		wide, err := browser.Eval[string](p, `[document.documentElement, ...document.querySelectorAll(".wide:not(.roll)")].filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.outerHTML.slice(0, 300)).join("\n")`)
		if err != nil || wide != "" {
			t.Errorf("%s: %v wider than the screen: %s", path, err, wide)
		}
	}
	if err := p.Open(door.base(t) + "/items"); err != nil {
		t.Fatal(err)
	}
	if err := p.Until("each figure with its head", `[...document.querySelectorAll("td")].some(c => c.dataset.l === "On hand" && getComputedStyle(c, "::before").content.includes("On hand"))`); err != nil {
		t.Error(err)
	}
}
