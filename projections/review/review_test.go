package review_test

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/report"
	"countback/projections/review"
)

const base = `
	shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax"}
	item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each","unit_cost":"0.3"}
	item 2026-01-01 {"item":"print","name":"Print","type":"good","unit":"each","unit_cost":"0.3"}
	item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","unit_cost":"0.2","packs":{"box":"77"}}
	item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","unit_cost":"0.001"}
	restock 2026-01-02 {"lines":[{"item":"card","qty":"20","cost":"6"},{"item":"print","qty":"20","cost":"6"}]}
	order 2026-01-03 {"order":"7","zone":"home","lines":[{"item":"card","qty":"3"},{"item":"print","qty":"1"}]}
`

func log(t *testing.T, lines foldtest.Lines) *fold.Log {
	t.Helper()
	l, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func of(t *testing.T, facts, asOf string, extra ...fold.Notice) review.Report {
	t.Helper()
	zone, err := time.LoadLocation("America/Halifax")
	if err != nil {
		t.Fatal(err)
	}
	run := fold.Run{}
	if asOf != "" {
		d, err := time.Parse("2006-01-02", asOf)
		if err != nil {
			t.Fatal(err)
		}
		run.AsOf = d.UnixMilli()
	}
	r, _ := review.Of(log(t, foldtest.Facts(base+facts)), run, report.Style{Zone: zone}, extra...)
	return r
}

// Each question is asked for one reason, and not asked just beside it.
func TestReview(t *testing.T) {
	const gained = `
		restock 2026-01-02 {"lines":[{"item":"board","qty":"50","cost":"10"}]}
		#C count 2026-01-10 {"item":"board","qty":"150"}
	`
	for _, c := range []struct{ rule, facts, asOf, want string }{
		{"nothing to ask", ``, "", ""},
		{"a pack with more than its order has", `#P pack 2026-01-04 {"order":"7","lines":[{"item":"card","qty":"4"}]}`, "",
			"pending 7 P: order 7 was packed with 4 card, more than the 3 that it has"},
		{"a pack with more than its order has left", `
			pack 2026-01-04T10:00:00Z {"order":"7","lines":[{"item":"card","qty":"2"}]}
			#P pack 2026-01-04T11:00:00Z {"order":"7","lines":[{"item":"card","qty":"2"}]}`, "",
			"pending 7 P: order 7 was packed with 2 card, more than it has left (2 of 3 were packed before)"},
		{"a pack with what its order has none of", `#P pack 2026-01-04 {"order":"7","lines":[{"item":"board","qty":"1"}]}`, "",
			"pending 7 P: order 7 was packed with 1 board, and it has none"},
		{"a pack that was decided on is settled", `
			#P pack 2026-01-04 {"order":"7","lines":[{"item":"card","qty":"4"}]}
			decide 2026-01-05 {"event":"#P","keep":false}`, "2026-01-06", ""},
		{"a delivery that the count before it had on the shelf already", gained + `#R restock 2026-01-20 {"lines":[{"item":"board","qty":"100","cost":"20"}]}`, "",
			"on_shelf_already board R: was it already on the shelf? The count before found 100 too many, and 100 came in after it"},
		{"less the use since, within tolerance", gained + `
			damage 2026-01-12 {"item":"board","qty":"9","reason":"sample"}
			#R restock 2026-01-20 {"lines":[{"item":"board","qty":"108","cost":"20"}]}`, "",
			"on_shelf_already board R: was it already on the shelf? The count before found 100 too many, and 108 came in after it"},
		{"a delivery of another size is another one", gained + `restock 2026-01-20 {"lines":[{"item":"board","qty":"102","cost":"20"}]}`, "", ""},
		{"fourteen days are enough", gained + `#R restock 2026-01-24 {"lines":[{"item":"board","qty":"100","cost":"20"}]}`, "",
			"on_shelf_already board R: was it already on the shelf? The count before found 100 too many, and 100 came in after it"},
		{"fifteen days are not", gained + `restock 2026-01-25 {"lines":[{"item":"board","qty":"100","cost":"20"}]}`, "", ""},
		{"a count between is believed", gained + `
			count 2026-01-12 {"item":"board","qty":"150"}
			restock 2026-01-20 {"lines":[{"item":"board","qty":"100","cost":"20"}]}`, "", ""},
		{"more out than in, by the event that went below", `
			restock 2026-01-02 {"lines":[{"item":"board","qty":"5","cost":"1"}]}
			damage 2026-01-05 {"item":"board","qty":"3","reason":"sample"}
			#D damage 2026-01-06 {"item":"board","qty":"3","reason":"sample"}
			damage 2026-01-07 {"item":"board","qty":"3","reason":"sample"}`, "", "more_out_than_in board D: more board has left than ever came in: -4 each on hand"},
		{"and no longer once it came", `
			damage 2026-01-06 {"item":"board","qty":"3","reason":"sample"}
			restock 2026-01-07 {"lines":[{"item":"board","qty":"5","cost":"1"}]}`, "", ""},
		{"an order that waits for more than thirty days", ``, "2026-02-03", "never_packed 7 N: order 7 was placed 31 days ago and is not recorded as packed"},
		{"not for thirty", ``, "2026-02-02", ""},
		{"not once a part of it left", `pack 2026-01-04 {"order":"7","lines":[{"item":"card","qty":"1"}]}`, "2026-03-03", ""},
		{"what came back that never left", `#T return 2026-01-05 {"order":"7","lines":[{"item":"card","qty":"2","condition":"saleable"}]}`, "",
			"return_beyond 7 T: 2 of card came back that order 7 did not take from stock; they moved nothing"},
		{"an event that can't be understood as it stands", `#D damage 2026-01-06 {"item":"board","qty":"3","measure":"wrap","reason":"sample"}`, "", "void damage D: item board has no wrap"},
		{"a decision on what isn't here", `#D decide 2026-01-06 {"event":"` + foldtest.ID("X").String() + `","keep":true}`, "",
			"void decide D: it decides on " + foldtest.ID("X").String() + ", which isn't here"},
		{"a reversal that waits", `#D reverse 2026-01-06 {"event":"` + foldtest.ID("X").String() + `","reason":"x"}`, "", "waiting reverse D: "},
		{"what costs nothing yet", `
			item 2026-01-01 {"item":"ink","name":"Ink","type":"supply","unit":"ml"}
			#D count 2026-01-06 {"item":"ink","qty":"3"}`, "", "no_cost ink D: "},
		{"an odd cost", `
			restock 2026-01-04 {"lines":[{"item":"board","qty":"100","cost":"20"}]}
			#R restock 2026-01-05 {"lines":[{"item":"board","qty":"100","cost":"2000"}]}`, "", "odd_entry board R: "},
		{"an odd cost is settled by a count", `
			restock 2026-01-04 {"lines":[{"item":"board","qty":"100","cost":"20"}]}
			restock 2026-01-05 {"lines":[{"item":"board","qty":"100","cost":"2000"}]}
			count 2026-01-06 {"item":"board","qty":"200"}`, "", ""},
		{"goods that no parcel takes", `
			packspec 2026-01-01 {"formats":[{"format":"flat","accepts":["none"],"lines":[{"item":"board","qty":"1","per":"parcel"}]}]}
			#P pack 2026-01-04 {"order":"7","lines":[{"item":"card","qty":"2"}]}`, "", "no_parcel 7 P: no parcel format takes 2 of card"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			var got []string
			for _, i := range of(t, c.facts, c.asOf).Items {
				id := strings.TrimLeft(i.Event[10:], "0")
				if strings.HasPrefix(id, "N") {
					id = "N"
				}
				got = append(got, fmt.Sprintf("%s %s %s: %s", i.Topic, i.About, id, i.Why))
				if i.Choices == nil || i.Why == "" {
					t.Errorf("%+v has no choices or no reason", i)
				}
			}
			text := strings.Join(got, "\n")
			if text != c.want && (!strings.HasSuffix(c.want, ": ") || !strings.HasPrefix(text, c.want) || len(got) != 1) {
				t.Errorf("got\n%s\nwant\n%s", text, c.want)
			}
		})
	}
}

// The choices are commands that a person can type as they stand, or words.
func TestReviewNamesTheCommands(t *testing.T) {
	r := of(t, `#P pack 2026-01-04 {"order":"7","lines":[{"item":"card","qty":"4"}]}`, "")
	id := foldtest.ID("P").String()
	if got := strings.Join(r.Items[0].Choices, "|"); got != "countback decide "+id+" keep|countback decide "+id+" drop" {
		t.Error(got)
	}
}

// Questions stand by event; a store's own are among them; one about no event comes first.
func TestReviewIsInOrderAndTakesMore(t *testing.T) {
	r := of(t, `
		#B pack 2026-01-05 {"order":"7","lines":[{"item":"card","qty":"4"}]}
		#A damage 2026-01-06 {"item":"board","qty":"3","measure":"wrap","reason":"sample"}`, "",
		fold.Notice{Event: foldtest.ID("AB"), Topic: "of the store", Why: "odd"}, fold.Notice{Topic: "of the folder", Why: "odd"})
	var topics []string
	for _, i := range r.Items {
		topics = append(topics, i.Topic)
	}
	if !slices.Equal(topics, []string{"of the folder", "void", "pending", "of the store"}) || r.Items[0].Event != "" {
		t.Errorf("%q", topics)
	}
	text, err := json.Marshal(of(t, ``, "2026-01-04"))
	if want := `{"as_of":"2026-01-03T20:00:00-04:00","engine":"` + report.Engine + `","items":[]}`; err != nil || string(text) != want {
		t.Errorf("%s, want %s, %v", text, want, err)
	}
	if text, err = json.Marshal(r.Items[0]); err != nil || string(text) != `{"event":"","topic":"of the folder","about":"","why":"odd","choices":[]}` {
		t.Errorf("%s, %v", text, err)
	}
}

func TestToleranceOfCounting(t *testing.T) {
	l := log(t, foldtest.Facts(base+`
		item 2026-01-05 {"item":"card","tolerance":"3"}
		item 2026-01-05 {"item":"board","tolerance":"2%"}`))
	day := func(n int) int64 { return time.Date(2026, 1, n, 0, 0, 0, 0, time.UTC).UnixMilli() }
	for _, c := range []struct {
		rule, item string
		day        int
		figure     string
		want       string
	}{
		{"by number at least half a piece", "board", 4, "10", "0.5"},
		{"by number half a per cent", "board", 4, "1000", "5"},
		{"by length two per cent", "cord", 4, "1000", "20"},
		{"by length two per cent of little is little", "cord", 4, "1", "0.02"},
		{"the item's own in pieces", "card", 6, "1000", "3"},
		{"not before it was set", "card", 4, "1000", "5"},
		{"the item's own in per cent", "board", 6, "1000", "20"},
		{"in per cent, but not below what counting by number has", "board", 6, "10", "0.5"},
	} {
		it, _ := l.Catalog.Find(c.item)
		if got := review.Tolerance(l, it.Index, day(c.day), num.MustQty(c.figure)); got.String() != c.want {
			t.Errorf("%s: %s of %s %s, want %s", c.rule, got, c.figure, c.item, c.want)
		}
	}
}
