package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/num"
)

func (m *Main) restockCmd() *cobra.Command {
	var p posting
	var f event.Restock
	var line event.RestockLine
	var purchase string
	var final bool
	cmd := &cobra.Command{
		Use:   "restock ITEM N [PACK] --cost AMOUNT",
		Short: "Record goods that came in",
		Long: `Record goods that came in, in packs of the item or in base units, and what the line cost in all, before freight, duty and tax.
--expected says how much should have come, in the same packs or units. A delivery of several items is one fact of several lines: see countback record.`,
		Example: "  countback restock board 2 box --cost 64.00 --freight 9.50 --supplier \"Quillmark Supply\" --ref Q-1182",
		Args:    cobra.RangeArgs(2, 3),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs, nothingMore, m.forms(true, false))
	p.flags(cmd)
	sureFlag(cmd, &p.sure)
	fl := cmd.Flags()
	fl.Var(moneyFlag(&line.Cost), "cost", "what the line cost in all, before charges")
	fl.Var(qtyFlag(&line.Expected), "expected", "how much should have come")
	fl.StringVar(&f.Supplier, "supplier", "", "`name` of the supplier")
	fl.StringVar(&f.Ref, "ref", "", "`number` of the delivery or bill")
	fl.StringVar(&purchase, "purchase", "", "`EVENT` of the purchase that it belongs to")
	fl.BoolVar(&final, "final", false, "nothing more will come of that purchase")
	fl.Var(moneyFlag(&f.Freight), "freight", "freight paid")
	fl.Var(moneyFlag(&f.Duty), "duty", "duty that can't be reclaimed")
	fl.Var(moneyFlag(&f.Tax), "tax", "tax that can't be reclaimed")
	fl.Var(moneyFlag(&f.Discount), "discount", "discount on the whole")
	fl.StringVar(&f.Currency, "currency", "", "`code` of the bill's currency, where it isn't the shop's; needs --rate")
	fl.Var(rateFlag(&f.Rate), "rate", "shop currency for one of the bill's")
	complete(cmd, "purchase", m.eventIDs(event.KindPurchase))
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		if line.Cost == nil {
			return nil, wrong("--cost", "add --cost AMOUNT, or --cost 0 for a gift", "what it cost is missing")
		}
		a, err := d.amount(args[0], args[1], third(args))
		if err != nil {
			return nil, err
		}
		var qty num.Qty
		line.Item, f.Note = args[0], p.note
		qty, line.Pack = d.inPacks(args[0], a)
		line.Qty = &qty
		f.Lines = []event.RestockLine{line}
		if final {
			f.Final = &final
		}
		return &f, parseID(&f.Purchase, "--purchase", purchase)
	})
	return cmd
}

// inPacks gives an amount in packs or base units, for facts that know no measures.
func (d *desk) inPacks(item string, a amount) (qty num.Qty, pack string) {
	if a.measure != "" {
		return d.base(item, a), ""
	}
	return a.qty, a.pack
}
