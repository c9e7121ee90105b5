package closing

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"

	"countback/projections/book"
	"countback/projections/report"
)

// Month is one closed month of a year's summary.
type Month struct {
	Period  string   `json:"period"`
	Event   string   `json:"event"`
	Agrees  bool     `json:"agrees"`  // its figures have the digest that was closed
	Waiting []string `json:"waiting"` // what isn't here; then it has no figures, and nor has the year
	Totals  *Roll    `json:"totals,omitempty"`

	Items []Item `json:"-"`
}

// Year adds closed months up, as they are printed.
type Year struct {
	report.Head
	Year     string  `json:"year"`
	Costing  string  `json:"costing"`
	Currency string  `json:"currency"`
	Months   []Month `json:"months"`
	Items    []Item  `json:"items"`
	Totals   *Roll   `json:"totals,omitempty"`
	Caution  string  `json:"caution"`
}

// ParseYear reads a year such as 2026.
func ParseYear(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err != nil || len(s) != 4 || n < 0 {
		return 0, fmt.Errorf("%q is not a year; write one like 2026", s)
	}
	return n, nil
}

// Year adds up the closed months of a year, of all years if it is 0. Its rows are the sums of what the months print, so that they tie as those do.
func (l *Ledger) Year(ctx context.Context, year int, st report.Style) (Year, error) {
	y := Year{Year: fmt.Sprintf("%04d", year), Months: []Month{}, Items: []Item{}, Caution: Caution}
	rows := map[string]*Row{}
	values := map[string][2]shown{}
	var w *writer
	whole := true
	for i, c := range l.Closed {
		if year != 0 && c.Period.Year != year {
			continue
		}
		f, err := l.closed(ctx, i)
		if err != nil {
			return Year{}, err
		}
		r := f.head(st)
		y.Head = r.Head
		m := Month{Period: r.Period, Event: r.Closed.Event, Agrees: r.Closed.Agrees, Waiting: r.Waiting}
		if f.State == nil {
			whole = false
			y.Months = append(y.Months, m)
			continue
		}
		y.Costing, y.Currency = r.Costing, r.Currency
		w = &writer{st, f.State.Costing(), f.State.Digits()}
		of := w.valuesOf(f.Rows)
		var totals Roll
		m.Items, totals = w.table(f.Rows, of)
		m.Totals = &totals
		y.Months = append(y.Months, m)
		for k := range f.Rows {
			join(rows, values, &f.Rows[k], of[k])
		}
	}
	if len(y.Months) == 0 {
		return y, l.noneOf(year)
	}
	if w == nil || !whole {
		return y, nil
	}
	var list []Row
	for _, r := range rows {
		list = append(list, *r)
	}
	slices.SortFunc(list, func(a, b Row) int { return cmp.Compare(a.Item, b.Item) })
	of := make([][2]shown, len(list))
	for i := range list {
		of[i] = values[list[i].Item]
	}
	items, totals := w.table(list, of)
	y.Items, y.Totals = items, &totals
	return y, nil
}

// join adds a month's row to the year's: the opening is that of the item's first month, the closing that of the last.
func join(rows map[string]*Row, values map[string][2]shown, r *Row, v [2]shown) {
	sum := rows[r.Item]
	if sum == nil {
		sum = &Row{Item: r.Item, Opening: r.Opening}
		rows[r.Item] = sum
		values[r.Item] = [2]shown{{opening: v[0].opening}, {opening: v[1].opening}}
	}
	opening, was := sum.Opening, values[r.Item]
	sum.add(r)
	sum.Opening, sum.Closing, sum.Name, sum.Unit = opening, r.Closing, r.Name, r.Unit
	clear(sum.Earlier[:]) // what came late within the year is no matter of earlier periods any more
	var now [2]shown
	for _, c := range book.Costings {
		now[c] = was[c].plus(v[c])
		now[c].opening, now[c].closing = was[c].opening, v[c].closing
	}
	values[r.Item] = now
}

func (l *Ledger) noneOf(year int) error {
	if last := l.Last(); last != nil {
		return refuse("no month of %04d is closed; the last that is closed is %s", year, last.Period)
	}
	return refuse("no month is closed yet; close the first with countback close 2026-03, or look at it with --dry-run")
}
