package reorder_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/outlook"
	"countback/projections/reorder"
	"countback/projections/report"
)

// shop uses four envelopes a day, and a sticker with each.
const shop = `
shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"Etc/UTC"}
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
item 2026-01-01 {"item":"env","name":"Envelope","type":"supply","unit":"each","packs":{"box":"50","carton":"400"},"supplier":"Quillmark Supply","lead_days":5,"lead_days_max":9}
item 2026-01-01 {"item":"sticker","name":"Sticker","type":"supply","unit":"each","supplier":"Tern Labels"}
item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","packs":{"spool":"50000"}}
packspec 2026-01-01 {"formats":[{"format":"letter","lines":[{"item":"env","qty":"1","per":"parcel"},{"item":"sticker","qty":"1","per":"parcel"},{"item":"cord","qty":"310","per":"parcel"}]}]}
restock 2026-01-01T01:00:00Z {"supplier":"Quillmark Supply","lines":[{"item":"card","qty":"5000","cost":"1000"},{"item":"env","qty":"6","pack":"box","cost":"30"},{"item":"sticker","qty":"700","cost":"21"},{"item":"cord","qty":"3","pack":"spool","cost":"36"}],"freight":"10.87"}
`

func orders(n int) string {
	var b strings.Builder
	for d := range n {
		at := time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC).AddDate(0, 0, d).Format("2006-01-02")
		for k := range 4 {
			fmt.Fprintf(&b, "order %sT09:%02d:00Z {\"order\":\"%s-%d\",\"zone\":\"home\",\"lines\":[{\"item\":\"card\",\"qty\":\"1\"}]}\n", at, k, at, k)
			fmt.Fprintf(&b, "pack %sT15:%02d:00Z {\"order\":\"%s-%d\"}\n", at, k, at, k)
		}
	}
	return b.String()
}

var usual = reorder.Terms{Service: 0.95, Cover: 56}

var style = report.Style{Zone: time.UTC}

type asked struct {
	*reorder.Report
	log *fold.Log
}

func ask(t *testing.T, text string, terms reorder.Terms) asked {
	t.Helper()
	log, err := fold.Read(context.Background(), foldtest.Facts(text), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	asOf := time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC).UnixMilli() - 1
	o, err := outlook.Of(log, fold.Run{AsOf: asOf}, outlook.Ask{Zone: time.UTC, Paths: reorder.Paths(terms.Service)})
	if err != nil {
		t.Fatal(err)
	}
	return asked{reorder.Of(log, o, style, terms), log}
}

func (a asked) item(t *testing.T, id string) *reorder.Item {
	t.Helper()
	for i := range a.Items {
		if a.Items[i].Item == id {
			return &a.Items[i]
		}
	}
	t.Fatal("no", id)
	return nil
}

// 60 envelopes are left and 4 a day go: they last about 15 days. A delivery takes 5 to 9.
func TestWhenAndHowMuchToOrder(t *testing.T) {
	r := ask(t, shop+orders(60), usual)
	env := r.item(t, "env")
	if env.OnHand != "60" || env.UsePerDay[0] != '3' && env.UsePerDay[0] != '4' {
		t.Error(env.OnHand, env.UsePerDay)
	}
	if *env.LeadDays != 5 || *env.LeadMost != 9 || env.LeadFrom != "item" {
		t.Error("lead time", *env.LeadDays, *env.LeadMost, env.LeadFrom)
	}
	if env.P10 > 15 || env.P50 < 13 || env.P50 > 17 || env.P90 < 15 {
		t.Error("runs out", env.P10, env.P50, env.P90)
	}
	if env.RunsOut.P50 != time.Date(2026, 3, 2+env.P50, 0, 0, 0, 0, time.UTC).Format("2006-01-02") {
		t.Error(env.RunsOut, env.P50)
	}
	if !env.HasBy || env.By < 2 || env.By > 7 || env.Now {
		t.Error("order by", env.By, env.OrderBy, env.Now)
	}
	// (9 + 56) days of 4 less 60 are 200: four boxes of 50, or five
	if env.Buy.Pack != "box" || env.Buy.Packs != "4" && env.Buy.Packs != "5" {
		t.Errorf("buy %+v", env.Buy)
	}
	// freight is a hundredth of the goods: 300 envelopes cost 30.30
	if want := map[string]string{"4": "20.20", "5": "25.25"}[env.Buy.Packs]; env.Buy.Cost != want {
		t.Errorf("cost %+v, want %s", env.Buy, want)
	}
	if r.Items[0].Item != "env" {
		t.Error("what runs out first stands on top:", r.Items[0].Item)
	}
	for i := range r.Items[1:] {
		if r.Items[i].P50 > r.Items[i+1].P50 {
			t.Error("out of order at", i)
		}
	}
}

func TestMoreServiceOrdersEarlier(t *testing.T) {
	by := map[float64]int{}
	for _, s := range []float64{0.5, 0.9, 0.95, 0.99, 0.999} {
		by[s] = ask(t, shop+orders(60), reorder.Terms{Service: s, Cover: 56}).item(t, "env").By
	}
	if !(by[0.5] >= by[0.9] && by[0.9] >= by[0.95] && by[0.95] >= by[0.99] && by[0.99] >= by[0.999] && by[0.5] > by[0.999]) {
		t.Error(by)
	}
}

func TestPastTheDay(t *testing.T) {
	r := ask(t, shop+orders(60)+`damage 2026-03-02T10:00:00Z {"item":"env","qty":"55","reason":"damaged"}`, usual)
	env := r.item(t, "env")
	if !env.Now || env.By > 0 || env.OrderBy > "2026-03-02" {
		t.Error(env.Now, env.By, env.OrderBy)
	}
}

func TestLeadTimes(t *testing.T) {
	past := shop + orders(60)
	if x := ask(t, past, usual).item(t, "sticker"); x.LeadFrom != "" || x.OrderBy != "" || x.HasBy || x.RunsOut.P50 == "" {
		t.Errorf("without a lead time there is a run-out and no day to order: %+v", x)
	}
	assumed := usual
	assumed.Lead = 6
	if x := ask(t, past, assumed).item(t, "sticker"); x.LeadFrom != "assumed" || *x.LeadMost != 6 || !x.HasBy {
		t.Errorf("assumed: %+v", x)
	}
	delivered := past
	for i, days := range []int{4, 5, 11} {
		at := time.Date(2026, 1, 3+16*i, 9, 0, 0, 0, time.UTC)
		delivered += fmt.Sprintf("#P%d purchase %s {\"supplier\":\"Tern Labels\",\"lines\":[{\"item\":\"sticker\",\"qty\":\"5\"}]}\n", i, at.Format(time.RFC3339))
		delivered += fmt.Sprintf("restock %s {\"supplier\":\"Tern Labels\",\"purchase\":\"#P%d\",\"lines\":[{\"item\":\"sticker\",\"qty\":\"5\",\"cost\":\"1\"}]}\n", at.AddDate(0, 0, days).Format(time.RFC3339), i)
	}
	if x := ask(t, delivered, assumed).item(t, "sticker"); x.LeadFrom != "deliveries" || *x.LeadDays != 5 || *x.LeadMost != 11 {
		t.Errorf("from deliveries: %v %v %v", x.LeadFrom, *x.LeadDays, *x.LeadMost)
	}
}

// 4 a day are 1460 a year; a box of 50 costs 5.05, so a year's keeping of it 1.01: √(2·29.2·10 ÷ 1.01) is 24 boxes.
func TestEconomicQuantity(t *testing.T) {
	cost := num.MustMoney("10")
	terms := usual
	terms.OrderCost, terms.Holding = &cost, 0.2
	env := ask(t, shop+orders(60), terms).item(t, "env")
	if env.Buy.Packs != "24" && env.Buy.Packs != "23" {
		t.Errorf("%+v", env.Buy)
	}
	cost = num.MustMoney("0.01") // then what is needed is more
	if env := ask(t, shop+orders(60), terms).item(t, "env"); env.Buy.Packs != "4" && env.Buy.Packs != "5" {
		t.Errorf("%+v", env.Buy)
	}
}

func TestPrintRunsAreWholeCycles(t *testing.T) {
	past := strings.Replace(shop+orders(60), `"item":"card","qty":"5000","cost":"1000"`, `"item":"card","qty":"260","cost":"52"`, 1) + `
item 2026-01-01 {"item":"sheet","name":"Sheet","type":"supply","unit":"each","lead_days":3}
makespec 2026-01-01 {"item":"card","pieces":"6","normal_spoilage":"0.05","lines":[{"item":"sheet","qty":"1","per":"cycle"}]}
`
	r := ask(t, past, usual)
	card := r.item(t, "card")
	if card.Make == nil || card.Buy.Packs != "0" || card.LeadFrom != "printed here" || card.Supplier != "" {
		t.Fatalf("%+v", card)
	}
	n := num.MustQty(card.Make.Pieces)
	if whole := n.Ceil(num.Whole(6)).Times(num.Whole(6)); whole.Cmp(n) != 0 || n.Less(num.Whole(80)) || num.Whole(150).Less(n) {
		t.Error("print", card.Make.Pieces)
	}
	if s := r.item(t, "sheet"); s.UsePerDay == "0" || s.P50 != 0 {
		t.Error("sheets are gone, and cards need some", s.UsePerDay, s.P50)
	}
}

func TestShoppingLists(t *testing.T) {
	terms := usual
	terms.Lead = 6
	r := ask(t, shop+orders(60), terms)
	s := r.Shopping(365, 2, style)
	var names []string
	for _, l := range s.Suppliers {
		names = append(names, l.Supplier)
		for _, x := range l.Items {
			if x.Supplier != l.Supplier || x.Packs == "0" || x.OrderBy < l.OrderBy {
				t.Errorf("%+v on the list of %s, order by %s", x, l.Supplier, l.OrderBy)
			}
		}
	}
	if len(names) == 0 || names[0] != "Quillmark Supply" {
		t.Error(names)
	}
	if none := r.Shopping(0, 2, style); len(none.Suppliers) != 0 || none.Total != "0.00" {
		t.Errorf("%+v", none)
	}
}

func TestABudgetBuysWhatRunsOutFirst(t *testing.T) {
	terms := usual
	terms.Lead, terms.Cover = 6, 200
	r := ask(t, shop+orders(60)+`damage 2026-03-02T10:00:00Z {"item":"cord","qty":"60000","reason":"damaged"}`, terms)
	for _, budget := range []string{"0.01", "5.04", "5.05", "12", "40", "10000"} {
		b := num.MustMoney(budget)
		s := r.Spend(b, 2, style)
		spent := num.MustMoney("0")
		last := -1
		for _, x := range s.Items {
			spent = spent.Add(num.MustMoney(x.Cost))
			if x.Cover < last {
				t.Errorf("%s: %s with %d days of cover comes after one with %d", budget, x.Item, x.Cover, last)
			}
			last = x.Cover
		}
		if b.Less(spent) || spent.String() != num.MustMoney(s.Spent).String() || num.MustMoney(s.Left).Add(spent).Cmp(b) != 0 {
			t.Errorf("%s: spent %s, said %s, left %s", budget, spent, s.Spent, s.Left)
		}
		switch budget {
		case "0.01", "5.04":
			if len(s.Items) != 0 && s.Items[0].Item == "env" {
				t.Error("a box for", budget)
			}
		case "5.05":
			if len(s.Items) == 0 || s.Items[0].Item != "env" || s.Items[0].Packs != "1" || len(s.Missing) == 0 {
				t.Errorf("for 5.05 there is one box: %+v", s.Items)
			}
		case "10000":
			if len(s.Missing) != 0 {
				t.Errorf("not paid for: %+v", s.Missing)
			}
		}
	}
}

func TestCountDays(t *testing.T) {
	count := func(days ...string) (string, bool) {
		text := shop
		for _, d := range days {
			for _, item := range []string{"env", "cord", "sticker"} {
				text += fmt.Sprintf("count %sT18:00:00Z {\"item\":%q,\"qty\":\"5\"}\n", strings.TrimPrefix(d, "env "), item)
				if strings.HasPrefix(d, "env ") {
					break
				}
			}
		}
		log, err := fold.Read(context.Background(), foldtest.Facts(text), fold.Choice{})
		if err != nil {
			t.Fatal(err)
		}
		day, ok := reorder.CountDay(log, time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli(), style)
		return outlook.Date(day).Format("2006-01-02"), ok
	}
	for _, c := range []struct {
		days []string
		want string
	}{
		{[]string{"2026-01-05", "2026-01-19", "2026-02-02"}, "2026-02-16"},
		{[]string{"2026-01-31", "2026-02-28", "2026-03-30"}, "2026-04-30"},
		{[]string{"2025-12-31", "2026-01-30", "2026-01-31"}, "2026-02-28"},
	} {
		if got, ok := count(c.days...); !ok || got != c.want {
			t.Errorf("%v: %s %v, want %s", c.days, got, ok, c.want)
		}
	}
	// a single item looked at in between is no day of counting
	between, _ := count("2026-01-05", "env 2026-01-08", "2026-01-19", "env 2026-01-20", "2026-02-02", "env 2026-02-05")
	if between != "2026-02-16" {
		t.Error(between)
	}
	if _, ok := count("2026-01-05"); ok {
		t.Error("one day is no habit")
	}
}

// The members that other programs read are there under their names, and lists are never null.
func TestNamesInJSON(t *testing.T) {
	b, err := json.Marshal(ask(t, shop, usual).Report)
	if err != nil {
		t.Fatal(err)
	}
	for name := range strings.FieldsSeq("as_of engine items item on_hand on_order use_per_day runs_out p10 p50 p90 order_by buy qty packs pack now") {
		if !strings.Contains(string(b), `"`+name+`":`) {
			t.Errorf("no %s in %s", name, b)
		}
	}
	if strings.Contains(string(b), "null") {
		t.Errorf("%s", b)
	}
}
