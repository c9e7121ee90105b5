package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"countback/cmd/countback/words"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/interval"
	"countback/projections/outlook"
	"countback/projections/reorder"
	"countback/projections/use"
)

// reorderFlags are the flags of the command, as they are typed.
type reorderFlags struct {
	asked
	service, budget, holding, busier, calendar string
	orderCost                                  *num.Money
	expect                                     []string
	buy, all                                   bool
	within, cover, lead                        int
}

func (m *Main) reorderCmd() *cobra.Command {
	f := &reorderFlags{}
	cmd := &cobra.Command{
		Use:   "reorder",
		Short: "What runs out when, and what to order",
		Long: `Say for every supply and good when it will run out and how sure that is, the last day on which to order it, and how many whole packs to buy. What runs out first
stands on top. The forecast takes past orders through the packing and make specs in force now; open orders, and what is on order at suppliers, are counted in.
The last day to order is the last one on which the goods still come in time in 95 of 100 cases (--service). Packs are for eight weeks after that (--cover).

--buy prints what is due within a week (--within) as one list for each supplier, --budget what an amount of money buys first: what runs out first. --calendar writes the days to order
and to count into a file for your calendar; importing it again replaces what it wrote before.
Where there is no history yet, say what you know: --expect board=12 means that about 12 base units a day will be used. As long as there are no orders at all, what packing takes
follows from the goods that you expect.`,
		Example: "  countback reorder\n  countback reorder --buy --within 14\n  countback reorder --budget 250\n  countback reorder --service 99 --calendar orders.ics\n  countback reorder --expect board=12 --expect cord=\"2 m\"",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	f.flags(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.service, "service", "95", "`per cent` of cases in which stock lasts until the goods come, 50 to 99.9")
	fl.IntVar(&f.cover, "cover", reorder.UsualCover, "`days` for which to buy, after the goods came")
	fl.BoolVar(&f.buy, "buy", false, "print a list for each supplier")
	fl.IntVar(&f.within, "within", 7, "`days` ahead in which the last day to order falls, for --buy")
	fl.StringVar(&f.budget, "budget", "", "`amount` to spend: what it buys first")
	fl.StringVar(&f.calendar, "calendar", "", "write the days to order and to count to this `file` (iCalendar); - prints them and nothing else")
	fl.StringArrayVar(&f.expect, "expect", nil, "your own estimate of a day's use, `ITEM=N`, like board=12 or cord=\"2 m\"; may be repeated")
	fl.StringVar(&f.busier, "busier", "1", "`times` as many orders as of late are expected, like 1.5")
	fl.IntVar(&f.lead, "lead-days", 0, "`days` to assume where nothing says how long a delivery takes")
	fl.Var(moneyFlag(&f.orderCost), "order-cost", "what placing an order costs: then at least the economic quantity is bought")
	fl.StringVar(&f.holding, "holding", "20", "`per cent` of its cost that keeping something for a year costs, for --order-cost")
	fl.BoolVar(&f.all, "all", false, "show items that nothing takes, too")
	complete(cmd, "expect", m.itemPairs)
	complete(cmd, "calendar", files)
	cmd.RunE = m.reading(func(d *desk, _ []string) error { return m.reorder(d, f) })
	return cmd
}

func (m *Main) reorder(d *desk, f *reorderFlags) error {
	terms, budget, err := f.terms()
	if err != nil {
		return err
	}
	ask := outlook.Ask{Zone: d.zone, Guess: map[int]float64{}, Paths: reorder.Paths(terms.Service)}
	if ask.Busier, err = parsePlain(f.busier, 0.1, 10); err != nil {
		return inPlace("--busier", "give how many times as many orders as of late you expect, 0.1 to 10, like 1.5", err)
	}
	for _, text := range f.expect {
		if err := d.expect(&ask, text); err != nil {
			return err
		}
	}
	log, run, err := f.fold(d)
	if err != nil {
		return err
	}
	measured := d.measured(&ask, log, run)
	o, err := outlook.Of(log, run, ask)
	if err != nil {
		return err
	}
	r := reorder.Of(log, o, d.style(), terms)
	digits := log.Digits()
	if f.calendar != "" {
		if err := d.writeCalendar(log, r, f.calendar, run.AsOf); err != nil || f.calendar == "-" {
			return err
		}
	}
	switch {
	case budget != nil:
		return m.printSpending(d, r.Spend(*budget, digits, d.style()))
	case f.buy:
		return m.printShopping(d, r, r.Shopping(f.within, digits, d.style()))
	}
	return m.printReorder(d, r, o, measured, f)
}

// terms reads what was asked for.
func (f *reorderFlags) terms() (reorder.Terms, *num.Money, error) {
	t := reorder.Terms{Cover: f.cover, OrderCost: f.orderCost, Lead: f.lead}
	service, err := parsePlain(strings.TrimSuffix(f.service, "%"), 50, 99.9)
	if err != nil {
		return t, nil, inPlace("--service", "give a level from 50 to 99.9 per cent, like 95", err)
	}
	t.Service = service / 100
	holding, err := parsePlain(strings.TrimSuffix(f.holding, "%"), 0.1, 1000)
	if err != nil {
		return t, nil, inPlace("--holding", "give what a year of keeping costs in per cent, like 20", err)
	}
	t.Holding = holding / 100
	switch {
	case f.cover < 1 || f.cover > 365:
		return t, nil, wrong("--cover", "give 1 to 365 days", "%d isn't a number of days to buy for", f.cover)
	case f.within < 0 || f.within > 365:
		return t, nil, wrong("--within", "give 0 to 365 days", "%d isn't a number of days to look ahead", f.within)
	case f.lead < 0 || f.lead > 365:
		return t, nil, wrong("--lead-days", "give 1 to 365 days", "%d isn't a number of days that a delivery takes", f.lead)
	case f.orderCost != nil && f.orderCost.Sign() <= 0:
		return t, nil, wrong("--order-cost", "give what one order costs, like 6.50, or leave it out", "an order that costs nothing has no economic quantity")
	case f.budget == "":
		return t, nil, nil
	}
	budget, err := num.ParseMoney(f.budget)
	if err != nil {
		return t, nil, inPlace("--budget", "", err)
	}
	if budget.Sign() <= 0 {
		return t, nil, wrong("--budget", "give the amount that there is to spend, like 250", "nothing can be bought for %s", f.budget)
	}
	return t, &budget, nil
}

// parsePlain reads a plain number within limits.
func parsePlain(text string, least, most float64) (float64, error) {
	q, err := num.ParseQty(strings.TrimSpace(text))
	if err != nil {
		return 0, err
	}
	x := q.Float()
	if x < least || x > most {
		return 0, wrong("", "", "%s is not between %v and %v", text, least, most)
	}
	return x, nil
}

// expect reads a person's own estimate of what a day takes.
func (d *desk) expect(ask *outlook.Ask, text string) error {
	name, value, err := splitPair(text, "--expect ITEM=N")
	if err != nil {
		return inPlace("--expect", "", err)
	}
	index, err := d.stocked(name)
	if err != nil {
		return inPlace("--expect", "", err)
	}
	a, err := d.amount(name, value, "")
	if err != nil {
		return inPlace("--expect "+name, "", err)
	}
	q := d.base(name, a)
	if q.Sign() <= 0 {
		return wrong("--expect "+name, "give what a day uses, or leave the item out", "%s a day is no use", value)
	}
	ask.Guess[index] = q.Float()
	return nil
}

// measured hands the outlook how much more, or less, is really used than specs say, of the items whose counts leave no doubt about it, and names them.
func (d *desk) measured(ask *outlook.Ask, log *fold.Log, run fold.Run) []string {
	r := use.Of(interval.Read(log, run), d.style(), "")
	ask.Ratio = r.Measured(log.Catalog)
	var list []string
	for _, x := range r.Items {
		if it, ok := log.Catalog.Find(x.Item); ok && x.Proposed != nil && ask.Ratio[it.Index] != 0 {
			list = append(list, fmt.Sprintf("%s (%.3g times its spec)", x.Item, ask.Ratio[it.Index]))
		}
	}
	return list
}

func (m *Main) printReorder(d *desk, r *reorder.Report, o *outlook.Outlook, measured []string, f *reorderFlags) error {
	g := &grid{columns: []column{
		{name: "item", head: "Item"}, {name: "name", csvOnly: true}, {name: "type", csvOnly: true}, {name: "unit", csvOnly: true}, {name: "supplier", csvOnly: true},
		{name: "on_hand", head: "On hand", figure: true}, {name: "promised", csvOnly: true}, {name: "on_order", head: "On order", figure: true}, {name: "use_per_day", head: "A day", figure: true},
		{head: "Runs out", flexible: true}, {name: "runs_out_p10", csvOnly: true}, {name: "runs_out_p50", csvOnly: true}, {name: "runs_out_p90", csvOnly: true},
		{head: "8 in 10 cases", flexible: true}, {head: "Sure", flexible: true}, {name: "order_by", head: "Order by", flexible: true}, {name: "now", csvOnly: true},
		{name: "buy_packs", csvOnly: true}, {name: "buy_pack", csvOnly: true}, {name: "buy_qty", csvOnly: true}, {name: "buy_cost", csvOnly: true}, {head: "To get", flexible: true}, {name: "make", csvOnly: true},
	}}
	var idle []string
	for i := range r.Items {
		it := &r.Items[i]
		none := it.Basis == string(outlook.None)
		if none {
			idle = append(idle, it.Item)
		}
		if none && !f.all && m.format == formatTable {
			continue
		}
		made := ""
		if it.Make != nil {
			made = it.Make.Pieces
		}
		onOrder := cell{it.OnOrder, grouped(it.OnOrder)}
		if it.OnOrder == "0" {
			onOrder.shown = " "
		}
		g.add(plain(it.Item), plain(it.Name), plain(it.Type), plain(it.Unit), plain(it.Supplier),
			withUnit(it.OnHand, it.Unit), figure(it.Promised), onOrder, cell{it.UsePerDay, words.PerDay(it.UsePerDay)},
			plain(words.RunsOut(r, it, o.Horizon)), plain(it.RunsOut.P10), plain(it.RunsOut.P50), plain(it.RunsOut.P90),
			plain(words.Between(r, it, o.Horizon)), plain(words.Sureness(it, o.Horizon)), cell{it.OrderBy, words.OrderBy(r, it)}, plain(strconv.FormatBool(it.Now)),
			figure(it.Buy.Packs), plain(it.Buy.Pack), figure(it.Buy.Qty), figure(it.Buy.Cost), plain(words.ToGet(it)), figure(made))
	}
	m.leaveOut(g, "8 in 10 cases", "A day", "On order")
	return m.report(r, m.wrapAll(reorderLead(d, r)), g, m.wrapAll(reorderTail(r, o, idle, measured, f)))
}

// wideTable is the width of a terminal from which the whole table is shown; below it what matters most is.
const wideTable = 120

// leaveOut leaves columns out where the terminal is narrow.
func (m *Main) leaveOut(g *grid, heads ...string) {
	for i := range g.columns {
		if m.Width > 0 && m.Width < wideTable && slices.Contains(heads, g.columns[i].head) {
			g.columns[i].csvOnly = true
		}
	}
}

func withUnit(qty, unit string) cell {
	if unit == "each" {
		return cell{qty, words.ShortQty(qty)}
	}
	return cell{qty, words.ShortQty(qty) + " " + unit}
}

func reorderLead(d *desk, r *reorder.Report) string {
	lead := d.shop.Name + ", " + asOfText(r.Head) + ". "
	if r.Orders == 0 {
		lead += "There is no history yet: no order has been placed or packed, so nobody can say from the past what will be used."
		if !slices.ContainsFunc(r.Items, func(it reorder.Item) bool { return it.Basis == string(outlook.Own) }) {
			return lead + " Say what you expect a day to use, like --expect board=12."
		}
		return lead + " This goes by your own estimates, which are taken to be right to about half."
	}
	urgent, known := words.Urgent(r)
	if !known {
		return lead + words.NoLead
	}
	lead += urgent
	return lead + " Ordered by its day, an item lasts until the goods come in " + r.Service + " of 100 cases."
}

func reorderTail(r *reorder.Report, o *outlook.Outlook, idle, measured []string, f *reorderFlags) string {
	var lines []string
	if r.Orders > 0 && o.Days < 28 {
		lines = append(lines, fmt.Sprintf("The history is only %s long, so all of this is rough.", count(o.Days, "day", "days")))
	}
	var noLead []string
	for i := range r.Items {
		if it := &r.Items[i]; it.LeadFrom == "" && it.Basis != string(outlook.None) {
			noLead = append(noLead, it.Item)
		}
	}
	if len(noLead) > 0 {
		lines = append(lines, "Lead time missing: "+words.Some(noLead)+". Without it there is no day to order by: countback item "+noLead[0]+" --lead-days N, or --lead-days N here for all.")
	}
	if len(measured) > 0 {
		lines = append(lines, "Counts say that the specs are wrong about "+strings.Join(measured, ", ")+"; the forecast goes by the counts. See countback use.")
	}
	if len(idle) > 0 && !f.all && r.Orders > 0 {
		lines = append(lines, "Nothing takes "+words.Some(idle)+": no spec names it and no order took it. If it is used all the same, say how much: --expect "+idle[0]+"=N (a day).")
	}
	if len(r.Stale) > 0 {
		var list []string
		for _, s := range r.Stale {
			list = append(list, s.Order)
		}
		lines = append(lines, "Open for so long that nothing is kept for "+words.Them(len(list))+": order "+words.Some(list)+". Pack or reverse "+words.Them(len(list))+".")
	}
	for _, l := range r.Late {
		lines = append(lines, "No more counted on: "+grouped(l.Qty)+" "+l.Item+" from "+l.Supplier+", due "+words.LateDue(l)+". Ask for it, or close the purchase with the next restock --final.")
	}
	if o.Unpacked != nil {
		lines = append(lines, "The packing spec can't be applied to some orders ("+strings.TrimPrefix(o.Unpacked.Error(), "void: ")+"), so their supplies are missing here. Correct it with countback packspec FILE.")
	}
	if o.Season >= 1.25 || o.Season > 0 && o.Season <= 0.75 {
		x := strconv.FormatFloat(o.Season, 'f', 1, 64)
		lines = append(lines, "A year ago the coming eight weeks had "+x+" times as many orders a day as the last eight weeks have now. The forecast doesn't count on that; --busier "+x+" does.")
	}
	return join2(append(lines, incompleteText(r.Head))...)
}
