package reprint_test

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/report"
	"countback/projections/reprint"
)

const shop = `
item 2026-01-01 {"item":"card","name":"Card","type":"good","unit":"each"}
item 2026-01-01 {"item":"insert","name":"Insert","type":"supply","unit":"each"}
item 2026-01-01 {"item":"paste","name":"Paste","type":"supply","unit":"g"}
item 2026-01-01 {"item":"stock","name":"Card stock","type":"supply","unit":"each"}
item 2026-01-01 {"item":"ink","name":"Ink","type":"supply","unit":"ml","measures":{"shot":"0.5"}}
item 2026-01-01 {"item":"flour","name":"Flour","type":"supply","unit":"g"}
item 2026-01-01 {"item":"kit","name":"Kit","type":"prepared","unit":"each","parts":[{"item":"insert","qty":"2"},{"item":"stock","qty":"1"}]}
`

func on(items string) string {
	var lines []string
	for _, f := range strings.Fields(items) {
		item, qty, _ := strings.Cut(f, "=")
		lines = append(lines, fmt.Sprintf(`{"item":%q,"qty":%q,"cost":"1"}`, item, qty))
	}
	if len(lines) == 0 {
		return ""
	}
	return "restock 2026-01-02 {\"lines\":[" + strings.Join(lines, ",") + "]}\n"
}

func text(s *fold.State, item string) string {
	r := reprint.All(s, report.Style{Zone: time.UTC}, item)
	if len(r.Items) == 0 {
		return "no make spec"
	}
	it := r.Items[0]
	out := fmt.Sprintf("%s pieces, %s good, %s cycles", it.Pieces, it.Good, it.Cycles)
	switch {
	case it.Why != "":
		out = it.Why
	case it.Unlimited:
		out = "no limit"
	}
	for _, l := range it.Limits {
		out += fmt.Sprintf("; %s has %s of %s", l.Item, l.Have, l.Need)
	}
	for _, f := range it.First {
		out += fmt.Sprintf("; first %s %s", f.Pieces, f.Item)
	}
	return out
}

func TestCouldPrint(t *testing.T) {
	const (
		cards   = `makespec 2026-01-01 {"item":"card","pieces":"4","lines":[{"item":"stock","qty":"1","per":"cycle"},{"item":"ink","qty":"3","measure":"shot","per":"cycle"}],"normal_spoilage":"0.05"}` + "\n"
		inserts = `makespec 2026-01-01 {"item":"insert","pieces":"8","lines":[{"item":"stock","qty":"1","per":"cycle"}],"normal_spoilage":"0.1"}` + "\n"
	)
	for _, c := range []struct{ name, facts, item, want string }{
		{"the first supply to end is the limit", on("stock=10 ink=100") + cards, "card", "40 pieces, 38 good, 10 cycles; stock has 10 of 11"},
		{"two at once", on("stock=10 ink=15") + cards, "card", "40 pieces, 38 good, 10 cycles; ink has 15 of 16.5; stock has 10 of 11"},
		{"good ones are rounded down", on("stock=1 ink=100") + cards, "card", "4 pieces, 3 good, 1 cycles; stock has 1 of 2"},
		{"nothing there", cards, "card", "0 pieces, 0 good, 0 cycles; ink has 0 of 1.5; stock has 0 of 1"},
		{"below zero is nothing", cards + `damage 2026-01-03 {"item":"stock","qty":"3","reason":"damaged"}` + "\n" + on("ink=9"), "card", "0 pieces, 0 good, 0 cycles; stock has 0 of 1"},
		{"what is made first", on("stock=10") + inserts + `makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"1","per":"piece"}]}`, "card",
			"72 pieces, 72 good, 72 cycles; stock has 10 of 11; first 80 insert"},
		{"what is there is taken first", on("stock=10 insert=5") + inserts + `makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"1","per":"piece"}]}`, "card",
			"77 pieces, 77 good, 77 cycles; stock has 10 of 11; first 80 insert"},
		{"what is below zero isn't filled up", on("stock=10") + `damage 2026-01-03 {"item":"insert","qty":"30","reason":"damaged"}` + "\n" + inserts + `makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"1","per":"piece"}]}`, "card",
			"72 pieces, 72 good, 72 cycles; stock has 10 of 11; first 80 insert"},
		{"the same supply on both ways", on("stock=10") + inserts + `makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"1","per":"piece"},{"item":"stock","qty":"1","per":"piece"}]}`, "card",
			"8 pieces, 8 good, 8 cycles; stock has 10 of 11; first 9 insert"},
		{"three levels", on("flour=9") + `makespec 2026-01-01 {"item":"paste","pieces":"10","lines":[{"item":"flour","qty":"3","per":"cycle"}]}
makespec 2026-01-01 {"item":"insert","pieces":"1","lines":[{"item":"paste","qty":"5","per":"piece"}]}
makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"2","per":"piece"}]}`, "card", "3 pieces, 3 good, 3 cycles; flour has 9 of 12; first 30 paste; first 6 insert"},
		{"prepared inputs are their parts", on("insert=7 stock=9") + `makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"kit","qty":"1","per":"piece"}]}`, "card", "3 pieces, 3 good, 3 cycles; insert has 7 of 8"},
		{"every so many", on("stock=3") + `makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"stock","qty":"1","per":"piece","every":"5"}]}`, "card", "15 pieces, 15 good, 15 cycles; stock has 3 of 4"},
		{"what is spoiled whole can't be made", on("stock=10") + `makespec 2026-01-01 {"item":"insert","pieces":"8","lines":[{"item":"stock","qty":"1","per":"cycle"}],"normal_spoilage":"1"}
makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"1","per":"piece"}]}`, "card", "0 pieces, 0 good, 0 cycles; insert has 0 of 1"},
		{"a circle is named", `makespec 2026-01-01 {"item":"insert","pieces":"1","lines":[{"item":"paste","qty":"1","per":"piece"}]}
makespec 2026-01-01 {"item":"paste","pieces":"1","lines":[{"item":"kit","qty":"1","per":"piece"}]}
makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"1","per":"piece"}]}`, "card", "its make spec goes in a circle: insert is made with paste is made with insert"},
		{"no spec", on("stock=3"), "card", "no make spec"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := text(foldtest.Run(foldtest.Facts(shop+c.facts), 0), c.item); got != c.want {
				t.Errorf("%s\nwant %s", got, c.want)
			}
		})
	}
}

// A chain of makes is printed piece by piece, from the last input up, for as long as that goes.
func TestCouldPrintByTrying(t *testing.T) {
	items := []string{"card", "insert", "paste", "flour"}
	rapid.Check(t, func(t *rapid.T) {
		depth := rapid.IntRange(1, 3).Draw(t, "depth")
		type step struct {
			have, pieces, each int64
			every              bool // per piece, else per cycle
		}
		steps := make([]step, depth+1)
		facts := shop
		for i := range steps {
			s := step{rapid.Int64Range(0, 20).Draw(t, "have"), rapid.Int64Range(1, 4).Draw(t, "pieces"), rapid.Int64Range(1, 3).Draw(t, "each"), rapid.Bool().Draw(t, "per piece")}
			steps[i] = s
			if i == 0 {
				steps[i].have = 0
			} else if s.have > 0 {
				facts += on(fmt.Sprintf("%s=%d", items[i], s.have))
			}
			if i < depth {
				facts += fmt.Sprintf(`makespec 2026-01-01 {"item":%q,"pieces":"%d","lines":[{"item":%q,"qty":"%d","per":%q}]}`+"\n", items[i], s.pieces, items[i+1], s.each, map[bool]string{true: "piece", false: "cycle"}[s.every])
			}
		}
		can := func(n int64) bool {
			need := n
			for i := range depth {
				if need -= steps[i].have; need <= 0 {
					return true
				}
				runs := need
				if !steps[i].every {
					runs = (need + steps[i].pieces - 1) / steps[i].pieces
				}
				need = runs * steps[i].each
			}
			return need <= steps[depth].have
		}
		want := int64(0)
		for can(want + 1) {
			want++
		}
		s := foldtest.Run(foldtest.Facts(facts), 0)
		able, ok, err := reprint.Of(s.Catalog, s.View, 0, func(n int) num.Qty { return s.Items[n].Account.OnHand() })
		if err != nil || !ok || able.Pieces.Cmp(num.Whole(want)) != 0 {
			t.Errorf("%s pieces, by trying %d; %v %v", able.Pieces, want, ok, err)
		}
	})
}

// Printing what was said, inputs first, leaves nothing below zero, and one piece more would.
func TestPrintingLeavesNothingBelowZero(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		spoil := rapid.SampledFrom([]string{"0", "0.05", "0.333333"}).Draw(t, "spoilage")
		facts := shop + on(fmt.Sprintf("stock=%d ink=%d insert=%d", rapid.IntRange(1, 30).Draw(t, "stock"), rapid.IntRange(1, 30).Draw(t, "ink"), rapid.IntRange(1, 9).Draw(t, "insert"))) +
			fmt.Sprintf(`makespec 2026-01-01 {"item":"insert","pieces":"3","lines":[{"item":"stock","qty":"1","per":"cycle"}],"normal_spoilage":%q}`+"\n", spoil) +
			fmt.Sprintf(`makespec 2026-01-01 {"item":"card","pieces":"2","lines":[{"item":"stock","qty":"1","per":"cycle"},{"item":"ink","qty":"1.5","per":"cycle"},{"item":"kit","qty":"1","per":"piece","every":"%d"}]}`+"\n", rapid.IntRange(1, 4).Draw(t, "every"))
		s := foldtest.Run(foldtest.Facts(facts), 0)
		have := func(n int) num.Qty { return s.Items[n].Account.OnHand() }
		able, _, err := reprint.Of(s.Catalog, s.View, 0, have)
		if err != nil {
			t.Fatal(err)
		}
		if len(able.Limits) == 0 {
			t.Error("nothing limits it")
		}
		for i, f := range append(able.First, reprint.Run{Item: 0, Pieces: able.Pieces}) {
			if f.Pieces.IsZero() {
				continue
			}
			good := f.Pieces
			if s.Catalog.Items[f.Item].ID == "insert" {
				n, _ := new(big.Rat).SetString(f.Pieces.String())
				share, _ := new(big.Rat).SetString(spoil)
				n.Sub(n, share.Mul(share, n))
				good = num.Whole(new(big.Int).Quo(n.Num(), n.Denom()).Int64())
			}
			facts += fmt.Sprintf(`reprint 2026-01-0%d {"item":%q,"good":%q,"spoiled":%q}`+"\n", 3+i, s.Catalog.Items[f.Item].ID, good, f.Pieces.Sub(good))
		}
		after := foldtest.Run(foldtest.Facts(facts), 0)
		for i, it := range after.Catalog.Items {
			if left := after.Items[i].Account.OnHand(); left.Sign() < 0 {
				t.Errorf("%s of %s are left", left, it.ID)
			}
		}
	})
}

func TestKnowsNoOrderOfArrival(t *testing.T) {
	lines := foldtest.Facts(shop + on("stock=10 ink=100 flour=9") + `
makespec 2026-01-01 {"item":"insert","pieces":"8","lines":[{"item":"stock","qty":"1","per":"cycle"}]}
makespec 2026-01-01 {"item":"card","pieces":"1","lines":[{"item":"insert","qty":"1","per":"piece"},{"item":"stock","qty":"1","per":"piece"}]}`)
	all := func(l foldtest.Lines) string {
		b, err := json.Marshal(reprint.All(foldtest.Run(l, 0), report.Style{Zone: time.UTC}, ""))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	want := all(lines)
	rapid.Check(t, func(t *rapid.T) {
		if got := all(rapid.Permutation(lines).Draw(t, "order")); got != want {
			t.Errorf("%s\nand\n%s", want, got)
		}
	})
}
