package main

import (
	"encoding/json"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"countback/cmd/countback/words"
	"countback/ledger/num"
	"countback/projections/audit"
	"countback/projections/closing"
	"countback/projections/orders"
	"countback/projections/plan"
	"countback/projections/reorder"
	"countback/projections/review"
	"countback/projections/shrinkage"
	"countback/projections/use"
)

var (
	rowPattern  = regexp.MustCompile(`(?s)<tr[^>]*>(.*?)</tr>`)
	cellPattern = regexp.MustCompile(`(?s)<t[hd][^>]*>(.*?)</t[hd]>`)
	tagPattern  = regexp.MustCompile(`(?s)<[^>]*>`)
)

// tableRows are the rows of all tables of a page, as text.
func tableRows(body string) (rows [][]string) {
	for _, r := range rowPattern.FindAllStringSubmatch(body, -1) {
		var cells []string
		for _, c := range cellPattern.FindAllStringSubmatch(r[1], -1) {
			cells = append(cells, textOf(c[1]))
		}
		rows = append(rows, cells)
	}
	return rows
}

func textOf(s string) string {
	return strings.Join(strings.Fields(html.UnescapeString(tagPattern.ReplaceAllString(s, " "))), " ")
}

// hasRow wants a row that begins with a text and has the wanted cells, in their order, among the others.
func hasRow(t *testing.T, rows [][]string, first string, wants ...string) {
	t.Helper()
	var near [][]string
	for _, r := range rows {
		if len(r) == 0 || r[0] != first {
			continue
		}
		near = append(near, r)
		k := 0
		for _, c := range r[1:] {
			if k < len(wants) && c == wants[k] {
				k++
			}
		}
		if k == len(wants) {
			return
		}
	}
	t.Errorf("no row %q with %q; there are %q", first, wants, near)
}

// minused is a figure as pages write it: with a real minus sign.
func minused(s string) string {
	if rest, ok := strings.CutPrefix(words.Grouped(s), "-"); ok {
		return "−" + rest
	}
	return words.Grouped(s)
}

// demoPages are the pages of the demo shop's ledger.
func demoPages(t *testing.T) *formDesk {
	t.Helper()
	d := &formDesk{bench: demoShop(t), t: t}
	d.open()
	return d
}

// whole gets a page whose figures are there: it waits as an open page does that is renewed.
func (d *formDesk) whole(path string) answer {
	d.t.Helper()
	r, err := http.NewRequest(http.MethodGet, d.base+path, nil)
	if err != nil {
		d.t.Fatal(err)
	}
	r.Header.Set("X-Live", "1")
	a := d.read(d.http.Do(r))
	if a.status != http.StatusOK {
		d.t.Fatalf("%s: %d\n%s", path, a.status, mainOf(a.body))
	}
	return a
}

// report runs a command and reads its JSON.
func (d *formDesk) report(to any, line string) {
	d.t.Helper()
	o := d.command(line + " --json")
	if err := json.Unmarshal([]byte(o.out), to); err != nil {
		d.t.Fatalf("%s: %v", line, err)
	}
}

// Every figure of the pages of reports is that of the command's JSON.
func TestReportPagesSayWhatReportsSay(t *testing.T) {
	if testing.Short() {
		t.Skip("it folds the demo's year many times")
	}
	d := demoPages(t)
	t.Run("packing", func(t *testing.T) {
		var r plan.Report
		d.report(&r, "plan")
		a := d.whole("/packing")
		rows := tableRows(a.body)
		contains(t, a.body, r.Choice.Text())
		for _, p := range r.Pull {
			hasRow(t, rows, p.Name, words.InUnit(p.Take, p.Unit), words.InUnit(p.OnHand, p.Unit))
			if p.Short != "0" {
				contains(t, textOf(a.body), "Short: "+words.InUnit(p.Short, p.Unit)+" of "+p.Name)
			}
		}
		for _, p := range r.Prepare {
			pieces := words.Grouped(p.Now)
			if p.Now != p.Pieces {
				pieces += " of " + words.Grouped(p.Pieces)
			}
			what := p.Work + ": " + p.Name
			if p.Work != plan.MakeUp {
				what += " , " + words.What(p)
			}
			hasRow(t, rows, what, pieces)
		}
		for _, o := range r.Orders {
			var holds []string
			for _, p := range o.Parcels {
				holds = append(holds, p.Format+": "+words.Goods(p.Lines))
			}
			found := false
			for _, row := range rows {
				found = found || len(row) > 3 && row[0] == o.Order && strings.HasPrefix(row[3], strings.Join(holds, " "))
			}
			if !found {
				t.Errorf("order %s doesn't stand there with %q", o.Order, holds)
			}
		}
	})
	t.Run("orders", func(t *testing.T) {
		var m, byItem orders.Grouped
		d.report(&m, "cost --by month")
		d.report(&byItem, "cost --by item")
		a := d.whole("/orders")
		rows := tableRows(a.body)
		for _, g := range m.Groups {
			hasRow(t, rows, g.Name, minused(num.Whole(int64(g.Orders)).String()), minused(g.Goods), minused(g.Packing), minused(g.Material), minused(g.PerOrder), minused(g.Postage))
		}
		hasRow(t, rows, "Together", minused(m.Total))
		dearest := byItem.Groups[0]
		for _, g := range byItem.Groups {
			if words.Quantity(dearest.Material).Less(words.Quantity(g.Material)) {
				dearest = g
			}
		}
		contains(t, a.body, minused(dearest.Material), minused(byItem.Total))
		var one orders.Report
		d.report(&one, "cost 3399")
		rows = tableRows(d.whole("/orders/3399").body)
		for _, l := range one.Orders[0].Lines {
			hasRow(t, rows, d.desk.looks.last.Def(l.Item).Name, minused(l.Qty), minused(l.Cost))
		}
		hasRow(t, rows, "Material", minused(one.Orders[0].Material))
	})
	t.Run("losses", func(t *testing.T) {
		var r shrinkage.Report
		d.report(&r, "shrinkage")
		a := d.whole("/losses")
		rows := tableRows(a.body)
		for _, it := range r.Items {
			hasRow(t, rows, it.Name, words.InUnit(it.Used, it.Unit), words.InUnit(it.RecordedLoss, it.Unit), words.InUnit(it.Unknown, it.Unit), minused(it.UnknownValue), words.Percent(it.ShareOfUse), words.Span(it.Low, it.High))
		}
		for _, list := range [][]shrinkage.Group{r.Places, r.Suppliers, r.Kinds, r.Months} {
			for _, g := range list {
				name := g.Name
				if name == "" {
					name = "(none)"
				}
				hasRow(t, rows, name, minused(g.RecordedValue), minused(g.UnknownValue))
			}
		}
		// A group leads to what was recorded of its items in its time.
		found := 0
		for _, m := range regexp.MustCompile(`<th scope="row"><a href="(/ledger\?from=[^"]*)">`).FindAllStringSubmatch(a.body, -1) {
			found++
			link := html.UnescapeString(m[1])
			entries := d.whole(link)
			if strings.Contains(entries.body, "Nothing was recorded") || strings.Contains(entries.body, "there is no item") || !strings.Contains(textOf(entries.body), "the newest first") {
				t.Errorf("%s leads nowhere", link)
			}
		}
		if n := len(r.Places) + len(r.Suppliers) + len(r.Kinds) + len(r.Months); found != n {
			t.Errorf("%d of %d groups lead to their entries", found, n)
		}
		for _, c := range []struct {
			items string
			words string
		}{{"stiffener, cord", "What was recorded of 2 items"}, {"stiffener", "What was recorded of"}, {"stiffener, nothing", "there is no item"}} {
			if text := textOf(d.whole("/ledger?item=" + url.QueryEscape(c.items)).body); !strings.Contains(text, c.words) {
				t.Errorf("%s: %s", c.items, text)
			}
		}
		for _, x := range r.Reasons {
			hasRow(t, rows, words.Reason(x.Name), minused(x.Value))
		}
		hasRow(t, rows, "Total", minused(r.Total.UnknownValue))
		var year shrinkage.Report
		d.report(&year, "shrinkage --from 2026-01-01 --to 2026-06-30")
		rows = tableRows(d.whole("/losses?from=2026-01-01&to=2026-06-30").body)
		for _, it := range year.Items {
			hasRow(t, rows, it.Name, words.InUnit(it.Used, it.Unit), words.InUnit(it.Unknown, it.Unit), minused(it.UnknownValue))
		}
		rows = tableRows(d.whole("/losses?item=stiffener").body)
		d.report(&r, "shrinkage stiffener")
		for _, n := range r.Items[0].Intervals {
			hasRow(t, rows, d.dayText(n.From), minused(n.Opening), minused(n.In), minused(n.Used), minused(n.RecordedLoss), minused(n.Book), minused(n.Counted), minused(n.Unknown), minused(n.UnknownValue))
		}
	})
	t.Run("use", func(t *testing.T) {
		var r use.Report
		d.report(&r, "use")
		rows := tableRows(d.whole("/counting/use").body)
		for _, it := range r.Items {
			wants := []string{words.InUnit(it.SpecQty, it.Unit), words.InUnit(it.ActualQty, it.Unit), words.Ratio(it.Ratio), words.Ratio(it.Low) + " to " + words.Ratio(it.High)}
			if it.Proposed != nil {
				wants = append(wants, it.Proposed.QtyNow+" → "+it.Proposed.Qty+words.Measure(it.Proposed))
			}
			hasRow(t, rows, it.Name, wants...)
		}
	})
	t.Run("why", func(t *testing.T) {
		var r struct {
			audit.Report
			Notes []string `json:"notes"`
		}
		d.report(&r, "audit stiffener")
		a := d.whole("/why/stiffener")
		rows := tableRows(a.body)
		contains(t, a.body, html.EscapeString(words.Audit(&r.Report)))
		hasRow(t, rows, "Expected", minused(r.Expected), minused(r.ExpectedValue))
		hasRow(t, rows, "There was", minused(r.Actual), minused(r.ActualValue))
		sum := words.Quantity(r.Expected)
		for _, l := range r.Bridge {
			sum = sum.Add(words.Quantity(l.Qty))
			if !words.Quantity(l.Qty).IsZero() {
				hasRow(t, rows, words.Part(l.Part, l.Qty, false), words.Signed(l.Qty), words.Signed(l.Value))
			}
			for _, s := range l.Sub {
				hasRow(t, rows, s.Name, words.Signed(s.Qty))
			}
		}
		if sum != words.Quantity(r.Actual) {
			t.Errorf("the parts add up to %s, and there was %s", sum, r.Actual)
		}
		for _, f := range r.Findings {
			contains(t, a.body, words.Cause(&f), html.EscapeString(f.Why))
			for _, id := range f.Events {
				contains(t, a.body, "/event/"+id)
			}
		}
	})
	t.Run("buying", func(t *testing.T) {
		var r reorder.Report
		d.report(&r, "reorder")
		a := d.whole("/buying?within=14&budget=100")
		rows := tableRows(a.body)
		for _, it := range r.Items {
			if it.Basis != "none" {
				hasRow(t, rows, it.Name, words.InUnit(it.OnHand, it.Unit), words.PerDay(it.UsePerDay))
			}
		}
		var s reorder.Shopping
		d.report(&s, "reorder --buy --within 14")
		for _, list := range s.Suppliers {
			contains(t, a.body, list.Supplier)
			for i := range list.Items {
				l := &list.Items[i]
				hasRow(t, rows, l.Name, words.Packs(l), words.InUnit(l.Qty, l.Unit), minused(l.Cost))
			}
			if len(list.Items) > 1 {
				hasRow(t, rows, "Together", minused(list.Total))
			}
		}
		var b reorder.Spending
		d.report(&b, "reorder --budget 100")
		hasRow(t, rows, "Together", minused(b.Spent))
		contains(t, textOf(a.body), minused(b.Left)+" "+b.Currency+" is left")
		var service reorder.Report
		d.report(&service, "reorder --service 80 --busier 1.5 --order-cost 6")
		rows = tableRows(d.whole("/buying?service=80&busier=1,5&order_cost=6").body)
		for i := range service.Items {
			if it := &service.Items[i]; it.Basis != "none" && it.Buy.Packs != "0" && it.Make == nil {
				hasRow(t, rows, it.Name, words.PerDay(it.UsePerDay), words.ToGet(it))
			}
		}
	})
	t.Run("closing", func(t *testing.T) {
		var r closing.Report
		d.report(&r, "close 2025-11 --dry-run")
		a := d.whole("/closing/2025-11")
		rows := tableRows(a.body)
		contains(t, a.body, html.EscapeString(r.Caution), minused(r.Totals.Material.Value))
		for _, it := range r.Items {
			if it.Closing.Value == "0.00" && it.Opening.Value == "0.00" && it.Bought.Value == "0.00" {
				continue
			}
			name := it.Name
			if it.Unit != "each" {
				name += " , " + it.Unit
			}
			hasRow(t, rows, name, minused(it.Closing.Value))
			hasRow(t, rows, name, minused(it.Closing.Qty))
		}
		var sum []string
		for i, c := range r.Totals.List() {
			if i == 0 || i == len(words.RollHeads)-1 || !words.Quantity(c.Cell.Value).IsZero() {
				sum = append(sum, minused(c.Cell.Value))
			}
		}
		hasRow(t, rows, "Total", sum...)
		hasRow(t, rows, "Material cost of orders", minused(r.Totals.Material.Average), minused(r.Totals.Material.FIFO))
	})
	t.Run("decide", func(t *testing.T) {
		var r review.Report
		d.report(&r, "review")
		text := strings.ToLower(textOf(d.whole("/decide").body))
		for _, it := range r.Items {
			if !strings.Contains(text, strings.ToLower(it.Why)) {
				t.Errorf("nothing is said of %q", it.Why)
			}
		}
	})
	t.Run("calendar", func(t *testing.T) {
		a := d.whole("/buying/calendar.ics")
		o := d.command("reorder --calendar -")
		if a.body != o.out {
			t.Errorf("the page's file differs from the command's:\n%s\n%s", a.body, o.out)
		}
	})
}

// dayText is a day of a report as pages write it.
func (d *formDesk) dayText(s string) string {
	day := words.DayOf(s)
	if strings.HasSuffix(day, d.desk.Now().Format(" 2006")) {
		return strings.TrimSuffix(day, d.desk.Now().Format(" 2006"))
	}
	return day
}

// Every link of the pages of reports leads somewhere. Of links that differ in what they are about, one of each shape is followed.
func TestLinksOfReportPagesLead(t *testing.T) {
	d := demoPages(t)
	hrefs := regexp.MustCompile(`href="(/[^"]*)"`)
	name := regexp.MustCompile(`=[^&]*|/(item|event|orders|why|closing)/[^/?]+`)
	seen := map[string]bool{}
	for _, path := range []string{"/packing", "/orders", "/orders/3399", "/orders/3440", "/counting", "/counting/enter", "/counting/sheet", "/counting/use?item=stiffener", "/counting/result?session=2026-10+count",
		"/losses", "/losses?item=stiffener", "/why", "/why/stiffener", "/buying?within=30&budget=50", "/closing", "/closing/2025-11", "/decide"} {
		for _, m := range hrefs.FindAllStringSubmatch(mainOf(d.whole(path).body), -1) {
			href, _, _ := strings.Cut(html.UnescapeString(m[1]), "#")
			shape := name.ReplaceAllString(href, "=$1")
			if seen[shape] {
				continue
			}
			seen[shape] = true
			if a := d.get(href); a.status != http.StatusOK {
				t.Errorf("%s leads to %s: %d\n%s", path, href, a.status, mainOf(a.body))
			}
		}
	}
	if len(seen) < 30 {
		t.Errorf("only %d shapes of links were found", len(seen))
	}
}
