package main

import (
	"github.com/spf13/cobra"
)

func (m *Main) verifyCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "verify",
		Short:   "Check every event and the store",
		Example: "  countback verify",
		Args:    cobra.NoArgs,
	}
	return cmd
}
