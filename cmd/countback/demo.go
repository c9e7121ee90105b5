package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/cmd/countback/demo"
	"countback/ledger/event"
	"countback/projections/fold"
)

func (m *Main) demoCmd() *cobra.Command {
	var keep, port string
	var serve bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Build the demo shop and print the main reports",
		Long: `Build an invented shop's year in a temporary ledger, the same way as your own facts are recorded, and print the main reports: what is on hand, what orders cost
in materials, what ran short, and what the counts say about it. The ledger is removed afterwards unless --keep names a folder for it.
With --serve the desk's pages are opened on it, in a browser, until the command is stopped (Ctrl-C).`,
		Example: "  countback demo\n  countback demo --serve\n  countback demo --keep /tmp/fennimoor",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	cmd.Flags().StringVar(&keep, "keep", "", "empty `folder` to keep the demo's ledger in")
	cmd.Flags().BoolVar(&serve, "serve", false, "open the desk's pages on it")
	cmd.Flags().StringVar(&port, "pages", pagesPort, "with --serve: `number` of the pages' port; 0 is any free one")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		dir := keep
		if dir == "" {
			temp, err := os.MkdirTemp("", "countback-demo-")
			if err != nil {
				return err
			}
			defer os.RemoveAll(temp)
			dir = temp
		}
		now, err := m.demo(cmd, dir)
		if err != nil || !serve {
			return err
		}
		return m.serveDemo(cmd.Context(), dir, now, port)
	}
	return cmd
}

// serveDemo keeps the pages of a demo open until ctx ends.
func (m *Main) serveDemo(ctx context.Context, dir string, now time.Time, port string) error {
	door, err := m.openDemoPages(ctx, dir, now, port)
	if err != nil {
		return err
	}
	defer door.close()
	address, err := door.site.Address()
	if err != nil {
		return err
	}
	if err := m.say("%s\n%s", m.wrapAll("The demo's pages, for one browser on this machine, once. Ctrl-C stops them."), address); err != nil {
		return err
	}
	<-ctx.Done()
	return nil // to be stopped is how it ends
}

// demo builds the shop and prints its reports. It returns the end of the demo's year.
func (m *Main) demo(cmd *cobra.Command, dir string) (time.Time, error) {
	now, n, err := m.buildDemo(cmd.Context(), dir)
	if err != nil {
		return now, err
	}
	return now, m.demoReports(cmd, dir, now, n, m.format)
}

// buildDemo builds the shop through the commands that a person would type, in a program of its own whose clock stands at the end of the demo's year. It returns that and the
// number of facts.
func (m *Main) buildDemo(ctx context.Context, dir string) (now time.Time, n int, err error) {
	if now, err = time.Parse(time.RFC3339, demo.AsOf); err != nil {
		return now, 0, err
	}
	file, n, err := factFile(demo.Facts())
	if err != nil {
		return now, 0, err
	}
	quiet := new(bytes.Buffer)
	shop := *m
	shop.Now = func() time.Time { return now }
	shop.data, shop.person = "", ""
	shop.Stdin, shop.Stdout, shop.Stderr = bytes.NewReader(file), quiet, quiet
	run := func(args ...string) error {
		shop.json, shop.format = false, formatTable
		shop.Args = append([]string{"--data", dir}, args...)
		if status := shop.Run(ctx); status != statusDone {
			return &fault{what: "the demo can't be built: " + strings.TrimPrefix(oneLine(quiet.String()), "countback: "), status: status}
		}
		return nil
	}
	s := demo.Shop
	if err := run("init", "--shop", s.Name, "--currency", s.Currency, "--zone", s.Zone, "--costing", s.Costing); err != nil {
		return now, n, err
	}
	return now, n, run("record", "-")
}

func factFile(facts []event.Fact) ([]byte, int, error) {
	var b bytes.Buffer
	for _, f := range facts {
		line, err := f.Line()
		if err != nil {
			return nil, 0, err
		}
		b.Write(line)
		b.WriteByte('\n')
	}
	return b.Bytes(), len(facts), nil
}

// demoReports prints the main reports as a person would ask for them.
func (m *Main) demoReports(cmd *cobra.Command, dir string, now time.Time, n int, format string) error {
	show := *m
	show.Now = func() time.Time { return now }
	show.data = dir
	if format != formatTable {
		// Machines take one report a run; the others have commands of their own.
		return show.demoReport(cmd, dir, format, "stock")
	}
	if err := m.printTable(m.wrapAll(demo.About), nil, count(n, "fact was", "facts were")+" recorded.\n"); err != nil {
		return err
	}
	for _, args := range [][]string{{"stock"}, {"cost", "--by", "month"}} {
		if err := show.demoReport(cmd, dir, format, args...); err != nil {
			return err
		}
	}
	last, err := show.demoShort(cmd)
	if err != nil || last.item == "" {
		return err
	}
	for _, args := range [][]string{
		{"history", last.item, "--as-of", last.at.Format("2006-01-02"), "--last", "10"}, {"shrinkage", last.item}, {"use", last.item}, {"audit", last.item},
	} {
		if err := show.demoReport(cmd, dir, format, args...); err != nil {
			return err
		}
	}
	return nil
}

// demoReport prints one report below its command line.
func (m Main) demoReport(cmd *cobra.Command, dir, format string, args ...string) error {
	if format == formatTable {
		if err := m.say("$ countback %s\n", strings.Join(args, " ")); err != nil {
			return err
		}
	}
	m.Args = append([]string{"--data", dir, "--format", format}, args...)
	m.json, m.data = false, ""
	if status := m.Run(cmd.Context()); status != statusDone {
		return &fault{what: "the demo's reports can't be printed", status: status}
	}
	if format == formatTable {
		_, err := fmt.Fprintln(m.Stdout)
		return err
	}
	return nil
}

// emptied is an item that ran out, and when.
type emptied struct {
	item, name string
	at         time.Time
}

// demoShort prints what ran out during the year and returns the last of it.
func (m *Main) demoShort(cmd *cobra.Command) (last emptied, err error) {
	d, err := m.openDesk(cmd.Context())
	if err != nil {
		return last, err
	}
	defer d.close(&err)
	log, run, err := new(asked).fold(d)
	if err != nil {
		return last, err
	}
	list := ranOut(d, log, run)
	g := &grid{columns: []column{{head: "Item"}, {head: "Name"}, {head: "Nothing left on"}}}
	for _, e := range list {
		g.add(plain(e.item), plain(e.name), plain(showDay(e.at)))
		last = e
	}
	lead := "What ran short"
	if len(list) == 0 {
		lead = "Nothing ran short."
	}
	return last, errors.Join(m.printTable(lead, g, ""), m.say(""))
}

// ranOut lists the items of which nothing was left at some moment, by the last such moment.
func ranOut(d *desk, log *fold.Log, run fold.Run) []emptied {
	at := make([]int64, len(log.Catalog.Items))
	run.Observe = func(mv fold.Movement) {
		if mv.OnHand.Sign() <= 0 && !mv.Column.In() {
			at[mv.Item] = mv.Ms
		}
	}
	state := log.Run(run)
	var list []emptied
	for i, ms := range at {
		if ms != 0 {
			list = append(list, emptied{log.Catalog.Items[i].ID, state.View.Def(i).Name, time.UnixMilli(ms).In(d.zone)})
		}
	}
	slices.SortFunc(list, func(a, b emptied) int { return a.at.Compare(b.at) })
	return list
}
