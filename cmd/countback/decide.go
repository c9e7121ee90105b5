package main

import (
	"github.com/spf13/cobra"

	"countback/ledger/event"
)

func (m *Main) decideCmd() *cobra.Command {
	var p posting
	var f event.Decide
	cmd := &cobra.Command{
		Use:     "decide EVENT keep|drop",
		Short:   "Settle a pack that may be a double",
		Long:    "Settle a question of the review: keep says that the pack happened, drop that it didn't.",
		Example: "  countback decide 01KJPWDMX05F6YMVZZMZ1R4DV3 drop --reason \"entered on both devices\"",
		Args:    cobra.ExactArgs(2),
	}
	cmd.ValidArgsFunction = byPlace(m.eventIDs(event.KindPack), choices("keep", "drop"))
	p.flags(cmd)
	cmd.Flags().StringVar(&f.Reason, "reason", "", "`text`: why")
	cmd.RunE = m.recording(&p, func(d *desk, args []string) (event.Data, error) {
		keep := args[1] == "keep"
		if !keep && args[1] != "drop" {
			return nil, wrong("decide", "write keep or drop", "%q is no decision", args[1])
		}
		f.Keep, f.Note = &keep, p.note
		return &f, parseID(&f.Event, "EVENT", args[0])
	})
	return cmd
}
