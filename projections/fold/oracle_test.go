package fold_test

import (
	"context"
	"fmt"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/projections/book"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/oracle"
	"countback/projections/purchases"
	"pgregory.net/rapid"
)

// The fast fold and the slow reading of the same page print the same numbers, on any ledger.
func TestFoldAgreesWithOracle(t *testing.T) {
	size := 60
	if os.Getenv("COUNTBACK_FULL") != "" {
		size = 150
	}
	rapid.Check(t, func(t *rapid.T) {
		events := oracle.Ledger(t, rapid.IntRange(5, size).Draw(t, "size"))
		asOf := int64(0)
		if rapid.Bool().Draw(t, "cut") {
			asOf = rapid.SampledFrom(events).Draw(t, "as of").Time.Ms()
		}
		if differ(events, asOf) == "" {
			return
		}
		for again := true; again; { // leave out what the difference doesn't need
			again = false
			for i := range events {
				if fewer := slices.Delete(slices.Clone(events), i, i+1); differ(fewer, asOf) != "" {
					events, again = fewer, true
					break
				}
			}
		}
		t.Fatalf("as of %d\n%s\n%s", asOf, oracle.Text(events), differ(events, asOf))
	})
}

// differ folds events, the last one arriving first, and says where the two readings part, "" if they don't.
func differ(events []*event.Event, asOf int64) string {
	turned := slices.Clone(events)
	slices.Reverse(turned)
	log, err := fold.Read(context.Background(), foldtest.Events(turned), fold.Choice{})
	if err != nil {
		return err.Error()
	}
	got := describe(log.Run(fold.Run{AsOf: asOf, Orders: true}), log, asOf)
	exp := expected(oracle.Run(oracle.In{Events: events, AsOf: asOf, Digits: 2}))
	var out []string
	for _, l := range got {
		if !slices.Contains(exp, l) {
			out = append(out, "fold:   "+l)
		}
	}
	for _, l := range exp {
		if !slices.Contains(got, l) {
			out = append(out, "oracle: "+l)
		}
	}
	if len(out) == 0 && len(got) != len(exp) {
		return "as many lines differ"
	}
	return strings.Join(out, "\n")
}

func describe(s *fold.State, log *fold.Log, asOf int64) (out []string) {
	for i, it := range s.Catalog.Items {
		if it.Prepared() {
			continue
		}
		st := &s.Items[i]
		v := st.Account.Value()
		out = append(out, fmt.Sprint("item ", it.ID, " ", st.Account.OnHand(), " ", v[0], " ", v[1]))
		for c := range fold.Columns {
			e := st.Totals[c]
			out = append(out, fmt.Sprint("  ", c, " ", e.Qty, " ", e.Value[0], " ", e.Value[1]))
		}
	}
	var numbers []string
	for n, o := range s.Orders {
		if o.Packs > 0 || o.Runs > 0 {
			numbers = append(numbers, n)
		}
	}
	slices.Sort(numbers)
	for _, n := range numbers {
		o := s.Orders[n]
		out = append(out, fmt.Sprint("order ", n, " zone ", o.Zone, " packed ", o.Packed, " parcels ", o.Parcels, " goods ", o.Goods[book.Average], " ", o.Goods[book.FIFO],
			" packing ", o.Packing[book.Average], " ", o.Packing[book.FIFO], " postage ", o.Postage))
		slices.SortFunc(o.Lines, func(a, b fold.OrderLine) int { return a.Item - b.Item })
		for _, l := range o.Lines {
			out = append(out, fmt.Sprint("  ", s.Catalog.Items[l.Item].ID, " ", l.Qty, " ", l.Cost[0], " ", l.Cost[1], " ", l.Provisional))
		}
	}
	var void, pending []string
	for _, n := range s.Notices {
		switch n.Topic {
		case "void":
			void = append(void, "void "+n.Event.String())
		case "pending":
			pending = append(pending, "pending "+n.Event.String())
		}
	}
	slices.Sort(void)
	slices.Sort(pending)
	out = append(append(out, slices.Compact(void)...), pending...)
	on := purchases.OnOrder(purchases.Open(log, asOf))
	for i, it := range s.Catalog.Items {
		if q := on[i]; q.Sign() > 0 {
			out = append(out, fmt.Sprint("on order ", it.ID, " ", q))
		}
	}
	return out
}

func expected(w oracle.Out) (out []string) {
	for _, it := range w.Items {
		out = append(out, fmt.Sprint("item ", it.ID, " ", dec(it.OnHand), " ", dec(it.Average), " ", dec(it.FIFO)))
		for _, c := range oracle.Columns {
			a := it.Columns[c]
			out = append(out, fmt.Sprint("  ", c, " ", dec(a.Qty), " ", dec(a.Average), " ", dec(a.FIFO)))
		}
	}
	for _, o := range w.Orders {
		out = append(out, fmt.Sprint("order ", o.Order, " zone ", o.Zone, " packed ", o.Packed, " parcels ", o.Parcels, " goods ", dec(o.Goods.Average), " ", dec(o.Goods.FIFO),
			" packing ", dec(o.Packing.Average), " ", dec(o.Packing.FIFO), " postage ", dec(o.Postage.Average)))
		for _, l := range o.Lines {
			out = append(out, fmt.Sprint("  ", l.Item, " ", dec(l.Qty), " ", dec(l.Average), " ", dec(l.FIFO), " ", l.Provisional))
		}
	}
	var void, pending []string
	for id := range w.Void {
		void = append(void, "void "+id.String())
	}
	for _, id := range w.Pending {
		pending = append(pending, "pending "+id.String())
	}
	slices.Sort(void)
	slices.Sort(pending)
	out = append(append(out, void...), pending...)
	var ids []string
	for id := range w.OnOrder {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		out = append(out, fmt.Sprint("on order ", id, " ", dec(w.OnOrder[id])))
	}
	return out
}

// dec writes a fraction as decimal text without trailing zeros.
func dec(r *big.Rat) string {
	if r == nil {
		return "0"
	}
	s := r.FloatString(12)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}
