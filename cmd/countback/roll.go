package main

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"countback/cmd/countback/words"
	"countback/projections/closing"
)

// blank shows nothing where a figure is 0, so that a column of zeros disappears.
func blank(s string) cell {
	if strings.Trim(s, "-0.") == "" {
		return cell{s, " "}
	}
	return figure(s)
}

// rollGrid is a table of rolls: their quantities or their values. Columns without a figure disappear.
func rollGrid(first column, second string) *grid {
	g := &grid{columns: []column{first, {head: second}}}
	for _, h := range words.RollHeads {
		g.columns = append(g.columns, column{head: h, figure: true})
	}
	return g
}

func rollRow(name, unit string, r *closing.Roll, of func(closing.Cell) string) []cell {
	row := []cell{plain(name), plain(unit)}
	for i, c := range r.List() {
		if i == 0 || i == len(words.RollHeads)-1 {
			row = append(row, figure(of(c.Cell)))
			continue
		}
		row = append(row, blank(of(c.Cell)))
	}
	return row
}

func qtyOf(c closing.Cell) string   { return c.Qty }
func valueOf(c closing.Cell) string { return c.Value }

// itemTables prints the roll-forward of items in quantity and in money.
func (m *Main) itemTables(items []closing.Item, totals *closing.Roll) string {
	qty, value := rollGrid(column{head: "Item"}, "Unit"), rollGrid(column{head: "Item"}, "")
	for i := range items {
		it := &items[i]
		if it.Still {
			continue
		}
		qty.add(rollRow(it.Item, it.Unit, &it.Roll, qtyOf)...)
		value.add(rollRow(it.Item, "", &it.Roll, valueOf)...)
	}
	if len(qty.rows) == 0 {
		return "Nothing was on hand and nothing moved."
	}
	value.footer = rollRow("Total", "", totals, valueOf)
	return "Quantities\n" + m.layOut(qty) + "\n\nValues\n" + m.layOut(value)
}

// costingsTable puts both costings beside each other.
func (m *Main) costingsTable(totals *closing.Roll) string {
	g := &grid{columns: []column{{head: "Total"}, {head: "At weighted average cost", figure: true}, {head: "First in, first out", figure: true}}}
	for i, c := range totals.List() {
		if i > 0 && i < len(words.RollHeads)-1 && blank(c.Cell.Average).shown == " " && blank(c.Cell.FIFO).shown == " " {
			continue
		}
		g.add(plain(words.RollHeads[i]), figure(c.Cell.Average), figure(c.Cell.FIFO))
	}
	g.footer = []cell{plain("Material cost of orders"), figure(totals.Material.Average), figure(totals.Material.FIFO)}
	return m.layOut(g)
}

func (m *Main) eventsTable(title string, list []closing.Event) string {
	if len(list) == 0 {
		return ""
	}
	g := &grid{columns: []column{{head: "Event"}, {head: "When"}, {head: "What"}, {head: "About", flexible: true}}}
	for _, e := range list {
		g.add(plain(e.Event), clock(e.Time), plain(e.Kind), plain(e.About))
	}
	return title + "\n" + m.layOut(g)
}

// effectTable says how much of this month's columns comes from earlier periods.
func (m *Main) effectTable(items []closing.Item) string {
	g := &grid{columns: []column{{head: "Item"}, {head: "Of it in"}, {head: "Quantity", figure: true}, {head: "Value", figure: true}}}
	for i := range items {
		for k, c := range new(closing.Roll).List() {
			if of, ok := items[i].Earlier[c.Name]; ok {
				g.add(plain(items[i].Item), plain(strings.ToLower(words.RollHeads[k])), figure(of.Qty), figure(of.Value))
			}
		}
	}
	if len(g.rows) == 0 {
		return ""
	}
	return m.layOut(g)
}

// rollCSV is one row for each item with every column in quantity and under both costings.
func rollCSV(period bool) *grid {
	g := &grid{}
	if period {
		g.columns = append(g.columns, column{name: "period"})
	}
	g.columns = append(g.columns, column{name: "item"}, column{name: "name"}, column{name: "unit"})
	for _, c := range new(closing.Roll).List() {
		g.columns = append(g.columns, column{name: c.Name + "_qty"}, column{name: c.Name + "_average"}, column{name: c.Name + "_fifo"})
	}
	g.columns = append(g.columns, column{name: "material_average"}, column{name: "material_fifo"})
	return g
}

func rollCSVRow(period string, it *closing.Item) (row []cell) {
	if period != "" {
		row = append(row, plain(period))
	}
	row = append(row, plain(it.Item), plain(it.Name), plain(it.Unit))
	for _, c := range it.List() {
		row = append(row, plain(c.Cell.Qty), plain(c.Cell.Average), plain(c.Cell.FIFO))
	}
	return append(row, plain(it.Material.Average), plain(it.Material.FIFO))
}

// printClosing prints the roll-forward of a month.
func (m *Main) printClosing(d *desk, r closing.Report) error {
	if m.format != formatTable {
		if r.Totals == nil && m.format == formatCSV {
			return wrong(r.Period, "bring this ledger up to date first", "%s", r.Waiting[0])
		}
		g := rollCSV(false)
		for i := range r.Items {
			g.rows = append(g.rows, rollCSVRow("", &r.Items[i]))
		}
		return m.report(r, "", g, "")
	}
	lead := words.Month(r.Period) + ", " + d.shop.Name + ". " + words.Closed(r)
	if r.Totals == nil {
		return m.printTable(m.wrapAll(lead), nil, strings.Join(r.Waiting, "\n")+"\n\nNo figures are shown before these events are here. Bring this ledger up to date.")
	}
	lead += "\nValues in " + r.Currency + ", " + costingText(r.Costing) + ". " + words.RollRule
	parts := []string{m.itemTables(r.Items, r.Totals), m.costingsTable(r.Totals), m.wrap(words.Rounding(r), ""),
		m.eventsTable("From earlier periods: recorded after those were closed, with their whole effect in this month.", r.Earlier), m.effectTable(r.Items),
		m.eventsTable("Recorded since this month was closed. It changes no figure here and shows in a later month.", r.Late),
		m.askedText(r), m.wrapAll(join2(notCounted(r.Uncounted), shortOf(r.Short), incompleteText(r.Head))), m.wrapAll(r.Caution)}
	return m.printTable(m.wrapAll(lead), nil, strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), "\n\n"))
}

// askedText lists what is not decided in an open month.
func (m *Main) askedText(r closing.Report) string {
	if len(r.Questions) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString("Not decided yet (a close asks for it, or for --force):\n")
	for _, q := range r.Questions {
		b.WriteString("\n" + m.question(q))
	}
	return strings.TrimRight(b.String(), "\n")
}

func notCounted(items []string) string {
	if len(items) == 0 {
		return ""
	}
	return "Not counted in this month: " + strings.Join(items, ", ") + "."
}

func shortOf(items []string) string {
	if len(items) == 0 {
		return ""
	}
	return "Short: " + strings.Join(items, ", ") + ". More left than came in; a restock or a count is missing."
}

// printYear prints the summary of a year's closed months.
func (m *Main) printYear(d *desk, y closing.Year) error {
	if m.format != formatTable {
		g := rollCSV(false)
		for i := range y.Items {
			g.rows = append(g.rows, rollCSVRow("", &y.Items[i]))
		}
		return m.report(y, "", g, "")
	}
	lead := y.Year + ", " + d.shop.Name + ", " + count(len(y.Months), "closed month", "closed months") + "."
	var waiting, differ []string
	g := rollGrid(column{head: "Month"}, "")
	g.columns = append(g.columns, column{head: "Material cost", figure: true})
	for i := range y.Months {
		c := &y.Months[i]
		if c.Totals == nil {
			for _, w := range c.Waiting {
				waiting = append(waiting, c.Period+": "+w)
			}
			continue
		}
		if !c.Agrees {
			differ = append(differ, c.Period)
		}
		g.add(append(rollRow(c.Period, "", c.Totals, valueOf), figure(c.Totals.Material.Value))...)
	}
	if y.Totals == nil {
		return m.printTable(m.wrapAll(lead), nil, strings.Join(waiting, "\n")+"\n\nNo sums are shown before these events are here. Bring this ledger up to date.")
	}
	g.footer = append(rollRow("Year", "", y.Totals, valueOf), figure(y.Totals.Material.Value))
	lead += "\nValues in " + y.Currency + ", " + costingText(y.Costing) + ". " + words.RollRule
	parts := []string{m.layOut(g), m.itemTables(y.Items, y.Totals), m.costingsTable(y.Totals)}
	if len(differ) > 0 {
		parts = append(parts, m.wrapAll("The figures of "+strings.Join(differ, ", ")+" are not those that were closed: their digest differs. See countback close "+differ[0]+" --dry-run."))
	}
	return m.printTable(m.wrapAll(lead), nil, strings.Join(append(parts, m.wrapAll(y.Caution)), "\n\n"))
}

func (m *Main) exportClosesCmd() *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "closes",
		Short: "The figures of every closed month by item, as CSV",
		Long: `The closed figures, one row for each month and item, in quantity and under both costings. Rows add up as they are printed: each row from opening to closing,
and one month's closing is the next one's opening.`,
		Example: "  countback export closes --out closes.csv",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	cmd.Flags().StringVar(&out, "out", "", "new `file` to write into")
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		m.csvUnlessAsked(cmd)
		return m.exportCloses(d, out)
	})
	return cmd
}

// exportCloses writes the closed figures to a file, "" for standard output.
func (m *Main) exportCloses(d *desk, out string) error {
	l, err := d.closings()
	if err != nil {
		return err
	}
	y, err := l.Year(d.ctx, 0, d.style())
	if err != nil {
		return err
	}
	type month struct {
		closing.Month
		Items []closing.Item `json:"items"`
	}
	report := struct {
		Engine   string  `json:"engine"`
		Currency string  `json:"currency"`
		Costing  string  `json:"costing"`
		Closes   []month `json:"closes"`
		Caution  string  `json:"caution"`
	}{y.Engine, y.Currency, y.Costing, []month{}, y.Caution}
	g := rollCSV(true)
	for i := range y.Months {
		c := &y.Months[i]
		if c.Totals == nil && m.format != formatJSON {
			return wrong(c.Period, "bring this ledger up to date first", "%s", c.Waiting[0])
		}
		report.Closes = append(report.Closes, month{*c, append([]closing.Item{}, c.Items...)})
		for k := range c.Items {
			if !c.Items[k].Still {
				g.rows = append(g.rows, rollCSVRow(c.Period, &c.Items[k]))
			}
		}
	}
	return m.exporting(out, func() error { return m.report(report, "", g, "") })
}
