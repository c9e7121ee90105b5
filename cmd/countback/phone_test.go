package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"countback/cmd/recorder/browser"
)

// paperShop is a shop with something of each sort, and three open orders.
func paperShop(t *testing.T) string {
	t.Helper()
	data := filepath.Join(t.TempDir(), "desk")
	onFolder(t, data, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	for _, args := range [][]string{
		{"item", "board", "--name", "Board stiffener", "--type", "supply", "--unit", "each", "--pack", "box=150", "--place", "cart 1"},
		{"item", "cord", "--name", "Cotton cord", "--type", "supply", "--unit", "mm", "--pack", "spool=50 m", "--measure", "tie=30 cm", "--place", "cart 2"},
		{"item", "seal", "--name", "Paper seal", "--type", "supply", "--unit", "each", "--piece-weight", "0.5", "--place", "cart 2"},
		{"item", "sheet", "--name", "Card stock A3", "--type", "supply", "--unit", "each", "--pack", "ream=100", "--place", "shelf 3"},
		{"item", "fern", "--name", "Card, fern", "--type", "good", "--unit", "each", "--place", "shelf 1"},
		{"restock", "board", "2", "box", "--cost", "64"},
		{"restock", "cord", "1", "spool", "--cost", "9.80"},
		{"restock", "seal", "400", "--cost", "12"},
		{"restock", "sheet", "2", "ream", "--cost", "38"},
		{"count", "fern", "40"},
	} {
		onFolder(t, data, args...)
	}
	specs := t.TempDir()
	for name, text := range map[string]string{
		"packing.json": `{"formats": [{"format": "mailer", "lines": [{"item": "board", "qty": "1", "per": "parcel"}, {"item": "cord", "qty": "1", "measure": "tie", "per": "parcel"}]}]}`,
		"making.json":  `{"item": "fern", "pieces": "4", "lines": [{"item": "sheet", "qty": "1", "per": "cycle"}]}`,
		"orders.json": `{"kind":"order","time":"2026-01-05T09:00:00-04:00","data":{"order":"1001","zone":"home","lines":[{"item":"fern","qty":"2"}]}}
{"kind":"order","time":"2026-01-05T09:10:00-04:00","data":{"order":"1002","zone":"home","lines":[{"item":"fern","qty":"3"}]}}
{"kind":"order","time":"2026-01-05T09:20:00-04:00","data":{"order":"1003","zone":"abroad","lines":[{"item":"fern","qty":"4"}]}}
`,
	} {
		if err := os.WriteFile(filepath.Join(specs, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	onFolder(t, data, "packspec", filepath.Join(specs, "packing.json"))
	onFolder(t, data, "makespec", filepath.Join(specs, "making.json"))
	onFolder(t, data, "record", filepath.Join(specs, "orders.json"))
	return data
}

// recordings are what the desk holds of a phone: kind and data of each event, as JSON with sorted names.
func (c *cart) recordings(name string) []string {
	c.t.Helper()
	var list []string
	for _, e := range c.events(name) {
		data, _ := e["data"].(map[string]any)
		delete(data, "event") // an id
		if s, ok := data["session"].(string); ok {
			data["session"], _, _ = strings.Cut(s, " 20")
		}
		text, err := json.Marshal(data)
		c.do(err)
		kind := strings.TrimSuffix(strings.TrimPrefix(fmt.Sprint(e["type"]), "countback."), ".v1")
		list = append(list, kind+" "+string(text))
	}
	return list
}

func (c *cart) holds(name string, want []string) {
	c.t.Helper()
	eventually(c.t, "the desk holds what the phone has recorded", func() bool { return len(c.recordings(name)) >= len(want) })
	if got := c.recordings(name); !slices.Equal(got, want) {
		c.t.Errorf("the desk holds\n%s\nand should hold\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// figure is what the list of items shows to be on hand.
func (c *cart) figure(item string) string {
	c.t.Helper()
	text, err := browser.Eval[string](c.Phone, `document.querySelector("a[href='#item/`+item+`'] .figure b")?.textContent ?? ""`)
	c.do(err)
	return strings.ReplaceAll(text, ",", "")
}

// A day at the cart, through the page alone: each kind recorded at the desk's side and without it, across reloads and an empty battery, and at the end the
// desk's ledger holds exactly that.
func TestADayAtTheCart(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("cart phone")
	c.do(c.Tap("To the items"), c.See("Board stiffener"))

	c.do(c.Tap("Board stiffener"), c.See("How much"), c.Keys("2"), c.Tap("box"), c.Tap("Restock"), c.See("What did it cost"), c.Keys("65.50"), c.Tap("Record restock"), c.See("Recorded"), c.See("600 pieces"))
	c.do(c.Tap("Next item"), c.Tap("Cotton cord"), c.Keys("4"), c.Tap("tie"), c.Tap("Write-off"), c.Tap("Damaged"), c.See("Recorded"), c.See("48,800 mm"))
	c.do(c.Tap("Next item"), c.Tap("Paper seal"), c.Tap("by weight"), c.Keys("210"), c.Tap("Empty container"), c.Keys("15"), c.See("about 390 pieces"), c.Tap("Count"), c.See("Recorded"), c.See("390 pieces"))
	c.do(c.Tap("Next item"), c.Tap("Card, fern"), c.Keys("38"), c.Tap("Print run"), c.See("How many were spoiled"), c.Keys("2"), c.Tap("Record print run"), c.See("Recorded"), c.See("78 pieces"))
	c.do(c.Tap("Orders"), c.See("1003"), c.Tap("Except… order 1002"), c.Tap("One fewer of Card, fern"), c.Tap("Add a material"), c.Choose("Material", "Board stiffener"), c.Type("How many", "1"), c.Tap("Add it"),
		c.See("+1 pieces of Board stiffener"), c.Tap("Keep for packing in bulk"), c.See("With exceptions"), c.Tap("1001"), c.Tap("Pack 2 orders"), c.See("Recorded"))
	want := []string{
		`restock {"lines":[{"cost":"65.5","item":"board","pack":"box","qty":"2"}]}`,
		`damage {"item":"cord","measure":"tie","qty":"4","reason":"damaged"}`,
		`count {"gross":"210","item":"seal","tare":"15","weight_unit":"g"}`,
		`reprint {"good":"38","item":"fern","spoiled":"2"}`,
		`pack {"order":"1001"}`,
		`pack {"changes":[{"item":"board","qty":"1"}],"lines":[{"item":"fern","qty":"2"}],"order":"1002"}`,
	}
	c.holds("cart phone", want)
	c.do(c.Until("the phone has heard that all six are safe", `countback.standing().then(s => s.safe === 6 && s.kept === 0)`), c.See("All entries of this phone are safe"))

	// The desk is switched off and the signal gone. The page comes back all the same.
	c.serve.stop()
	c.wire.Cut()
	c.do(c.Reload(), c.Ready(), c.Tap("Items"), c.See("Board stiffener"))
	c.do(c.Tap("Board stiffener"), c.Keys("7"), c.Tap("Write-off"), c.Tap("Spoiled"), c.See("Recorded"), c.See("1 entry is only on this phone"))

	// A count round that the phone sleeps through.
	c.do(c.Tap("Count"), c.Tap("All places"), c.See("1 of 5"), c.See("Board stiffener"), c.Keys("3"), c.Tap("box"), c.Tap("And a further"), c.Keys("40"), c.Tap("Next"))
	c.do(c.See("2 of 5"), c.Tap("Skip"), c.See("Paper seal"), c.Keys("388"), c.Until("the last key is kept", `countback.keptRound().then(r => JSON.stringify(r).includes('"388"'))`))
	c.do(c.Reload(), c.Ready(), c.See("Paper seal"), c.See("388"), c.Tap("Overview"), c.See("2 of 5 counted"))
	c.do(c.Tap("Cotton cord"), c.Keys("47600"), c.Tap("Overview"), c.See("3 of 5 counted"), c.Until("the place in the round is kept", `countback.keptRound().then(r => r.at === 5)`))
	if err := c.Kill(); err != nil {
		t.Fatal(err)
	}
	c.begin()
	c.do(c.Open(c.at("#round")), c.Ready(), c.See("3 of 5 counted"), c.Tap("Record 3 counts"), c.See("far from the book"), c.Tap("Yes, record it"), c.See("Recorded"))

	// What was written off wasn't.
	c.do(c.Tap("Entries"), c.See("Spoiled: 7 Board stiffener"), c.Tap("Take back: Spoiled: 7 Board stiffener"), c.Tap("Wrong item"), c.See("taken back"), c.See("entries are only on this phone"))
	c.do(c.Tap("Items"), c.See("Board stiffener"))
	eventually(t, "490 boards are on hand", func() bool { return c.figure("board") == "490" })

	c.open()
	c.wire.Mend()
	c.do(c.See("All entries of this phone are safe"))
	want = append(want,
		`damage {"item":"board","qty":"7","reason":"spoiled"}`,
		`count {"item":"board","pack":"box","qty":"3","session":"round"}`,
		`count {"item":"board","qty":"40","session":"round"}`,
		`count {"item":"cord","qty":"47600","session":"round"}`,
		`count {"item":"seal","qty":"388","session":"round"}`,
		`reverse {"reason":"wrong item"}`,
	)
	c.holds("cart phone", want)
	for _, item := range []string{"board", "cord", "seal", "sheet", "fern"} {
		var r struct {
			Items []struct{ Item, OnHand string }
		}
		text := onFolder(t, c.data, "stock", item, "--json")
		c.do(json.Unmarshal([]byte(strings.ReplaceAll(text, "on_hand", "onhand")), &r))
		if shown := c.figure(item); shown != r.Items[0].OnHand {
			t.Errorf("%s: the phone shows %s on hand and the desk %s", item, shown, r.Items[0].OnHand)
		}
	}
	for _, line := range c.Said() {
		if strings.HasPrefix(line, "exception") {
			t.Error(line)
		}
	}
}
