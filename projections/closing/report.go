package closing

import (
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
	"countback/projections/report"
	"countback/projections/review"
)

// Caution stands on every report about closed months.
const Caution = "These values are for running the shop. What stock is worth for tax, and when a cost counts, depends on local rules: ask a licensed accountant before using them in a tax return."

// Cell is one column's figure: value under the shop's own costing, and under both.
type Cell struct {
	Qty     string `json:"qty,omitempty"` // none in totals: items have different units
	Value   string `json:"value"`
	Average string `json:"average"`
	FIFO    string `json:"fifo"`
}

// Roll is a roll-forward. Closing is opening + opened + bought + made + gained - credited - sold - packed - into_runs - given - own_use - lost - adjusted.
type Roll struct {
	Opening  Cell `json:"opening"`
	Opened   Cell `json:"opened"`
	Bought   Cell `json:"bought"`
	Credited Cell `json:"credited"`
	Made     Cell `json:"made"`
	Sold     Cell `json:"sold"`
	Packed   Cell `json:"packed"`
	IntoRuns Cell `json:"into_runs"`
	Given    Cell `json:"given"`
	OwnUse   Cell `json:"own_use"`
	Lost     Cell `json:"lost"`
	Gained   Cell `json:"gained"`
	Adjusted Cell `json:"adjusted"`
	Closing  Cell `json:"closing"`
	Material Cell `json:"material"` // sold + packed + what print runs for orders took
}

// Named is one column of a roll-forward with its name.
type Named struct {
	Name string
	Cell Cell
}

// List returns the columns from opening to closing in their order.
func (r *Roll) List() []Named {
	return []Named{{"opening", r.Opening}, {"opened", r.Opened}, {"bought", r.Bought}, {"credited", r.Credited}, {"made", r.Made}, {"sold", r.Sold}, {"packed", r.Packed},
		{"into_runs", r.IntoRuns}, {"given", r.Given}, {"own_use", r.OwnUse}, {"lost", r.Lost}, {"gained", r.Gained}, {"adjusted", r.Adjusted}, {"closing", r.Closing}}
}

// columns returns where each column of a fold stands.
func (r *Roll) columns() [fold.Columns]*Cell {
	return [fold.Columns]*Cell{&r.Opened, &r.Bought, &r.Credited, &r.Made, &r.Sold, &r.Packed, &r.IntoRuns, &r.Given, &r.OwnUse, &r.Lost, &r.Gained, &r.Adjusted}
}

// Item is one line of the report.
type Item struct {
	Item string `json:"item"`
	Name string `json:"name"`
	Unit string `json:"unit"`
	Roll
	Earlier map[string]Cell `json:"from_earlier,omitempty"` // by column: the part that comes from earlier periods
	Still   bool            `json:"-"`                      // nothing was there and nothing moved
}

// Event is an event that came late.
type Event struct {
	Event string `json:"event"`
	Kind  string `json:"kind"`
	Time  string `json:"time"`
	About string `json:"about"`
}

// Closed says what the close of the period recorded.
type Closed struct {
	Event    string        `json:"event"`
	Time     string        `json:"time"`
	Device   string        `json:"device"`
	Engine   string        `json:"engine"`
	Digest   event.Digests `json:"digest"`
	Agrees   bool          `json:"agrees"` // the figures of this report have this digest
	Accepted []string      `json:"accepted"`
}

// Report is the roll-forward of a period.
type Report struct {
	report.Head
	Period    string                   `json:"period"`
	From      string                   `json:"from"`
	To        string                   `json:"to"`
	Costing   string                   `json:"costing"`
	Currency  string                   `json:"currency"`
	Closed    *Closed                  `json:"closed,omitempty"` // none: these would be its figures if it were closed now
	Waiting   []string                 `json:"waiting"`          // what a close covers and isn't here; then there are no figures
	Items     []Item                   `json:"items"`
	Totals    *Roll                    `json:"totals,omitempty"` // the items added up, as printed
	Exact     *Balance                 `json:"exact,omitempty"`  // the totals of opening and closing with 8 places
	Earlier   []Event                  `json:"from_earlier"`
	Late      []Event                  `json:"late"` // of a closed period: what has come since and shows in a later one
	Digest    *event.Digests           `json:"digest,omitempty"`
	Upto      map[string]event.LogHead `json:"upto"`
	Questions []review.Item            `json:"questions"` // of an open period: what isn't decided yet
	Uncounted []string                 `json:"uncounted"` // items on hand without a count in the period
	Short     []string                 `json:"short"`     // items of which more left than came
	Caution   string                   `json:"caution"`
}

// Balance are the exact totals of opening and closing.
type Balance struct {
	Opening Cell `json:"opening"`
	Closing Cell `json:"closing"`
}

// writer writes rows in a style.
type writer struct {
	st      report.Style
	costing book.Costing
	digits  int
}

// values returns a row's values as they are printed.
func (w *writer) values(r *Row) [2]shown {
	if w.st.Exact {
		return [2]shown{exact(r, book.Average), exact(r, book.FIFO)}
	}
	return [2]shown{inUnits(r, book.Average, w.digits), inUnits(r, book.FIFO, w.digits)}
}

func (w *writer) cell(qty string, average, fifo num.Money) Cell {
	c := Cell{Qty: qty, Average: w.st.Money(average, w.digits), FIFO: w.st.Money(fifo, w.digits)}
	if c.Value = c.Average; w.costing == book.FIFO {
		c.Value = c.FIFO
	}
	return c
}

// roll writes a roll-forward. qty is nil for totals, which have no quantities.
func (w *writer) roll(v [2]shown, qty *Row) (r Roll) {
	text := func(q func(*Row) num.Qty) string {
		if qty == nil {
			return ""
		}
		return q(qty).String()
	}
	r.Opening = w.cell(text(func(r *Row) num.Qty { return r.Opening.Qty }), v[0].opening, v[1].opening)
	r.Closing = w.cell(text(func(r *Row) num.Qty { return r.Closing.Qty }), v[0].closing, v[1].closing)
	r.Material = w.cell("", v[0].material, v[1].material)
	for k, cell := range r.columns() {
		*cell = w.cell(text(func(r *Row) num.Qty { return r.Columns[k].Qty }), v[0].columns[k], v[1].columns[k])
	}
	return r
}

// table writes rows and their totals.
func (w *writer) table(rows []Row, values [][2]shown) (items []Item, totals Roll) {
	items = []Item{}
	var sum [2]shown
	for i := range rows {
		r := &rows[i]
		it := Item{Item: r.Item, Name: r.Name, Unit: r.Unit, Roll: w.roll(values[i], r), Still: r.Still()}
		for k := range fold.Columns {
			if e := r.Earlier[k]; !zero(e) {
				if it.Earlier == nil {
					it.Earlier = map[string]Cell{}
				}
				it.Earlier[k.String()] = w.cell(e.Qty.String(), e.Value[0], e.Value[1])
			}
		}
		items = append(items, it)
		sum = [2]shown{sum[0].plus(values[i][0]), sum[1].plus(values[i][1])}
	}
	return items, w.roll(sum, nil)
}

func (w *writer) valuesOf(rows []Row) [][2]shown {
	out := make([][2]shown, len(rows))
	for i := range rows {
		out[i] = w.values(&rows[i])
	}
	return out
}

// Report writes the figures, or, where events are waited for, what they are.
func (f *Figures) Report(st report.Style) Report {
	r := f.head(st)
	if f.State == nil {
		return r
	}
	w := &writer{st, f.State.Costing(), f.State.Digits()}
	var totals Roll
	r.Items, totals = w.table(f.Rows, w.valuesOf(f.Rows))
	sum := Totals(f.Rows)
	exactly := writer{report.Style{Zone: st.Zone, Exact: true}, w.costing, w.digits}
	r.Totals, r.Digest, r.Upto = &totals, &f.Digest, f.Upto
	r.Exact = &Balance{exactly.cell("", sum.Opening.Value[0], sum.Opening.Value[1]), exactly.cell("", sum.Closing.Value[0], sum.Closing.Value[1])}
	r.Earlier, r.Late = events(f.Earlier, st), events(f.Late, st)
	for i := range f.Rows {
		row := &f.Rows[i]
		if !row.Counted && !row.Closing.Qty.IsZero() {
			r.Uncounted = append(r.Uncounted, row.Item)
		}
		if row.Closing.Qty.Sign() < 0 {
			r.Short = append(r.Short, row.Item)
		}
	}
	return r
}

// head writes what stands above the figures, or alone where there are none.
func (f *Figures) head(st report.Style) Report {
	r := Report{
		Period: f.Period.String(), From: st.Time(f.From), To: st.Time(f.To), Head: report.Head{AsOf: st.Time(f.To), Engine: report.Engine},
		Waiting: []string{}, Items: []Item{}, Earlier: []Event{}, Late: []Event{}, Questions: []review.Item{}, Uncounted: []string{}, Short: []string{},
		Upto: map[string]event.LogHead{}, Caution: Caution,
	}
	if f.State != nil {
		r.Head = report.HeadOf(f.State, st)
		r.Costing, r.Currency = f.State.Costing().String(), f.State.Catalog.Shop.Currency
	}
	if f.Close != nil {
		d := f.Close.Data
		r.Closed = &Closed{Event: f.Close.Event.ID.String(), Time: st.Time(f.Close.Event.Time.Ms()), Device: f.Close.Event.Device, Engine: d.Engine, Digest: d.Digest,
			Agrees: f.Same() && f.State != nil, Accepted: []string{}}
		for _, id := range d.Accepted {
			r.Closed.Accepted = append(r.Closed.Accepted, id.String())
		}
		for _, g := range f.Close.Waiting {
			r.Waiting = append(r.Waiting, g.String())
		}
	}
	return r
}

func events(list []Late, st report.Style) []Event {
	out := []Event{}
	for _, e := range list {
		out = append(out, Event{e.Event.String(), string(e.Kind), st.Time(e.Ms), e.About})
	}
	return out
}
