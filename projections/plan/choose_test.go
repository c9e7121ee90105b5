package plan_test

import (
	"math/bits"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/num"
	"countback/projections/plan"
)

// drawClaims draws orders that claim items, a few of each, so that claims collide.
func drawClaims(t *rapid.T, orders int) ([]num.Qty, [][]plan.Claim) {
	items := rapid.IntRange(1, 4).Draw(t, "items")
	have := make([]num.Qty, items)
	for i := range have {
		have[i] = num.Whole(int64(rapid.IntRange(0, 12).Draw(t, "have")))
	}
	list := make([][]plan.Claim, orders)
	for i := range list {
		for k := range items {
			if n := rapid.IntRange(-2, 5).Draw(t, "claim"); n > 0 {
				list[i] = append(list[i], plan.Claim{Item: k, Qty: num.Whole(int64(n)).Part(num.Whole(1), num.Whole(2))})
			}
		}
	}
	return have, list
}

func suffices(have []num.Qty, orders [][]plan.Claim, in func(int) bool) bool {
	left := append([]num.Qty{}, have...)
	for i, o := range orders {
		for _, c := range o {
			if in(i) {
				left[c.Item] = left[c.Item].Sub(c.Qty)
			}
		}
	}
	for _, q := range left {
		if q.Sign() < 0 {
			return false
		}
	}
	return true
}

// Every set of orders is tried: the one found is as large as any, and of those as large it holds the oldest.
func TestLargestByTryingAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		have, orders := drawClaims(t, rapid.IntRange(0, 9).Draw(t, "orders"))
		got, _, exact := plan.Largest(have, orders)
		if !exact {
			t.Fatal("so few orders were not settled exactly")
		}
		n := len(orders)
		best, size := 0, -1
		for set := 1<<n - 1; set >= 0; set-- { // the oldest order is the highest bit: of equal sets the first one met holds the oldest
			if bits.OnesCount(uint(set)) > size && suffices(have, orders, func(i int) bool { return set>>(n-1-i)&1 == 1 }) {
				best, size = set, bits.OnesCount(uint(set))
			}
		}
		for i := range got {
			if got[i] != (best>>(n-1-i)&1 == 1) {
				t.Fatalf("%v, and by trying all %0*b", got, n, best)
			}
		}
	})
}

// Beyond 25 it isn't the largest, but what is there suffices, no order could be added, and oldest first never sends more.
func TestGreedySuffices(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		have, orders := drawClaims(t, rapid.IntRange(26, 60).Draw(t, "orders"))
		got, contested, exact := plan.Largest(have, orders)
		if contested <= 25 && !exact {
			t.Error("so few were not settled exactly")
		}
		if !suffices(have, orders, func(i int) bool { return got[i] }) {
			t.Fatal("more is sent than there is")
		}
		sent := 0
		for i := range got {
			if got[i] {
				sent++
			} else if suffices(have, orders, func(k int) bool { return got[k] || k == i }) {
				t.Errorf("order %d could go as well", i)
			}
		}
		old := plan.OldestFirst(have, orders)
		for _, in := range old {
			if in {
				sent--
			}
		}
		if sent < 0 {
			t.Errorf("oldest first sends %d more", -sent)
		}
	})
}

func TestOldestFirst(t *testing.T) {
	q := func(n int64) num.Qty { return num.Whole(n) }
	have := []num.Qty{q(4), q(1)}
	orders := [][]plan.Claim{{{Item: 0, Qty: q(4)}}, {{Item: 0, Qty: q(2)}}, {{Item: 0, Qty: q(1)}, {Item: 1, Qty: q(1)}}, {{Item: 1, Qty: q(1)}}, {}, {{Item: 0, Qty: q(1)}}}
	check := func(name string, got []bool, want ...bool) {
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	check("oldest first", plan.OldestFirst(have, orders), true, false, false, true, true, false)
	got, contested, exact := plan.Largest(have, orders)
	check("the largest leaves the oldest at home for three small ones", got, false, true, true, false, true, true)
	if contested != 5 || !exact {
		t.Error(contested, exact)
	}
}

// What is enough for all is not contested, whoever claims it.
func TestContested(t *testing.T) {
	q := func(n int64) num.Qty { return num.Whole(n) }
	have := []num.Qty{q(9), q(2), q(0)}
	orders := [][]plan.Claim{{{Item: 0, Qty: q(4)}}, {{Item: 0, Qty: q(4)}, {Item: 1, Qty: q(2)}}, {{Item: 1, Qty: q(1)}}, {{Item: 2, Qty: q(1)}, {Item: 0, Qty: q(5)}}}
	got, contested, exact := plan.Largest(have, orders)
	if !slices.Equal(got, []bool{true, true, false, false}) || contested != 2 || !exact {
		t.Error(got, contested, exact)
	}
}

// Where so many are contested that it is greedy, oldest first is taken if it sends more.
func TestGreedyIsNotWorseThanOldestFirst(t *testing.T) {
	better := 0
	for seed := range uint64(2000) {
		have, orders := hard(seed, 26, 3)
		got, _, exact := plan.Largest(have, orders)
		n := 0
		for i, in := range plan.OldestFirst(have, orders) {
			if in {
				n++
			}
			if got[i] {
				n--
			}
		}
		if n > 0 || exact {
			t.Fatalf("seed %d: oldest first sends %d more", seed, n)
		}
		if n == 0 && slices.Equal(got, plan.OldestFirst(have, orders)) {
			better++
		}
	}
	t.Log(better, "times oldest first was taken")
}

// hard is 25 orders that share ten items of which half is there: nothing can be left out beforehand.
func hard(seed uint64, orders, items int) ([]num.Qty, [][]plan.Claim) {
	r := rand.New(rand.NewPCG(seed, 1))
	have := make([]num.Qty, items)
	list := make([][]plan.Claim, orders)
	for i := range list {
		for k := range items {
			n := int64(1 + r.IntN(40))
			have[k] = have[k].Add(num.Whole(n))
			list[i] = append(list[i], plan.Claim{Item: k, Qty: num.Whole(n)})
		}
	}
	for k := range have {
		have[k] = have[k].Part(num.Whole(1), num.Whole(2))
	}
	return have, list
}

// BenchmarkLargest settles 25 orders that all claim all of ten items: the worst of twenty draws, beside going through them once.
func BenchmarkLargest(b *testing.B) {
	for name, items := range map[string]int{"one item": 1, "three items": 3, "ten items": 10} {
		b.Run(name, func(b *testing.B) {
			for i := 0; b.Loop(); i++ {
				have, orders := hard(uint64(i%20), 25, items)
				plan.Largest(have, orders)
			}
		})
	}
}
