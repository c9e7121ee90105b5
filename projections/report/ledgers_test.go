package report_test

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/projections/bridge"
	"countback/projections/fold"
	"countback/projections/history"
	"countback/projections/oracle"
	"countback/projections/orders"
	"countback/projections/purchases"
	"countback/projections/report"
	"countback/projections/review"
	"countback/projections/stock"
)

// costings are both ways, as a shop names them.
var costings = []string{"average", "fifo"}

// later is an instant after all that random ledgers hold, in ms.
const later = oracle.Start + 2*oracle.Days*86_400_000

// withShop adds the shop's settings to a random ledger, which has none, behind the last event of its first log.
func withShop(events []*event.Event, costing string) []*event.Event {
	shop := &event.Event{Device: events[0].Device, Shop: events[0].Shop, Version: 1, Kind: event.KindShop, Time: event.TimeOf(time.UnixMilli(oracle.Start - 1000).UTC())}
	shop.Data = &event.Shop{Name: "Fennimoor Paper", Currency: "CAD", Zone: "America/Halifax", Costing: costing}
	shop.ID = event.ID{1, 0, 0, 0, 0, 0, 1}
	for _, e := range events {
		if e.Device == shop.Device {
			shop.Seq = max(shop.Seq, e.Seq+1)
		}
	}
	return append(events[:len(events):len(events)], shop)
}

// chained writes every log of a ledger as its device would: each event names the hash of the one before. The events come log by log.
func chained(events []*event.Event) (logs [][]*event.Event) {
	at := map[string]int{}
	for _, e := range events {
		n, ok := at[e.Device]
		if !ok {
			n = len(logs)
			at[e.Device] = n
			logs = append(logs, nil)
		}
		for int(e.Seq) > len(logs[n]) {
			logs[n] = append(logs[n], nil)
		}
		logs[n][e.Seq-1] = e
	}
	for _, log := range logs {
		prev := event.FirstPrev
		for i, e := range log {
			log[i] = sealed(e, prev)
			prev = log[i].Hash
		}
	}
	return logs
}

// sealed is an event as a line of its log, with a signature of zeros, which no fold looks at. An event whose data is void keeps its kind and says nothing.
func sealed(e *event.Event, prev string) *event.Event {
	u := event.Unsigned{ID: e.ID, Shop: e.Shop, Device: e.Device, Time: e.Time, Seq: e.Seq, Prev: prev, Data: e.Data}
	if e.Data == nil {
		u.Data = &event.Retire{Item: "x"}
	}
	head, err := u.Head()
	if err != nil {
		panic(err)
	}
	if e.Data == nil {
		head = []byte(strings.Replace(strings.Replace(string(head), "countback.retire.v1", "countback."+string(e.Kind)+".v1", 1), `{"item":"x"}`, `{}`, 1))
	}
	line, err := event.Seal(head, strings.Repeat("A", 86))
	if err != nil {
		panic(err)
	}
	out, err := event.ParseLine(line)
	if err != nil {
		panic(err)
	}
	return out
}

// asked is what the reports are asked for.
type asked struct {
	asOf, known int64    // ms, 0: all
	leave       []string // topics that review leaves out
	noEvents    bool     // no history of single events
	noTime      bool     // as-of isn't printed
}

var asOfText = regexp.MustCompile(`"as_of": "[^"]*"`)

// exact is every exact report on a ledger, as a command prints it: what is on hand, what orders cost by order, month and item, the history of every item, order
// and event, what is on order, what is to review.
func exact(src fold.Source, a asked) (string, error) {
	zone, err := time.LoadLocation("America/Halifax")
	if err != nil {
		return "", err
	}
	log, err := fold.Read(context.Background(), src, fold.Choice{Known: a.known})
	if err != nil {
		return "", err
	}
	var out strings.Builder
	print := func(name string, r any) {
		text, err := json.MarshalIndent(r, "", " ")
		if err != nil {
			panic(err)
		}
		if a.noTime {
			text = asOfText.ReplaceAll(text, nil)
		}
		fmt.Fprintf(&out, "# %s\n%s\n", name, text)
	}
	run := fold.Run{AsOf: a.asOf, Orders: true}
	var events []event.ID
	if !a.noEvents {
		log.Events(func(e *event.Event, _ bool) { events = append(events, e.ID) })
	}
	on := map[string]string{}
	for item, q := range purchases.OnOrder(purchases.Open(log, a.asOf)) {
		on[log.Catalog.Items[item].ID] = q.String()
	}
	print("on order", on)
	state, style := log.Run(run), report.Style{Zone: zone}
	for _, st := range []report.Style{style, {Zone: zone, Exact: true}} {
		print("stock", stock.Of(state, st, ""))
		print("orders", orders.Of(state, st, ""))
		print("orders by month", orders.ByMonth(state, st, ""))
		print("orders by item", orders.ByItem(state, st, ""))
	}
	for _, it := range log.Catalog.Items {
		r, _ := history.Of(log, run, style, history.What{Item: it.ID})
		print("history of "+it.ID, r)
	}
	rec := bridge.Read(log, run)
	for _, it := range log.Catalog.Items {
		if w, err := rec.Window(it.Index, bridge.Ask{}); err == nil && (w.Counted || w.RanOut) { // else it ends with as-of itself
			print("bridge of "+it.ID, rec.ReportOf(style, []bridge.Bridge{rec.Of(it.Index, w, zone)}))
		}
	}
	for _, o := range []string{"A1", "A2", "A3", "A4"} {
		r, _ := history.Of(log, run, report.Style{Zone: zone, Exact: true}, history.What{Order: o})
		print("history of "+o, r)
	}
	for i := 0; i < len(events); i += 7 { // enough of them
		r, _ := history.Of(log, run, style, history.What{Event: events[i]})
		print("history of "+events[i].String(), r)
	}
	r, _ := review.Of(log, run, style)
	r.Items = slices.DeleteFunc(r.Items, func(i review.Item) bool { return slices.Contains(a.leave, i.Topic) })
	print("review", r)
	return out.String(), nil
}

func mustExact(t *rapid.T, src fold.Source, a asked) string {
	t.Helper()
	text, err := exact(src, a)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// parts lists the lines that only one of two texts has, behind the name of the report that they stand in.
func parts(a, b string) string {
	split := func(text string) map[string][]string {
		m := map[string][]string{}
		for _, r := range strings.Split(text, "# ") {
			name, body, _ := strings.Cut(r, "\n")
			m[name] = append(m[name], strings.Split(body, "\n")...)
		}
		return m
	}
	x, y := split(a), split(b)
	var out []string
	for _, name := range slices.Sorted(maps.Keys(x)) {
		for _, l := range x[name] {
			if !slices.Contains(y[name], l) {
				out = append(out, name+", first only: "+strings.TrimSpace(l))
			}
		}
		for _, l := range y[name] {
			if !slices.Contains(x[name], l) {
				out = append(out, name+", then only: "+strings.TrimSpace(l))
			}
		}
		if len(out) == 0 && !slices.Equal(x[name], y[name]) {
			out = append(out, name+": the same lines in another order or number")
		}
	}
	return strings.Join(out, "\n")
}

// drawn is a random ledger.
func drawn(t *rapid.T) []*event.Event {
	return oracle.Ledger(t, rapid.SampledFrom([]int{8, 16, 32}).Draw(t, "size"))
}

// source is lines in some order.
type source []*event.Event

// Lines implements fold.Source.
func (s source) Lines(_ context.Context, fn func([]byte) error) error {
	for _, e := range s {
		if err := fn(e.Line); err != nil {
			return err
		}
	}
	return nil
}

func all(logs [][]*event.Event) source {
	var list source
	for _, log := range logs {
		list = append(list, log...)
	}
	return list
}
