package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
)

func (m *Main) damageCmd() *cobra.Command {
	var p posting
	var f event.Damage
	cmd := &cobra.Command{
		Use:   "damage ITEM N [MEASURE] --reason REASON",
		Short: "Record a write-off, a sample, a gift or own use",
		Long: `Record what left stock without being sold, and why. N is in base units, or in a measure, a pack or a unit that fits.
Reasons: damaged, spoiled, expired, sample, gift, own_use, other.`,
		Example: "  countback damage fern-card 3 --reason damaged --note \"tea on the box\"",
		Args:    cobra.RangeArgs(2, 3),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs, nothingMore, m.forms(true, true))
	p.flags(cmd)
	cmd.Flags().StringVar(&f.Reason, "reason", "", "damaged, spoiled, expired, sample, gift, own_use or other")
	cmd.Flags().StringVar(&f.Order, "order", "", "`number` of the order that it has to do with")
	complete(cmd, "reason", choices("damaged", "spoiled", "expired", "sample", "gift", "own_use", "other"))
	complete(cmd, "order", m.orderNumbers(false))
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		a, err := d.amount(args[0], args[1], third(args))
		if err != nil {
			return nil, err
		}
		f.Item, f.Qty, f.Measure, f.Note = args[0], a.qty, a.measure, p.note
		if a.pack != "" {
			f.Qty = d.base(args[0], a)
		}
		return &f, nil
	})
	return cmd
}
