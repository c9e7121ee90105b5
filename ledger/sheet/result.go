package sheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"countback/ledger/event"
)

// Context is what an import has to know of the shop and the moment. All of it comes from outside.
type Context struct {
	// Location is the shop's time zone. It is required.
	Location *time.Location
	// Zone finds the time zone that a map names, usually time.LoadLocation. UTC and offsets like +02:00 need no Zone.
	Zone func(name string) (*time.Location, error)
	// Now bounds the times of facts (at most one day ahead) and dates facts that have no time of their own: items, and counts
	// without "at". Orders does without it, and then sets no upper bound.
	Now time.Time
	// Item reports whether an item is known; nil takes every name.
	Item func(id string) bool
	// Near lists the known names nearest to an unknown one; nil lists none.
	Near func(id string) []string
	// Current returns the definition in force of an item, or nil. Catalog compares with it, Counts finds packs and measures in it.
	Current func(id string) *event.Item
	// Digits are the decimal places of the shop's currency; values of orders are rounded to them once, half to even.
	Digits int
	// ShopID goes into the ids of imported facts, so that two shops never share one.
	ShopID string
}

// Problem is one thing that keeps a file from being recorded.
type Problem struct {
	Row    int    // as a spreadsheet numbers it, the header being row 1 as a rule; 0: the file as a whole
	Column string // the column's name; empty: the row as a whole
	Value  string // the cell's text
	Why    string // what is wrong and what to do, in plain words
}

// String is the problem in one line.
func (p Problem) String() string {
	s := p.Why
	if p.Value != "" {
		s = fmt.Sprintf("%q %s", clip(p.Value), s)
	}
	if p.Column != "" {
		s = fmt.Sprintf("column %q: %s", clip(p.Column), s)
	}
	if p.Row > 0 {
		s = fmt.Sprintf("row %d, %s", p.Row, s)
	}
	return s
}

// Tally says how many rows met one fate.
type Tally struct {
	Reason string
	Rows   int
}

// Cancelled is an order that the map leaves out whole because it was called off. If an earlier import recorded it, the ledger
// holds the event ID, which then waits to be reversed by hand.
type Cancelled struct {
	Order string
	ID    event.ID // zero if the rows hold no readable date
	Rows  []int
}

// Result is what an import makes of a file. If there are problems there are no facts: nothing is to be recorded.
type Result struct {
	Facts []event.Fact
	// Rows holds of each fact the row, as a spreadsheet numbers it, on which it begins in the file.
	Rows []int
	// Keys holds the content key of each fact, see ContentKey: a fact whose id the ledger holds with another key was changed
	// at its source after it was imported.
	Keys []string
	// Done accounts for every row below the header: the tallies add up to their number.
	Done []Tally
	// Entries tallies the entries of items cells, where a row is a whole order.
	Entries   []Tally
	Cancelled []Cancelled
	Problems  []Problem
}

// RowsWithProblems is the reason under which rows with problems are tallied.
const RowsWithProblems = "has a problem"

// tallies counts reasons and remembers in which order they came.
type tallies struct {
	list []Tally
	at   map[string]int
}

func (t *tallies) add(reason string, n int) {
	if t.at == nil {
		t.at = map[string]int{}
	}
	i, ok := t.at[reason]
	if !ok {
		i = len(t.list)
		t.at[reason] = i
		t.list = append(t.list, Tally{Reason: reason})
	}
	t.list[i].Rows += n
}

// add takes a fact that begins on a row.
func (r *Result) add(f event.Fact, row int) {
	r.Facts = append(r.Facts, f)
	r.Rows = append(r.Rows, row)
}

// seal puts the facts into order of time, adds their keys, and drops them if there is a problem.
func (r *Result) seal() *Result {
	slices.SortStableFunc(r.Problems, func(a, b Problem) int { return a.Row - b.Row })
	if len(r.Problems) > 0 {
		r.Facts, r.Rows, r.Keys = nil, nil, nil
		return r
	}
	order := make([]int, len(r.Facts))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		a, b := r.Facts[i], r.Facts[j]
		return cmp.Or(cmp.Compare(a.Time.Ms(), b.Time.Ms()), cmp.Compare(a.Data.Kind().Rank(), b.Data.Kind().Rank()))
	})
	facts, rows := make([]event.Fact, len(order)), make([]int, len(order))
	r.Keys = make([]string, len(order))
	for at, i := range order {
		facts[at], rows[at], r.Keys[at] = r.Facts[i], r.Rows[i], ContentKey(r.Facts[i])
	}
	r.Facts, r.Rows = facts, rows
	return r
}

// names asks for the known names near an unknown one, once for each.
type names struct {
	ctx  Context
	near map[string]string
}

func (n *names) known(id string) bool { return n.ctx.Item == nil || n.ctx.Item(id) }

// hint is the second half of "is not a known item…".
func (n *names) hint(id string) string {
	if s, ok := n.near[id]; ok {
		return s
	}
	var list []string
	if n.ctx.Near != nil {
		list = n.ctx.Near(id)
	}
	s := ""
	if len(list) > 0 {
		s = "; near it: " + join(list[:min(len(list), 5)])
	}
	if n.near == nil {
		n.near = map[string]string{}
	}
	n.near[id] = s
	return s
}

func clip(s string) string {
	r := []rune(s)
	if len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

// join lists names for a message.
func join(names []string) string {
	var q []string
	for i, n := range names {
		if i == 30 {
			q = append(q, fmt.Sprintf("and %d more", len(names)-i))
			break
		}
		if n != "" {
			q = append(q, clip(n))
		}
	}
	return strings.Join(q, ", ")
}
