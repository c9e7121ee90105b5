package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"countback/cmd/countback/pages"
	"countback/cmd/recorder/browser"
	"countback/ledger/event"
)

// typist is somebody at the desk's pages in a real browser.
type typist struct {
	*formDesk
	page *browser.Phone
	base string
}

func newTypist(t *testing.T, o browser.Options, setup ...string) *typist {
	t.Helper()
	d := newFormDesk(t, setup...)
	door, err := openPages(context.Background(), d.desk, "0", pages.Options{Fault: func(err error) { t.Error(err) }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(door.close)
	return &typist{d, sitter(t, door, o), door.base(t)}
}

func (w *typist) open(path string) {
	w.t.Helper()
	if err := w.page.Open(w.base + path); err != nil {
		w.t.Fatal(err)
	}
	w.until(path, `document.readyState === "complete"`)
}

func (w *typist) until(what, expression string) {
	w.t.Helper()
	if err := w.page.Until(what, expression); err != nil {
		body, _ := browser.Eval[string](w.page, `document.querySelector("main").innerText`)
		w.t.Fatalf("%s: %v\n%s", what, err, body)
	}
}

// field types into a field by its name, as keys would.
func (w *typist) field(name, value string) {
	w.t.Helper()
	q := func(s string) string { b, _ := json.Marshal(s); return string(b) }
	ok, err := browser.Eval[bool](w.page, fmt.Sprintf(`(() => {
		const e = document.getElementsByName(%s)[0];
		if (!e) return false;
		for (let d = e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
		e.focus();
		e.value = %s;
		e.dispatchEvent(new Event("input", {bubbles: true}));
		e.dispatchEvent(new Event("change", {bubbles: true}));
		return e.value === %s;
	})()`, q(name), q(value), q(value)))
	if err != nil || !ok {
		w.t.Fatalf("%s can't be %q: %v", name, value, err)
	}
}

// press presses a button and waits for the page that follows.
func (w *typist) press(button string) {
	w.t.Helper()
	if _, err := browser.Eval[bool](w.page, `window.old = true`); err != nil {
		w.t.Fatal(err)
	}
	if err := w.page.Tap(button); err != nil {
		w.t.Fatal(button, err)
	}
	w.until("the page after "+button, `!window.old && document.readyState === "complete"`)
}

// picture keeps a picture of the page where COUNTBACK_PICTURES names a folder.
func (w *typist) picture(name string) {
	folder := os.Getenv("COUNTBACK_PICTURES")
	if folder == "" {
		return
	}
	for _, x := range []struct {
		size int64
		dark bool
	}{{1280, false}, {390, true}} {
		if err := w.page.Size(x.size, 900); err != nil {
			w.t.Fatal(err)
		}
		if err := w.page.Dark(x.dark); err != nil {
			w.t.Fatal(err)
		}
		png, err := w.page.Picture(true)
		if err != nil {
			w.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("%s-%d.png", name, x.size)), png, 0o600); err != nil {
			w.t.Fatal(err)
		}
	}
	_, _ = w.page.Size(1280, 900), w.page.Dark(false)
}

// A file is dropped onto the page, its columns are named, what nobody knows gets its name here, and it is recorded.
func TestDroppingAFile(t *testing.T) {
	w := newTypist(t, browser.Options{Width: 1280, Height: 900, Desk: true}, formSetup...)
	w.open("/import")
	text, _ := json.Marshal(ordersCSV)
	if _, err := browser.Eval[bool](w.page, fmt.Sprintf(`(() => {
		const data = new DataTransfer();
		data.items.add(new File([%s], "shop.csv", {type: "text/csv"}));
		document.querySelector("[data-drop]").dispatchEvent(new DragEvent("drop", {dataTransfer: data, bubbles: true, cancelable: true}));
		return true;
	})()`, text)); err != nil {
		t.Fatal(err)
	}
	w.until("the dropped file's name", `document.querySelector("[data-name]").textContent === "shop.csv"`)
	w.press("Look at it")
	w.picture("import-columns")
	w.field("zone", "Land")
	w.field("zones[0].of", "Canada")
	w.field("zones[0].value", "home")
	w.field("any_other_zone", "abroad")
	w.press("Try it")
	w.picture("import-unknown")
	w.until("the unknown codes", `document.querySelector("main").innerText.includes("their codes aren't items here")`)
	w.until("a row for each", `["FERN", "MOSS", "POST"].every((code, i) => document.getElementsByName("aliases[" + i + "].of")[0].value === code)`)
	w.field("aliases[0].value", "fern-card")
	w.field("aliases[1].value", "moss-card")
	w.field("no_goods", "POST")
	w.press("Try it")
	w.picture("import-tried")
	was := w.events()
	w.press("Record it")
	w.until("what was recorded", `document.querySelector("main").innerText.includes("3 facts were recorded")`)
	w.picture("import-recorded")
	if w.events() != was+3 {
		t.Errorf("%d events", w.events()-was)
	}
}

// An edited spec shows what it would change while it is typed, and a row more when it is needed.
func TestEditingASpecInABrowser(t *testing.T) {
	w := newTypist(t, browser.Options{Width: 1280, Height: 900, Desk: true}, formSetup...)
	w.facts(`{"kind":"packspec","time":"2026-01-01T12:00:00-04:00","data":{"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}}
{"kind":"pack","time":"2026-02-01T12:00:00-04:00","data":{"order":"1","zone":"home","lines":[{"item":"fern-card","qty":"2"}]}}`)
	w.open("/setup/packing")
	w.until("the present cost", `document.getElementById("preview-line").textContent.includes("0.2000 CAD a pack, as now")`)
	w.field("formats[0].lines[0].qty", "3")
	w.until("the cost as edited", `document.getElementById("preview-line").textContent.includes("0.6000 CAD a pack instead of 0.2000")`)
	w.field("formats[0].lines[1].item", "cord")
	w.until("the item's name and measures", `(() => {
		const row = document.getElementsByName("formats[0].lines[1].item")[0].closest("tr");
		return row.querySelector("output").textContent === "Cotton cord" && [...row.querySelectorAll('[name$=".in"] option')].some((o) => o.value === "wrap");
	})()`)
	w.until("another row", `document.getElementsByName("formats[0].lines[2].item").length === 1 && document.getElementsByName("formats[0].lines[2].item")[0].value === ""`)
	w.field("formats[0].lines[1].qty", "1")
	w.field("formats[0].lines[1].in", "wrap")
	w.field("formats[0].lines[1].every", "2")
	w.until("the cord in the preview", `document.getElementById("preview").innerText.includes("Cotton cord")`)
	w.picture("spec-edited")
	was := w.events()
	w.press("Record the packing spec")
	if w.events() != was+1 {
		t.Fatalf("%d events", w.events()-was)
	}
	if got := says(t, w.last(1)[0]); !strings.HasSuffix(got, `{"formats":[{"format":"flat","lines":[{"item":"board","qty":"3","per":"parcel"},{"item":"cord","qty":"1","measure":"wrap","per":"parcel","every":"2"}]}]}`) {
		t.Error(got)
	}
	w.picture("spec-recorded")
}

// A delivery of several lines, typed on a phone's screen; a fault brings the field that is wrong into sight.
func TestRecordingInABrowser(t *testing.T) {
	w := newTypist(t, browser.Options{Width: 390, Height: 800}, formSetup...)
	w.open("/record/restock")
	w.field("lines[0].item", "board")
	w.field("lines[0].qty", "2")
	w.field("lines[0].in", "box")
	w.field("lines[0].cost", "64,00")
	w.field("lines[1].item", "cord")
	w.field("lines[1].qty", "1 spol")
	w.field("lines[1].cost", "20")
	w.picture("restock-typed")
	was := w.events()
	w.press("Record the delivery")
	w.until("the wrong field", `document.activeElement.name === "lines[1].qty" && document.activeElement.getAttribute("aria-invalid") === "true"`)
	w.picture("restock-wrong")
	w.field("lines[1].qty", "1 spool")
	if _, err := browser.Eval[bool](w.page, `window.old = true`); err != nil {
		t.Fatal(err)
	}
	if err := w.page.Press("\r"); err != nil { // it records, and doesn't ask for more lines
		t.Fatal(err)
	}
	w.until("the page after Enter", `!window.old && document.readyState === "complete"`)
	w.until("what was recorded", `document.getElementById("done").innerText.includes("600")`)
	w.picture("restock-recorded")
	if w.events() != was+1 || len(w.last(1)[0].Data.(*event.Restock).Lines) != 2 {
		t.Errorf("%d events", w.events()-was)
	}
	wide, err := browser.Eval[bool](w.page, `document.documentElement.scrollWidth > document.documentElement.clientWidth`)
	if err != nil || wide {
		t.Errorf("the page is wider than the screen: %v", err)
	}
	w.press("Take it back")
	w.until("what was taken back", `document.getElementById("done").innerText.includes("Taken back")`)
}
