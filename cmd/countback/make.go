package main

import (
	"strings"

	"github.com/spf13/cobra"

	"countback/projections/reprint"
)

func (m *Main) makeCmd() *cobra.Command {
	var a asked
	cmd := &cobra.Command{
		Use:   "make [ITEM]",
		Short: "How many of each good could be printed",
		Long: `How many pieces of everything with a make spec could be printed from what is on hand, after normal spoilage, and which supply ends it. Home-made supplies that
a run lacks are printed first, from their own. Each item is looked at by itself, as if everything on hand were for it. It records nothing; a print run is
recorded with countback reprint.`,
		Example: "  countback make\n  countback make fern-card",
		Args:    cobra.MaximumNArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	a.flags(cmd)
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		only := strings.Join(args, "")
		if only != "" {
			if _, err := d.stocked(only); err != nil {
				return err
			}
		}
		state, err := a.state(d)
		if err != nil {
			return err
		}
		r := reprint.All(state, d.style(), only)
		if only != "" && len(r.Items) == 0 {
			return wrong("", "record one with countback makespec FILE", "there is no make spec of %s yet, so it isn't printed here", only)
		}
		lead := "What could be printed, " + asOfText(r.Head) + ". Each item by itself, as if everything on hand were for it."
		if len(r.Items) == 0 {
			lead = "Nothing is printed here yet. Say what a print run uses with countback makespec FILE."
		}
		return m.report(r, m.wrap(lead, ""), makeGrid(r.Items), incompleteText(r.Head))
	})
	return cmd
}
