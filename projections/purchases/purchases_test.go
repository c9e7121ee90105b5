package purchases_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/purchases"
)

const base = `
	shop 2026-01-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"America/Halifax"}
	item 2026-01-01 {"item":"board","name":"Board","type":"supply","unit":"each","packs":{"box":"150"}}
	item 2026-01-01 {"item":"cord","name":"Cord","type":"supply","unit":"mm","packs":{"spool":"50000"}}
	item 2026-01-01 {"item":"kit","name":"Kit","type":"prepared","unit":"each","parts":[{"item":"board","qty":"1"}]}
`

// order is a purchase of three boxes on 5 January.
const order = base + `
	#P purchase 2026-01-05 {"supplier":"Quillmark Supply","ref":"Q-1","due":"2026-01-20","lines":[{"item":"board","qty":"3","pack":"box"}]}
`

func TestOnOrder(t *testing.T) {
	for _, c := range []struct{ rule, facts, asOf, want string }{
		{"nothing was ordered", base, "", ""},
		{"in base units", order, "", "P board 450/0/450"},
		{"a part of it came", order + `restock 2026-01-10 {"purchase":"#P","lines":[{"item":"board","qty":"100","cost":"1"}]}`, "", "P board 450/100/350"},
		{"in packs, in two deliveries", order + `
			restock 2026-01-10 {"purchase":"#P","lines":[{"item":"board","qty":"1","pack":"box","cost":"1"}]}
			restock 2026-01-11 {"purchase":"#P","lines":[{"item":"board","qty":"2","pack":"box","cost":"1"}]}`, "", "P board 450/450/0"},
		{"more than was ordered is not below zero", order + `restock 2026-01-10 {"purchase":"#P","lines":[{"item":"board","qty":"500","cost":"1"}]}`, "", "P board 450/500/0"},
		{"nothing more will come", order + `restock 2026-01-10 {"purchase":"#P","final":true,"lines":[{"item":"board","qty":"100","cost":"1"}]}`, "", "P board 450/100/0"},
		{"nothing came and nothing will", order + `restock 2026-01-10 {"purchase":"#P","final":true,"lines":[{"item":"board","qty":"0","expected":"450","cost":"0"}]}`, "", "P board 450/0/0"},
		{"what was due doesn't count, what came does", order + `restock 2026-01-10 {"purchase":"#P","lines":[{"item":"board","qty":"140","expected":"150","cost":"1"}]}`, "", "P board 450/140/310"},
		{"a delivery that names no purchase takes nothing off", order + `restock 2026-01-10 {"lines":[{"item":"board","qty":"100","cost":"1"}]}`, "", "P board 450/0/450"},
		{"a delivery of another item", order + `restock 2026-01-10 {"purchase":"#P","lines":[{"item":"cord","qty":"100","cost":"1"}]}`, "", "P board 450/0/450"},
		{"a reversed delivery never came", order + `
			#R restock 2026-01-10 {"purchase":"#P","final":true,"lines":[{"item":"board","qty":"100","cost":"1"}]}
			reverse 2026-01-12 {"event":"#R","reason":"twice"}`, "", "P board 450/0/450"},
		{"a void delivery never came", order + `restock 2026-01-10 {"purchase":"#P","final":true,"lines":[{"item":"board","qty":"1","pack":"crate","cost":"1"}]}`, "", "P board 450/0/450"},
		{"a delivery with too high a discount is void", order + `restock 2026-01-10 {"purchase":"#P","discount":"2","lines":[{"item":"board","qty":"1","cost":"1"}]}`, "", "P board 450/0/450"},
		{"a reversed purchase isn't on order", order + `reverse 2026-01-12 {"event":"#P","reason":"called off"}`, "", ""},
		{"before it was ordered", order, "2026-01-04", ""},
		{"deliveries after as-of are left out", order + `restock 2026-01-10 {"purchase":"#P","lines":[{"item":"board","qty":"100","cost":"1"}]}`, "2026-01-09", "P board 450/0/450"},
		{"a pack is what it was when the goods were ordered, and when they came", order + `
			item 2026-01-08 {"item":"board","packs":{"box":"100"}}
			restock 2026-01-10 {"purchase":"#P","lines":[{"item":"board","qty":"1","pack":"box","cost":"1"}]}`, "", "P board 450/100/350"},
		{"by item, then in the order of time; one item's lines add up", base + `
			#P2 purchase 2026-01-06 {"supplier":"Tern & Twine","lines":[{"item":"cord","qty":"1","pack":"spool"},{"item":"board","qty":"5"},{"item":"cord","qty":"10"}]}
			#P1 purchase 2026-01-05 {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"3","pack":"box"}]}
			restock 2026-01-10 {"purchase":"#P2","lines":[{"item":"cord","qty":"10000","cost":"1"}]}`, "",
			"P1 board 450/0/450, P2 board 5/0/5, P2 cord 50010/10000/40010"},
		{"a purchase of what has no stock is void", base + `
			#P purchase 2026-01-05 {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"3"},{"item":"kit","qty":"1"}]}`, "", ""},
		{"a purchase in a pack that the item lacks is void", base + `
			#P purchase 2026-01-05 {"supplier":"Quillmark Supply","lines":[{"item":"board","qty":"3","pack":"crate"}]}`, "", ""},
	} {
		t.Run(c.rule, func(t *testing.T) {
			log, err := fold.Read(context.Background(), foldtest.Facts(c.facts), fold.Choice{})
			if err != nil {
				t.Fatal(err)
			}
			asOf := int64(0)
			if c.asOf != "" {
				d, _ := time.Parse("2006-01-02", c.asOf)
				asOf = d.UnixMilli()
			}
			var got []string
			sum := map[int]string{}
			lines := purchases.Open(log, asOf)
			for _, l := range lines {
				id := strings.TrimLeft(l.Purchase.String()[10:], "0")
				got = append(got, fmt.Sprintf("%s %s %s/%s/%s", id, log.Catalog.Items[l.Item].ID, l.Ordered, l.Received, l.OnOrder))
			}
			if text := strings.Join(got, ", "); text != c.want {
				t.Errorf("got %q, want %q", text, c.want)
			}
			for item, q := range purchases.OnOrder(lines) {
				sum[item] = q.String()
			}
			if strings.HasPrefix(c.want, "P1") && fmt.Sprint(sum) != "map[0:455 1:40010]" {
				t.Errorf("on order by item: %v", sum)
			}
		})
	}
}

func TestWhatAPurchaseSays(t *testing.T) {
	log, err := fold.Read(context.Background(), foldtest.Facts(order), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	l := purchases.Open(log, 0)[0]
	if l.Supplier != "Quillmark Supply" || l.Ref != "Q-1" || fmt.Sprint(l.Due) != "2026-01-20" {
		t.Errorf("%+v", l)
	}
}
