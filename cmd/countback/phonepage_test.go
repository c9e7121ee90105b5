package main

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/andybalholm/brotli"

	"countback/cmd/countback/recorder"
	"countback/cmd/recorder/browser"
)

// One tab records; another one shows everything, says so, and takes over once the first is closed.
func TestTwoTabsOfThePhone(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("two tabs")
	c.do(c.Tap("To the items"), c.See("Board stiffener"))
	other, err := c.Tab()
	c.do(err)
	c.do(other.Open(c.at("#item/board")), other.Ready(), other.See("Another tab of this phone is open and records"))
	c.do(other.Keys("5"))
	if on, err := browser.Eval[bool](other, `[...document.querySelectorAll(".verb")].every(b => b.disabled)`); err != nil || !on {
		t.Error("something can be recorded in a tab that only shows", err)
	}
	c.do(c.Go("#item/board"), c.Keys("3"), c.Tap("Count"), c.See("Recorded"))
	c.do(other.Go("#items"), other.Until("the other tab shows what was recorded", `document.querySelector("a[href='#item/board'] .figure b")?.textContent === "3"`))
	c.do(c.Shut(), other.Gone("Another tab of this phone"))
	c.do(other.Go("#item/board"), other.Tap("Clear the number"), other.Keys("2"), other.Tap("Write-off"), other.Tap("Gift"), other.See("Recorded"))
}

// A supplier's barcode is remembered for an item, and finds it from then on; a wrong digit isn't taken. Where the camera may not be used the page says so, and the
// number is typed.
func TestASuppliersBarcode(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.do(c.EachTime(detector)) // it could read codes, but the camera isn't allowed here
	c.join("scanner")
	c.do(c.Tap("To the items"), c.See("Board stiffener"), c.Type("Find an item", "4006381333931"), c.Tap("Remember it for an item"), c.See("No item has this code yet"), c.Tap("Paper seal"))
	c.do(c.Type("Barcode", "4006381333932"), c.See("The last digit doesn't fit"), c.Type("Barcode", "4006381333931"), c.See("The check digit is right"), c.Tap("Remember"), c.See("Remembered"))
	c.do(c.Tap("Items"), c.Type("Find an item", "4006381333931"), c.See("Paper seal"), c.Gone("Board stiffener"), c.Press("\r"), c.See("How much"))
	c.do(c.Tap("Items"), c.Tap("Scan"), c.See("Type the number instead"), c.Type("Or type the number below the bars", "4006381333931"), c.Tap("Take this number"), c.See("How much"))
	c.holds("scanner", []string{`item {"barcode":"4006381333931","item":"seal"}`})
}

// Check digits: an example that GS1 publishes, and others with their sums worked out by hand.
func TestCheckDigits(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.do(c.Open(c.at("")), c.Ready())
	for number, good := range map[string]bool{
		"6291041500213":  true, // GS1, "How to calculate a check digit manually"
		"10614141000415": true, // 3 · (1+6+4+4+0+0+1) + (0+1+1+1+0+4) = 55
		"614141000036":   true, // 3 · (6+4+4+0+0+3) + (1+1+1+0+0) = 54
		"96385074":       true, // 3 · (9+3+5+7) + (6+8+0) = 86
		"6291041500214":  false,
		"6291041500231":  false, // two digits changed places
		"629104150021":   false,
		"":               false,
		"12345":          false,
		"629104150021a":  false,
	} {
		got, err := browser.Eval[bool](c.Phone, `import("/gtin.js").then(m => m.checked(`+"`"+number+"`"+`))`)
		c.do(err)
		if got != good {
			t.Errorf("%q: %v", number, got)
		}
	}
}

// The whole ledger leaves the phone as a file while the desk is lost, and a new desk begins with it.
func TestThePhonesFile(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("keeper of a copy")
	c.do(c.Tap("To the items"), c.See("Board stiffener"))
	c.serve.stop()
	c.wire.Cut()
	c.do(c.Tap("Board stiffener"), c.Keys("9"), c.Tap("Write-off"), c.Tap("Sample"), c.See("1 entry is only on this phone"))
	saved := t.TempDir()
	c.do(c.Downloads(saved), c.Go("#phone"), c.Tap("Save the ledger as a file"), c.See("Saved as fennimoor-paper-"))
	var file string
	eventually(t, "the file is there", func() bool {
		found, err := filepath.Glob(filepath.Join(saved, "*.countback"))
		if err == nil && len(found) == 1 {
			file = found[0]
		}
		return file != ""
	})
	fresh := filepath.Join(t.TempDir(), "new desk")
	onFolder(t, fresh, "init", "--from", file)
	if out := onFolder(t, fresh, "stock", "board", "--json"); !strings.Contains(out, `"on_hand": "291"`) && !strings.Contains(out, `"on_hand":"291"`) {
		t.Error("the entry that was only on the phone isn't in its file: ", out)
	}
}

// A new version is announced, waits while somebody types, and takes over without losing an entry.
func TestANewVersionOfThePage(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("updated")
	c.do(c.Tap("To the items"), c.See("Board stiffener"))
	c.do(c.Until("the page is stored", `navigator.serviceWorker.ready.then(r => !!r.active && !!navigator.serviceWorker.controller)`))
	c.do(c.Tap("Board stiffener"), c.Keys("4"), c.Tap("Write-off"), c.Tap("Damaged"), c.See("Recorded"))
	changed := otherVersion(t, "index.html", `<html lang="en">`, `<html lang="en" data-mark="another version">`)
	c.serve.stop()
	c.openWith(changed)
	c.do(c.Go("#item/cord"), c.Keys("12"))
	c.do(c.Until("the new version is looked for", `navigator.serviceWorker.ready.then(r => r.update()).then(() => true)`), c.See("A new version is ready"), c.See("12 mm"))
	c.do(c.Tap("Switch now"), c.Until("the page was loaded anew", `document.documentElement.dataset.mark === "another version"`), c.Ready())
	c.do(c.See("12 mm"), c.Tap("Entries"), c.See("Damaged: 4 Board stiffener"))
}

// otherVersion is the same recorder but for a place in one of its files.
func otherVersion(t *testing.T, name, from, to string) string {
	t.Helper()
	old, err := phoneBuild()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(old)); err != nil {
		t.Fatal(err)
	}
	var list recorder.List
	text, err := os.ReadFile(filepath.Join(dir, recorder.ListName))
	if err == nil {
		err = json.Unmarshal(text, &list)
	}
	if err != nil {
		t.Fatal(err)
	}
	was, is := "", ""
	change := func(name, from, to string) {
		for i, f := range list.Files {
			if f.Path == name {
				content := strings.Replace(unpacked(t, filepath.Join(dir, recorder.Folder, name+".gz")), from, to, 1)
				list.Files[i] = recorder.FileOf(name, []byte(content))
				was, is = f.Hash, list.Files[i].Hash
				pack(t, filepath.Join(dir, recorder.Folder, name), content)
			}
		}
		if was == is {
			t.Fatalf("%s doesn't say %s", name, from)
		}
	}
	change(name, from, to)
	change("service-worker.js", was, is)
	list.Build = is
	if text, err = json.Marshal(list); err == nil {
		err = os.WriteFile(filepath.Join(dir, recorder.ListName), text, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

func unpacked(t *testing.T, file string) string {
	t.Helper()
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	r, err := gzip.NewReader(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func pack(t *testing.T, file, content string) {
	t.Helper()
	var br, gz bytes.Buffer
	for _, w := range []io.WriteCloser{brotli.NewWriter(&br), gzip.NewWriter(&gz)} {
		if _, err := io.WriteString(w, content); err != nil || w.Close() != nil {
			t.Fatal(err)
		}
	}
	for end, b := range map[string][]byte{".br": br.Bytes(), ".gz": gz.Bytes()} {
		if err := os.WriteFile(file+end, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// A keyboard is enough: what can be touched can be reached by it, in the order in which it stands, and is seen to be.
func TestByKeyboardAlone(t *testing.T) {
	c := newCart(t, paperShop(t))
	c.join("keyboard")
	to := func(what, expression string) {
		t.Helper()
		for range 60 {
			there, err := browser.Eval[bool](c.Phone, `(e => `+expression+`)(document.activeElement)`)
			c.do(err)
			if there {
				ring, err := browser.Eval[string](c.Phone, `getComputedStyle(document.activeElement).outlineStyle + getComputedStyle(document.activeElement).outlineWidth`)
				c.do(err)
				if ring != "solid3px" {
					t.Errorf("%s has the focus, and nobody sees it: %s", what, ring)
				}
				return
			}
			c.do(c.Press("\t"))
		}
		t.Fatalf("%s can't be reached with the keyboard", what)
	}
	to("the way to the items", `e.textContent === "To the items"`)
	c.do(c.Press("\r"), c.See("Board stiffener"))
	to("the search", `e.id === "search"`)
	c.do(c.Press("seal"), c.Press("\r"), c.See("How much"), c.Press("350"), c.See("350 pieces"))
	to("Count", `e.textContent === "Count" && e.className === "verb"`)
	c.do(c.Press("\r"), c.See("Recorded"))
	if on, err := browser.Eval[string](c.Phone, `document.activeElement.textContent`); err != nil || on != "Recorded" {
		t.Errorf("the focus is on %q and not on what was recorded (%v)", on, err)
	}
	to("Take back", `e.textContent === "Take back"`)
	c.do(c.Press("\r"), c.See("Why is it taken back"))
	to("Wrong number", `e.textContent === "Wrong number"`)
	c.do(c.Press("\r"), c.See("Taken back"))
	c.holds("keyboard", []string{`count {"item":"seal","qty":"350"}`, `reverse {"reason":"wrong number"}`})
}
