package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"countback/ledger/chain"
	"countback/ledger/store"
	"countback/projections/report"
)

// verified is what verify prints.
type verified struct {
	AsOf   string `json:"as_of"`
	Engine string `json:"engine"`
	chain.Report
}

func (m *Main) verifyCmd() *cobra.Command {
	var signatures bool
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Check every event and the store's file",
		Long: `Read every event anew and check its shape, its place in its chain and the last signature of each log, and let the store check its file.
All faults are listed, each with what repairs it. --signatures checks every signature.`,
		Example: "  countback verify --signatures",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	cmd.Flags().BoolVar(&signatures, "signatures", false, "check every signature, not only the last of each log")
	cmd.RunE = func(cmd *cobra.Command, _ []string) (err error) {
		dir, err := m.folder()
		if err != nil {
			return err
		}
		s, err := m.openStore(dir)
		if err != nil {
			return beyondRepair(err)
		}
		defer func() {
			if e := s.Close(); err == nil {
				err = e
			}
		}()
		r, err := m.audit(cmd.Context(), s, signatures)
		if err != nil {
			return beyondRepair(err)
		}
		if err := m.printVerified(r); err != nil || len(r.Faults) == 0 {
			return err
		}
		return &fault{what: count(len(r.Faults), "fault was", "faults were") + " found", where: ledgerPath(dir), hint: "the list says what repairs each", status: statusMachine}
	}
	return cmd
}

// beyondRepair says what is left to do where the file can't even be checked.
func beyondRepair(err error) error {
	var se *store.Error
	if !errors.As(err, &se) || !errors.Is(se.Kind, store.ErrDamaged) {
		return err
	}
	f := explainStore(se)
	f.hint = "keep the file as it is; restore the newest backup into another folder with countback restore FILE --data FOLDER, or begin from another device's file with countback init --from FILE"
	return f
}

// audit reads the bytes of the store itself, past everything that else stands between: a ledger that no report can read must still be checked.
func (m *Main) audit(ctx context.Context, s store.Store, signatures bool) (verified, error) {
	r, err := chain.Audit(ctx, s, chain.Options{Signatures: signatures})
	return verified{m.Now().UTC().Format(time.RFC3339), report.Engine, r}, err
}

func (m *Main) printVerified(r verified) error {
	switch m.format {
	case formatJSON:
		return m.printJSON(r)
	case formatCSV:
		g := &grid{columns: []column{{name: "event"}, {name: "what"}, {name: "repair"}}}
		for _, f := range r.Faults {
			g.add(plain(f.Event), plain(f.What), plain(f.Repair))
		}
		return writeCSV(m.Stdout, g)
	}
	g := &grid{columns: []column{{head: "Device"}, {head: "Events", figure: true}, {head: "Last hash"}, {head: "State"}}}
	for _, d := range r.Devices {
		state := "whole"
		if !d.OK {
			state = "faulty"
		}
		g.add(plain(d.Device), figure(fmtInt(d.Last)), plain(d.Head[:min(16, len(d.Head))]), plain(state))
	}
	lead := count(int(r.Events), "event", "events") + " checked. "
	if len(r.Faults) == 0 {
		return m.printTable(lead+"Every one is whole and in its place.", g, "")
	}
	var list string
	for i, f := range r.Faults {
		if i > 0 {
			list += "\n"
		}
		list += fmt.Sprintf("%s\n%s", m.wrap(visible(join(f.Event, f.What)), ""), m.wrap("- "+visible(f.Repair), "  "))
	}
	return m.printTable(lead+count(len(r.Faults), "fault", "faults")+" found.", g, list)
}
