package pages

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"

	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/projections/closing"
	"countback/projections/fold"
)

// closingPages are about closing months.
var closingPages = []route{
	{pattern: "GET /closing", serve: serveMonths},
	{pattern: "GET /closing/closes.csv", serve: serveClosesCSV},
	{pattern: "GET /closing/year/{year}", serve: serveYear},
	{pattern: "GET /closing/{period}", serve: serveMonth},
	{pattern: "POST /closing/{period}", serve: takeClose},
}

// Months is what the pages ask about closing.
type Months interface {
	// CloseMonth closes a month by the code of the command; force accepts what isn't decided.
	CloseMonth(ctx context.Context, period closing.Period, force bool) (event.ID, error)
	// ClosesCSV is the figures of every closed month by item.
	ClosesCSV(ctx context.Context) ([]byte, error)
}

// months is what the ledger says about closing. One question is answered at a time.
type months struct {
	mu     sync.Mutex
	ledger *closing.Ledger
	next   closing.Period // the one to close next
	any    bool           // there is one
}

func (v *view) months() func(l *Look) (*months, error) {
	desk := v.desk()
	return func(l *Look) (*months, error) {
		return once(l, "months", func() (*months, error) {
			ctx := context.Background() // the answer is for all who ask
			st, shop, err := desk.Store(ctx)
			if err != nil {
				return nil, err
			}
			m := &months{}
			if m.ledger, err = closing.Read(ctx, fold.Stored(st), l.Zone, closing.ByChain(shop)); err != nil {
				return nil, err
			}
			m.next, m.any, err = m.ledger.Next(ctx)
			return m, err
		})
	}
}

// rollTable is a roll-forward as a table: a column that is empty in all rows isn't there.
type rollTable struct {
	Heads []string
	Rows  []rollLine
	Sum   *rollLine
	Note  string // the head of a figure behind the columns
}

type rollLine struct {
	Name, Link, Unit string
	Cells            []string
	Behind           string
}

// rollRows lays rolls out; of says which figure of a cell.
func rollRows(lines []rollLine, rolls []*closing.Roll, sum *closing.Roll, of func(closing.Cell) string) rollTable {
	var t rollTable
	used := make([]bool, len(words.RollHeads))
	used[0], used[len(used)-1] = true, true
	for _, r := range rolls {
		for i, c := range r.List() {
			used[i] = used[i] || !words.Quantity(of(c.Cell)).IsZero()
		}
	}
	for i, h := range words.RollHeads {
		if used[i] {
			t.Heads = append(t.Heads, h)
		}
	}
	cells := func(r *closing.Roll) (out []string) {
		for i, c := range r.List() {
			if used[i] {
				out = append(out, of(c.Cell))
			}
		}
		return out
	}
	for i, r := range rolls {
		line := lines[i]
		line.Cells = cells(r)
		t.Rows = append(t.Rows, line)
	}
	if sum != nil {
		t.Sum = &rollLine{Name: "Total", Cells: cells(sum)}
	}
	return t
}

func qtyCell(c closing.Cell) string   { return c.Qty }
func valueCell(c closing.Cell) string { return c.Value }

// rollItems lays the items of a month or a year out, in quantity and in money.
func rollItems(items []closing.Item, totals *closing.Roll) (qty, value rollTable) {
	var lines []rollLine
	var rolls []*closing.Roll
	for i := range items {
		it := &items[i]
		if it.Still {
			continue
		}
		unit := it.Unit
		if unit == "each" {
			unit = ""
		}
		lines = append(lines, rollLine{Name: orWord(it.Name, it.Item), Link: it.Item, Unit: unit})
		rolls = append(rolls, &it.Roll)
	}
	return rollRows(lines, rolls, nil, qtyCell), rollRows(lines, rolls, totals, valueCell)
}

// bothCostings are the totals under both costings.
type bothCostings struct{ Name, Average, FIFO string }

func costingsOf(t *closing.Roll) (out []bothCostings) {
	for i, c := range t.List() {
		if i > 0 && i < len(words.RollHeads)-1 && words.Quantity(c.Cell.Average).IsZero() && words.Quantity(c.Cell.FIFO).IsZero() {
			continue
		}
		out = append(out, bothCostings{words.RollHeads[i], c.Cell.Average, c.Cell.FIFO})
	}
	return append(out, bothCostings{"Material cost of orders", t.Material.Average, t.Material.FIFO})
}

// monthsPage is which months are closed, and which comes next.
type monthsPage struct {
	Closed  []closedMonth
	Years   []string
	Next    string
	Over    bool // the next month is over
	Nothing bool
	Void    []fold.Notice
	Caution string
}

type closedMonth struct {
	Period, Name, Event, By string
	At                      string
	Waiting                 []string
	Accepted                int
}

func serveMonths(v *view) error {
	m, err := soon(v, "months", v.months())
	if err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	d := &monthsPage{Caution: closing.Caution, Void: m.ledger.Void}
	for _, c := range m.ledger.Closed {
		row := closedMonth{Period: c.Period.String(), Name: words.Month(c.Period.String()), Event: c.Event.ID.String(), At: v.look.Style.Time(c.Event.Time.Ms()), Accepted: len(c.Data.Accepted)}
		for _, w := range c.Waiting {
			row.Waiting = append(row.Waiting, w.String())
		}
		d.Closed = append(d.Closed, row)
		if y := row.Period[:4]; !slices.Contains(d.Years, y) {
			d.Years = append(d.Years, y)
		}
	}
	slices.Reverse(d.Closed)
	d.Nothing = !m.any
	if m.any {
		d.Next = m.next.String()
		d.Over = m.next.Before(closing.PeriodOf(v.look.Now.UnixMilli(), v.look.Zone))
	}
	return v.render("closing", d)
}

// monthPage is the roll-forward of a month.
type monthPage struct {
	closing.Report
	Name      string
	Stands    string
	Qty       rollTable
	Value     rollTable
	Both      []bothCostings
	Rounding  string
	Effects   []earlierPart
	CostingIs string
	Over      bool // it can be closed now
	Done      bool
	Seen      int64
	Wrong     string
	Hint      string
	Moved     bool // something was recorded since the page was made
}

// earlierPart is how much of a column comes from earlier periods.
type earlierPart struct{ Item, Column, Qty, Value string }

func serveMonth(v *view) error {
	d, err := v.month(v.r.PathValue("period"))
	if err != nil {
		return err
	}
	d.Done = v.r.URL.Query().Has("closed") && d.Closed != nil
	return v.render("month", d)
}

func (v *view) month(period string) (*monthPage, error) {
	p, err := closing.ParsePeriod(period)
	if err != nil {
		return nil, &Problem{What: err.Error(), Hint: "choose a month on the page of months", Status: http.StatusNotFound}
	}
	read := v.months()
	ctx := context.Background() // the answer is for all who ask
	r, err := soon(v, "month "+p.String(), func(l *Look) (closing.Report, error) {
		m, err := read(l)
		if err != nil {
			return closing.Report{}, err
		}
		m.mu.Lock()
		defer m.mu.Unlock()
		f, err := m.ledger.Show(ctx, p)
		if err != nil {
			return closing.Report{}, err
		}
		r := f.Report(l.Style)
		if f.Close == nil {
			r.Questions = m.ledger.Questions(f, l.Style)
		}
		return r, nil
	})
	if errors.Is(err, closing.ErrRefused) {
		return nil, refusedMonth(err)
	}
	if err != nil {
		return nil, err
	}
	d := &monthPage{Report: r, Name: words.Month(r.Period), Stands: words.Closed(r), CostingIs: costingWords(r.Costing), Seen: v.look.Version}
	if r.Totals != nil {
		d.Qty, d.Value = rollItems(r.Items, r.Totals)
		d.Both, d.Rounding = costingsOf(r.Totals), strings.TrimSuffix(words.Rounding(r), " --exact shows all places.")
	}
	d.Over = r.Closed == nil && r.Totals != nil && p.Before(closing.PeriodOf(v.look.Now.UnixMilli(), v.look.Zone))
	for i := range r.Items {
		for k, c := range new(closing.Roll).List() {
			if of, ok := r.Items[i].Earlier[c.Name]; ok {
				d.Effects = append(d.Effects, earlierPart{r.Items[i].Item, strings.ToLower(words.RollHeads[k]), of.Qty, of.Value})
			}
		}
	}
	return d, nil
}

// refusedMonth is the reason why a month has no figures, as a page says it.
func refusedMonth(err error) error {
	what, hint, _ := strings.Cut(err.Error(), "; ")
	return &Problem{What: what, Hint: orWord(hint, "choose another month"), Status: http.StatusNotFound}
}

// takeClose closes a month as the page showed it. What has come in since the page was made is shown first.
func takeClose(v *view) error {
	f, err := v.parse()
	if err != nil {
		return err
	}
	d, err := v.month(v.r.PathValue("period"))
	if err != nil {
		return err
	}
	if d.Closed != nil { // the form was sent twice
		return v.redirect("/closing/" + d.Period + "?closed=yes")
	}
	seen := f.text("seen")
	if seen != "" && seen != strconv.FormatInt(v.look.Version, 10) {
		d.Moved = true
		return v.renderStatus(http.StatusConflict, "month", d)
	}
	p, _ := closing.ParsePeriod(d.Period)
	if _, err := v.desk().CloseMonth(v.ctx(), p, f.ticked("accept")); err != nil {
		var problem *Problem
		if !errors.As(err, &problem) {
			return err
		}
		d.Wrong, d.Hint = problem.What, problem.Hint
		if len(d.Questions) > 0 && !f.ticked("accept") {
			d.Wrong, d.Hint = words.Count(len(d.Questions), "thing is", "things are")+" not decided", "decide them, or tick that you accept them as they are"
		}
		return v.renderStatus(cmp.Or(problem.Status, http.StatusUnprocessableEntity), "month", d)
	}
	return v.redirect("/closing/" + d.Period + "?closed=yes")
}

// yearPage adds the closed months of a year up.
type yearPage struct {
	closing.Year
	Months    rollTable
	Qty       rollTable
	Value     rollTable
	Both      []bothCostings
	CostingIs string
	Waiting   []string
	Differ    []string
	Closed    int
}

func serveYear(v *view) error {
	n, err := closing.ParseYear(v.r.PathValue("year"))
	if err != nil {
		return NotFound("%q is no year", clipped(v.r.PathValue("year")))
	}
	read := v.months()
	ctx := context.Background() // the answer is for all who ask
	y, err := soon(v, "year "+v.r.PathValue("year"), func(l *Look) (closing.Year, error) {
		m, err := read(l)
		if err != nil {
			return closing.Year{}, err
		}
		m.mu.Lock()
		defer m.mu.Unlock()
		return m.ledger.Year(ctx, n, l.Style)
	})
	if errors.Is(err, closing.ErrRefused) {
		return refusedMonth(err)
	}
	if err != nil {
		return err
	}
	d := &yearPage{Year: y, CostingIs: costingWords(y.Costing), Closed: len(y.Months)}
	var lines []rollLine
	var rolls []*closing.Roll
	for i := range y.Months {
		c := &y.Months[i]
		if c.Totals == nil {
			for _, w := range c.Waiting {
				d.Waiting = append(d.Waiting, c.Period+": "+w)
			}
			continue
		}
		if !c.Agrees {
			d.Differ = append(d.Differ, c.Period)
		}
		lines = append(lines, rollLine{Name: words.Month(c.Period), Link: c.Period, Behind: c.Totals.Material.Value})
		rolls = append(rolls, c.Totals)
	}
	if y.Totals != nil {
		d.Months = rollRows(lines, rolls, y.Totals, valueCell)
		d.Months.Note, d.Months.Sum.Behind = "Material cost", y.Totals.Material.Value
		d.Qty, d.Value = rollItems(y.Items, y.Totals)
		d.Both = costingsOf(y.Totals)
	}
	return v.render("year", d)
}

func serveClosesCSV(v *view) error {
	text, err := v.desk().ClosesCSV(v.ctx())
	if err != nil {
		return err
	}
	h := v.w.Header()
	h.Set("Content-Type", "text/csv; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="closes.csv"`)
	h.Set("Cache-Control", "no-store")
	return send(v.w, v.r, http.StatusOK, text)
}
