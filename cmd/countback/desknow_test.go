package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"regexp"
	"strings"
	"testing"
	"time"

	"countback/cmd/countback/words"
	"countback/projections/plan"
	"countback/projections/reorder"
	"countback/projections/review"
	"countback/projections/stock"
)

// The first page says what the reports say, and its sentence stands at the top of every other page.
func TestTheShopNow(t *testing.T) {
	door := demoDesk(t)
	p := door.desk
	r := readerOf(t, p)
	report := func(into any, args ...string) {
		t.Helper()
		var out bytes.Buffer
		m := *p.m
		m.format, m.json, m.Args, m.Stdout = "", false, append([]string{"--data", p.dir, "--json"}, args...), &out
		if m.Run(context.Background()) != statusDone {
			t.Fatal(args, out.String())
		}
		if err := json.Unmarshal(out.Bytes(), into); err != nil {
			t.Fatal(args, err)
		}
	}
	var buy reorder.Report
	var ask review.Report
	var day plan.Report
	var on stock.Report
	report(&buy, "reorder")
	report(&ask, "review")
	report(&day, "plan")
	report(&on, "stock")
	_, _, body := r.get(t, "/")
	text := html.UnescapeString(body)
	contains(t, text, fmt.Sprintf("%d orders wait; %d can go out complete", day.Choice.Open, day.Choice.Ready), fmt.Sprintf("%d things need a decision", len(ask.Items)), "are worth "+words.Grouped(on.Total)+" "+on.Currency)
	var want, now []string
	for _, it := range buy.Items {
		if it.RunsOut.P50 != "" && len(want) < 8 {
			want = append(want, it.Item)
			contains(t, text, `data-stock="`+it.Item+`">`+words.InUnit(it.OnHand, it.Unit)+"<")
		}
		if it.Now {
			now = append(now, it.Item)
		}
	}
	section, _, _ := strings.Cut(body, `id="h-pack"`)
	var got []string
	for _, m := range regexp.MustCompile(`<th scope="row"><a href="/item/([^"]+)"`).FindAllStringSubmatch(section, -1) {
		got = append(got, m[1])
	}
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("what runs out next: %v, reorder says %v", got, want)
	}
	for _, x := range day.Pull {
		if x.Short != "0" {
			contains(t, text, `<a href="/item/`+x.Item+`">`+x.Item+`</a> lacks `+words.Grouped(x.Short))
		}
	}
	contains(t, text, "Order or print "+words.Some(now)+" now")
	look, err := p.Look(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	r.site.Warm(t.Context(), look)
	sentence := regexp.MustCompile(`<h1 class="answer"[^>]*>([^<]+)</h1>`).FindStringSubmatch(body)[1]
	for _, path := range []string{"/items", "/ledger", "/devices"} {
		if _, _, other := r.get(t, path); !strings.Contains(other, ">"+sentence+"</a>") {
			t.Errorf("%s doesn't begin with %q", path, sentence)
		}
	}
}

// A look that was taken before somebody else recorded is never shown once that is known, whether figures are worked out beforehand or nobody is there.
func TestNoPageShowsAnOldLook(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	for _, awake := range []bool{true, false} {
		before, err := d.desk.Look(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		d.must("damage", "board", "1", "--reason", "sample") // another process: nothing is known of it here
		told := 0
		d.desk.look(t.Context(), d.store, func() bool { return awake }, func(after int64) {
			if told++; after != before.Version {
				t.Errorf("told of what came after %d, the look has %d", after, before.Version)
			}
		})
		after, err := d.desk.Look(t.Context())
		if err != nil || after.Version != before.Version+1 {
			t.Errorf("awake %v: look %d after look %d: %v", awake, after.Version, before.Version, err)
		}
		if told != boolInt(awake) {
			t.Errorf("awake %v: told %d times", awake, told)
		}
		if again, err := d.desk.Look(t.Context()); err != nil || again != after {
			t.Error("a look of the same events was taken twice", err)
		}
	}
	// A new day is another look of the same events.
	today, err := d.desk.Look(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	now := d.now.AddDate(0, 0, 1)
	d.desk.m.Now = func() time.Time { return now }
	tomorrow, err := d.desk.Look(t.Context())
	if err != nil || tomorrow.Today() == today.Today() || tomorrow.Run.AsOf <= today.Run.AsOf {
		t.Errorf("%s after %s: %v", tomorrow.Today(), today.Today(), err)
	}
}

// A new look that was asked for and couldn't be taken stays asked for: until then pages say what is wrong instead of showing what was thrown away.
func TestALookThatFailedIsTakenAgain(t *testing.T) {
	d := newFormDesk(t, formSetup...)
	before, err := d.desk.Look(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := d.desk.ThrowAway(t.Context()); err != nil {
		t.Fatal(err)
	}
	d.desk.store = nil
	for range 2 {
		if look, err := d.desk.Look(t.Context()); err == nil {
			t.Errorf("the look that was there before: %t", look == before)
		}
	}
	d.desk.store = d.store
	after, err := d.desk.Look(t.Context())
	if err != nil || after == before {
		t.Errorf("no new look was taken: %v", err)
	}
	if again, err := d.desk.Look(t.Context()); err != nil || again != after {
		t.Error("one look more than was asked for", err)
	}
}
