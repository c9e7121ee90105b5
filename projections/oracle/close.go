package oracle

import (
	"crypto/sha256"
	"fmt"
	"math/big"
	"strings"

	"countback/ledger/event"
)

// Closed says what the close of a period covers: of each device the events up to a sequence, up to the period's last instant (ms).
type Closed struct {
	Upto map[string]int64
	End  int64
}

// Period is what a closed period says: by item opening, the columns in their order, and closing; and the digests.
type Period struct {
	Items         map[string][]Amount
	Average, FIFO string
}

// Close works closed periods out, each less what was closed before it. They come in turn.
func Close(events []*event.Event, closes []Closed, digits int) (out []Period) {
	before := map[string]Item{}
	for _, c := range closes {
		var covered []*event.Event
		for _, e := range events {
			if e.Seq <= c.Upto[e.Device] {
				covered = append(covered, e)
			}
		}
		now := map[string]Item{}
		for _, it := range Run(In{Events: covered, AsOf: c.End, Digits: digits}).Items {
			now[it.ID] = it
		}
		p := Period{Items: map[string][]Amount{}}
		ids := map[string]bool{}
		for id := range now {
			ids[id] = true
		}
		for id := range before {
			ids[id] = true
		}
		for _, id := range keys(ids) {
			a, b := stock0(before[id]), stock0(now[id])
			list := []Amount{{a.OnHand, a.Average, a.FIFO}}
			for _, col := range Columns {
				x, y := a.Columns[col], b.Columns[col]
				list = append(list, Amount{minus(y.Qty, x.Qty), minus(y.Average, x.Average), minus(y.FIFO, x.FIFO)})
			}
			p.Items[id] = append(list, Amount{b.OnHand, b.Average, b.FIFO})
		}
		p.Average = digest(p.Items, func(a Amount) *big.Rat { return a.Average })
		p.FIFO = digest(p.Items, func(a Amount) *big.Rat { return a.FIFO })
		out = append(out, p)
		before = now
	}
	return out
}

func minus(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }

// stock0 is the item, with zeros where it isn't known.
func stock0(it Item) Item {
	if it.OnHand != nil {
		return it
	}
	it = Item{OnHand: new(big.Rat), Average: new(big.Rat), FIFO: new(big.Rat), Columns: map[Column]Amount{}}
	for _, c := range Columns {
		it.Columns[c] = Amount{new(big.Rat), new(big.Rat), new(big.Rat)}
	}
	return it
}

// digest is the SHA-256 of one line for each item.
func digest(items map[string][]Amount, value func(Amount) *big.Rat) string {
	var b strings.Builder
	for _, id := range keys(items) {
		b.WriteString(id)
		for _, a := range items[id] {
			qty := a.Qty.FloatString(6)
			qty = strings.TrimRight(strings.TrimRight(qty, "0"), ".")
			b.WriteString(" " + qty + " " + value(a).FloatString(8))
		}
		b.WriteString("\n")
	}
	return fmt.Sprintf("%x", sha256.Sum256([]byte(b.String())))
}
