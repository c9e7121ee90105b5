package main

import (
	"cmp"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"countback/cmd/countback/words"
	"countback/projections/interval"
	"countback/projections/shrinkage"
)

func (m *Main) shrinkageCmd() *cobra.Command {
	var a asked
	var from, to, by string
	var deliveries bool
	cmd := &cobra.Command{
		Use:   "shrinkage [ITEM]",
		Short: "What went missing between counts",
		Long: `What the book said and what was counted: the recorded losses, the rest that nobody wrote down, and whether that rest is more than chance.
Two counts of an item make an interval. The last three intervals of each item are taken together, since one bad reading then cancels out. With --from, every interval
whose last count lies in the time; with an item, its intervals one by one; --by place, supplier, kind or month adds up in money; --by reason adds up what was
written off and given away.

"More than chance" means: usual waste and the tolerance of counting don't explain it, and of such findings at most one in twenty is a false alarm.
"Could be chance" doesn't mean that nothing is missing: "Would show" is the loss, beyond usual waste, that would be found nine times in ten. A smaller one can hide.

--deliveries looks at what came instead: packs that were counted when they were opened (restock --expected), against what they promised.`,
		Example: "  countback shrinkage\n  countback shrinkage board --from 2026-01-01\n  countback shrinkage --by month --from 2026-01-01 --to 2026-06-30",
		Args:    cobra.MaximumNArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	a.flags(cmd)
	cmd.Flags().StringVar(&from, "from", "", "intervals whose last count is on or after a `day`, or a time")
	cmd.Flags().StringVar(&to, "to", "", "intervals whose last count is on or before a `day`, or a time")
	cmd.Flags().StringVar(&by, "by", "", "add up by place, supplier, kind, month or reason")
	cmd.Flags().BoolVar(&deliveries, "deliveries", false, "whether packs held what they promised")
	complete(cmd, "by", choices("place", "supplier", "kind", "month", "reason"))
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		var what shrinkage.What
		if len(args) > 0 {
			what.Item = args[0]
			if _, err := d.stocked(what.Item); err != nil {
				return err
			}
		}
		if by != "" && !slices.Contains([]string{"place", "supplier", "kind", "month", "reason"}, by) {
			return wrong("--by", "choose place, supplier, kind, month or reason", "%q is no way to add up", by)
		}
		if deliveries && (by != "" || from != "" || to != "" || what.Item != "") {
			return wrong("--deliveries", "leave out the rest; --as-of goes with it", "it shows all deliveries by item and supplier")
		}
		if by != "" && what.Item != "" {
			return wrong("--by", "leave out one of the two", "an item is shown interval by interval")
		}
		var err error
		if what.From, err = d.edge(from, dayStart, "--from"); err != nil {
			return err
		}
		if what.To, err = d.edge(to, dayEnd, "--to"); err != nil {
			return err
		}
		if what.To != 0 && what.To < what.From {
			return wrong("--to", "name a later day", "the time ends before it begins")
		}
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		if deliveries {
			return m.printDeliveries(d, log, run)
		}
		r := shrinkage.Of(interval.Read(log, run), d.style(), what)
		r.Reasons = shrinkage.ReasonsOf(log, run, d.style(), what)
		switch {
		case what.Item != "":
			return m.printIntervals(r, what.Item)
		case by == "reason":
			return m.printReasons(r)
		case by != "":
			return m.printShrinkageBy(r, by)
		}
		return m.printShrinkage(r, from != "" || to != "")
	})
	return cmd
}

// edge reads one end of a time that was asked for; 0 where none was.
func (d *desk) edge(text string, p part, flag string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	t, err := parseMoment(text, p, d.zone)
	if err != nil {
		return 0, inPlace(flag, "", err)
	}
	return t.UnixMilli(), nil
}

const noIntervals = "Nothing has been counted twice yet, so nothing can be missing. Count everything once a month: countback count sheet --format csv > counts.csv"

func (m *Main) printShrinkage(r shrinkage.Report, chosen bool) error {
	g := &grid{columns: []column{
		{name: "item", head: "Item"}, {name: "from", head: "Since"}, {name: "to", csvOnly: true},
		{name: "opening", csvOnly: true, figure: true}, {name: "in", csvOnly: true, figure: true}, {name: "used", head: "Used", figure: true}, {head: "Unit"},
		{name: "recorded_loss", head: "Recorded", figure: true}, {name: "book", csvOnly: true, figure: true}, {name: "counted", csvOnly: true, figure: true},
		{name: "unknown", head: "Unknown", figure: true}, {name: "unknown_value", head: "Value", figure: true}, {name: "share_of_use", head: "Of use", figure: true},
		{name: "low", head: "Likely", figure: true}, {name: "high", csvOnly: true, figure: true}, {name: "usual", csvOnly: true, figure: true},
		{name: "signal", head: "Verdict"}, {name: "detectable", head: "Would show", figure: true}, {name: "recorded_value", csvOnly: true, figure: true},
	}}
	items := slices.Clone(r.Items)
	if m.format == formatTable { // what wants attention first, the dearest of it on top
		slices.SortStableFunc(items, func(a, b shrinkage.Item) int {
			switch {
			case a.Signal != b.Signal:
				return order(a.Signal)
			case a.Signal:
				return b.Value.Cmp(a.Value)
			}
			return order(a.Gain) - order(b.Gain)
		})
	}
	for _, it := range items {
		g.add(plain(it.Item), day(it.From), plain(it.To), figure(it.Opening), figure(it.In), cell{it.Used, words.ShortQty(it.Used)}, plain(it.Unit), cell{it.RecordedLoss, words.ShortQty(it.RecordedLoss)}, figure(it.Book), figure(it.Counted),
			cell{it.Unknown, words.ShortQty(it.Unknown)}, figure(it.UnknownValue), cell{it.ShareOfUse, words.Percent(it.ShareOfUse)}, cell{it.Low, words.Span(it.Low, it.High)}, plain(it.High), plain(it.Usual),
			cell{yesNo(it.Signal), words.Verdict(it)}, cell{it.Detectable, words.Short(it.Detectable)}, figure(it.RecordedValue))
	}
	if len(g.rows) > 1 {
		g.footer = make([]cell, len(g.columns))
		g.footer[0], g.footer[11] = plain("Total"), figure(r.Total.UnknownValue)
	}
	lead := "What went missing, " + asOfText(r.Head) + ". Values in " + r.Currency + ", " + costingText(r.Costing) + "."
	switch {
	case len(r.Items) == 0 && chosen:
		lead = "No interval between two counts ends in that time."
	case len(r.Items) == 0:
		lead = noIntervals
	}
	return m.report(r, lead, g, join2(shrinkageText(items), incompleteText(r.Head)))
}

func order(first bool) int {
	if first {
		return -1
	}
	return 0
}

func yesNo(b bool) string {
	if b {
		return "true"
	}
	return "false"
}

// shrinkageText says in words what the table found.
func shrinkageText(items []shrinkage.Item) string {
	var lost, more []string
	for _, it := range items {
		switch {
		case it.Signal:
			lost = append(lost, it.Item)
		case it.Gain:
			more = append(more, it.Item)
		}
	}
	if len(items) == 0 {
		return ""
	}
	parts := []string{"Nothing is missing beyond usual waste and the tolerance of counting, as far as these counts can tell."}
	if len(lost) > 0 {
		parts[0] = "More than chance: " + strings.Join(lost, ", ") + ". See it interval by interval: countback shrinkage " + lost[0] + "; against the spec: countback use " + lost[0] + "."
	}
	if len(more) > 0 {
		parts = append(parts, "More than booked: "+strings.Join(more, ", ")+". More was counted than the book had; a delivery or a run may be missing, or a pack was entered twice.")
	}
	return join2(append(parts, "\"Likely\" holds what was really lost, usual waste included, 19 times in 20. \"Would show\" is the loss beyond usual waste that would be found 9 times in 10; a smaller one can hide.")...)
}

func (m *Main) printIntervals(r shrinkage.Report, item string) error {
	g := &grid{columns: []column{
		{name: "item", csvOnly: true}, {name: "from", head: "From"}, {name: "to", head: "To"}, {name: "opening", head: "There", figure: true}, {name: "in", head: "In", figure: true},
		{name: "used", head: "Used", figure: true}, {name: "recorded_loss", head: "Recorded", figure: true}, {name: "book", head: "Book", figure: true}, {name: "counted", head: "Counted", figure: true},
		{name: "unknown", head: "Unknown", figure: true}, {name: "unknown_value", head: "Value", figure: true}, {name: "share_of_use", head: "Of use", figure: true},
		{name: "low", head: "Likely", figure: true}, {name: "high", csvOnly: true, figure: true}, {name: "usual", csvOnly: true, figure: true},
	}}
	lead := item + " has not been counted twice yet, so nothing can be missing. Count it: countback count " + item + " N"
	tail := ""
	if len(r.Items) > 0 {
		it := r.Items[0]
		for _, n := range append(slices.Clone(it.Intervals), it.Stretch) {
			g.add(plain(it.Item), day(n.From), day(n.To), figure(n.Opening), figure(n.In), figure(n.Used), figure(n.RecordedLoss), figure(n.Book), figure(n.Counted),
				figure(n.Unknown), figure(n.UnknownValue), cell{n.ShareOfUse, words.Percent(n.ShareOfUse)}, cell{n.Low, words.Span(n.Low, n.High)}, plain(n.High), plain(n.Usual))
		}
		last := len(g.rows) - 1
		if g.footer = slices.Clone(g.rows[last]); len(it.Intervals) == 1 {
			g.footer = nil
		} else {
			g.footer[1], g.footer[2] = plain("Together"), cell{}
		}
		g.rows = g.rows[:last]
		lead = it.Item + ", " + it.Name + ", in " + it.Unit + ". Values in " + r.Currency + ", " + costingText(r.Costing) + "."
		tail = itemText(it, r.Judged)
	}
	return m.report(r, lead, g, join2(tail, incompleteText(r.Head)))
}

// itemText explains the verdict on one item.
func itemText(it shrinkage.Item, judged int) string {
	since := "Since " + day(it.SignalFrom).show() + ": "
	unit := ""
	if it.Unit != "each" {
		unit = " " + it.Unit
	}
	usual := "Of what is missing in all, about " + words.Short(it.Usual) + unit + " would be usual waste, going by the other items."
	shows := "A loss of " + words.Short(it.Detectable) + unit + " beyond that would have been found 9 times in 10."
	switch {
	case it.Signal:
		return join2(since+"more is missing than usual waste and the tolerance of counting explain.", usual, shows)
	case it.Gain:
		return join2(since+"more was counted than the book had. A delivery or a run may be missing, or a pack was entered twice.", usual)
	}
	return join2(since+"what is missing could be chance, among "+count(judged, "item", "items")+" that were tested together.", usual, shows+" A smaller one can hide.")
}

// printReasons says why things were written off.
func (m *Main) printReasons(r shrinkage.Report) error {
	g := &grid{columns: []column{{name: "reason", head: "Reason"}, {name: "items", head: "Items", figure: true}, {name: "entries", head: "Entries", figure: true}, {name: "value", head: "Value", figure: true}}}
	for _, x := range r.Reasons {
		g.add(cell{x.Name, words.Reason(x.Name)}, figure(fmtInt(int64(x.Items))), figure(fmtInt(int64(x.Entries))), figure(x.Value))
	}
	lead := "What was written off or given away, " + asOfText(r.Head) + ", in " + r.Currency + ", " + costingText(r.Costing) + "."
	if len(r.Reasons) == 0 {
		lead = "Nothing was written off or given away in that time."
	}
	return m.report(r, lead, g, incompleteText(r.Head))
}

func (m *Main) printShrinkageBy(r shrinkage.Report, by string) error {
	list, head := r.Places, "Place"
	switch by {
	case "supplier":
		list, head = r.Suppliers, "Supplier"
	case "kind":
		list, head = r.Kinds, "Kind"
	case "month":
		list, head = r.Months, "Month"
	}
	g := &grid{columns: []column{{name: by, head: head}, {name: "items", head: "Items", figure: true}, {name: "intervals", head: "Intervals", figure: true},
		{name: "recorded_value", head: "Recorded", figure: true}, {name: "unknown_value", head: "Unknown", figure: true}}}
	row := func(name cell, x shrinkage.Group) []cell {
		return []cell{name, figure(fmtInt(int64(x.Items))), figure(fmtInt(int64(x.Intervals))), figure(x.RecordedValue), figure(x.UnknownValue)}
	}
	for _, x := range list {
		g.add(row(cell{x.Name, cmp.Or(x.Name, "(none)")}, x)...)
	}
	if len(g.rows) > 1 {
		g.footer = row(plain("Total"), r.Total)
	}
	lead := "What was lost by " + by + ", " + asOfText(r.Head) + ", in " + r.Currency + ", " + costingText(r.Costing) + "."
	if len(list) == 0 {
		lead = noIntervals
	}
	return m.report(r, lead, g, incompleteText(r.Head))
}
