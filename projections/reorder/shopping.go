package reorder

import (
	"slices"
	"strconv"
	"strings"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/outlook"
	"countback/projections/report"
)

// Shopping is what to order from whom.
type Shopping struct {
	report.Head
	Currency  string `json:"currency"`
	Within    int    `json:"within_days"`
	Suppliers []List `json:"suppliers"` // by the last day to order, then by name
	Total     string `json:"total"`
}

// List is what to order from one supplier. Costs without one are unknown and in no sum.
type List struct {
	Supplier string `json:"supplier"` // empty: nobody is named
	OrderBy  string `json:"order_by"`
	Items    []Line `json:"items"`
	Total    string `json:"total"`

	By int `json:"-"`
}

// Line is one item to buy.
type Line struct {
	Item     string `json:"item"`
	Name     string `json:"name"`
	Supplier string `json:"supplier"`
	OrderBy  string `json:"order_by"`
	RunsOut  string `json:"runs_out"` // as likely as not
	Buy
	Unit string `json:"unit"`

	By, Cover int  `json:"-"`
	HasBy     bool `json:"-"`
}

func (x *Item) line() Line {
	return Line{x.Item, x.Name, x.Supplier, x.OrderBy, x.RunsOut.P50, x.Buy, x.Unit, x.By, x.P50, x.HasBy}
}

// Shopping lists what has to be ordered within a number of days, by supplier.
func (r *Report) Shopping(within, digits int, st report.Style) *Shopping {
	out := &Shopping{Head: r.Head, Currency: r.Currency, Within: within, Suppliers: []List{}}
	sums := map[string]int{}
	var costs [][]num.Money
	for i := range r.Items {
		x := &r.Items[i]
		if x.packs == 0 || !x.HasBy || x.By > within {
			continue
		}
		k, ok := sums[x.Supplier]
		if !ok {
			k = len(out.Suppliers)
			sums[x.Supplier] = k
			out.Suppliers = append(out.Suppliers, List{Supplier: x.Supplier, By: x.By, OrderBy: x.OrderBy})
			costs = append(costs, nil)
		}
		l := &out.Suppliers[k]
		l.Items = append(l.Items, x.line())
		if x.By < l.By {
			l.By, l.OrderBy = x.By, x.OrderBy
		}
		costs[k] = append(costs[k], x.cost)
	}
	var all num.Money
	for k := range out.Suppliers {
		var sum num.Money
		rounded := costs[k]
		if !st.Exact {
			rounded, sum = num.RoundLines(rounded, digits)
		} else {
			for _, m := range rounded {
				sum = sum.Add(m)
			}
		}
		for i := range rounded {
			if l := &out.Suppliers[k].Items[i]; l.Cost != "" {
				l.Cost = st.Money(rounded[i], digits)
			}
		}
		out.Suppliers[k].Total = st.Money(sum, digits)
		all = all.Add(sum)
	}
	out.Total = st.Money(all, digits)
	slices.SortStableFunc(out.Suppliers, func(a, b List) int {
		if a.By != b.By {
			return a.By - b.By
		}
		return strings.Compare(a.Supplier, b.Supplier)
	})
	return out
}

// Spending is what a budget buys.
type Spending struct {
	report.Head
	Currency string   `json:"currency"`
	Budget   string   `json:"budget"`
	Spent    string   `json:"spent"`
	Left     string   `json:"left"`
	Items    []Line   `json:"items"`   // fewest days of cover first
	Missing  []Line   `json:"missing"` // what it doesn't pay, or not wholly: the rest
	NoCost   []string `json:"no_cost"` // items that have never been bought, so that nobody knows what they cost
}

// Spend buys what has the fewest days of cover first. Each item gets as many of the packs that it asks for as are left to pay.
func (r *Report) Spend(budget num.Money, digits int, st report.Style) *Spending {
	out := &Spending{Head: r.Head, Currency: r.Currency, Budget: st.Money(budget, digits), Items: []Line{}, Missing: []Line{}, NoCost: []string{}}
	var spent num.Money
	for i := range r.Items {
		x := &r.Items[i]
		if x.packs == 0 {
			continue
		}
		if x.unitCost.units.IsZero() {
			out.NoCost = append(out.NoCost, x.Item)
			continue
		}
		n := x.paid(budget.Sub(spent), digits)
		if n > 0 {
			l := x.some(n, digits, st)
			spent = spent.Add(x.costOf(n).Round(digits))
			out.Items = append(out.Items, l)
		}
		if n < x.packs {
			out.Missing = append(out.Missing, x.some(x.packs-n, digits, st))
		}
	}
	out.Spent, out.Left = st.Money(spent, digits), st.Money(budget.Sub(spent), digits)
	return out
}

// paid is how many of the packs an amount pays, costs rounded to minor units.
func (x *Item) paid(left num.Money, digits int) int64 {
	low, high := int64(0), x.packs
	for low < high {
		n := low + (high-low+1)/2
		if left.Less(x.costOf(n).Round(digits)) {
			high = n - 1
		} else {
			low = n
		}
	}
	return low
}

// some is a line of some of the packs.
func (x *Item) some(n int64, digits int, st report.Style) Line {
	l := x.line()
	l.Qty, l.Packs, l.Cost = x.each.Times(num.Whole(n)).String(), strconv.FormatInt(n, 10), st.Money(x.costOf(n).Round(digits), digits)
	return l
}

// CountDay is the next day to count on by the shop's habit, in days since 1970-01-01: the last day of counting and the median of the days between such days over the
// last seven. A day of counting is one on which at least half as many items were counted as on the fullest. A habit of counting at the end of a month
// is kept to. It returns false where there are fewer than two such days.
func CountDay(l *fold.Log, asOf int64, st report.Style) (day int, ok bool) {
	var days, items []int
	seen := map[string]bool{}
	most := 0
	l.Events(func(e *event.Event, reversed bool) {
		c, isCount := e.Data.(*event.Count)
		if !isCount || reversed || e.Time.Ms() > asOf {
			return
		}
		n := len(days)
		if d := outlook.DayNumber(e.Time.Ms(), st.Zone); n == 0 || days[n-1] != d {
			days, items = append(days, d), append(items, 0)
			clear(seen)
			n++
		}
		if !seen[c.Item] {
			seen[c.Item] = true
			items[n-1]++
			most = max(most, items[n-1])
		}
	})
	var full []int
	for i, d := range days {
		if 2*items[i] >= most {
			full = append(full, d)
		}
	}
	return nextOf(full)
}

func nextOf(days []int) (day int, ok bool) {
	const looked, monthEnd = 7, 3
	n := len(days)
	if n < 2 {
		return 0, false
	}
	ends := 0
	for _, d := range days[max(0, n-monthEnd):] {
		if outlook.Date(d).Month() != outlook.Date(d+2).Month() {
			ends++
		}
	}
	if last := outlook.Date(days[n-1]); ends == monthEnd {
		// two days on it is the next month, whose last day is the one before the first of the month after it
		next := last.AddDate(0, 0, 2)
		return outlook.DayOf(next.AddDate(0, 1, -next.Day())), true
	}
	days = days[max(0, n-looked):]
	var gaps []int
	for i := range days[1:] {
		gaps = append(gaps, days[i+1]-days[i])
	}
	slices.Sort(gaps)
	return days[len(days)-1] + gaps[len(gaps)/2], true
}
