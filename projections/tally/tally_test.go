package tally_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/tally"
)

const shop = `
item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","place":"shelf 2","packs":{"box":"150","bundle":"25"}}
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each","place":"shelf 10"}
item 2026-01-01 {"item":"old","name":"Old card","type":"good","unit":"each"}
item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","packs":{"roll":"50000"}}
retire 2026-01-02 {"item":"old"}
`

// Each pack has a row, the largest first, then what is loose; places stand in walking order, and what is retired and gone isn't counted.
func TestRows(t *testing.T) {
	var got []string
	for _, r := range tally.Rows(foldtest.Run(foldtest.Facts(shop), 0)) {
		got = append(got, fmt.Sprintf("%s/%s/%s/%s/%v", r.Place, r.Item, r.Pack, r.Holds, r.First))
	}
	want := "shelf 2/board/box/150/true shelf 2/board/bundle/25/false shelf 2/board//0/false shelf 10/card//0/true /cord/roll/50000/true /cord//0/false"
	if s := strings.Join(got, " "); s != want {
		t.Errorf("%s\nwant %s", s, want)
	}
}

// A session takes figures of a day under its name; later ones begin another; a reversed figure and one without a session are in none.
func TestSessions(t *testing.T) {
	facts := foldtest.Facts(shop + `
count 2026-02-01T09:00:00Z {"item":"board","qty":"1","pack":"box","session":"feb"}
count 2026-02-01T09:05:00Z {"item":"board","qty":"7","session":"feb"}
count 2026-02-02T09:00:00Z {"item":"card","qty":"3","session":"feb"}
count 2026-02-02T09:00:01Z {"item":"cord","qty":"9000","session":"feb"}
count 2026-02-01T10:00:00Z {"item":"cord","qty":"8000"}
`)
	log, err := fold.Read(context.Background(), facts, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range tally.Sessions(log, 1<<60) {
		got = append(got, fmt.Sprintf("%s %v %d", s.Name, s.Items, len(s.Events)))
	}
	if s := strings.Join(got, "; "); s != "feb [cord] 1; feb [board card] 3" {
		t.Error(s)
	}
	if n := len(tally.Sessions(log, 0)); n != 0 {
		t.Errorf("%d sessions before anything was counted", n)
	}
}
