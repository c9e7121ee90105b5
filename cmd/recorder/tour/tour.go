// Package tour leads a phone through every screen of the recorder, for whoever looks at each of them: the screenshots, and the tests of what everybody must be
// able to use. What it records on the way is real, so the shop is one for trying out.
package tour

import (
	"encoding/json"
	"errors"
	"fmt"

	"countback/cmd/recorder/browser"
)

// Stop is told of a screen once it is shown, by a name that can be a file's.
type Stop func(name string) error

// shop are items of the sorts that screens differ for; "" where the shop has none.
type shop struct{ packed, measured, weighed, good, order string }

// look finds them.
func look(p *browser.Phone) (s shop, err error) {
	if err := p.Until("the ledger has come", `countback.openOrders().then(() => true, () => false)`); err != nil {
		return s, err
	}
	text, err := browser.Eval[string](p, `(async () => JSON.stringify({items: await countback.items(), orders: await countback.openOrders()}))()`)
	if err != nil {
		return s, err
	}
	var all struct {
		Items []struct {
			Item, Type string
			Packs      []struct{ Name string }
			Measures   []struct{ Name string }
			Weight     string `json:"piece_weight"`
			Retired    bool
			Unit       string
		}
		Orders []struct{ Order string }
	}
	if err := json.Unmarshal([]byte(text), &all); err != nil {
		return s, err
	}
	first := func(into *string, item string, yes bool) {
		if *into == "" && yes {
			*into = item
		}
	}
	for _, i := range all.Items {
		if i.Retired {
			continue
		}
		first(&s.packed, i.Item, i.Type == "supply" && i.Unit == "each" && len(i.Packs) > 0)
		first(&s.measured, i.Item, i.Unit == "mm" && len(i.Measures) > 0)
		first(&s.weighed, i.Item, i.Weight != "")
		first(&s.good, i.Item, i.Type == "good")
	}
	if len(all.Orders) > 0 {
		s.order = all.Orders[0].Order
	}
	if s.packed == "" || s.good == "" {
		return s, errors.New("the shop has no supply that comes in packs, or no good; take one that has")
	}
	return s, nil
}

// step is one screen: how one comes to it from anywhere, and whether the shop has what it needs.
type step struct {
	name string
	has  bool
	way  []func() error
}

// Walk leads through the screens of a phone that has joined, in the order in which a person meets them.
func Walk(p *browser.Phone, at Stop) error {
	s, err := look(p)
	if err != nil {
		return err
	}
	for _, st := range steps(p, s) {
		if !st.has {
			continue
		}
		for _, do := range st.way {
			if err := do(); err != nil {
				return fmt.Errorf("on the way to %s: %w", st.name, err)
			}
		}
		if err := at(st.name); err != nil {
			return fmt.Errorf("%s: %w", st.name, err)
		}
	}
	return nil
}

func steps(p *browser.Phone, s shop) []step {
	hash := func(h string) func() error { return func() error { return p.Go(h) } }
	tap := func(name string) func() error { return func() error { return p.Tap(name) } }
	keys := func(n string) func() error { return func() error { return p.Keys(n) } }
	see := func(text string) func() error { return func() error { return p.See(text) } }
	field := func(name, text string) func() error { return func() error { return p.Type(name, text) } }
	way := func(all ...func() error) []func() error { return all }
	pack := func() error {
		return p.Until("choose a pack", `(document.querySelector(".unit:not([aria-pressed=true])")?.click(), true)`)
	}
	return []step{
		{"items", true, way(hash("#items"), see("On hand now"))},
		{"items-found", true, way(field("Find an item", s.good[:3]))},
		{"entry", true, way(hash("#item/"+s.packed), see("How much"), keys("2"), pack, tap("And a further"), keys("17"))},
		{"restock", true, way(tap("Restock"), see("What did it cost"), keys("78"))},
		{"recorded", true, way(tap("Record restock"), see("Recorded"))},
		{"entry-measures", s.measured != "", way(hash("#item/"+s.measured), see("How much"), keys("4"))},
		{"write-off", s.measured != "", way(tap("Write-off"), see("Why is it written off"))},
		{"weight", s.weighed != "", way(hash("#item/"+s.weighed), tap("by weight"), keys("412"), tap("Empty container"), keys("35"))},
		{"print-run", true, way(hash("#item/"+s.good), see("How much"), keys("40"), tap("Print run"), see("How many were spoiled"), keys("2"))},
		{"question", true, way(hash("#item/"+s.packed), see("How much"), keys("3"), tap("Restock"), see("What did it cost"), keys("99999"), tap("Record restock"), see("Is that right"))},
		{"about", true, way(tap("No, change it"), hash("#about/"+s.packed), see("Last count"))},
		{"barcode", true, way(hash("#barcode/"+s.packed), field("Barcode", "4006381333932"), see("The last digit"))},
		{"unknown-code", true, way(hash("#remember/4006381333931"), see("No item has this code"))},
		{"unknown-item", true, way(hash("#item/nothing-like-it"), see("knows no such item"))},
		{"orders", true, way(hash("#orders"), see("Orders to pack"), see("open."))},
		{"order", s.order != "", way(hash("#order/"+s.order), see("What goes into the parcel"))},
		{"material", s.order != "", way(tap("Add a material"), see("used otherwise"))},
		{"round-begin", true, way(hash("#round"), see("Walk along"))},
		{"round", true, way(tap("All places"), see("1 of "), keys("12"))},
		{"round-overview", true, way(tap("Next"), tap("Skip"), tap("Overview"), see("Skipped"))},
		{"round-recorded", true, way(tap("Record 1 count"), func() error { return sure(p) }, see("Recorded"))},
		{"entries", true, way(hash("#entries"), see("Restock:"))},
		{"words", true, way(tap("What kept here"), see("only on this phone"))},
		{"take-back", true, way(tap("Take back: "), see("Why is it taken back"))},
		{"phone", true, way(tap("Leave it as it is"), hash("#phone"), see("The ledger as a file"))},
		{"trust", true, way(opened(p, "How this phone trusts"), see("How this phone trusts"))},
	}
}

// opened opens what is folded up. A touch right after the page was scrolled may only stop the scrolling; a person touches again.
func opened(p *browser.Phone, name string) func() error {
	return func() error {
		for range 3 {
			if err := p.Tap(name); err != nil {
				return err
			}
			open, err := browser.Eval[bool](p, `new Promise(r => setTimeout(r, 300)).then(() => !!document.querySelector("details[open]"))`)
			if err != nil || open {
				return err
			}
		}
		return nil
	}
}

// sure answers a question that the ledger may have.
func sure(p *browser.Phone) error {
	if err := p.Until("the counts are recorded or asked about", `document.querySelector("dialog[open]") || document.querySelector(".said")`); err != nil {
		return err
	}
	asked, err := browser.Eval[bool](p, `!!document.querySelector("dialog[open]")`)
	if err != nil || !asked {
		return err
	}
	return p.Tap("Yes, record it")
}

// Join leads through the screens of joining. link is what the desk shows; digits is told what the phone shows, and types it at the desk.
func Join(p *browser.Phone, home, link, name string, digits func(string) error, at Stop) error {
	for _, do := range []func() error{
		func() error { return p.Open(home) }, p.Ready, func() error { return p.See("belongs to no shop yet") }, func() error { return at("welcome") },
		func() error { return p.Go(link) }, func() error { return Digits(p, name, digits, at) },
	} {
		if err := do(); err != nil {
			return err
		}
	}
	return nil
}

// Digits joins from where the code has been read on: the phone's name, the digits, and what the desk answers.
func Digits(p *browser.Phone, name string, digits func(string) error, at Stop) error {
	for _, do := range []func() error{
		func() error { return p.Type("What is this phone called", name) }, func() error { return at("join") },
		func() error { return p.Tap("Show the digits") }, func() error { return p.See("Type these digits at the desk") }, func() error { return at("digits") },
	} {
		if err := do(); err != nil {
			return err
		}
	}
	shown, err := browser.Eval[string](p, `document.getElementById("digits").textContent`)
	if err != nil {
		return err
	}
	if err := digits(shown); err != nil {
		return err
	}
	if err := p.See("now Put this page on the home screen"); err != nil {
		return err
	}
	return at("joined")
}
