package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
)

func (m *Main) returnCmd() *cobra.Command {
	var p posting
	var condition string
	cmd := &cobra.Command{
		Use:   "return ORDER ITEM=N [ITEM=N ...] --condition saleable|scrap",
		Short: "Record goods that came back from a customer",
		Long: `Record goods that came back. Saleable goods go back into stock at the cost with which they left it; scrap moves nothing, and its cost stays with
the order. An order of both is two commands.`,
		Example: "  countback return 2041 fern-card=1 --condition saleable",
		Args:    cobra.MinimumNArgs(2),
	}
	cmd.ValidArgsFunction = func(cmd *cobra.Command, args []string, to string) ([]string, cobra.ShellCompDirective) {
		if len(args) == 0 {
			return m.orderNumbers(false)(cmd, args, to)
		}
		return m.itemPairs(cmd, args, to)
	}
	p.flags(cmd)
	cmd.Flags().StringVar(&condition, "condition", "", "saleable or scrap")
	complete(cmd, "condition", choices("saleable", "scrap"))
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		if condition != "saleable" && condition != "scrap" {
			return nil, wrong("--condition", "write --condition saleable or --condition scrap", "how the goods are is missing or unknown")
		}
		lines, err := d.goods(args[1:])
		if err != nil {
			return nil, err
		}
		f := &event.Return{Order: args[0], Note: p.note}
		for _, l := range lines {
			f.Lines = append(f.Lines, event.ReturnLine{Item: l.Item, Qty: l.Qty, Condition: condition})
		}
		return f, nil
	})
	return cmd
}
