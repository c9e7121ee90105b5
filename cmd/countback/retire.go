package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
)

func (m *Main) retireCmd() *cobra.Command {
	var p posting
	cmd := &cobra.Command{
		Use:   "retire ITEM",
		Short: "Take an item out of the lists",
		Long: `Take an item out of the lists. What is left of it stays in stock until it is used, written off or counted to 0.
Defining it again (countback item) brings it back.`,
		Example: `  countback retire gold-seal --note "no longer made"`,
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	p.flags(cmd)
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		_, err := d.item(args[0])
		return &event.Retire{Item: args[0], Note: p.note}, err
	})
	return cmd
}
