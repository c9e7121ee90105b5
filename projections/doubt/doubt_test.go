package doubt_test

import (
	"context"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/projections/doubt"
	"countback/projections/fold"
	"countback/projections/foldtest"
)

func read(t *testing.T, facts string) *fold.Log {
	t.Helper()
	log, err := fold.Read(context.Background(), foldtest.Facts(facts), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	return log
}

const shop = `
shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax","costing":"average"}
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","packs":{"box":"150"}}
restock 2026-01-02 {"lines":[{"item":"board","qty":"3","pack":"box","cost":"90"}]}
`

func TestStanding(t *testing.T) {
	for name, c := range map[string]struct {
		facts string
		want  []string
	}{
		"an ordinary count":               {`count 2026-01-31 {"item":"board","qty":"449"}`, nil},
		"a box away":                      {`count 2026-01-31 {"item":"board","qty":"300"}`, []string{"qty"}},
		"a box away, counted again":       {"count 2026-01-31 {\"item\":\"board\",\"qty\":\"300\"}\ncount 2026-02-02 {\"item\":\"board\",\"qty\":\"300\"}", nil},
		"two digits swapped in a session": {"count 2026-01-31 {\"item\":\"board\",\"qty\":\"2\",\"pack\":\"box\",\"session\":\"jan\"}\ncount 2026-01-31T01:00:00Z {\"item\":\"board\",\"qty\":\"105\",\"session\":\"jan\"}", []string{"qty"}},
		"a dear piece":                    {`restock 2026-02-01 {"lines":[{"item":"board","qty":"1","cost":"30"}]}`, []string{"lines[0].pack"}},
		"a dear piece, counted since":     {"restock 2026-02-01 {\"lines\":[{\"item\":\"board\",\"qty\":\"1\",\"cost\":\"30\"}]}\ncount 2026-02-02 {\"item\":\"board\",\"qty\":\"451\"}", nil},
	} {
		log := read(t, shop+c.facts)
		s := doubt.Stand(log, 0)
		log.Run(fold.Run{Observe: s.See})
		list, events := s.Questions()
		if len(list) != len(c.want) || len(events) != len(list) {
			t.Errorf("%s: %+v", name, list)
			continue
		}
		for i, q := range list {
			if q.Field != c.want[i] || events[i].IsZero() {
				t.Errorf("%s: asks about %s", name, q.Field)
			}
		}
	}
}

// A session's figures are asked about together, also where they were recorded one after the other; a credit is compared with its delivery.
func TestQuestionsOfWhatWasRecorded(t *testing.T) {
	for name, c := range map[string]struct {
		facts string // the last one is asked about
		want  string
	}{
		"the second place of a session": {`
			count 2026-01-31 {"item":"board","qty":"2","pack":"box","place":"shelf","session":"jan"}
			count 2026-01-31T01:00:00Z {"item":"board","qty":"150","place":"cart","session":"jan"}`, ""},
		"a slip in the second place": {`
			count 2026-01-31 {"item":"board","qty":"2","pack":"box","place":"shelf","session":"jan"}
			count 2026-01-31T01:00:00Z {"item":"board","qty":"105","place":"cart","session":"jan"}`, "qty"},
		"a credit of what came": {`
			#R1 restock 2026-01-03 {"lines":[{"item":"board","qty":"10","cost":"2"}]}
			credit 2026-01-04 {"restock":"#R1","lines":[{"item":"board","qty":"10","amount":"2"}]}`, ""},
		"more money than it cost": {`
			#R1 restock 2026-01-03 {"lines":[{"item":"board","qty":"10","cost":"2"}]}
			credit 2026-01-04 {"restock":"#R1","lines":[{"item":"board","amount":"2.01"}]}`, "lines[0].amount"},
		"more than came, in other money": {`
			#R1 restock 2026-01-03 {"lines":[{"item":"board","qty":"10","cost":"2"}],"freight":"1"}
			credit 2026-01-04 {"restock":"#R1","currency":"USD","rate":"1.5","lines":[{"item":"board","qty":"11","amount":"2"}]}`, "lines[0].qty"},
		"more of both": {`
			#R1 restock 2026-01-03 {"lines":[{"item":"board","qty":"10","cost":"2"}]}
			credit 2026-01-04 {"restock":"#R1","lines":[{"item":"board","qty":"100","amount":"20"}]}`, "lines[0].qty lines[0].amount"},
		"a bill": {`
			#R1 restock 2026-01-03 {"lines":[{"item":"board","qty":"10","cost":"2"}]}
			credit 2026-01-04 {"restock":"#R1","lines":[{"item":"board","amount":"-5"}]}`, ""},
	} {
		log := read(t, shop+c.facts)
		var last *event.Event
		log.Events(func(e *event.Event, _ bool) { last = e })
		var got []string
		for _, q := range doubt.Of(log, []event.Fact{{ID: last.ID, Time: last.Time, Data: last.Data}}, []event.ID{last.ID}) {
			got = append(got, q.Field)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: asks about %v", name, got)
		}
	}
}
