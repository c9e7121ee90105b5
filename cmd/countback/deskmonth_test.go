package main

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"countback/cmd/countback/pages"
	"countback/cmd/recorder/browser"
	"countback/ledger/event"
	"countback/ledger/store"
)

// monthShop is one of two shops that live through the same month, one by pages and one by commands. Its clock stands still within a step.
type monthShop struct {
	t    *testing.T
	data string
	now  *atomic.Int64
	seed byte
}

func (s *monthShop) main(out *bytes.Buffer, args ...string) *Main {
	seed := [32]byte{s.seed}
	s.seed++
	return &Main{Args: args, Stdin: strings.NewReader(""), Stdout: out, Stderr: out, Version: "test", Build: "test", Entropy: rand.NewChaCha8(seed),
		Now: func() time.Time { return time.UnixMilli(s.now.Load()).UTC() },
		Getenv: func(name string) string {
			if name == "COUNTBACK_DATA" {
				return s.data
			}
			return ""
		}}
}

func (s *monthShop) run(args ...string) string {
	s.t.Helper()
	var out bytes.Buffer
	if s.main(&out, args...).Run(s.t.Context()) != statusDone {
		s.t.Fatalf("countback %v: %s", args, out.String())
	}
	return out.String()
}

// facts is what a ledger says behind a number of arrival, in an order of its own: what several facts of one step say counts, not which of them came first.
func (s *monthShop) facts(after int64) (list []string, last int64) {
	s.t.Helper()
	var out bytes.Buffer
	st, err := s.main(&out).openStore(s.data)
	if err != nil {
		return nil, 0
	}
	defer st.Close()
	err = st.Scan(context.Background(), after, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return err
		}
		last = r.N
		text := says(s.t, e)
		if e.Kind == event.KindClose || e.Kind == event.KindDevice { // they name keys and hashes, which differ from ledger to ledger
			text = string(e.Kind)
			if c, ok := e.Data.(*event.Close); ok {
				text += fmt.Sprint(c.Period, c.Engine, c.Digest, len(c.Accepted))
			}
		}
		list = append(list, text)
		return nil
	})
	if err != nil {
		s.t.Fatal(err)
	}
	slices.Sort(list)
	return list, max(last, after)
}

// hand is a person at the desk's pages.
type hand struct {
	t    *testing.T
	p    *browser.Phone
	base string
}

func (h *hand) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

func (h *hand) open(path string) {
	h.t.Helper()
	h.must(h.p.Open(h.base + path))
	h.must(h.p.Until(path, loaded))
}

// fill types into fields, by their names in the form: "name=value". Lists are chosen from, what opens is opened.
func (h *hand) fill(pairs ...string) {
	h.t.Helper()
	for _, pair := range pairs {
		name, value, _ := strings.Cut(pair, "=")
		find := fmt.Sprintf(`document.querySelector('main [name=%s]:not([type=hidden])')`, strconv.Quote(name))
		h.must(h.p.Until("a field "+name, find))
		kind, err := browser.Eval[string](h.p, fmt.Sprintf(`(() => {
			const e = %s;
			for (let d = e.closest("details"); d; d = d.parentElement.closest("details")) d.open = true;
			if (e.type === "radio") { document.querySelector('main [name="%s"][value=%s]').click(); return "radio"; }
			if (e.tagName === "SELECT" || e.type === "date" || e.type === "time") {
				e.value = %s;
				e.dispatchEvent(new Event("input", {bubbles: true}));
				e.dispatchEvent(new Event("change", {bubbles: true}));
				return e.value === %s ? "set" : "no such choice in " + e.outerHTML;
			}
			e.focus();
			e.select();
			return "type";
		})()`, find, name, strconv.Quote(value), strconv.Quote(value), strconv.Quote(value)))
		h.must(err)
		switch kind {
		case "type":
			h.must(h.p.Press(value))
		case "radio", "set":
		default:
			h.t.Fatal(name, kind)
		}
	}
}

// file puts a file into a field.
func (h *hand) file(field, name, text string) {
	h.t.Helper()
	ok, err := browser.Eval[bool](h.p, fmt.Sprintf(`(() => {
		const data = new DataTransfer();
		data.items.add(new File([%s], %s, {type: "text/csv"}));
		const e = document.querySelector('main [name=%s][type=file]');
		e.files = data.files;
		e.dispatchEvent(new Event("change", {bubbles: true}));
		return e.files.length === 1;
	})()`, strconv.Quote(text), strconv.Quote(name), strconv.Quote(field)))
	h.must(err)
	if !ok {
		h.t.Fatal("the file wasn't taken")
	}
}

// press presses what is called by a name and waits for the next page.
func (h *hand) press(name string) {
	h.t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll("main button:not([aria-hidden]), main a[href]")].find(e => e.checkVisibility() && e.innerText.trim() === %s)`, strconv.Quote(name))
	h.must(h.p.Until("press "+name, find))
	_, err := browser.Eval[bool](h.p, `(() => { window.before = true; `+find+`.click(); return true; })()`)
	h.must(err)
	h.must(h.p.Until("the page after "+name, `window.before === undefined && `+loaded))
}

const monthOrders = "Number,Placed,To,Code,Pieces\n2041,2026-03-04 09:15,home,fern-card,2\n2042,2026-03-04 10:00,home,fern-card,1\n2043,2026-03-04 11:30,abroad,fern-card,3\n"

const monthMap = `order = Number
date = Placed
date layout = YYYY-MM-DD hh:mm
zone = To
item = Code
quantity = Pieces
`

// A month by pages, from an empty folder to its close, leaves the same facts as the same month by commands.
func TestMonthByPages(t *testing.T) {
	var clock atomic.Int64
	clock.Store(time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC).UnixMilli())
	dir := t.TempDir()
	byPage := &monthShop{t, filepath.Join(dir, "page"), &clock, 1}
	byCommand := &monthShop{t, filepath.Join(dir, "command"), &clock, 101}
	var out bytes.Buffer
	door, err := openPages(context.Background(), byPage.main(&out).newDeskPages(byPage.data, nil, nil), "0", pages.Options{Fault: func(err error) { t.Error(err) }})
	if err != nil {
		t.Fatal(err)
	}
	defer door.close()
	h := &hand{t, sitter(t, door, browser.Options{Width: 1280, Height: 900, Desk: true}), door.base(t)}
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	spec := file("spec.json", `{"lines":[{"item":"card","qty":"1","per":"order"}],"formats":[{"format":"flat","lines":[{"item":"board","qty":"1","per":"parcel"}]}]}`)
	var pageAt, commandAt int64
	for _, s := range []struct {
		name     string
		page     func()
		commands [][]string
		later    time.Duration
	}{
		{"found the shop", func() {
			h.open("/start")
			h.fill("shop=Fennimoor Paper", "currency=CAD", "zone=America/Halifax")
			h.press("Found the shop")
		}, [][]string{{"init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax"}}, 0},
		{"a supply", func() {
			h.press("Define an item")
			h.fill("item=board", "name=Backing board", "type=supply", "unit=each", "packs[0].name=box", "packs[0].holds=150", "place=cart 2")
			h.press("Record the item")
		}, [][]string{{"item", "board", "--name", "Backing board", "--type", "supply", "--unit", "each", "--pack", "box=150", "--place", "cart 2"}}, 0},
		{"another", func() {
			h.open("/setup/item")
			h.fill("item=card", "name=Thank-you card", "type=supply", "unit=each")
			h.press("Record the item")
		}, [][]string{{"item", "card", "--name", "Thank-you card", "--type", "supply", "--unit", "each"}}, 0},
		{"a good", func() {
			h.open("/setup/item")
			h.fill("item=fern-card", "name=Fern card", "type=good", "unit=each", "price=4.50")
			h.press("Record the item")
		}, [][]string{{"item", "fern-card", "--name", "Fern card", "--type", "good", "--unit", "each", "--price", "4.50"}}, 0},
		{"the packing spec", func() {
			h.open("/start")
			h.press("Write the packing spec")
			h.fill("lines[0].item=card", "lines[0].qty=1", "lines[0].per=order", "formats[0].format=flat", "formats[0].lines[0].item=board", "formats[0].lines[0].qty=1", "formats[0].lines[0].per=parcel")
			h.press("Record the packing spec")
		}, [][]string{{"packspec", spec}}, time.Hour},
		{"what came in", func() {
			h.open("/record/restock")
			h.fill("supplier=Quillmark Supply", "lines[0].item=board", "lines[0].qty=2", "lines[0].in=box", "lines[0].cost=60", "freight=6")
			h.press("Record the delivery")
		}, [][]string{{"restock", "board", "2", "box", "--cost", "60", "--freight", "6", "--supplier", "Quillmark Supply"}}, time.Hour},
		{"what is there", func() {
			h.open("/record/count?item=fern-card")
			h.fill("lines[0].qty=40", "lines[0].cost=20")
			h.press("Record the count")
			h.open("/record/count?item=card")
			h.fill("lines[0].qty=100", "lines[0].cost=5")
			h.press("Record the count")
		}, [][]string{{"count", "fern-card", "40", "--cost", "20"}, {"count", "card", "100", "--cost", "5"}}, 48 * time.Hour},
		{"orders from a file", func() {
			h.open("/import")
			h.file("file", "orders.csv", monthOrders)
			h.file("map", "orders.map", monthMap)
			h.press("Look at it")
			h.press("Try it")
			h.press("Record it")
		}, [][]string{{"import", "orders", file("orders.csv", monthOrders), "--map", file("orders.map", monthMap)}}, time.Hour},
		{"a packing day", func() {
			h.open("/packing")
			h.must(h.p.See("3 of 3 orders can go out"))
			h.must(h.p.Until("the last order is left out", `(() => { const e = document.querySelector('[name="packs[2].packed"]'); if (e.checked) e.click(); return !e.checked; })()`))
			h.press("Record as packed")
		}, [][]string{{"pack", "--open", "--except", "2043"}}, time.Hour},
		{"a spoiled board", func() {
			h.open("/item/board")
			h.press("Write off")
			h.fill("lines[0].qty=2", "reason=spoiled")
			h.press("Record it")
		}, [][]string{{"damage", "board", "2", "--reason", "spoiled"}}, 26 * 24 * time.Hour},
		{"the month's count", func() {
			h.open("/counting/enter?session=march")
			h.fill("rows[1].qty=295")
			h.press("Record these figures")
		}, [][]string{{"count", "board", "295", "--session", "march", "--place", "cart 2"}}, 3 * 24 * time.Hour},
		{"close", func() {
			h.open("/why/board")
			h.open("/closing")
			h.open("/closing/2026-03")
			h.press("Close March 2026")
		}, [][]string{{"close", "2026-03"}}, 0},
	} {
		s.page()
		for _, c := range s.commands {
			byCommand.run(c...)
		}
		var got, want []string
		want, commandAt = byCommand.facts(commandAt)
		got, pageAt = byPage.facts(pageAt)
		if !slices.Equal(got, want) {
			text, _ := h.p.Text()
			t.Fatalf("%s:\nby page    %s\nby command %s\nthe page says:\n%s", s.name, strings.Join(got, "\n           "), strings.Join(want, "\n           "), text)
		}
		clock.Add(s.later.Milliseconds())
	}
	for _, report := range [][]string{{"stock"}, {"cost"}, {"close", "2026-03", "--dry-run"}, {"shrinkage"}} {
		args := append(report, "--json", "--exact")
		if a, b := byPage.run(args...), byCommand.run(args...); withoutIDs(a) != withoutIDs(b) {
			t.Errorf("%v: %s", report, firstDifference(withoutIDs(a), withoutIDs(b)))
		}
	}
}

// withoutIDs leaves out of a report what differs from ledger to ledger: ids, and how far a close covers which log.
func withoutIDs(report string) string {
	var out []string
	report, _, _ = strings.Cut(report, `"upto"`)
	for _, line := range strings.Split(report, "\n") {
		if !strings.Contains(line, `"event`) && !strings.Contains(line, `"01K`) && !strings.Contains(line, `"device"`) {
			out = append(out, line)
		}
	}
	return strings.Join(out, "\n")
}
