package main

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/ledger/currency"
	"countback/ledger/event"
	"countback/ledger/near"
	"countback/ledger/record"
	"countback/ledger/sheet"
)

func (m *Main) importCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "import orders|catalog|counts|handover FILE",
		Short: "Read orders, a catalog or a count sheet from CSV, or another device's ledger",
		Long: `Read facts from a CSV file: any delimiter, decimal sign, encoding and date layout. All of a file is recorded or nothing; what is wrong is listed by row.
Reading a file twice changes nothing. "import handover" takes in what another device of the shop has written with "countback handover".`,
		Example: "  countback import orders shop-export.csv --map shop.map --dry-run",
	}
	cmd.AddCommand(m.importOrdersCmd(), m.importOwnCmd("catalog"), m.importOwnCmd("counts"), m.importHandoverCmd())
	return cmd
}

func (m *Main) importOrdersCmd() *cobra.Command {
	var mapFile string
	var dry, suggest bool
	cmd := &cobra.Command{
		Use:   "orders FILE --map MAP",
		Short: "Open orders from any CSV, columns named by a map",
		Long: `Read orders from any CSV. A map, a short text file, says which column is what; --suggest writes one for a file, to be checked and completed.
--dry-run says what would happen and records nothing.`,
		Example: "  countback import orders shop-export.csv --suggest > shop.map\n  countback import orders shop-export.csv --map shop.map",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(files)
	cmd.Flags().StringVar(&mapFile, "map", "", "`file` that names the columns")
	cmd.Flags().BoolVar(&dry, "dry-run", false, "record nothing")
	cmd.Flags().BoolVar(&suggest, "suggest", false, "print a map for the file")
	importing := m.writing(func(d *desk, args []string) error {
		j := &importJob{d: d, file: args[0], dry: dry}
		return j.orders(mapFile)
	})
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		switch {
		case suggest:
			return m.suggest(args[0])
		case mapFile == "":
			return wrong("--map", "write one with: countback import orders "+fileName(args[0])+" --suggest > orders.map", "a map that names the columns is missing")
		}
		return importing(cmd, args)
	}
	return cmd
}

func (m *Main) suggest(path string) error {
	file, err := m.readFile(path, sheet.MaxFile)
	if err != nil {
		return err
	}
	t, err := sheet.ReadTable(file, sheet.Options{})
	if err != nil {
		return inPlace(fileName(path), nothing, err)
	}
	_, err = fmt.Fprint(m.Stdout, sheet.Suggest(t))
	return err
}

func (m *Main) importOwnCmd(what string) *cobra.Command {
	var dry, sure bool
	var at string
	cmd := &cobra.Command{
		Use:   what + " FILE",
		Args:  cobra.ExactArgs(1),
		Short: "Define or change items from CSV",
		Long: "Define or change items from CSV. The columns are called " + strings.Join(sheet.CatalogColumns, ", ") + `; only item is needed.
Items that are as the file says already are left alone. Several packs or measures in one cell are parted by semicolons: box=150; case=1800.`,
		Example: "  countback import catalog items.csv",
	}
	part := dayStart
	if what == "counts" {
		part = dayEnd
		cmd.Short = "Record a filled count sheet"
		cmd.Long = `Record a count sheet that countback count sheet printed. Rows without a figure are left out.`
		cmd.Example = "  countback import counts counts.csv"
		sureFlag(cmd, &sure)
	}
	cmd.ValidArgsFunction = byPlace(files)
	cmd.Flags().BoolVar(&dry, "dry-run", false, "record nothing")
	cmd.Flags().StringVar(&at, "at", "", "when it was: a `day` or a time with offset (default now), for rows that don't say")
	cmd.RunE = m.writing(func(d *desk, args []string) error {
		j := &importJob{d: d, file: args[0], dry: dry, sure: sure}
		now := d.now()
		if at != "" {
			var err error
			if now, err = parseMoment(at, part, d.zone); err != nil {
				return inPlace("--at", "", err)
			}
		}
		return j.own(what, now)
	})
	return cmd
}

// importJob is the import of one file.
type importJob struct {
	d    *desk
	file string // its name
	raw  []byte // what it holds; nil: it is read when it is needed
	dry  bool
	sure bool // don't ask
	warn []string
}

func (j *importJob) context(now time.Time) sheet.Context {
	d := j.d
	digits, _ := currency.Digits(d.shop.Currency)
	return sheet.Context{
		Location: d.zone,
		Zone:     loadZone,
		Now:      now,
		Item:     func(id string) bool { _, ok := d.catalog.Find(id); return ok },
		Near:     func(id string) []string { return near.Names(id, d.itemIDs()) },
		Current:  d.current,
		Digits:   digits,
		ShopID:   d.shopID,
	}
}

// current is the definition of an item in force, as a fact would say it.
func (d *desk) current(id string) *event.Item {
	it, ok := d.catalog.Find(id)
	if !ok {
		return nil
	}
	def := d.view.Def(it.Index)
	return &event.Item{
		Item: id, Name: def.Name, Type: def.Type, Unit: def.Unit, Packs: maps.Clone(def.Packs), Measures: maps.Clone(def.Measures), Class: def.Class,
		Points: &def.Points, Place: def.Place, Supplier: def.Supplier, LeadDays: def.LeadDays, LeadDaysMax: def.LeadDaysMax, Tolerance: def.Tolerance,
		PieceWeight: def.PieceWeight, UnitCost: def.UnitCost, Barcode: def.Barcode, Price: def.Price, Parts: slices.Clone(def.Parts),
	}
}

func (j *importJob) table(opts sheet.Options) (*sheet.Table, error) {
	if j.raw == nil {
		var err error
		if j.raw, err = j.d.m.readFile(j.file, sheet.MaxFile); err != nil {
			return nil, err
		}
	}
	t, err := sheet.ReadTable(j.raw, opts)
	return t, inPlace(fileName(j.file), nothing, err)
}

func (j *importJob) orders(mapFile string) error {
	text, err := j.d.m.readFile(mapFile, sheet.MaxMap)
	if err != nil {
		return err
	}
	r, err := j.readOrders(text, fileName(mapFile))
	if err != nil {
		return err
	}
	return j.record(r)
}

// readOrders makes facts of a file of orders and a map, and says what they meet here. name is the map's.
func (j *importJob) readOrders(text []byte, name string) (*sheet.Result, error) {
	layout, err := sheet.ParseMap(text)
	if err != nil {
		return nil, inPlace(name, nothing, plainMap(err))
	}
	t, err := j.table(layout.Options())
	if err != nil {
		return nil, err
	}
	r, err := sheet.Orders(t, layout, j.context(j.d.now()))
	if err != nil {
		return nil, inPlace(name, nothing, plainMap(err))
	}
	if err := j.problems(r, "correct the rows or the map, and import again"); err != nil {
		return nil, err
	}
	return r, j.compare(r)
}

// plainMap takes a map's line out of its error, so that it stands where places stand.
func plainMap(err error) error {
	var me *sheet.MapError
	if !errors.As(err, &me) {
		return err
	}
	where := ""
	if me.Line > 0 {
		where = fmt.Sprintf("line %d", me.Line)
	}
	what, hint, _ := strings.Cut(me.Why, "; ")
	if me.Line == 0 {
		what = "the map " + what
	}
	return &fault{what: what, where: where, hint: hint, status: statusUse, err: err}
}

func (j *importJob) own(what string, now time.Time) error {
	r, err := j.readOwn(what, now)
	if err != nil {
		return err
	}
	return j.record(r)
}

// readOwn makes facts of a catalog or of counts.
func (j *importJob) readOwn(what string, now time.Time) (*sheet.Result, error) {
	t, err := j.table(sheet.Options{})
	if err != nil {
		return nil, err
	}
	read := sheet.Catalog
	if what == "counts" {
		read = sheet.Counts
	}
	r, err := read(t, j.context(now))
	if err != nil {
		return nil, inPlace(fileName(j.file), nothing, err)
	}
	return r, j.problems(r, "correct the rows and import again")
}

// badRows is the error of a file with problems.
type badRows struct {
	fault
	problems []sheet.Problem
}

// Unwrap makes explain find the fault.
func (b *badRows) Unwrap() error { return &b.fault }

func (j *importJob) problems(r *sheet.Result, hint string) error {
	if len(r.Problems) == 0 {
		return nil
	}
	first := r.Problems[0]
	what := first.String()
	if n := len(r.Problems); n > 1 {
		what = count(n, "problem", "problems") + ", the first: " + what
	}
	return &badRows{fault{what: what, where: fileName(j.file), hint: hint + "; " + nothing, status: statusUse}, r.Problems}
}

// compare looks whether what the file says of orders that are here already is what was recorded.
func (j *importJob) compare(r *sheet.Result) error {
	k := j.d.held
	var changed, other []string
	for i, f := range r.Facts {
		e, held, err := k.Event(f.ID)
		if err != nil {
			return err
		}
		switch {
		case held && e.Data != nil && sheet.ContentKey(event.Fact{Time: e.Time, Data: e.Data}) != r.Keys[i]:
			changed = append(changed, orderOf(f.Data))
		case held:
		default:
			if o, ok := f.Data.(*event.Order); ok {
				placed, err := j.d.placed(o.Order)
				if err != nil {
					return err
				}
				if placed {
					other = append(other, o.Order)
				}
			}
		}
	}
	j.note(changed, "was changed at its source since it was imported; what is recorded stays as it is. To take it over, reverse the order and import again", "were changed at their source since they were imported; what is recorded stays as it is. To take them over, reverse those orders and import again")
	j.note(other, "is here already under another time; this adds a second record of it", "are here already under other times; this adds second records of them")
	var late []string
	for _, c := range r.Cancelled {
		if c.ID.IsZero() {
			continue
		}
		_, held, err := k.Event(c.ID)
		if err != nil {
			return err
		}
		off, err := k.Reversed(c.ID)
		if err != nil {
			return err
		}
		if held && !off {
			late = append(late, c.Order+" (countback reverse "+c.ID.String()+" --reason cancelled)")
		}
	}
	j.note(late, "was cancelled and is recorded; if it was never packed, reverse it", "were cancelled and are recorded; those that were never packed can be reversed")
	return nil
}

// placed reports whether an order event of that number stands here.
func (d *desk) placed(number string) (bool, error) {
	rows, err := d.store.ByOrder(d.ctx, number)
	if err != nil {
		return false, err
	}
	for _, r := range rows {
		if e, err := event.ParseLine(bytes.Clone(r.Line)); err == nil && e.Kind == event.KindOrder {
			return true, nil
		}
	}
	return false, nil
}

// note adds a warning about some orders.
func (j *importJob) note(list []string, one, many string) {
	const most = 5
	switch n := len(list); {
	case n == 1:
		j.warn = append(j.warn, "Order "+list[0]+" "+one+".")
	case n > 1:
		names := strings.Join(list[:min(n, most)], ", ")
		if n > most {
			names += fmt.Sprintf(" and %d more", n-most)
		}
		j.warn = append(j.warn, fmt.Sprintf("%d orders %s: %s.", n, many, names))
	}
}

// imported is what an import prints as JSON.
type imported struct {
	File     string        `json:"file"`
	DryRun   bool          `json:"dry_run,omitempty"`
	Facts    int           `json:"facts"`
	Recorded int           `json:"recorded"`
	Skipped  int           `json:"skipped"`
	Rows     []sheet.Tally `json:"-"`
	Fates    []fate        `json:"rows"`
	Entries  []fate        `json:"entries,omitempty"`
	Warnings []string      `json:"warnings,omitempty"`
	OnHand   []postedStock `json:"on_hand,omitempty"` // of counts: what they changed
	Notices  []postedNote  `json:"notices,omitempty"`
}

type fate struct {
	Fate string `json:"fate"`
	Rows int    `json:"rows"`
}

func (j *importJob) record(r *sheet.Result) error {
	if !j.dry && len(r.Facts) > 0 {
		fresh, err := j.fresh(r.Facts)
		if err != nil {
			return err
		}
		if err := j.d.ask(fresh, j.sure); err != nil {
			return err
		}
	}
	out, changed, err := j.settle(r)
	if err != nil {
		return err
	}
	if err := j.tell(out); err != nil || changed == nil || j.d.m.format != formatTable {
		return err
	}
	return j.tellCounts(changed)
}

// settle records what was read, or with dry finds out whether it could be. changed is what counts moved; nil where none were recorded.
func (j *importJob) settle(r *sheet.Result) (out *imported, changed *posted, err error) {
	out = &imported{File: j.file, DryRun: j.dry, Facts: len(r.Facts), Rows: r.Done, Warnings: j.warn}
	for _, t := range r.Done {
		out.Fates = append(out.Fates, fate{t.Reason, t.Rows})
	}
	for _, t := range r.Entries {
		out.Entries = append(out.Entries, fate{t.Reason, t.Rows})
	}
	if j.dry {
		fresh, err := j.fresh(r.Facts)
		if err != nil {
			return nil, nil, err
		}
		if err := j.d.tryOut(r.Facts, j.places(r)); err != nil {
			return nil, nil, err
		}
		out.Recorded, out.Skipped = len(fresh), len(r.Facts)-len(fresh)
		return out, nil, nil
	}
	var result record.Result
	var before *standing
	if len(r.Facts) > 0 {
		if counts(r.Facts) {
			if before, err = j.d.before(r.Facts); err != nil {
				return nil, nil, err
			}
		}
		if result, err = j.d.record(r.Facts, j.places(r)); err != nil {
			return nil, nil, err
		}
	}
	out.Recorded, out.Skipped = result.Recorded, result.Skipped
	if result.Recorded == 0 || !counts(r.Facts) {
		return out, nil, nil
	}
	changed = &posted{}
	if err := j.d.moved(r.Facts, result, before, changed); err != nil {
		return nil, nil, err
	}
	changed.OnHand = slices.DeleteFunc(changed.OnHand, func(s postedStock) bool { return s.Change == "0" })
	out.OnHand, out.Notices = changed.OnHand, changed.Notices
	return out, changed, nil
}

func counts(facts []event.Fact) bool {
	return slices.ContainsFunc(facts, func(f event.Fact) bool { return f.Data.Kind() == event.KindCount })
}

// tellCounts says what a sheet of counts changed.
func (j *importJob) tellCounts(out *posted) error {
	lead := "\nWhat the counts changed. Whether it is more than chance: countback shrinkage"
	if len(out.OnHand) == 0 {
		lead = "\nEverything was there as the book has it."
	}
	return j.d.m.printTable(lead, movedGrid(out), notes(out))
}

// places names a fact that the check of entry refuses by its file and the row on which it begins there.
func (j *importJob) places(r *sheet.Result) func(int) string {
	return func(i int) string { return fmt.Sprintf("%s, row %d", fileName(j.file), r.Rows[i]) }
}

// fresh are the facts that the ledger doesn't hold yet.
func (j *importJob) fresh(facts []event.Fact) (list []event.Fact, err error) {
	for _, f := range facts {
		rows, err := j.d.store.ByID(j.d.ctx, f.ID)
		if err != nil {
			return nil, err
		}
		if f.ID.IsZero() || len(rows) == 0 {
			list = append(list, f)
		}
	}
	return list, nil
}

func (j *importJob) tell(out *imported) error {
	g := &grid{columns: []column{{name: "rows", head: "Rows", figure: true}, {name: "fate", head: "What becomes of them", flexible: true}}}
	for _, f := range append(slices.Clone(out.Fates), out.Entries...) {
		g.add(figure(fmtInt(int64(f.Rows))), plain(f.Fate))
	}
	lead := recordedText(record.Result{Recorded: out.Recorded, Skipped: out.Skipped})
	switch {
	case out.Facts == 0:
		lead = "Nothing to record: the file says nothing new."
	case out.DryRun && out.Recorded == 0:
		lead = "A try, nothing was recorded: " + count(out.Skipped, "fact is", "facts are") + " here already, and none is new."
	case out.DryRun:
		lead = "A try, nothing was recorded: " + count(out.Recorded, "fact", "facts") + " would be."
		if out.Skipped > 0 {
			lead += " " + count(out.Skipped, "is", "are") + " here already."
		}
	}
	return j.d.m.report(out, lead, g, strings.Join(out.Warnings, "\n"))
}

// tryOut runs the check of entry without recording.
func (d *desk) tryOut(facts []event.Fact, where func(int) string) error {
	return refused(d.check(facts)(nil), where)
}
