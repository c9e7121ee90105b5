package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
)

func (m *Main) purchaseCmd() *cobra.Command {
	var p posting
	var f event.Purchase
	var line event.PurchaseLine
	var due string
	cmd := &cobra.Command{
		Use:     "purchase ITEM N [PACK]",
		Short:   "Note what is on order at a supplier",
		Long:    "Note what is on order. Name the event with --purchase when it arrives (countback restock), and it is no longer on order.",
		Example: "  countback purchase board 2 box --supplier \"Quillmark Supply\" --due 2026-03-20",
		Args:    cobra.RangeArgs(2, 3),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs, nothingMore, m.forms(true, false))
	p.flags(cmd)
	cmd.Flags().StringVar(&f.Supplier, "supplier", "", "`name` of the supplier (default the item's)")
	cmd.Flags().StringVar(&f.Ref, "ref", "", "the supplier's or your own `number`")
	cmd.Flags().StringVar(&due, "due", "", "`day` on which it should come")
	cmd.Flags().Var(moneyFlag(&line.Cost), "cost", "what it will cost in all")
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		f.Note, line.Item = p.note, args[0]
		a, err := d.amount(args[0], args[1], third(args))
		if err != nil {
			return nil, err
		}
		line.Qty, line.Pack = d.inPacks(args[0], a)
		f.Lines = []event.PurchaseLine{line}
		if due != "" {
			if f.Due, err = event.ParseDate(due); err != nil {
				return nil, inPlace("--due", "", err)
			}
		}
		if f.Supplier == "" {
			if it, ok := d.catalog.Find(args[0]); ok {
				f.Supplier = d.view.Def(it.Index).Supplier
			}
		}
		if f.Supplier == "" {
			return nil, wrong("--supplier", "add --supplier NAME", "item %s has no usual supplier, so name one", args[0])
		}
		return &f, nil
	})
	return cmd
}

func third(args []string) string {
	if len(args) > 2 {
		return args[2]
	}
	return ""
}
