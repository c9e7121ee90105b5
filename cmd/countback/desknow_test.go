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
