package main

import (
	"cmp"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"countback/cmd/countback/paper"
	"countback/cmd/countback/words"
	"countback/ledger/sheet"
	"countback/projections/fold"
	"countback/projections/tally"
)

// sheetRow is one line of a count sheet: an item in one of its forms, named as the import reads it.
type sheetRow struct {
	Item    string `json:"item"`
	Name    string `json:"name"`
	Place   string `json:"place,omitempty"`
	Book    string `json:"book,omitempty"`
	Unit    string `json:"unit"`            // a pack's name, or the base unit
	Holds   string `json:"holds,omitempty"` // base units in the pack
	Session string `json:"session"`

	form  string // what a line counts, in words
	first bool   // of its item
}

func (m *Main) countSheetCmd() *cobra.Command {
	var session, pdf, size string
	var book bool
	cmd := &cobra.Command{
		Use:   "sheet",
		Short: "Print a sheet to fill in",
		Long: `Print a sheet of all items in the order of their places, with a line for each unopened pack and one for what is loose.
Print it with --pdf, or fill in the column "counted" of the CSV form and give it back with countback import counts; lines left empty are not counted.
The figures of one session add up. The sheet doesn't say what should be there, so that nobody counts towards it; --book does.`,
		Example: "  countback count sheet --pdf counts.pdf\n  countback count sheet --format csv > counts.csv",
		Args:    cobra.NoArgs,
	}
	fl := cmd.Flags()
	fl.StringVar(&session, "session", "", "`name` of the count (default today)")
	fl.BoolVar(&book, "book", false, "print what the ledger says is on hand")
	fl.StringVar(&pdf, "pdf", "", "write a sheet for the printer to this `file`")
	fl.StringVar(&size, "paper", paper.Sizes[0], strings.Join(paper.Sizes, " or "))
	complete(cmd, "paper", choices(paper.Sizes...))
	cmd.ValidArgsFunction = nothingMore
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		log, err := d.log(0)
		if err != nil {
			return err
		}
		session := cmp.Or(session, d.now().Format("2006-01-02"))
		rows := d.sheetRows(log.Run(fold.Run{}), session, book)
		if pdf != "" {
			return d.countPaper(rows, session, book, pdf, size)
		}
		return d.printSheet(rows, book)
	})
	return cmd
}

// sheetRows lists what there is to count, place by place.
func (d *desk) sheetRows(s *fold.State, session string, book bool) []sheetRow {
	rows := []sheetRow{}
	for _, t := range tally.Rows(s) {
		row := sheetRow{Item: t.Item, Name: t.Name, Place: t.Place, Unit: t.Base, Session: session, form: words.CountedAs(&t), first: t.First}
		if t.Pack != "" {
			row.Unit, row.Holds = t.Pack, t.Holds.String()
		}
		if it, _ := s.Catalog.Find(t.Item); book && t.Pack == "" && !it.Prepared() {
			row.Book = s.Items[it.Index].Account.OnHand().String()
		}
		rows = append(rows, row)
	}
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
	g := &grid{columns: []column{{head: "Place"}, {head: "Item", flexible: true}, {head: "Name", flexible: true}, {head: "Counted"}, {head: "Of"}}}
	if book {
		g.columns = append(g.columns, column{head: "Book", figure: true})
	}
	last := ""
	for i, r := range rows {
		place, item, name := r.Place, r.Item, r.Name
		if i > 0 && place == last {
			place = ""
		}
		if !r.first {
			item, name = "", ""
		}
		last = r.Place
		cells := []cell{plain(place), plain(item), plain(name), plain("_______"), plain(r.form)}
		if book {
			cells = append(cells, figure(r.Book))
		}
		g.add(cells...)
	}
	return d.m.report(struct {
		Items []sheetRow `json:"items"`
	}{rows}, "Count sheet, "+showDay(d.now()), g, "")
}

// countPaper writes the sheet for the printer.
func (d *desk) countPaper(rows []sheetRow, session string, book bool, file, size string) error {
	if !slices.Contains(paper.Sizes, size) {
		return wrong("--paper", "give "+strings.Join(paper.Sizes, " or "), "%q is no size of paper known here", size)
	}
	s := paper.Sheet{
		Size:  size,
		Title: "Count sheet",
		Lead:  "Count " + session + ". Write what you see, not what should be there. Unopened packs and loose pieces add up.\nCounted by ____________________   on ____________________",
		Foot:  d.shop.Name + ", printed " + showDay(d.now()),
		At:    d.now(),
	}
	t := paper.Table{Columns: []paper.Column{{Head: "Item"}, {Head: "Short name", Narrow: true}, {Head: "Counted", Open: 30}, {Head: "Of", Narrow: true}}}
	if book {
		t.Columns = append(t.Columns, paper.Column{Head: "Book", Right: true})
	}
	for _, r := range rows {
		row := []string{r.Name, r.Item, "", r.form}
		if !r.first {
			row[0], row[1] = "", ""
		}
		if book {
			row = append(row, grouped(r.Book))
		}
		t.Rows = append(t.Rows, row)
		t.Groups = append(t.Groups, cmp.Or(r.Place, "No place"))
	}
	s.Tables = []paper.Table{t}
	return d.m.writePaper(s, file)
}

// writePaper writes a sheet to a new file; - is standard output.
func (m *Main) writePaper(s paper.Sheet, file string) error {
	doc, err := paper.PDF(s)
	if err != nil {
		return err
	}
	if file == "-" {
		_, err = m.Stdout.Write(doc)
		return err
	}
	err = writeNew(file, func(w io.Writer) error {
		_, err := w.Write(doc)
		return err
	})
	if err != nil {
		return err
	}
	return m.say("The sheet is in %s.", fileName(file))
}
