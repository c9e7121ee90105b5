package main

import (
	"errors"
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/closing"
	"countback/projections/fold"
	"countback/projections/review"
)

func (m *Main) closeCmd() *cobra.Command {
	var dry, force bool
	cmd := &cobra.Command{
		Use:   "close PERIOD",
		Short: "Close a month, or show the figures of a month or a year",
		Long: `Close a month that is over: from then on its figures never change. What is recorded later about it shows in the month whose close covers it, as "from
earlier periods". Months are closed in turn, on the keeper's device. Stock and every other report are the same with and without closes.

--dry-run shows the roll-forward and records nothing: of an open month how it stands, of a closed one its closed figures. With a year it adds up the months
of that year that are closed. Open questions (countback review) stop a close; --force closes all the same and records which ones were accepted.`,
		Example: "  countback close 2026-03 --dry-run\n  countback close 2026-03\n  countback close 2026",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.periods)
	cmd.Flags().BoolVar(&dry, "dry-run", false, "show the roll-forward and record nothing")
	cmd.Flags().BoolVar(&force, "force", false, "close though questions are open, and accept them")
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		l, err := d.closings()
		if err != nil {
			return err
		}
		if len(args[0]) == 4 {
			return m.closeYear(d, l, args[0])
		}
		p, err := closing.ParsePeriod(args[0])
		if err != nil {
			return inPlace("PERIOD", "", err)
		}
		if dry {
			return m.showMonth(d, l, p)
		}
		return m.closeMonth(d, l, p, force)
	})
	return cmd
}

// closings reads what the ledger says about closed months.
func (d *desk) closings() (*closing.Ledger, error) {
	return closing.Read(d.ctx, fold.Stored(d.store), d.zone, closing.ByChain(d.shopID))
}

// voidCloses lists the closes that don't count. Most ledgers have none at all, and are not read through for it.
func (d *desk) voidCloses() ([]fold.Notice, error) {
	list, err := scan(d.ctx, d.store, []event.Kind{event.KindClose})
	if err != nil || len(list) == 0 {
		return nil, err
	}
	l, err := d.closings()
	if err != nil {
		return nil, err
	}
	return l.Void, nil
}

// periods completes the months that can be shown or closed.
func (m *Main) periods(cmd *cobra.Command, _ []string, to string) ([]string, cobra.ShellCompDirective) {
	return m.complete(cmd, to, func(d *desk) []string {
		l, err := d.closings()
		if err != nil {
			return nil
		}
		var list []string
		for _, c := range l.Closed {
			list = append(list, c.Period.String()+"\tclosed")
		}
		if next, ok, err := l.Next(d.ctx); err == nil && ok {
			list = append(list, next.String())
		}
		return list
	})
}

func (m *Main) showMonth(d *desk, l *closing.Ledger, p closing.Period) error {
	f, err := l.Show(d.ctx, p)
	if err != nil {
		return err
	}
	r := f.Report(d.style())
	if f.Close == nil {
		r.Questions = l.Questions(f, d.style())
	}
	return m.printClosing(d, r)
}

var errMoved = errors.New("something was recorded while the figures were worked out; repeat the command, nothing was recorded")

// closeMonth records the close and prints the figures.
func (m *Main) closeMonth(d *desk, l *closing.Ledger, p closing.Period, force bool) error {
	var err error
	if d.key, err = d.ownKey(); err != nil {
		return err
	}
	id, err := d.closePeriod(l, p, force)
	if err != nil {
		return err
	}
	if l, err = d.closings(); err != nil {
		return err
	}
	f, err := l.Show(d.ctx, p)
	if err != nil {
		return err
	}
	if err := m.say("%s  close of %s\n", id, p); err != nil {
		return err
	}
	return m.printClosing(d, f.Report(d.style()))
}

// closePeriod records the close, if nothing has come in since its figures were worked out.
func (d *desk) closePeriod(l *closing.Ledger, p closing.Period, force bool) (event.ID, error) {
	now := d.now()
	f, err := l.Propose(d.ctx, p, d.key.Device(), now)
	if err != nil {
		return event.ID{}, err
	}
	questions := l.Questions(f, d.style())
	if len(questions) > 0 && !force {
		return event.ID{}, wrong(p.String(), "settle them (countback review), or close with --force, which records that they were accepted",
			"%s not decided: %s", count(len(questions), "thing is", "things are"), questionsText(questions))
	}
	data, err := f.Data(questions)
	if err != nil {
		return event.ID{}, err
	}
	facts := []event.Fact{{Time: event.TimeOf(now), Data: data}}
	check := d.check(facts)
	result, err := d.recorder().Record(d.ctx, facts, func(tx store.Tx) error {
		heads, err := d.store.Heads(d.ctx)
		if err != nil {
			return err
		}
		for device, h := range heads {
			if l.Heads[device] != (event.LogHead{Seq: h.Seq, Hash: h.Hash}) {
				return errMoved
			}
		}
		return check(tx)
	})
	if err := refused(err, nil); err != nil {
		return event.ID{}, err
	}
	return result.IDs[0], nil
}

// questionsText names a few questions in a line.
func questionsText(list []review.Item) string {
	const most = 5
	var parts []string
	for i, it := range list {
		if i == most {
			parts = append(parts, "…")
			break
		}
		parts = append(parts, strings.TrimSpace(strings.ReplaceAll(it.Topic, "_", " ")+" "+it.About)+" ("+it.Event+")")
	}
	return strings.Join(parts, ", ")
}

func (m *Main) closeYear(d *desk, l *closing.Ledger, text string) error {
	n, err := closing.ParseYear(text)
	if err != nil {
		return inPlace("PERIOD", "", err)
	}
	y, err := l.Year(d.ctx, n, d.style())
	if err != nil {
		return err
	}
	return m.printYear(d, y)
}
