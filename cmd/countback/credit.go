package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/num"
)

func (m *Main) creditCmd() *cobra.Command {
	var p posting
	var f event.Credit
	var line event.CreditLine
	var qty string
	var bill bool
	cmd := &cobra.Command{
		Use:   "credit RESTOCK ITEM AMOUNT",
		Short: "Record a supplier's refund, a return to the supplier, or a later bill",
		Long: `Record money back for goods of an earlier restock, named by its event. With --qty that much went back to the supplier.
With --bill the amount is a later bill instead of a refund.`,
		Example: "  countback credit 01KJPWDMX05F6YMVZZMZ1R4DV3 board 12.50 --reason \"corners crushed\"",
		Args:    cobra.ExactArgs(3),
	}
	cmd.ValidArgsFunction = byPlace(m.eventIDs(event.KindRestock), m.itemIDs, nothingMore)
	p.flags(cmd)
	cmd.Flags().StringVar(&qty, "qty", "", "`quantity` that went back to the supplier")
	cmd.Flags().BoolVar(&bill, "bill", false, "a later bill: the amount is paid, not received")
	cmd.Flags().StringVar(&f.Reason, "reason", "", "`text`: why")
	cmd.Flags().StringVar(&f.Currency, "currency", "", "`code` of the currency, where it isn't the shop's; needs --rate")
	cmd.Flags().Var(rateFlag(&f.Rate), "rate", "shop currency for one of that currency")
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		if err := parseID(&f.Restock, "RESTOCK", args[0]); err != nil {
			return nil, err
		}
		value, err := num.ParseMoney(args[2])
		if err != nil {
			return nil, inPlace("AMOUNT", "", err)
		}
		if bill {
			value = value.Neg()
		}
		line.Item, line.Amount, f.Note = args[1], &value, p.note
		if qty != "" {
			a, err := d.amount(args[1], qty, "")
			if err != nil {
				return nil, inPlace("--qty", "", err)
			}
			base := d.base(args[1], a)
			line.Qty = &base
		}
		f.Lines = []event.CreditLine{line}
		return &f, nil
	})
	return cmd
}
