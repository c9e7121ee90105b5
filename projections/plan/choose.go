package plan

import (
	"cmp"
	"math/bits"
	"slices"

	"countback/ledger/num"
	"countback/projections/cut"
)

// Claim is what one order takes of what is short.
type Claim struct {
	Item int // index into what is there
	Qty  num.Qty
}

// exactUpTo is the size of a group that is settled exactly.
const exactUpTo = 25

const million = 1_000_000

// OldestFirst goes through orders, oldest first, and sends each for which enough is left.
func OldestFirst(have []num.Qty, orders [][]Claim) []bool {
	left := slices.Clone(have)
	out := make([]bool, len(orders))
	for i, o := range orders {
		out[i] = take(left, o)
	}
	return out
}

// take takes an order's claims, all or none.
func take(left []num.Qty, claims []Claim) bool {
	for _, c := range claims {
		if left[c.Item].Less(c.Qty) {
			return false
		}
	}
	for _, c := range claims {
		left[c.Item] = left[c.Item].Sub(c.Qty)
	}
	return true
}

// Largest finds the largest set of orders for which enough is there; of several the one that holds the oldest order, then the next oldest, and so on. Orders are
// given oldest first, what is there is 0 or more, claims are above 0 and each order names an item once. exact is false where a group of more than 25 orders that claim the same items
// was settled greedily; contested is how many orders had to be chosen among.
func Largest(have []num.Qty, orders [][]Claim) (out []bool, contested int, exact bool) {
	out = make([]bool, len(orders))
	exact = true
	alive := make([]bool, len(orders))
	for i, o := range orders {
		alive[i] = !slices.ContainsFunc(o, func(c Claim) bool { return have[c.Item].Less(c.Qty) })
	}
	sum := make([]num.Qty, len(have))
	for i, o := range orders {
		for _, c := range o {
			if alive[i] {
				sum[c.Item] = sum[c.Item].Add(c.Qty)
			}
		}
	}
	scarce := make([]bool, len(have))
	for k := range have {
		scarce[k] = have[k].Less(sum[k])
	}
	rest := make([][]Claim, len(orders))
	for i, o := range orders {
		if !alive[i] {
			continue
		}
		for _, c := range o {
			if scarce[c.Item] {
				rest[i] = append(rest[i], c)
			}
		}
		out[i] = len(rest[i]) == 0
		if !out[i] {
			contested++
		}
	}
	for _, group := range groups(len(have), rest) {
		claims := make([][]Claim, len(group))
		for n, i := range group {
			claims[n] = rest[i]
		}
		var chosen []bool
		if len(group) <= exactUpTo {
			chosen = branch(have, claims)
		}
		if chosen == nil {
			chosen, exact = greedy(have, claims), false
		}
		for n, i := range group {
			out[i] = chosen[n]
		}
	}
	return out, contested, exact
}

// groups parts orders that share nothing, directly or through others. Orders without a claim are in none.
func groups(items int, orders [][]Claim) [][]int {
	first := make([]int, items) // the order that leads an item's group, plus 1
	lead := make([]int, len(orders))
	for i := range lead {
		lead[i] = i
	}
	var find func(int) int
	find = func(i int) int {
		if lead[i] != i {
			lead[i] = find(lead[i])
		}
		return lead[i]
	}
	for i, o := range orders {
		for _, c := range o {
			if first[c.Item] == 0 {
				first[c.Item] = i + 1
				continue
			}
			a, b := find(first[c.Item]-1), find(i)
			lead[max(a, b)] = min(a, b)
		}
	}
	at := map[int]int{}
	var out [][]int
	for i, o := range orders {
		if len(o) == 0 {
			continue
		}
		l := find(i)
		n, ok := at[l]
		if !ok {
			n = len(out)
			at[l] = n
			out = append(out, nil)
		}
		out[n] = append(out[n], i)
	}
	return out
}

// search looks for the largest set by trying each order, oldest first, with before without. So among sets of one size it meets the one of the oldest orders
// first, and only a larger one takes its place. Sets are bits, the oldest order the lowest; quantities are millionths of a base unit.
type search struct {
	n       int
	columns []column
	order   [][]part // what an order takes of each column
	left    []int64  // of each column
	most    int
	best    uint32
	covers  []uint32 // younger orders that take at least as much of everything: without the order, a set needn't hold them

	// All columns at once: an order's share is the sum over them of what it takes in millionths of what is there, rounded down. The shares of orders that go
	// together are at most a million for each column.
	shares []taker // the smallest first
	share  []int64
	room   int64
}

// column is one item that is short: who takes how much of it, the smallest first.
type column struct {
	takers []taker
	all    uint32
}

type taker struct {
	order int
	qty   int64
}

type part struct {
	column int
	qty    int64
}

// branch is nil where a quantity is beyond 9·10^12 base units, which the search doesn't hold.
func branch(have []num.Qty, orders [][]Claim) []bool {
	s := &search{n: len(orders), order: make([][]part, len(orders)), most: -1, covers: make([]uint32, len(orders)), share: make([]int64, len(orders))}
	index := map[int]int{}
	for i, o := range orders {
		for _, c := range o {
			k, ok := index[c.Item]
			if !ok {
				k = len(s.columns)
				index[c.Item] = k
				s.columns = append(s.columns, column{})
				there, fits := have[c.Item].Scaled()
				if !fits {
					return nil
				}
				s.left = append(s.left, there)
			}
			qty, _ := c.Qty.Scaled() // at most what is there
			s.order[i] = append(s.order[i], part{k, qty})
			s.columns[k].takers = append(s.columns[k].takers, taker{i, qty})
			s.columns[k].all |= 1 << i
			s.share[i] += cut.Floor(c.Qty.Times(num.Whole(million)), have[c.Item])
		}
		s.shares = append(s.shares, taker{i, s.share[i]})
	}
	s.room = int64(len(s.columns)) * million
	bySize := func(a, b taker) int { return cmp.Or(cmp.Compare(a.qty, b.qty), cmp.Compare(a.order, b.order)) }
	slices.SortFunc(s.shares, bySize)
	for _, c := range s.columns {
		slices.SortFunc(c.takers, bySize)
	}
	for i := range orders {
		for k := i + 1; k < len(orders); k++ {
			if covers(s.order[k], s.order[i]) {
				s.covers[i] |= 1 << k
			}
		}
	}
	s.visit(0, 0, 1<<len(orders)-1)
	out := make([]bool, len(orders))
	for i := range out {
		out[i] = s.best>>i&1 == 1
	}
	return out
}

// covers reports whether a takes at least as much of everything as b.
func covers(a, b []part) bool {
	for _, p := range b {
		k := slices.IndexFunc(a, func(x part) bool { return x.column == p.column })
		if k < 0 || a[k].qty < p.qty {
			return false
		}
	}
	return true
}

// visit goes on from a set to which the open orders may still come.
func (s *search) visit(set uint32, count int, open uint32) {
	if open == 0 {
		if count > s.most {
			s.most, s.best = count, set
		}
		return
	}
	if count+s.bound(open) <= s.most {
		return
	}
	i := bits.TrailingZeros32(open)
	open &^= 1 << i
	if s.fits(i) {
		s.take(i, 1)
		s.visit(set|1<<i, count+1, open)
		s.take(i, -1)
	}
	s.visit(set, count, open&^s.covers[i])
}

func (s *search) fits(i int) bool {
	for _, p := range s.order[i] {
		if s.left[p.column] < p.qty {
			return false
		}
	}
	return true
}

func (s *search) take(i int, sign int64) {
	for _, p := range s.order[i] {
		s.left[p.column] -= sign * p.qty
	}
	s.room -= sign * s.share[i]
}

// bound is how many of the open orders a set can take at most: of each column, and of all together, as many as the smallest leave room for.
func (s *search) bound(open uint32) int {
	best := fill(s.shares, open, s.room)
	for k := range s.columns {
		c := &s.columns[k]
		if free := bits.OnesCount32(open &^ c.all); free < best {
			best = min(best, free+fill(c.takers, open, s.left[k]))
		}
	}
	return best
}

// fill counts how many open takers fit into room, the smallest first.
func fill(takers []taker, open uint32, room int64) (n int) {
	for _, t := range takers {
		if open>>t.order&1 == 0 {
			continue
		}
		if room -= t.qty; room < 0 {
			return n
		}
		n++
	}
	return n
}

// greedy takes those orders first that take the smallest share of what is there of the item of which they take most, and returns that or oldest first,
// whichever sends more.
func greedy(have []num.Qty, orders [][]Claim) []bool {
	share := make([]num.Qty, len(orders))
	byShare := make([]int, len(orders))
	for i, o := range orders {
		byShare[i] = i
		for _, c := range o {
			share[i] = num.Max(share[i], num.Whole(million).Part(c.Qty, have[c.Item]))
		}
	}
	slices.SortStableFunc(byShare, func(a, b int) int { return cmp.Or(share[a].Cmp(share[b]), cmp.Compare(a, b)) })
	small := make([]bool, len(orders))
	left := slices.Clone(have)
	for _, i := range byShare {
		small[i] = take(left, orders[i])
	}
	old := OldestFirst(have, orders)
	if sent(small) > sent(old) {
		return small
	}
	return old
}

func sent(list []bool) (n int) {
	for _, in := range list {
		if in {
			n++
		}
	}
	return n
}
