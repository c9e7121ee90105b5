package main

import (
	"cmp"

	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/num"
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
	sureFlag(cmd, &p.sure)
	fl := cmd.Flags()
	fl.StringVar(&f.Place, "place", "", "`where` it was counted")
	fl.StringVar(&f.Session, "session", "", "`name` of the count that it belongs to")
	fl.Var(qtyFlag(&f.Gross), "gross", "weight with the container")
	fl.Var(qtyFlag(&f.Tare), "tare", "weight of the container; 0 without one")
	fl.StringVar(&f.WeightUnit, "weight-unit", "", "g, kg, oz or lb (default g)")
	fl.Var(textFlag[event.Tolerance, *event.Tolerance]{&f.Tolerance, "tolerance"}, "tolerance", "how exact it is: 3 (base units) or 2%")
	fl.Var(moneyFlag(&f.Cost), "cost", "what the counted goods cost, where it is the item's first figure")
	complete(cmd, "weight-unit", choices("g", "kg", "oz", "lb"))
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
