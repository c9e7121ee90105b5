package oracle_test

import (
	"fmt"
	"math/big"
	"reflect"
	"sort"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/projections/oracle"
)

// in draws a ledger with or without cuts.
func in(t *rapid.T) oracle.In {
	in := oracle.In{Events: oracle.Ledger(t, rapid.SampledFrom([]int{3, 15, 30, 60}).Draw(t, "size")), Digits: rapid.SampledFrom([]int{2, 2, 0, 3}).Draw(t, "digits")}
	const day = 86_400_000
	if rapid.IntRange(0, 2).Draw(t, "cut") == 2 {
		in.AsOf = oracle.Start + int64(rapid.IntRange(1, oracle.Days*4).Draw(t, "as of"))*day/4
	}
	if rapid.IntRange(0, 4).Draw(t, "known") == 4 {
		in.Known = oracle.Start + int64(rapid.IntRange(1, oracle.Days).Draw(t, "known"))*day
	}
	return in
}

// closing is what the columns say about an item.
func closing(it oracle.Item) (q, average, fifo *big.Rat) {
	q, average, fifo = new(big.Rat), new(big.Rat), new(big.Rat)
	for _, c := range oracle.Columns {
		op := (*big.Rat).Sub
		if oracle.Inflow[c] {
			op = (*big.Rat).Add
		}
		a := it.Columns[c]
		op(q, q, a.Qty)
		op(average, average, a.Average)
		op(fifo, fifo, a.FIFO)
	}
	return q, average, fifo
}

func TestOpeningAndInLessOutIsClosing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := in(t)
		for _, it := range oracle.Run(in).Items {
			q, a, f := closing(it)
			if q.Cmp(it.OnHand) != 0 || a.Cmp(it.Average) != 0 || f.Cmp(it.FIFO) != 0 {
				t.Errorf("%s: on hand %s worth %s and %s, columns say %s, %s, %s\n%s", it.ID, it.OnHand.FloatString(6), it.Average.FloatString(8),
					it.FIFO.FloatString(8), q.FloatString(6), a.FloatString(8), f.FloatString(8), oracle.Text(in.Events))
			}
		}
	})
}

// An order's lines hold what its totals hold, and sold and packed columns hold what the orders do, runs for orders aside.
func TestOrdersAndColumnsAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := in(t)
		out := oracle.Run(in)
		packing := new(big.Rat)
		for _, o := range out.Orders {
			sum := new(big.Rat)
			for _, n := range o.Lines {
				sum.Add(sum, n.FIFO)
			}
			if want := new(big.Rat).Add(o.Goods.FIFO, o.Packing.FIFO); want.Cmp(sum) != 0 {
				t.Errorf("order %s: lines %s, goods and packing %s", o.Order, sum.FloatString(8), want.FloatString(8))
			}
			packing.Add(packing, o.Packing.FIFO)
		}
		for _, it := range out.Items {
			packing.Sub(packing, it.Columns[oracle.Packed].FIFO)
		}
		if packing.Sign() != 0 {
			t.Errorf("packing of orders differs from the column by %s", packing.FloatString(8))
		}
	})
}

func TestEveryFigureIsRoundedToItsScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fits := func(r *big.Rat, places int64) bool {
			return new(big.Rat).Mul(r, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(places), nil))).IsInt()
		}
		for _, it := range oracle.Run(in(t)).Items {
			for c, a := range it.Columns {
				if !fits(a.Qty, 6) || !fits(a.Average, 8) || !fits(a.FIFO, 8) {
					t.Errorf("%s %s: %s %s %s", it.ID, c, a.Qty, a.Average, a.FIFO)
				}
			}
		}
	})
}

func TestInputOrderMakesNoDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := in(t)
		want := text(oracle.Run(in))
		in.Events = rapid.Permutation(in.Events).Draw(t, "order")
		if got := text(oracle.Run(in)); got != want {
			t.Errorf("first:\n%s\nthen:\n%s", want, got)
		}
	})
}

// A fact after T changes nothing that is said about T, whether it is cut or was never recorded. Orders, reversals,
// decisions, setup and what credits and purchases refer to are known whatever their time.
func TestAsOfEqualsALedgerWithoutLaterFacts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := in(t)
		if in.AsOf == 0 {
			return
		}
		want := text(oracle.Run(in))
		var cut []*event.Event
		for _, e := range in.Events {
			switch e.Kind {
			case event.KindPack, event.KindReturn, event.KindReprint, event.KindDamage, event.KindCount, event.KindCredit:
				if e.Time.Ms() > in.AsOf && !doubled(in.Events, e) && e.Fault == nil {
					e = &event.Event{ID: e.ID, Device: e.Device, Shop: e.Shop, Seq: e.Seq, Time: e.Time, Kind: "unknown"}
				}
			}
			cut = append(cut, e)
		}
		in.Events = cut
		got := text(oracle.Run(in))
		// A reversal of what is now unknown is listed, and only that.
		if strip(got) != strip(want) {
			t.Errorf("cut (-) and never recorded (+):\n%s", differ(strip(want), strip(got)))
		}
	})
}

func doubled(events []*event.Event, e *event.Event) bool {
	for _, o := range events {
		if o != e && o.ID == e.ID {
			return true
		}
	}
	return false
}

func strip(s string) string {
	var keep []string
	for _, n := range strings.Split(s, "\n") {
		if n != "" && !strings.HasPrefix(n, "void") {
			keep = append(keep, n)
		}
	}
	return strings.Join(keep, "\n")
}

// differ lists the lines that only one of two texts has.
func differ(a, b string) string {
	var list []string
	for _, n := range strings.Split(a, "\n") {
		if !strings.Contains(b, n) {
			list = append(list, "- "+n)
		}
	}
	for _, n := range strings.Split(b, "\n") {
		if !strings.Contains(a, n) {
			list = append(list, "+ "+n)
		}
	}
	return strings.Join(list, "\n")
}

// text writes all that a run says.
func text(o oracle.Out) string {
	var b strings.Builder
	for _, it := range o.Items {
		fmt.Fprintf(&b, "item %s %s %s %s\n", it.ID, it.OnHand.RatString(), it.Average.RatString(), it.FIFO.RatString())
		for _, c := range oracle.Columns {
			a := it.Columns[c]
			fmt.Fprintf(&b, "  %s %s %s %s\n", c, a.Qty.RatString(), a.Average.RatString(), a.FIFO.RatString())
		}
		for _, n := range it.Layers {
			fmt.Fprintf(&b, "  layer %s %s\n", n.Qty.RatString(), n.Value.RatString())
		}
	}
	for _, r := range o.Orders {
		fmt.Fprintf(&b, "order %s %s %d %d %s %s %s\n", r.Order, r.Zone, r.Packed, r.Parcels, cost(r.Goods), cost(r.Packing), cost(r.Postage))
		for _, n := range r.Lines {
			fmt.Fprintf(&b, "  %s %s %s %s %v\n", n.Item, n.Qty.RatString(), n.Average.RatString(), n.FIFO.RatString(), n.Provisional)
		}
	}
	var void []string
	for id, why := range o.Void {
		void = append(void, fmt.Sprintf("void %s %s", id, why))
	}
	sort.Strings(void)
	fmt.Fprintln(&b, strings.Join(void, "\n"))
	for _, id := range o.Pending {
		fmt.Fprintln(&b, "pending", id)
	}
	var due []string
	for item, q := range o.OnOrder {
		due = append(due, fmt.Sprintf("due %s %s", item, q.RatString()))
	}
	sort.Strings(due)
	fmt.Fprintln(&b, strings.Join(due, "\n"))
	return b.String()
}

func cost(c oracle.Cost) string { return c.Average.RatString() + " " + c.FIFO.RatString() }

// The generator is worth what it reaches: over some hundred ledgers everything below happens.
func TestRandomLedgersReachTheRules(t *testing.T) {
	seen := map[string]int{}
	draw := rapid.Custom(func(t *rapid.T) []*event.Event { return oracle.Ledger(t, 40) })
	for i := range 150 {
		events := draw.Example(i)
		out := oracle.Run(oracle.In{Events: events, Digits: 2})
		for _, why := range out.Void {
			seen["void: "+why]++
		}
		seen["pending"] += len(out.Pending)
		seen["due"] += len(out.OnOrder)
		for _, o := range out.Orders {
			seen["order"]++
			seen["parcels"] += o.Parcels
			for _, n := range o.Lines {
				if n.Provisional {
					seen["provisional"]++
				}
			}
		}
		for _, it := range out.Items {
			for c, a := range it.Columns {
				if a.Qty.Sign() != 0 || a.FIFO.Sign() != 0 {
					seen[string(c)]++
				}
			}
			if it.OnHand.Sign() < 0 {
				seen["below zero"]++
			}
			if it.Average.Cmp(it.FIFO) != 0 {
				seen["costings differ"]++
			}
		}
		kinds := map[event.ID]int{}
		for _, e := range events {
			kinds[e.ID]++
			if kinds[e.ID] == 2 {
				seen["doubled"]++
			}
		}
	}
	var names []string
	for name, n := range seen {
		names = append(names, fmt.Sprintf("%s %d", name, n))
	}
	sort.Strings(names)
	t.Log(strings.Join(names, "\n"))
	wants := []string{"pending", "due", "order", "parcels", "provisional", "below zero", "costings differ", "doubled",
		"void: shape", "void: unknown item", "void: another type or unit", "void: unknown part", "void: closes a circle", "void: restates what isn't there",
		"void: its spec isn't there", "void: its restock isn't there", "void: its purchase isn't there", "void: its event can't be reversed",
		"void: a discount above the lines' costs", "void: neither lines nor an order", "void: can't be converted",
		"void: a prepared piece whose parts weren't counted", "void: a prepared piece outside a session",
		"void: parcels that aren't the pack's lines, or a format that isn't the spec's"}
	for _, c := range oracle.Columns {
		wants = append(wants, string(c))
	}
	for _, want := range wants {
		if seen[want] == 0 {
			t.Errorf("no ledger had: %s", want)
		}
	}
}

func TestRunLeavesItsInputAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := in(t)
		before := oracle.Text(in.Events)
		first := oracle.Run(in)
		if second := oracle.Run(in); !reflect.DeepEqual(text(first), text(second)) || oracle.Text(in.Events) != before {
			t.Error("a second run says something else")
		}
	})
}
