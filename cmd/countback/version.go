package main

import (
	"runtime"

	"github.com/spf13/cobra"

	"countback/projections/report"
)

func (m *Main) versionCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "The versions of program and figures",
		Example: "  countback version",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	cmd.RunE = func(*cobra.Command, []string) error {
		out := struct {
			Version string `json:"version"`
			Engine  string `json:"engine"`
			Go      string `json:"go"`
			System  string `json:"system"`
		}{m.versionText(), report.Engine, runtime.Version(), runtime.GOOS + "/" + runtime.GOARCH}
		g := &grid{columns: []column{{name: "version"}, {name: "engine"}, {name: "go"}, {name: "system"}}}
		g.add(plain(out.Version), plain(out.Engine), plain(out.Go), plain(out.System))
		if m.format != formatTable {
			return m.report(out, "", g, "")
		}
		return m.say("countback %s, figures %s, %s, %s", out.Version, out.Engine, out.Go, out.System)
	}
	return cmd
}
