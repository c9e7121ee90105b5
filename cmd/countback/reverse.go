package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
)

func (m *Main) reverseCmd() *cobra.Command {
	var p posting
	var f event.Reverse
	cmd := &cobra.Command{
		Use:   "reverse EVENT --reason TEXT",
		Short: "Take an event out of the figures without erasing it",
		Long: `Take an event out of all figures. It stays in the ledger with the reason beside it. A reversal itself can't be reversed: record the fact again.
Definitions of items and the shop can't be reversed either: record what is right.`,
		Example: "  countback reverse 01KJPWDMX05F6YMVZZMZ1R4DV3 --reason \"entered twice\"",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.eventIDs(event.KindPack, event.KindReturn, event.KindPurchase, event.KindRestock, event.KindCredit, event.KindReprint,
		event.KindDamage, event.KindCount, event.KindOrder, event.KindPackSpec, event.KindMakeSpec, event.KindRetire))
	p.flags(cmd)
	cmd.Flags().StringVar(&f.Reason, "reason", "", "`text`: why")
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		f.Note = p.note
		if f.Reason == "" {
			return nil, wrong("--reason", "add --reason \"why\"", "the reason is missing")
		}
		return &f, parseID(&f.Event, "EVENT", args[0])
	})
	return cmd
}
