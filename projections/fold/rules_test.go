package fold_test

import (
	"strings"
	"testing"

	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
	"countback/projections/foldtest"
)

// show writes an item's state as "on hand/average value/fifo value".
func show(s *fold.State, item string) string {
	it, ok := s.Catalog.Find(item)
	if !ok {
		return "no " + item
	}
	a := &s.Items[it.Index].Account
	v := a.Value()
	return a.OnHand().String() + "/" + v[book.Average].String() + "/" + v[book.FIFO].String()
}

// column writes one column as "qty/average/fifo".
func column(s *fold.State, item string, c fold.Column) string {
	it, _ := s.Catalog.Find(item)
	e := s.Items[it.Index].Totals[c]
	return e.Qty.String() + "/" + e.Value[book.Average].String() + "/" + e.Value[book.FIFO].String()
}

func topics(s *fold.State) string {
	var out []string
	for _, n := range s.Notices {
		out = append(out, n.Topic)
	}
	return strings.Join(out, " ")
}

const base = `
item 2026-01-01 {"item":"A","name":"Card A","type":"good","unit":"each"}
item 2026-01-01 {"item":"B","name":"Card B","type":"good","unit":"each"}
item 2026-01-01 {"item":"S","name":"Mailer","type":"supply","unit":"each","packs":{"box":"150"}}
item 2026-01-01 {"item":"W","name":"Wrap","type":"supply","unit":"mm","measures":{"wrap":"310"},"packs":{"roll":"10000"}}
item 2026-01-01 {"item":"SET","name":"Set","type":"prepared","unit":"each","parts":[{"item":"A","qty":"2"},{"item":"B","qty":"1"}]}
`

// Each case is one rule of the figures' page, with figures worked by hand.
func TestRules(t *testing.T) {
	type want struct {
		item, stock string
		col         fold.Column
		colText     string
	}
	for _, c := range []struct {
		rule   string
		facts  string
		want   []want
		topics string
	}{
		{"average and fifo issue", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"10"}]}
			restock 2026-01-03 {"lines":[{"item":"S","qty":"100","cost":"20"}]}
			damage 2026-01-04 {"item":"S","qty":"150","reason":"damaged"}`,
			[]want{{"S", "50/7.5/10", fold.Lost, "150/22.5/20"}}, ""},
		{"what takes the last unit takes the rest", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"3","cost":"10"}]}
			damage 2026-01-04 {"item":"S","qty":"1","reason":"damaged"}
			damage 2026-01-05 {"item":"S","qty":"1","reason":"damaged"}
			damage 2026-01-06 {"item":"S","qty":"1","reason":"damaged"}`,
			[]want{{"S", "0/0/0", fold.Lost, "3/10/10"}}, ""},
		{"below zero: provisional cost, then true-up in adjusted", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"10","cost":"10"}]}
			damage 2026-01-03 {"item":"S","qty":"14","reason":"damaged"}
			restock 2026-01-04 {"lines":[{"item":"S","qty":"8","cost":"16"}]}`,
			[]want{{"S", "4/8/8", fold.Adjusted, "0/4/4"}, {"S", "4/8/8", fold.Lost, "14/14/14"}}, ""},
		{"no cost known", `
			damage 2026-01-03 {"item":"S","qty":"4","reason":"damaged"}`,
			[]want{{"S", "-4/0/0", fold.Lost, "4/0/0"}}, "no_cost"},
		{"the item's own estimate", `
			item 2026-01-02 {"item":"S","unit_cost":"0.25"}
			damage 2026-01-03 {"item":"S","qty":"4","reason":"sample"}`,
			[]want{{"S", "-4/-1/-1", fold.Given, "4/1/1"}}, ""},
		{"abnormal spoilage (90 good, 10 spoiled, 5 % normal of 100.00: loss 5.00)", `
			makespec 2026-01-01 {"item":"A","pieces":"10","lines":[{"item":"S","qty":"1","per":"piece"}],"normal_spoilage":"0.05"}
			restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"100"}]}
			reprint 2026-01-03 {"item":"A","good":"90","spoiled":"10"}`,
			[]want{{"A", "90/95/95", fold.Lost, "0/5/5"}, {"A", "90/95/95", fold.Made, "90/100/100"}, {"S", "0/0/0", fold.IntoRuns, "100/100/100"}}, ""},
		{"a run without a good piece is all loss", `
			makespec 2026-01-01 {"item":"A","pieces":"10","lines":[{"item":"S","qty":"1","per":"cycle"}],"normal_spoilage":"1"}
			restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"100"}]}
			reprint 2026-01-03 {"item":"A","good":"0","spoiled":"11"}`,
			[]want{{"A", "0/0/0", fold.Lost, "0/2/2"}, {"S", "98/98/98", fold.IntoRuns, "2/2/2"}}, ""},
		{"credit without qty touches only what is on hand", `
			#R restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"100"}]}
			damage 2026-01-03 {"item":"S","qty":"60","reason":"damaged"}
			credit 2026-01-04 {"restock":"#R","lines":[{"item":"S","amount":"10"}]}`,
			[]want{{"S", "40/36/36", fold.Credited, "0/10/10"}, {"S", "40/36/36", fold.Adjusted, "0/-6/-6"}}, ""},
		{"credit with qty sends the restock's own layers back", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"100"}]}
			#R restock 2026-01-03 {"lines":[{"item":"S","qty":"100","cost":"200"}]}
			credit 2026-01-04 {"restock":"#R","lines":[{"item":"S","qty":"10","amount":"20"}]}`,
			[]want{{"S", "190/285/280", fold.Credited, "10/20/20"}, {"S", "190/285/280", fold.Adjusted, "0/-5/0"}}, ""},
		{"a count is what is there; a late fact changes the difference only", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"100"}]}
			count 2026-01-05 {"item":"S","qty":"90"}
			damage 2026-01-03 {"item":"S","qty":"4","reason":"damaged"}`,
			[]want{{"S", "90/90/90", fold.Lost, "10/10/10"}}, ""},
		{"an opening count is opened", `
			count 2026-01-05 {"item":"S","qty":"2","pack":"box","cost":"30"}
			count 2026-01-06 {"item":"S","qty":"299"}`,
			[]want{{"S", "299/29.9/29.9", fold.Opened, "300/30/30"}, {"S", "299/29.9/29.9", fold.Lost, "1/0.1/0.1"}}, ""},
		{"a session adds places and forms, a later figure replaces", `
			count 2026-01-05T10:00:00Z {"item":"S","qty":"1","pack":"box","place":"cart","session":"jan","cost":"15"}
			count 2026-01-05T10:01:00Z {"item":"S","qty":"5","place":"cart","session":"jan","cost":"1"}
			count 2026-01-05T10:02:00Z {"item":"S","qty":"7","place":"cart","session":"jan","cost":"0.7"}
			count 2026-01-05T10:03:00Z {"item":"S","qty":"3","place":"desk","session":"jan"}`,
			[]want{{"S", "160/15.7/15.7", fold.Opened, "160/15.7/15.7"}}, ""},
		{"a prepared piece counts where its parts are counted", `
			count 2026-01-05T10:00:00Z {"item":"SET","qty":"3","session":"jan"}
			count 2026-01-05T10:01:00Z {"item":"A","qty":"1","session":"jan"}
			count 2026-01-05T10:02:00Z {"item":"B","qty":"0","session":"jan"}`,
			[]want{{"A", "7/0/0", fold.Opened, "7/0/0"}, {"B", "3/0/0", fold.Opened, "3/0/0"}}, "no_cost no_cost"},
		{"a set sold takes its parts", `
			count 2026-01-02 {"item":"A","qty":"10","cost":"10"}
			count 2026-01-02 {"item":"B","qty":"10","cost":"20"}
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"SET","qty":"2"}]}
			pack 2026-01-04 {"order":"1"}`,
			[]want{{"A", "6/6/6", fold.Sold, "4/4/4"}, {"B", "8/16/16", fold.Sold, "2/4/4"}}, ""},
		{"a measure is rounded once and multiplied", `
			packspec 2026-01-01 {"formats":[{"format":"flat","lines":[{"item":"W","qty":"1.5","measure":"wrap","per":"parcel"}]}]}
			restock 2026-01-02 {"lines":[{"item":"W","qty":"1","pack":"roll","cost":"20"}]}
			count 2026-01-02 {"item":"A","qty":"10","cost":"10"}
			pack 2026-01-04 {"order":"1","lines":[{"item":"A","qty":"2"}]}`,
			[]want{{"W", "9535/19.07/19.07", fold.Packed, "465/0.93/0.93"}}, ""},
		{"part shipments stay within the order, more is pending", `
			count 2026-01-02 {"item":"A","qty":"10","cost":"10"}
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"A","qty":"3"}]}
			pack 2026-01-04T10:00:00Z {"order":"1","lines":[{"item":"A","qty":"2"}]}
			pack 2026-01-04T11:00:00Z {"order":"1","lines":[{"item":"A","qty":"2"}]}
			pack 2026-01-04T12:00:00Z {"order":"1","lines":[{"item":"A","qty":"1"}]}`,
			[]want{{"A", "7/7/7", fold.Sold, "3/3/3"}}, "pending"},
		{"a decision keeps what was pending", `
			count 2026-01-02 {"item":"A","qty":"10","cost":"10"}
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"A","qty":"1"}]}
			pack 2026-01-04T10:00:00Z {"order":"1"}
			#P pack 2026-01-04T11:00:00Z {"order":"1"}
			decide 2026-01-05 {"event":"#P","keep":true}`,
			[]want{{"A", "8/8/8", fold.Sold, "2/2/2"}}, ""},
		{"equal packs from two devices within a day are one", `
			count 2026-01-02 {"item":"A","qty":"10","cost":"10"}
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"A","qty":"2"}]}
			pack 2026-01-04T10:00:00Z {"order":"1","lines":[{"item":"A","qty":"1"}]}
			@2 pack 2026-01-05T10:00:00Z {"order":"1","lines":[{"item":"A","qty":"1"}]}`,
			[]want{{"A", "9/9/9", fold.Sold, "1/1/1"}}, "pending"},
		{"an order is known to its packs whatever its own time", `
			count 2026-01-02 {"item":"A","qty":"10","cost":"10"}
			pack 2026-01-04 {"order":"1"}
			order 2026-01-09 {"order":"1","zone":"ca","lines":[{"item":"A","qty":"2"}]}`,
			[]want{{"A", "8/8/8", fold.Sold, "2/2/2"}}, ""},
		{"a return comes back at the cost of its pack, last first", `
			restock 2026-01-02 {"lines":[{"item":"A","qty":"1","cost":"1"}]}
			restock 2026-01-03 {"lines":[{"item":"A","qty":"2","cost":"6"}]}
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"A","qty":"3"}]}
			pack 2026-01-04 {"order":"1","lines":[{"item":"A","qty":"1"}]}
			pack 2026-01-05 {"order":"1","lines":[{"item":"A","qty":"1"}]}
			return 2026-01-06 {"order":"1","lines":[{"item":"A","qty":"1","condition":"saleable"},{"item":"A","qty":"1","condition":"scrap"}]}`,
			[]want{{"A", "2/4.66666667/6", fold.Sold, "1/2.33333333/1"}}, ""},
		{"a run for an order is its goods and never stock", `
			makespec 2026-01-01 {"item":"A","pieces":"1","lines":[{"item":"S","qty":"2","per":"piece"}]}
			restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"100"}]}
			count 2026-01-02 {"item":"A","qty":"10","cost":"10"}
			order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"A","qty":"3"}]}
			reprint 2026-01-04 {"item":"A","good":"1","spoiled":"1","order":"1"}
			pack 2026-01-05 {"order":"1"}`,
			[]want{{"A", "8/8/8", fold.Sold, "2/2/2"}, {"S", "96/96/96", fold.IntoRuns, "4/4/4"}}, ""},
		{"an unknown item makes the whole event void", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"1","cost":"1"},{"item":"NONE","qty":"1","cost":"1"}]}`,
			[]want{{"S", "0/0/0", fold.Bought, "0/0/0"}}, "void"},
		{"a reversal leaves the event out", `
			#R restock 2026-01-02 {"lines":[{"item":"S","qty":"1","cost":"1"}]}
			reverse 2026-01-01 {"event":"#R","reason":"typed twice"}`,
			[]want{{"S", "0/0/0", fold.Bought, "0/0/0"}}, ""},
		{"landed cost", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"1","pack":"box","cost":"10"},{"item":"A","qty":"2","cost":"20"}],"freight":"1","discount":"0.1","currency":"USD","rate":"1.5"}`,
			[]want{{"S", "150/15.45/15.45", fold.Bought, "150/15.45/15.45"}, {"A", "2/30.9/30.9", fold.Bought, "2/30.9/30.9"}}, ""},
		{"a charge without goods", `
			restock 2026-01-02 {"lines":[{"item":"S","qty":"0","expected":"10","cost":"3"}]}`,
			[]want{{"S", "0/0/0", fold.Bought, "0/3/3"}, {"S", "0/0/0", fold.Adjusted, "0/3/3"}}, "cost_without_goods"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			s := foldtest.Run(foldtest.Facts(base+c.facts), 0)
			for _, w := range c.want {
				if got := show(s, w.item); got != w.stock {
					t.Errorf("%s: on hand/average/fifo is %s, want %s", w.item, got, w.stock)
				}
				if got := column(s, w.item, w.col); got != w.colText {
					t.Errorf("%s: column %s is %s, want %s", w.item, w.col, got, w.colText)
				}
			}
			if got := topics(s); got != c.topics {
				t.Errorf("notices are %q, want %q: %v", got, c.topics, s.Notices)
			}
			conserved(t, s)
		})
	}
}

// conserved checks the roll-forward of every item from nothing to now.
func conserved(t testing.TB, s *fold.State) {
	t.Helper()
	for i := range s.Items {
		it := &s.Items[i]
		var q num.Qty
		var v book.Amounts
		for c := range fold.Columns {
			if c.In() {
				q, v = q.Add(it.Totals[c].Qty), v.Add(it.Totals[c].Value)
			} else {
				q, v = q.Sub(it.Totals[c].Qty), v.Sub(it.Totals[c].Value)
			}
		}
		if q.Cmp(it.Account.OnHand()) != 0 || !v.Sub(it.Account.Value()).IsZero() {
			t.Errorf("%s: columns come to %s / %v, the account has %s / %v", s.Catalog.Items[i].ID, q, v, it.Account.OnHand(), it.Account.Value())
		}
	}
}
