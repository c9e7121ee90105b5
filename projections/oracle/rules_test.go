package oracle_test

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/projections/oracle"
)

// script reads a ledger: one event a line, as "NAME DEVICE TIME KIND DATA". A time is a day (then noon) or day and hour, all UTC. #NAME in data
// is that event's id. Lines that begin with + stand for an item: "+card good each {more data}".
func script(t *testing.T, text string) []*event.Event {
	t.Helper()
	var events []*event.Event
	ids := map[string]string{}
	var lines [][]string
	for i, n := range strings.Split(strings.TrimSpace(text), "\n") {
		f := strings.SplitN(strings.TrimSpace(n), " ", 5)
		if strings.HasPrefix(f[0], "+") {
			more := ""
			if len(f) > 3 {
				more = "," + strings.Join(f[3:], " ")
			}
			name := f[0][1:]
			f = []string{"item-" + name, "a", "2026-01-01", "item", fmt.Sprintf(`{"item":%q,"name":%q,"type":%q,"unit":%q%s}`, name, name, f[1], f[2], more)}
		}
		ids[f[0]] = fmt.Sprintf("01KE%022d", i)
		lines = append(lines, f)
	}
	ref := regexp.MustCompile(`#[A-Za-z0-9-]+`)
	for i, f := range lines {
		day, hour, timed := strings.Cut(f[2], "T")
		if !timed {
			hour = "12:00:00"
		}
		data := ref.ReplaceAllStringFunc(f[4], func(s string) string { return ids[s[1:]] })
		fact, err := event.ParseFact([]byte(fmt.Sprintf(`{"id":%q,"kind":%q,"time":"%sT%sZ","data":%s}`, ids[f[0]], f[3], day, hour, data)))
		if err != nil {
			t.Fatalf("%s: %v", f[0], err)
		}
		events = append(events, &event.Event{ID: fact.ID, Shop: "s", Device: f[1], Kind: fact.Data.Kind(), Version: 1, Time: fact.Time, Seq: int64(i + 1), Data: fact.Data})
	}
	return events
}

// said writes the figures that a test asks for: "item.on_hand", "item.average", "item.fifo", "item.COLUMN" (quantity, average, fifo),
// "order.goods", "order.packing", "order.parcels", "order.lines", "pending", "void".
func said(o oracle.Out, ask string) string {
	of, what, _ := strings.Cut(ask, ".")
	switch of {
	case "pending":
		return fmt.Sprint(len(o.Pending))
	case "void":
		return fmt.Sprint(len(o.Void))
	case "due":
		return num(o.OnOrder[what], 6)
	}
	for _, it := range o.Items {
		if it.ID != of {
			continue
		}
		switch what {
		case "on_hand":
			return num(it.OnHand, 6)
		case "average":
			return num(it.Average, 8)
		case "fifo":
			return num(it.FIFO, 8)
		case "layers":
			var list []string
			for _, n := range it.Layers {
				list = append(list, num(n.Qty, 6)+"="+num(n.Value, 8))
			}
			return strings.Join(list, " ")
		}
		a := it.Columns[oracle.Column(what)]
		return num(a.Qty, 6) + " " + num(a.Average, 8) + " " + num(a.FIFO, 8)
	}
	for _, r := range o.Orders {
		if r.Order != of {
			continue
		}
		switch what {
		case "goods":
			return num(r.Goods.Average, 8) + " " + num(r.Goods.FIFO, 8)
		case "packing":
			return num(r.Packing.Average, 8) + " " + num(r.Packing.FIFO, 8)
		case "parcels":
			return fmt.Sprint(r.Parcels)
		case "zone":
			return r.Zone
		case "lines":
			var list []string
			for _, n := range r.Lines {
				s := n.Item + " " + num(n.Qty, 6) + " " + num(n.Average, 8)
				if n.Provisional {
					s += " provisional"
				}
				list = append(list, s)
			}
			return strings.Join(list, ", ")
		}
	}
	return "nothing"
}

func num(r *big.Rat, places int) string {
	if r == nil {
		return "nothing"
	}
	s := r.FloatString(places)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// Expected figures are worked by hand from the rule that names the case.
var rules = []struct {
	rule, script string
	want         map[string]string
}{
	{"a run's abnormal pieces carry their share of the cost (the page's example)", `
+card good each
+stock supply each
s a 2026-01-02 makespec {"item":"card","pieces":"1","normal_spoilage":"0.05","lines":[{"item":"stock","qty":"1","per":"piece"}]}
r a 2026-01-03 restock {"lines":[{"item":"stock","qty":"100","cost":"100.00"}]}
p a 2026-01-04 reprint {"item":"card","good":"90","spoiled":"10"}`,
		map[string]string{"card.made": "90 100 100", "card.lost": "0 5 5", "card.average": "95", "card.on_hand": "90", "stock.into_runs": "100 100 100"}},
	{"with no good piece the whole cost is lost", `
+card good each
+stock supply each
r a 2026-01-03 restock {"lines":[{"item":"stock","qty":"10","cost":"7"}]}
p a 2026-01-04 reprint {"item":"card","good":"0","spoiled":"4","changes":[{"item":"stock","qty":"4"}]}`,
		map[string]string{"card.made": "0 2.8 2.8", "card.lost": "0 2.8 2.8", "card.on_hand": "0", "card.average": "0"}},
	{"average mixes, first-in first-out takes the oldest, the last unit takes the rest", `
+card good each
r1 a 2026-01-02 restock {"lines":[{"item":"card","qty":"3","cost":"1"}]}
r2 a 2026-01-03 restock {"lines":[{"item":"card","qty":"1","cost":"1"}]}
d1 a 2026-01-04 damage {"item":"card","qty":"1","reason":"gift"}
d2 a 2026-01-05 damage {"item":"card","qty":"2","reason":"other"}`,
		map[string]string{"card.given": "1 0.5 0.33333333", "card.lost": "2 1 0.66666667", "card.average": "0.5", "card.layers": "1=1"}},
	{"an issue that takes exactly what is there leaves its unit cost for the next", `
+card good each "unit_cost":"9"
r1 a 2026-01-02 restock {"lines":[{"item":"card","qty":"2","cost":"2"}]}
r2 a 2026-01-03 restock {"lines":[{"item":"card","qty":"2","cost":"6"}]}
d1 a 2026-01-04 damage {"item":"card","qty":"4","reason":"sample"}
d2 a 2026-01-05 damage {"item":"card","qty":"1","reason":"sample"}`,
		map[string]string{"card.given": "5 10 11", "card.average": "-2", "card.fifo": "-3"}},
	{"a part that settles only some of the queue sets no pair", `
+card good each
r1 a 2026-01-02 restock {"lines":[{"item":"card","qty":"1","cost":"2"}]}
d1 a 2026-01-03 damage {"item":"card","qty":"5","reason":"sample"}
r2 a 2026-01-04 restock {"lines":[{"item":"card","qty":"1","cost":"7"}]}
d2 a 2026-01-05 damage {"item":"card","qty":"1","reason":"other"}`,
		map[string]string{"card.lost": "1 2 2", "card.adjusted": "0 5 5", "card.on_hand": "-4", "card.average": "-8"}},
	{"halves are rounded to the even digit", `
+card good each
r1 a 2026-01-02 restock {"lines":[{"item":"card","qty":"2","cost":"0.00000005"}]}
d1 a 2026-01-03 damage {"item":"card","qty":"1","reason":"gift"}`,
		map[string]string{"card.given": "1 0.00000002 0.00000002", "card.average": "0.00000003"}},
	{"a resend that moved uses up no line", `
+a good each
o a 2026-01-02 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"2"}]}
p1 a 2026-01-03 pack {"order":"1","resend":true}
p2 a 2026-01-04 pack {"order":"1"}
p3 a 2026-01-05 pack {"order":"1"}`,
		map[string]string{"a.sold": "4 0 0", "pending": "1"}},
	{"stock below zero is provisional and trued up by the next receipt", `
+card good each
r1 a 2026-01-02 restock {"lines":[{"item":"card","qty":"3","cost":"1"}]}
d1 a 2026-01-03 damage {"item":"card","qty":"5","reason":"sample"}
r2 a 2026-01-04 restock {"lines":[{"item":"card","qty":"8","cost":"4"}]}`,
		// 2 short at 2·1/3 = 0.66666667; they take 4·2/8 = 1 of the receipt.
		map[string]string{"card.given": "5 1.66666667 1.66666667", "card.adjusted": "0 0.33333333 0.33333333", "card.average": "3", "card.on_hand": "6", "card.layers": "6=3"}},
	{"without a pair the cost estimate in force is provisional", `
+card good each "unit_cost":"0.3"
d1 a 2026-01-03 damage {"item":"card","qty":"5","reason":"sample"}`,
		map[string]string{"card.given": "5 1.5 1.5", "card.on_hand": "-5", "card.average": "-1.5", "card.fifo": "-1.5"}},
	{"a count from below zero settles at the provisional cost", `
+card good each
r1 a 2026-01-02 restock {"lines":[{"item":"card","qty":"2","cost":"1"}]}
d1 a 2026-01-03 damage {"item":"card","qty":"5","reason":"own_use"}
c1 a 2026-01-04 count {"item":"card","qty":"4"}`,
		map[string]string{"card.gained": "7 3.5 3.5", "card.adjusted": "0 0 0", "card.average": "2", "card.on_hand": "4"}},
	{"charges are spread in minor units by largest remainder, ties to the earlier line", `
+a supply each
+b supply each
+c supply each
r a 2026-01-02 restock {"lines":[{"item":"a","qty":"1","cost":"1"},{"item":"b","qty":"1","cost":"1"},{"item":"c","qty":"1","cost":"1"}],"freight":"0.05","discount":"1"}`,
		map[string]string{"a.average": "0.68", "b.average": "0.69", "c.average": "0.68"}},
	{"amounts in another currency are converted and rounded first", `
+a supply each
r a 2026-01-02 restock {"lines":[{"item":"a","qty":"4","cost":"1.01"}],"freight":"0.5","currency":"XTS","rate":"1.5"}`,
		map[string]string{"a.bought": "4 2.27 2.27"}}, // 1.515 → 1.52, 0.75
	{"a cost with nothing received is bought and adjusted", `
+a supply each
r a 2026-01-02 restock {"lines":[{"item":"a","qty":"0","expected":"5","cost":"3"}]}`,
		map[string]string{"a.bought": "0 3 3", "a.adjusted": "0 3 3", "a.average": "0"}},
	{"a credit without quantity reaches only what is still on hand", `
+a supply each
r a 2026-01-02 restock {"lines":[{"item":"a","qty":"10","cost":"20"}]}
d a 2026-01-03 damage {"item":"a","qty":"6","reason":"other"}
k a 2026-01-04 credit {"restock":"#r","lines":[{"item":"a","amount":"5"}]}`,
		map[string]string{"a.credited": "0 5 5", "a.adjusted": "0 -3 -3", "a.average": "6", "a.fifo": "6"}},
	{"a credit with quantity is an issue from that restock's layers first", `
+a supply each
r1 a 2026-01-02 restock {"lines":[{"item":"a","qty":"2","cost":"2"}]}
r2 a 2026-01-03 restock {"lines":[{"item":"a","qty":"2","cost":"6"}]}
k a 2026-01-04 credit {"restock":"#r2","lines":[{"item":"a","qty":"1","amount":"2.5"}]}`,
		map[string]string{"a.credited": "1 2.5 2.5", "a.adjusted": "0 -0.5 0.5", "a.average": "6", "a.layers": "2=2 1=3"}},
	{"a later bill with none on hand is all adjusted", `
+a supply each
r a 2026-01-02 restock {"lines":[{"item":"a","qty":"2","cost":"2"}]}
d a 2026-01-03 damage {"item":"a","qty":"2","reason":"other"}
k a 2026-01-04 credit {"restock":"#r","lines":[{"item":"a","amount":"-1"}]}`,
		map[string]string{"a.credited": "0 -1 -1", "a.adjusted": "0 1 1", "a.average": "0"}},
	{"on order is what is still due, and nothing after a final delivery", `
+a supply each "packs":{"box":"5"}
p1 a 2026-01-02 purchase {"supplier":"The mill","lines":[{"item":"a","qty":"3","pack":"box"}]}
p2 a 2026-01-02 purchase {"supplier":"The mill","lines":[{"item":"a","qty":"9"}]}
r1 a 2026-01-03 restock {"purchase":"#p1","lines":[{"item":"a","qty":"4","cost":"1"}]}
r2 a 2026-01-03 restock {"purchase":"#p2","final":true,"lines":[{"item":"a","qty":"4","cost":"1"}]}`,
		map[string]string{"due.a": "11", "a.on_hand": "8"}},
	{"a first count opens the item at the figure's cost, settling what was used before", `
+a supply each
d a 2026-01-03 damage {"item":"a","qty":"2","reason":"other"}
c a 2026-01-04 count {"item":"a","qty":"8","cost":"4"}`,
		// 10 enter at 5; 2 of them settle the shortfall that had no cost.
		map[string]string{"a.opened": "10 5 5", "a.adjusted": "0 1 1", "a.average": "4", "a.lost": "2 0 0"}},
	{"a session adds places and forms, and the later figure replaces the earlier", `
+a supply each "packs":{"box":"10"}
c1 a 2026-01-04T08:00:00 count {"item":"a","qty":"8","session":"s","place":"cart"}
c2 a 2026-01-04T09:00:00 count {"item":"a","qty":"2","pack":"box","session":"s","place":"cart"}
c3 a 2026-01-04T10:00:00 count {"item":"a","qty":"7","session":"s","place":"cart"}
c4 b 2026-01-05T08:00:00 count {"item":"a","qty":"1","session":"s"}`,
		map[string]string{"a.on_hand": "28", "a.opened": "28 0 0"}},
	{"a figure after a session's 24 hours stands alone", `
+a supply each
c1 a 2026-01-04T08:00:00 count {"item":"a","qty":"8","session":"s","place":"cart"}
c2 a 2026-01-05T08:00:01 count {"item":"a","qty":"1","session":"s"}`,
		map[string]string{"a.on_hand": "1", "a.opened": "8 0 0", "a.lost": "7 0 0"}},
	{"a prepared piece counts with its parts' own figures, and is void without", `
+a supply each
+b supply each
+ready prepared each "parts":[{"item":"a","qty":"2"}]
+other prepared each "parts":[{"item":"b","qty":"1"}]
c1 a 2026-01-04T08:00:00 count {"item":"ready","qty":"3","session":"s"}
c2 a 2026-01-04T09:00:00 count {"item":"other","qty":"3","session":"s"}
c3 a 2026-01-04T10:00:00 count {"item":"a","qty":"7","session":"s"}`,
		map[string]string{"a.on_hand": "13", "b.on_hand": "0", "void": "1"}},
	{"by weight each is rounded to whole pieces", `
+a supply each "piece_weight":"4.2"
c a 2026-01-04 count {"item":"a","gross":"100","tare":"9.5","weight_unit":"g"}`,
		map[string]string{"a.on_hand": "22"}}, // 90.5 / 4.2 = 21.55
	{"part shipments move, what goes beyond the order is pending", `
+a good each
r a 2026-01-01 restock {"lines":[{"item":"a","qty":"10","cost":"10"}]}
o a 2026-01-09 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"3"}]}
p1 a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"2"}]}
p2 a 2026-01-04 pack {"order":"1","lines":[{"item":"a","qty":"2"}]}
p3 a 2026-01-05 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}`,
		map[string]string{"a.sold": "3 3 3", "pending": "1", "1.zone": "home"}},
	{"equal packs of two devices within a day are a double", `
+a good each
r a 2026-01-01 restock {"lines":[{"item":"a","qty":"10","cost":"10"}]}
o a 2026-01-02 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"3"}]}
p1 a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}
p2 b 2026-01-04 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}
p3 b 2026-01-04T12:00:01 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}`,
		map[string]string{"a.sold": "2 2 2", "pending": "1"}},
	{"a resend moves and uses up no line; a kept pack does", `
+a good each
r a 2026-01-01 restock {"lines":[{"item":"a","qty":"10","cost":"10"}]}
o a 2026-01-02 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"2"}]}
p1 a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}
p2 a 2026-01-04 pack {"order":"1","resend":true}
p3 a 2026-01-05 pack {"order":"1","lines":[{"item":"a","qty":"2"}]}
k3 a 2026-01-09 decide {"event":"#p3","keep":true}
p4 a 2026-01-06 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}`,
		map[string]string{"a.sold": "5 5 5", "pending": "1"}},
	{"a reversed order stays known to its packs", `
+a good each
o a 2026-01-02 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"2"}]}
p a 2026-01-03 pack {"order":"1"}
x a 2026-01-04 reverse {"event":"#o","reason":"called off"}`,
		map[string]string{"a.sold": "2 0 0", "void": "0"}},
	{"without an order the first pack that moves stands for it", `
+a good each
p1 a 2026-01-03 pack {"order":"1","zone":"abroad","lines":[{"item":"a","qty":"2"}]}
p2 a 2026-01-06 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}
p3 a 2026-01-02 pack {"order":"2"}`,
		map[string]string{"a.sold": "2 0 0", "pending": "1", "void": "1", "1.zone": "abroad"}},
	{"units go largest first into the format that holds most, unless one takes all that is left", `
+a good each "points":"2"
+b good each
+m supply each
+e supply each
s a 2026-01-01 packspec {"formats":[{"format":"e","holds":"2","lines":[{"item":"e","qty":"1","per":"parcel"}]},{"format":"m","holds":"4","lines":[{"item":"m","qty":"1","per":"parcel"}]}]}
p a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"1"},{"item":"b","qty":"4"}]}`,
		map[string]string{"1.parcels": "2", "m.packed": "1 0 0", "e.packed": "1 0 0"}}, // a and two b, then two b
	{"order lines go once, unit lines with every pack, conditions hold", `
+a good each "class":"flat"
+b good each
+m supply each
+n supply each
s a 2026-01-01 packspec {"formats":[{"format":"e"}],"lines":[{"item":"m","qty":"1","per":"order"},{"item":"n","qty":"1","per":"unit","class":"flat"},{"item":"n","qty":"10","per":"unit","every":"2","zones":["home"]},{"item":"n","qty":"100","per":"order","from":"3"}]}
o a 2026-01-02 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"3"},{"item":"b","qty":"3"}]}
p1 a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"2"},{"item":"b","qty":"1"}]}
p2 a 2026-01-04 pack {"order":"1","lines":[{"item":"b","qty":"2"}]}`,
		map[string]string{"m.packed": "1 0 0", "n.packed": "132 0 0"}}, // 2 + 20 + 100, then 10
	{"changes: instead_of, then totals, then added, below 0 once", `
+a good each
+m supply each
+n supply each
+o supply each
s a 2026-01-01 packspec {"formats":[{"format":"e"}],"lines":[{"item":"m","qty":"2","per":"order"},{"item":"n","qty":"3","per":"order"}]}
p a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"1"}],"changes":[{"item":"o","qty":"-9"},{"item":"o","qty":"10"},{"item":"m","qty":"-5"},{"item":"n","total":"1","instead_of":"m"}]}`,
		map[string]string{"m.packed": "0 0 0", "n.packed": "4 0 0", "o.packed": "1 0 0"}},
	{"an item that is both goods and packing is issued once, its cost split by quantity", `
+a good each
r a 2026-01-01 restock {"lines":[{"item":"a","qty":"4","cost":"1"}]}
d a 2026-01-02 damage {"item":"a","qty":"1","reason":"other"}
p a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"2"}],"changes":[{"item":"a","qty":"1"}]}`,
		map[string]string{"1.goods": "0.5 0.5", "1.packing": "0.25 0.25", "a.average": "0"}},
	{"returns come back at the packs' cost, last packed first, and no more than was taken", `
+a good each
r1 a 2026-01-01 restock {"lines":[{"item":"a","qty":"2","cost":"2"}]}
o a 2026-01-02 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"3"}]}
p1 a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"2"}]}
r2 a 2026-01-04 restock {"lines":[{"item":"a","qty":"1","cost":"5"}]}
p2 a 2026-01-05 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}
t1 a 2026-01-06 return {"order":"1","lines":[{"item":"a","qty":"1","condition":"scrap"},{"item":"a","qty":"2","condition":"saleable"}]}
t2 a 2026-01-07 return {"order":"1","lines":[{"item":"a","qty":"9","condition":"saleable"}]}`,
		map[string]string{"a.sold": "0 0 0", "a.on_hand": "3", "a.layers": "2=6 1=1", "1.goods": "0 0"}},
	{"a run with order supplies its packs and never enters stock", `
+a good each
+m supply each
r a 2026-01-01 restock {"lines":[{"item":"m","qty":"9","cost":"9"},{"item":"a","qty":"9","cost":"18"}]}
n a 2026-01-03 reprint {"item":"a","good":"2","spoiled":"1","order":"1","changes":[{"item":"m","qty":"3"}]}
p a 2026-01-04 pack {"order":"1","lines":[{"item":"a","qty":"3"}]}
t a 2026-01-05 return {"order":"1","lines":[{"item":"a","qty":"3","condition":"saleable"}]}`,
		map[string]string{"a.sold": "0 0 0", "a.made": "0 0 0", "a.on_hand": "9", "1.goods": "3 3", "1.lines": "a 2 3", "m.into_runs": "3 3 3"}},
	{"a set stands for its parts, one inside another", `
+a good each
+set prepared each "parts":[{"item":"a","qty":"2"}]
+kit prepared each "parts":[{"item":"set","qty":"3"},{"item":"a","qty":"1"}]
p a 2026-01-04 pack {"order":"1","lines":[{"item":"kit","qty":"2"}]}`,
		map[string]string{"a.sold": "14 0 0", "1.lines": "a 14 0 provisional"}},
	{"an order line is provisional where a pack went below zero", `
+a good each "unit_cost":"2"
p a 2026-01-04 pack {"order":"1","lines":[{"item":"a","qty":"2"}]}
r a 2026-01-05 restock {"lines":[{"item":"a","qty":"2","cost":"5"}]}`,
		map[string]string{"1.lines": "a 2 4 provisional", "a.adjusted": "0 1 1", "a.on_hand": "0"}},
	{"a change before the first definition holds, a later one doesn't yet", `
+a supply each "packs":{"box":"5"}
i0 a 2025-12-01 item {"item":"a","packs":{"box":"6"}}
r1 a 2025-12-02 restock {"lines":[{"item":"a","qty":"1","pack":"box","cost":"1"}]}
r0 a 2025-11-02 restock {"lines":[{"item":"a","qty":"1","pack":"box","cost":"1"}]}
i1 a 2026-02-01 item {"item":"a","packs":{"ream":"7"}}
r2 a 2026-02-02 restock {"lines":[{"item":"a","qty":"1","pack":"box","cost":"1"}]}`,
		map[string]string{"a.on_hand": "17"}}, // 6, 5, and 6 once more
	{"a restatement takes the place of what it restates, chains end at their end", `
+a good each
+m supply each
s1 a 2026-01-01 packspec {"formats":[{"format":"e"}],"lines":[{"item":"m","qty":"1","per":"order"}]}
s2 a 2026-02-01 packspec {"formats":[{"format":"e"}],"lines":[{"item":"m","qty":"10","per":"order"}]}
s3 a 2026-03-01 packspec {"restates":"#s1","formats":[{"format":"e"}],"lines":[{"item":"m","qty":"100","per":"order"}]}
s4 a 2026-03-01 packspec {"restates":"#s3","formats":[{"format":"e"}],"lines":[{"item":"m","qty":"1000","per":"order"}]}
p1 a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"1"}]}
p2 a 2026-04-03 pack {"order":"2","lines":[{"item":"a","qty":"1"}]}
p3 a 2026-04-03 pack {"order":"3","lines":[{"item":"a","qty":"1"}],"spec":"#s1"}`,
		map[string]string{"m.packed": "2010 0 0"}},
	{"reversing a restated spec takes its restatements along; the next revision is then the first", `
+a good each
+m supply each
s1 a 2026-01-01 packspec {"formats":[{"format":"e"}],"lines":[{"item":"m","qty":"1","per":"order"}]}
s2 a 2026-02-01 packspec {"formats":[{"format":"e"}],"lines":[{"item":"m","qty":"10","per":"order"}]}
s3 a 2026-03-01 packspec {"restates":"#s1","formats":[{"format":"e"}],"lines":[{"item":"m","qty":"100","per":"order"}]}
x a 2026-05-01 reverse {"event":"#s1","reason":"mistake"}
p1 a 2026-01-03 pack {"order":"1","lines":[{"item":"a","qty":"1"}],"spec":"#s1"}`,
		map[string]string{"m.packed": "10 0 0", "void": "0"}},
	{"a given split counts if it holds exactly the lines, in known formats or none", `
+a good each
+m supply each
s1 a 2026-01-01 packspec {"formats":[{"format":"e","lines":[{"item":"m","qty":"1","per":"parcel"},{"item":"m","qty":"10","per":"order"}]}]}
o a 2026-01-02 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"3"}]}
p1 a 2026-01-03 pack {"order":"1","parcels":[{"format":"none","lines":[{"item":"a","qty":"1"}]},{"format":"e","lines":[{"item":"a","qty":"1"}]},{"format":"e","lines":[{"item":"a","qty":"1"}]}]}
p2 a 2026-01-03 pack {"order":"2","lines":[{"item":"a","qty":"3"}],"parcels":[{"format":"e","lines":[{"item":"a","qty":"2"}]}]}
p3 a 2026-01-03 pack {"order":"3","lines":[{"item":"a","qty":"2"}],"parcels":[{"format":"x","lines":[{"item":"a","qty":"2"}]}]}`,
		map[string]string{"m.packed": "12 0 0", "1.parcels": "2", "void": "2", "a.sold": "3 0 0"}},
	{"of one id in two logs the smallest source counts", `
+a good each
d b 2026-01-03 damage {"item":"a","qty":"5","reason":"gift"}
d a 2026-01-03 damage {"item":"a","qty":"2","reason":"gift"}`,
		map[string]string{"a.given": "2 0 0", "void": "0"}},
	{"a fact before a count that arrives later changes the difference, not the stock after it", `
+a good each
r a 2026-01-01 restock {"lines":[{"item":"a","qty":"10","cost":"10"}]}
c a 2026-01-05 count {"item":"a","qty":"6"}
d a 2026-01-03 damage {"item":"a","qty":"3","reason":"gift"}`,
		map[string]string{"a.given": "3 3 3", "a.lost": "1 1 1", "a.on_hand": "6"}},
}

func TestRules(t *testing.T) {
	for _, c := range rules {
		t.Run(c.rule, func(t *testing.T) {
			out := oracle.Run(oracle.In{Events: script(t, c.script), Digits: 2})
			for ask, want := range c.want {
				if got := said(out, ask); got != want {
					t.Errorf("%s is %s, want %s", ask, got, want)
				}
			}
			if t.Failed() {
				t.Log("\n" + text(out))
			}
		})
	}
}

func TestCuts(t *testing.T) {
	events := script(t, `
+a good each
+n supply each
c0 a 2026-01-04T08:00:00 count {"item":"n","qty":"5","session":"s","place":"cart"}
c1 a 2026-01-04T20:00:00 count {"item":"n","qty":"2","session":"s","place":"desk"}
p a 2026-01-04T10:00:00 pack {"order":"1"}
o a 2026-01-08 order {"order":"1","zone":"home","lines":[{"item":"a","qty":"3"}]}
x a 2026-01-09 reverse {"event":"#c0","reason":"mistake"}`)
	noon, err := event.ParseTime("2026-01-04T12:00:00Z")
	if err != nil {
		t.Fatal(err)
	}
	all := oracle.Run(oracle.In{Events: events, Digits: 2})
	if got := said(all, "n.on_hand"); got != "2" {
		t.Errorf("after the reversal on hand is %s, want 2", got)
	}
	cut := oracle.Run(oracle.In{Events: events, AsOf: noon.Ms(), Digits: 2})
	if got := said(cut, "n.on_hand") + " " + said(cut, "a.sold"); got != "0 3 0 0" {
		t.Errorf("at noon: %s, want nothing counted (reversed, and not yet), and the order known", got)
	}
	known := oracle.Run(oracle.In{Events: events, Known: events[len(events)-1].ID.Ms() - 1, Digits: 2})
	if len(known.Items) != 0 {
		t.Errorf("before anything was recorded there are %d items", len(known.Items))
	}
}
