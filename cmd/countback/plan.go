package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/cmd/countback/paper"
	"countback/cmd/countback/words"
	"countback/ledger/near"
	"countback/projections/fold"
	"countback/projections/plan"
	"countback/projections/reprint"
)

// The tables of a plan, as --table names them.
const (
	tableOrders  = "orders"
	tablePull    = "pull"
	tablePrepare = "prepare"
	tableZones   = "zones"
	tableOptions = "options"
	tableMake    = "make"
)

var planTables = []string{tableOrders, tablePull, tablePrepare, tableZones, tableOptions, tableMake}

func (m *Main) planCmd() *cobra.Command {
	var a asked
	var ask plan.Ask
	var table, pdf, size string
	cmd := &cobra.Command{
		Use:   "plan [ORDER ...]",
		Short: "The packing day: what goes out, what to pull, what to prepare",
		Long: `Plan a packing day for all open orders, or for those that you name: the parcels of each, what to pull from where in walking order, what to cut and make up
beforehand, labels by zone, and what falls short. Where something is short, the largest number of orders that can go out complete is chosen, the oldest first among
equals; --oldest-first goes through them by age instead. It records nothing.
--format csv writes one table, the pull list unless --table says another; --pdf writes it all on one sheet, if it fits.`,
		Example: "  countback plan\n  countback plan 2041 2042 --oldest-first\n  countback plan --pdf today.pdf",
		Args:    cobra.ArbitraryArgs,
	}
	a.flags(cmd)
	fl := cmd.Flags()
	fl.BoolVar(&ask.OldestFirst, "oldest-first", false, "where something is short, send the oldest orders")
	fl.StringVar(&table, "table", "", "print one table alone: "+strings.Join(planTables, ", "))
	fl.StringVar(&pdf, "pdf", "", "write a sheet for the printer to this `file`")
	fl.StringVar(&size, "paper", paper.Sizes[0], strings.Join(paper.Sizes, " or "))
	complete(cmd, "table", choices(planTables...))
	complete(cmd, "paper", choices(paper.Sizes...))
	cmd.ValidArgsFunction = m.orderNumbers(true)
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		if table != "" && !slices.Contains(planTables, table) {
			return wrong("--table", "choose "+strings.Join(planTables, ", "), "%q is no table of the plan", table)
		}
		ask.Orders = args
		r, err := d.plan(a, ask)
		if err != nil {
			return err
		}
		if err := d.planOnOrder(&r, a); err != nil {
			return err
		}
		if pdf != "" {
			return d.planPaper(r, pdf, size)
		}
		return m.printPlan(d, r, table)
	})
	return cmd
}

// plan plans from the latest checkpoint, which has every open order. Why another one isn't open, only the whole ledger knows.
func (d *desk) plan(a asked, ask plan.Ask) (plan.Report, error) {
	state, err := a.state(d)
	if err != nil {
		return plan.Report{}, err
	}
	r, err := plan.Of(state, d.style(), ask)
	if err == nil {
		return r, nil
	}
	log, run, e := a.fold(d)
	if e != nil {
		return r, e
	}
	state = log.Run(run)
	r, err = plan.Of(state, d.style(), ask)
	return r, d.notOpen(state, err, a.asOf+a.known != "")
}

// planOnOrder looks at purchases up to the plan's own instant.
func (d *desk) planOnOrder(r *plan.Report, a asked) error {
	asOf, known, err := a.instants(d)
	if err != nil {
		return err
	}
	on, err := d.onOrder(asOf, known)
	r.AddOnOrder(on)
	return err
}

// notOpen says why an order can't be planned or packed, and which may have been meant. past says that only a part of the ledger was looked at.
func (d *desk) notOpen(state *fold.State, err error, past bool) error {
	var no *plan.NotOpen
	if !errors.As(err, &no) {
		return err
	}
	on := showDay(time.UnixMilli(no.Ms).In(d.zone))
	switch no.State {
	case "packed":
		return wrong("", "look at it with countback history "+no.Order, "order %s is packed already, since %s", no.Order, on)
	case "reversed":
		return wrong("", "look at it with countback history "+no.Order, "order %s isn't open: its entry was reversed", no.Order)
	case "later":
		return wrong("", "plan it as of that day, with --as-of", "order %s isn't placed before %s", no.Order, on)
	}
	var numbers []string
	for n := range state.Orders {
		numbers = append(numbers, n)
	}
	hint := "check the number, or import the order"
	if alike := near.Names(no.Order, sorted(numbers)); len(alike) > 0 {
		hint = "near it: " + join(alike...)
	}
	if past {
		return wrong("", hint, "there is no order %s at that time", no.Order)
	}
	return wrong("", hint, "there is no order %s", no.Order)
}

// printPlan prints one table where one is asked for, else, on a terminal, all that say something.
func (m *Main) printPlan(d *desk, r plan.Report, table string) error {
	tables := map[string]func() *grid{
		tableOrders: func() *grid { return planOrders(r, m.narrow()) }, tablePull: func() *grid { return planPull(r, m.narrow()) }, tablePrepare: func() *grid { return planPrepare(r) },
		tableZones: func() *grid { return planZones(r) }, tableOptions: func() *grid { return planOptions(r) }, tableMake: func() *grid { return makeGrid(r.Make) },
	}
	switch {
	case m.format == formatJSON:
		return m.printJSON(r)
	case m.format == formatCSV && table == "":
		table = tablePull
	}
	if table != "" {
		return m.report(r, "", tables[table](), "")
	}
	lead := "Packing day of " + d.shop.Name + ", " + asOfText(r.Head) + ". " + r.Choice.Text()
	if len(r.Orders) == 0 {
		return m.printTable(lead, nil, incompleteText(r.Head))
	}
	heads := map[string]string{
		tableOrders: "", tablePull: "Pull, in walking order", tablePrepare: "Prepare", tableZones: "Labels and stamps", tableOptions: "Wishes", tableMake: "Short, and could be printed",
	}
	var b strings.Builder
	for _, name := range planTables {
		g := tables[name]()
		if len(g.rows) == 0 || name == tableZones && !zonesSayMore(r) {
			continue
		}
		if b.Len() > 0 {
			b.WriteString("\n\n")
		}
		if heads[name] != "" {
			b.WriteString(m.bold(heads[name]) + "\n\n")
		}
		b.WriteString(m.layOut(g))
	}
	return m.printTable(m.wrap(lead, ""), nil, b.String()+"\n\n"+m.wrapAll(join2(planTail(r), incompleteText(r.Head))))
}

// narrow reports whether a terminal has no room for what can be spared.
func (m *Main) narrow() bool { return m.Width > 0 && m.Width < 100 }

// bold makes a head stand out on a terminal that can.
func (m *Main) bold(s string) string {
	if m.Terminal && m.Getenv("NO_COLOR") == "" {
		return "\x1b[1m" + s + "\x1b[0m"
	}
	return s
}

// zonesSayMore reports whether the table of zones says anything that the orders don't.
func zonesSayMore(r plan.Report) bool {
	return len(r.Zones) > 1 || len(r.Zones) == 1 && (r.Zones[0].Orders > 1 || len(r.Zones[0].Items) > 0)
}

// planTail says what falls short, and how to record the day once it is done.
func planTail(r plan.Report) string {
	var lines []string
	for _, n := range r.Notes {
		lines = append(lines, "Note: "+n+".")
	}
	var short []string
	for _, p := range r.Pull {
		if p.Short != "0" {
			text := words.Metres(p.Short, p.Unit) + " of " + p.Item
			if p.OnOrder != "" {
				text += " (" + words.Metres(p.OnOrder, p.Unit) + " on order)"
			}
			short = append(short, text)
		}
	}
	if len(short) > 0 {
		lines = append(lines, "Short: "+strings.Join(short, ", ")+".")
	}
	var home []string
	for _, o := range r.Orders {
		if !o.Ready && !o.Waits {
			home = append(home, " --except "+quoted(o.Order))
		}
	}
	switch {
	case r.Choice.Ready == 0:
	case len(home) <= 8:
		lines = append(lines, "When it is packed: countback pack --open"+strings.Join(home, ""))
	default:
		lines = append(lines, "When it is packed: countback pack --open, with --except for each order that stays")
	}
	return strings.Join(lines, "\n")
}

// planOrders has a line for each parcel. narrow leaves out, of a table, when the orders were placed.
func planOrders(r plan.Report, narrow bool) *grid {
	g := &grid{columns: []column{{name: "order", head: "Order"}, {name: "zone", head: "To"}, {name: "placed", head: "Placed", csvOnly: narrow}, {name: "parcels", csvOnly: true},
		{name: "format", head: "Parcel"}, {name: "holds", head: "Holds", flexible: true}, {name: "options", head: "Wishes", flexible: true}, {name: "ready", csvOnly: true},
		{name: "lacks", head: "Stays for lack of", flexible: true}, {name: "why", csvOnly: true}}}
	for _, o := range r.Orders {
		parcels := o.Parcels
		if len(parcels) == 0 {
			parcels = []plan.Parcel{{}}
		}
		lacks := strings.Join(o.Lacks, ", ")
		stays := cell{lacks, orElse(o.Why, lacks)}
		for i, p := range parcels {
			format := plain(p.Format)
			if p.Times > 1 {
				format.shown = fmt.Sprintf("%s × %s", grouped(fmt.Sprint(p.Times)), p.Format)
			}
			row := []cell{plain(o.Order), plain(o.Zone), shortDay(o.Placed, r.AsOf), plain(fmt.Sprint(p.Times)), format, plain(words.Goods(p.Lines)),
				plain(strings.Join(o.Options, ", ")), plain(fmt.Sprint(o.Ready)), stays, plain(o.Why)}
			for k := range row {
				if i > 0 && k != 4 && k != 5 { // what stands above, already
					row[k].shown = " "
				}
			}
			g.add(row...)
		}
	}
	return g
}

// shortDay shows the day of a time of RFC 3339: with its weekday in the year of another time, else with its year.
func shortDay(s, of string) cell {
	t, err := time.Parse(time.RFC3339, s)
	switch {
	case err != nil || len(of) < 4:
		return plain(s)
	case s[:4] != of[:4]:
		return cell{s, t.Format("2 Jan 2006")}
	}
	return cell{s, t.Format("Mon 2 Jan")}
}

// planPull shows what all orders need only where it isn't what is taken. narrow leaves the items' ids out of a table.
func planPull(r plan.Report, narrow bool) *grid {
	g := &grid{columns: []column{{name: "place", head: "Place", flexible: true}, {name: "item", head: "Item", csvOnly: narrow}, {name: "name", head: "Name", flexible: true}, {name: "take", head: "Take", figure: true},
		{name: "unit", csvOnly: true}, {name: "need", head: "For all", figure: true}, {name: "on_hand", head: "On hand", figure: true}, {name: "short", head: "Short", figure: true}, {name: "on_order", csvOnly: true}}}
	last := ""
	for i, p := range r.Pull {
		place := plain(p.Place)
		if i > 0 && p.Place == last {
			place.shown = " "
		}
		last = p.Place
		amount := func(q string, hide bool) cell {
			if hide {
				return cell{q, " "}
			}
			return cell{q, words.Metres(q, p.Unit)}
		}
		g.add(place, plain(p.Item), plain(p.Name), amount(p.Take, false), plain(p.Unit), amount(p.Need, p.Need == p.Take), amount(p.OnHand, false), amount(p.Short, p.Short == "0"), plain(p.OnOrder))
	}
	return g
}

func planPrepare(r plan.Report) *grid {
	g := &grid{columns: []column{{name: "work", head: "Do"}, {name: "now", head: "Pieces", figure: true}, {name: "item", head: "Item"}, {name: "measure", head: "What", flexible: true}, {name: "pieces", head: "For all", figure: true},
		{name: "size", csvOnly: true}, {name: "unit", csvOnly: true}, {name: "takes", head: "Takes", figure: true}, {name: "pack", csvOnly: true}, {name: "packs", head: "From"}, {name: "offcut", head: "Left of it", figure: true}, {name: "place", csvOnly: true}}}
	for _, p := range r.Prepare {
		all := figure(p.Pieces)
		if p.Pieces == p.Now {
			all.shown = " "
		}
		what := cell{p.Measure, words.What(p)}
		takes, offcut := plain(p.Takes), plain(p.Offcut)
		switch {
		case p.Now == "0":
			takes.shown = " "
		case p.Takes != "":
			takes.shown = words.Metres(p.Takes, p.Unit)
		}
		if p.Offcut != "" {
			offcut.shown = words.Metres(p.Offcut, p.Unit)
		}
		packs := cell{"", " "}
		if p.Pack != "" {
			packs = cell{fmt.Sprint(p.Packs), words.From(p) + " "}
		}
		g.add(plain(p.Work), figure(p.Now), plain(p.Item), what, all, plain(p.Size), plain(p.Unit), takes, plain(p.Pack), packs, offcut, plain(p.Place))
	}
	return g
}

// planZones has a line for each format and each item of a zone.
func planZones(r plan.Report) *grid {
	g := &grid{columns: []column{{name: "zone", head: "To"}, {name: "orders", head: "Orders", figure: true}, {name: "parcels", head: "Labels", figure: true}, {name: "formats", head: "Parcels", flexible: true}, {name: "items", head: "For this zone", flexible: true}}}
	for _, z := range r.Zones {
		var formats []string
		for _, f := range z.Formats {
			formats = append(formats, fmt.Sprintf("%s × %s", grouped(fmt.Sprint(f.Parcels)), f.Format))
		}
		g.add(cell{z.Zone, words.Zone(z.Zone)}, figure(fmt.Sprint(z.Orders)), figure(fmt.Sprint(z.Parcels)), plain(strings.Join(formats, ", ")), plain(words.Totals(z.Items)))
	}
	return g
}

func planOptions(r plan.Report) *grid {
	g := &grid{columns: []column{{name: "option", head: "Wish"}, {name: "orders", head: "Orders", flexible: true}, {name: "items", head: "With", flexible: true}}}
	for _, o := range r.Options {
		with := cell{raw: words.Totals(o.Items)}
		if !o.Spec {
			with.shown = "no line of the packing spec asks for it"
		}
		g.add(plain(o.Option), plain(strings.Join(o.Orders, ", ")), with)
	}
	return g
}

// makeGrid shows what could be printed.
func makeGrid(items []reprint.Item) *grid {
	g := &grid{columns: []column{{name: "item", head: "Item"}, {name: "name", head: "Name", flexible: true}, {name: "on_hand", head: "On hand", figure: true}, {name: "good", head: "Could print", figure: true},
		{name: "pieces", csvOnly: true}, {name: "cycles", head: "Cycles", figure: true}, {name: "limited_by", head: "Limited by", flexible: true}, {name: "first", head: "Print first", flexible: true}, {name: "why", csvOnly: true}}}
	for _, it := range items {
		var limits, first []string
		for _, l := range it.Limits {
			limits = append(limits, l.Item)
		}
		for _, f := range it.First {
			first = append(first, grouped(f.Pieces)+" × "+f.Item)
		}
		by := plain(strings.Join(limits, ", "))
		switch {
		case it.Why != "":
			by.shown = it.Why
		case it.Unlimited:
			by.shown = "nothing: its make spec uses nothing"
		}
		g.add(plain(it.Item), plain(it.Name), figure(it.OnHand), figure(it.Good), plain(it.Pieces), figure(it.Cycles), by, plain(strings.Join(first, ", ")), plain(it.Why))
	}
	return g
}
