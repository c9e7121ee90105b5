package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
)

func (m *Main) reprintCmd() *cobra.Command {
	var p posting
	var c changeFlags
	var f event.Reprint
	var spec string
	cmd := &cobra.Command{
		Use:   "reprint ITEM --good N --spoiled N",
		Short: "Record a print run",
		Long: `Record a print run, or any run that makes an item: how many pieces came out good and how many were spoiled. What it used is what the make spec
says, unless you say what differed. With --order the pieces go into that order and never into stock.`,
		Example: "  countback reprint fern-card --good 46 --spoiled 2",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	p.flags(cmd)
	c.flags(m, cmd)
	fl := cmd.Flags()
	fl.Var(qtyFlag(&f.Good), "good", "pieces that came out good")
	fl.Var(qtyFlag(&f.Spoiled), "spoiled", "pieces that were spoiled")
	fl.Var(qtyFlag(&f.Cycles), "cycles", "sheets or passes, where they weren't as many as the pieces need")
	fl.StringVar(&f.Order, "order", "", "`number` of the order that it was made for")
	fl.StringVar(&f.Reason, "reason", "", "`text`: why")
	fl.StringVar(&spec, "spec", "", "`EVENT` of the make spec that was used, where it isn't the one in force")
	complete(cmd, "order", m.orderNumbers(false))
	complete(cmd, "spec", m.eventIDs(event.KindMakeSpec))
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		f.Item, f.Note = args[0], p.note
		if _, err := d.item(f.Item); err != nil {
			return nil, err
		}
		if f.Good == nil || f.Spoiled == nil {
			return nil, wrong("reprint", "give both --good N and --spoiled N; one of them may be 0", "the pieces are missing")
		}
		var err error
		if f.Changes, err = c.read(d); err != nil {
			return nil, err
		}
		return &f, parseID(&f.Spec, "--spec", spec)
	})
	return cmd
}
