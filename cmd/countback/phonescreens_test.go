package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"countback/cmd/recorder/browser"
	"countback/cmd/recorder/tour"
)

const leastTarget = 44 // CSS pixels of what can be touched, each way

// tooSmall lists what can be touched and is smaller than that. A link within a sentence is as high as the sentence (WCAG 2.2, 2.5.8, "Inline").
const tooSmall = `JSON.stringify([...document.querySelectorAll("button, a[href], summary, input, select, label:has(input)")].filter(e => {
	if (!e.checkVisibility({visibilityProperty: true}) || e.matches(".skip, .unseen, label > input")) return false;
	const box = e.getBoundingClientRect();
	return box.width > 0 && (box.width < 43.99 || box.height < 43.99);
}).map(e => e.outerHTML.slice(0, 140) + " " + JSON.stringify(e.getBoundingClientRect())))`

// beyond lists what stands outside of the screen, to the side.
const beyond = `JSON.stringify(document.documentElement.scrollWidth <= innerWidth ? [] : [...document.querySelectorAll("body *")].filter(e => {
	const box = e.getBoundingClientRect();
	return box.width > 0 && box.right > innerWidth + 1;
}).slice(0, 4).map(e => e.outerHTML.slice(0, 140)).concat("the page is " + document.documentElement.scrollWidth + " wide"))`

// unnamed lists what can be used and says nothing to whoever doesn't see it.
const unnamed = `JSON.stringify([...document.querySelectorAll("button, a[href], input, select")].filter(e =>
	e.checkVisibility() && !(e.getAttribute("aria-label") || e.labels?.length || e.innerText?.trim())).map(e => e.outerHTML.slice(0, 140)))`

func (c *cart) lists(expression string) []string {
	c.t.Helper()
	text, err := browser.Eval[string](c.Phone, expression)
	c.do(err)
	var list []string
	c.do(json.Unmarshal([]byte(text), &list))
	return list
}

// Every screen, in its light and its dark look, and on a narrow phone with letters twice as large: WCAG 2.2 A and AA as axe sees it, nothing that can be
// touched smaller than a thumb, nothing beside the screen, everything named.
func TestEveryScreenIsForEveryone(t *testing.T) {
	rules, err := browser.Rules(t.Context())
	if err != nil && os.Getenv("CI") == "" {
		t.Skip("in CI this is a failure: ", err)
	}
	if err != nil {
		t.Fatal(err)
	}
	c := newCart(t, paperShop(t))
	seen := map[string]bool{}
	look := func(name string) error {
		seen[name] = true
		for _, dark := range []bool{false, true} {
			c.do(c.Dark(dark))
			found, err := c.Breaks(rules)
			c.do(err)
			for _, f := range found {
				t.Errorf("%s, dark %v: %s", name, dark, f)
			}
		}
		c.do(c.Dark(false))
		for _, f := range c.lists(tooSmall) {
			t.Errorf("%s: smaller than %d pixels: %s", name, leastTarget, f)
		}
		for _, f := range c.lists(unnamed) {
			t.Errorf("%s: without a name: %s", name, f)
		}
		for _, letters := range []string{"100%", "200%"} {
			c.do(c.Size(320, 568))
			_, err := browser.Eval[bool](c.Phone, fmt.Sprintf("document.documentElement.style.fontSize = %q, true", letters))
			c.do(err)
			for _, f := range append(c.lists(beyond), c.lists(tooSmall)...) {
				t.Errorf("%s, 320 pixels wide, letters at %s: %s", name, letters, f)
			}
		}
		_, err := browser.Eval[bool](c.Phone, `document.documentElement.style.fontSize = "", true`)
		c.do(err, c.Size(390, 780))
		return nil
	}
	link, digits := c.pairing()
	c.do(tour.Join(c.Phone, c.at(""), link, "tour phone", digits, look))
	c.do(tour.Walk(c.Phone, look))
	for _, name := range []string{"welcome", "digits", "joined", "items", "entry", "restock", "recorded", "write-off", "weight", "print-run", "question", "orders", "order", "material", "round", "round-overview", "entries",
		"take-back", "phone", "trust"} {
		if !seen[name] {
			t.Errorf("%s was never shown", name)
		}
	}
	for _, line := range c.Said() {
		if strings.HasPrefix(line, "exception") {
			t.Error(line)
		}
	}
}
