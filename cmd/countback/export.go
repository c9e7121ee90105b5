package main

import (
	"bufio"
	"bytes"
	"errors"
	"io"

	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/orders"
	"countback/projections/stock"
)

func (m *Main) exportCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "export events|stock|orders|closes",
		Short:   "Write the ledger's contents for other programs",
		Long:    "Write events, stock, the cost of orders or closed months for other programs, to the standard output or into a new file (--out). No key ever leaves with an export.",
		Example: "  countback export stock --out stock.csv",
	}
	cmd.AddCommand(m.exportEventsCmd(), m.exportStockCmd(), m.exportOrdersCmd(), m.exportClosesCmd())
	return cmd
}

// exporting writes into a new file where one is named.
func (m *Main) exporting(out string, do func() error) error {
	if out == "" {
		return do()
	}
	return writeNew(out, func(w io.Writer) error {
		old := m.Stdout
		defer func() { m.Stdout = old }()
		m.Stdout = w
		return do()
	})
}

func (m *Main) exportEventsCmd() *cobra.Command {
	var out string
	var facts bool
	cmd := &cobra.Command{
		Use:   "events",
		Short: "Every event as stored, one a line",
		Long: `Every event as stored, one line of JSON each, in the order of arrival. With --facts as a file that countback record takes: facts without the signatures,
and without the events of devices and closings.`,
		Example: "  countback export events --out events.jsonl",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	cmd.Flags().StringVar(&out, "out", "", "new `file` to write into")
	cmd.Flags().BoolVar(&facts, "facts", false, "as facts, for countback record")
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		return m.exporting(out, func() error {
			w := bufio.NewWriter(m.Stdout)
			err := d.store.Scan(d.ctx, 0, func(r store.Row) error {
				line := r.Line
				if facts {
					var err error
					if line, err = factLine(line); err != nil || line == nil {
						return err
					}
				}
				_, err := w.Write(append(bytes.Clone(line), '\n'))
				return err
			})
			return errors.Join(err, w.Flush())
		})
	})
	return cmd
}

// factLine is an event as a line of a fact file; nil for what no fact file holds.
func factLine(line []byte) ([]byte, error) {
	e, err := event.ParseLine(bytes.Clone(line))
	if err != nil || e.Data == nil || !e.Kind.Fact() {
		return nil, err
	}
	return event.Fact{ID: e.ID, Time: e.Time, Data: e.Data}.Line()
}

// csvUnlessAsked makes CSV the format of an export, where the command line names none.
func (m *Main) csvUnlessAsked(cmd *cobra.Command) {
	if m.format == formatTable && !cmd.Flags().Changed("format") {
		m.format = formatCSV
	}
}

func (m *Main) exportStockCmd() *cobra.Command {
	var a asked
	var out string
	cmd := &cobra.Command{
		Use:     "stock",
		Short:   "The stock report as CSV",
		Example: "  countback export stock --as-of 2026-03-31 --out stock.csv",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	a.flags(cmd)
	cmd.Flags().StringVar(&out, "out", "", "new `file` to write into")
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		m.csvUnlessAsked(cmd)
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		r := stock.Of(log.Run(run), d.style(), "")
		if err := d.addOnOrder(&r, a); err != nil {
			return err
		}
		return m.exporting(out, func() error { return m.printStock(d, r, true) })
	})
	return cmd
}

func (m *Main) exportOrdersCmd() *cobra.Command {
	var a asked
	var out string
	cmd := &cobra.Command{
		Use:     "orders",
		Short:   "The material cost of every order by line, as CSV",
		Long:    "The material cost of every packed order, one row for each item that left with it. Lines of an order add up to its material cost.",
		Example: "  countback export orders --out cost.csv",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	a.flags(cmd)
	cmd.Flags().StringVar(&out, "out", "", "new `file` to write into")
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		m.csvUnlessAsked(cmd)
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		r := orders.Of(log.Run(runWith(run, true)), d.style(), "")
		g := &grid{columns: []column{{name: "order", head: "Order"}, {name: "packed", head: "Packed"}, {name: "zone", head: "To"}, {name: "item", head: "Item", flexible: true},
			{name: "qty", head: "Quantity", figure: true}, {name: "cost", head: "Cost", figure: true}, {name: "provisional", head: "Provisional"}}}
		for _, o := range r.Orders {
			for _, l := range o.Lines {
				provisional := cell{"false", " "}
				if l.Provisional {
					provisional = cell{"true", "yes"}
				}
				g.add(plain(o.Order), day(o.Packed), plain(o.Zone), plain(l.Item), figure(l.Qty), figure(l.Cost), provisional)
			}
		}
		return m.exporting(out, func() error { return m.report(r, "", g, "") })
	})
	return cmd
}
