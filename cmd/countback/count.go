package main

import (
	"cmp"
	"slices"

	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/sheet"
	"countback/projections/fold"
)

func (m *Main) countCmd() *cobra.Command {
	var p posting
	var f event.Count
	cmd := &cobra.Command{
		Use:   "count ITEM [N [PACK|MEASURE]]",
		Short: "Record what is there",
		Long: `Record what you saw: a number of pieces, packs or measures, or a weight (--gross and --tare). What is on hand at that time is what was counted.
In a session (--session) the figures of an item at several places, or of packs and loose pieces, add up. countback count sheet prints a sheet to fill in.`,
		Example: `  countback count board 143
  countback count board 2 box --session march --place shelf
  countback count seal --gross 212 --tare 18 --weight-unit g`,
		Args: cobra.RangeArgs(1, 3),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs, nothingMore, m.forms(true, true))
	p.flags(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.Place, "place", "", "`where` it was counted")
	fl.StringVar(&f.Session, "session", "", "`name` of the count that it belongs to")
	fl.Var(qtyFlag(&f.Gross), "gross", "weight with the container")
	fl.Var(qtyFlag(&f.Tare), "tare", "weight of the container; 0 without one")
	fl.StringVar(&f.WeightUnit, "weight-unit", "", "g, kg, oz or lb (default g)")
	fl.Var(textFlag[event.Tolerance, *event.Tolerance]{&f.Tolerance, "tolerance"}, "tolerance", "how exact it is: 3 (base units) or 2%")
	fl.Var(moneyFlag(&f.Cost), "cost", "what the counted goods cost, where it is the item's first figure")
	complete(cmd, "weight-unit", words("g", "kg", "oz", "lb"))
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) { return d.countOf(&f, args, p.note) })
	cmd.AddCommand(m.countSheetCmd())
	return cmd
}

func (d *desk) countOf(f *event.Count, args []string, note string) (event.Data, error) {
	f.Item, f.Note = args[0], note
	if _, err := d.item(f.Item); err != nil {
		return nil, err
	}
	weighed := f.Gross != nil || f.Tare != nil || f.WeightUnit != ""
	switch {
	case weighed && len(args) > 1:
		return nil, wrong("count", "give one of the two", "a number and a weight both say what is there")
	case weighed:
		if f.Gross == nil {
			return nil, wrong("--gross", "give --gross WEIGHT", "the weight is missing")
		}
		if f.Tare == nil {
			f.Tare = &num.Qty{}
		}
		f.WeightUnit = cmp.Or(f.WeightUnit, "g")
		return f, nil
	case len(args) == 1:
		return nil, wrong("count", "write it like countback count "+f.Item+" 143, or weigh it with --gross and --tare", "the figure is missing")
	}
	a, err := d.amount(f.Item, args[1], third(args))
	if err != nil {
		return nil, err
	}
	f.Qty, f.Pack, f.Measure = &a.qty, a.pack, a.measure
	return f, nil
}

// sheetRow is one row of a count sheet, named as the import reads it.
type sheetRow struct {
	Item    string `json:"item"`
	Name    string `json:"name"`
	Place   string `json:"place,omitempty"`
	Book    string `json:"book,omitempty"`
	Unit    string `json:"unit"`
	Session string `json:"session"`
}

func (m *Main) countSheetCmd() *cobra.Command {
	var session string
	var book bool
	cmd := &cobra.Command{
		Use:   "sheet",
		Short: "Print a sheet to fill in",
		Long: `Print a sheet of all items in the order of their places. Fill in the column "counted" of the CSV form and give it back with countback import counts.
A row may be copied for packs: name the pack in "unit". The figures of one session add up. Without --book the sheet doesn't say what should be there, so nobody counts towards it.`,
		Example: "  countback count sheet --format csv > counts.csv",
		Args:    cobra.NoArgs,
	}
	cmd.Flags().StringVar(&session, "session", "", "`name` of the count (default today)")
	cmd.Flags().BoolVar(&book, "book", false, "print what the ledger says is on hand")
	cmd.ValidArgsFunction = nothingMore
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		log, err := d.log(0)
		if err != nil {
			return err
		}
		rows := d.sheetRows(log.Run(fold.Run{}), cmp.Or(session, d.now().Format("2006-01-02")), book)
		return d.printSheet(rows, book)
	})
	return cmd
}

func (d *desk) sheetRows(s *fold.State, session string, book bool) []sheetRow {
	rows := []sheetRow{}
	for _, it := range s.Catalog.Items {
		onHand := s.Items[it.Index].Account.OnHand()
		if it.Prepared() || s.View.Retired(it.Index) && onHand.IsZero() {
			continue
		}
		def := s.View.Def(it.Index)
		row := sheetRow{Item: it.ID, Name: def.Name, Place: def.Place, Unit: it.Unit(), Session: session}
		if book {
			row.Book = onHand.String()
		}
		rows = append(rows, row)
	}
	slices.SortStableFunc(rows, func(a, b sheetRow) int { return cmp.Compare(a.Place, b.Place) })
	return rows
}

func (d *desk) printSheet(rows []sheetRow, book bool) error {
	if d.m.format == formatCSV {
		g := &grid{}
		for _, name := range sheet.CountColumns {
			g.columns = append(g.columns, column{name: name})
		}
		for _, r := range rows {
			values := map[string]string{"item": r.Item, "name": r.Name, "place": r.Place, "book": r.Book, "unit": r.Unit, "session": r.Session}
			var cells []cell
			for _, name := range sheet.CountColumns {
				cells = append(cells, plain(values[name]))
			}
			g.add(cells...)
		}
		return writeCSV(d.m.Stdout, g)
	}
	g := &grid{columns: []column{{head: "Place"}, {head: "Item", flexible: true}, {head: "Name", flexible: true}, {head: "Counted"}, {head: "Unit"}}}
	if book {
		g.columns = append(g.columns, column{head: "Book", figure: true})
	}
	for _, r := range rows {
		cells := []cell{plain(r.Place), plain(r.Item), plain(r.Name), plain("_______"), plain(r.Unit)}
		if book {
			cells = append(cells, figure(r.Book))
		}
		g.add(cells...)
	}
	return d.m.report(struct {
		Items []sheetRow `json:"items"`
	}{rows}, "Count sheet, "+showDay(d.now()), g, "")
}
