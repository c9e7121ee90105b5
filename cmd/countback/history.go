package main

import (
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/ledger/near"
	"countback/projections/history"
)

func fmtInt(n int64) string { return strconv.FormatInt(n, 10) }

func sorted(list []string) []string {
	slices.Sort(list)
	return list
}

func (m *Main) historyCmd() *cobra.Command {
	var a asked
	var last int
	var runout bool
	cmd := &cobra.Command{
		Use:   "history ITEM|ORDER|EVENT",
		Short: "The events behind a figure, oldest first",
		Long: `The events behind a figure, oldest first, with the balance after each: of an item, of an order, or of one event. Name it as --order or --item where a
word could be both. With --runout, of an item, also what each event did to the day on which it runs out, at the pace of the 90 days before it.`,
		Example: "  countback history board\n  countback history 2041",
		Args:    cobra.RangeArgs(0, 1),
	}
	var item, order string
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	a.flags(cmd)
	cmd.Flags().StringVar(&item, "item", "", "`id` of an item")
	cmd.Flags().StringVar(&order, "order", "", "`number` of an order")
	cmd.Flags().IntVar(&last, "last", 0, "show only the last `n` in the table")
	cmd.Flags().BoolVar(&runout, "runout", false, "of an item: what each event did to the day on which it runs out")
	complete(cmd, "item", m.itemIDs)
	complete(cmd, "order", m.orderNumbers(false))
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		what, err := d.what(args, item, order)
		if err != nil {
			return err
		}
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		r, _ := history.Of(log, run, d.style(), what)
		out := told{Report: r}
		if runout {
			if what.Item == "" {
				return wrong("--runout", "name an item", "only an item runs out")
			}
			out.Runout = d.runout(log, run, what.Item)
		}
		if what.Item != "" {
			if out.OnOrder, err = d.owing(what.Item, a); err != nil {
				return err
			}
		}
		if out.Events, err = d.trail(log, what, run.AsOf); err != nil {
			return err
		}
		if !what.Event.IsZero() {
			asOf, known, err := a.instants(d)
			if err != nil {
				return err
			}
			if out.Purchase, err = d.owedOf(what.Event, asOf, known); err != nil {
				return err
			}
		}
		return m.printHistory(out, what, last)
	})
	return cmd
}

// what finds out what a word names: an item, an order or an event, in this order.
func (d *desk) what(args []string, item, order string) (history.What, error) {
	if n := len(args) + boolInt(item != "") + boolInt(order != ""); n != 1 {
		return history.What{}, wrong("history", "write it like countback history board", "name one item, order or event")
	}
	switch {
	case item != "":
		_, err := d.stocked(item)
		return history.What{Item: item}, err
	case order != "":
		return history.What{Order: order}, d.orderIsHere(order)
	}
	word := args[0]
	if _, ok := d.catalog.Find(word); ok {
		_, err := d.stocked(word)
		return history.What{Item: word}, err
	}
	k := d.held
	if id, err := event.ParseID(strings.ToUpper(word)); err == nil {
		if _, ok, err := k.Event(id); err != nil || ok {
			return history.What{Event: id}, err
		}
		return history.What{}, wrong("", "check it; it may stand on another device", "there is no event %s here", id)
	}
	if err := d.orderIsHere(word); err == nil {
		return history.What{Order: word}, nil
	}
	hint := "name an item, an order or an event"
	if alike := near.Names(word, d.itemIDs()); len(alike) > 0 {
		hint = "the nearest known items are " + strings.Join(alike, ", ")
	}
	return history.What{}, wrong("", hint, "%q is neither an item nor an order nor an event", word)
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (d *desk) orderIsHere(number string) error {
	rows, err := d.store.ByOrder(d.ctx, number)
	if err == nil && len(rows) == 0 {
		return wrong("", "check the number", "there is no order %q", number)
	}
	return err
}

func (m *Main) printHistory(told told, what history.What, last int) error {
	r := told.Report
	g := &grid{columns: []column{{name: "event", head: "Event"}, {name: "time", head: "When"}, {name: "kind", head: "What"}}}
	if what.Item == "" {
		g.columns = append(g.columns, column{name: "item", head: "Item", flexible: true})
	}
	if what.Order == "" {
		g.columns = append(g.columns, column{name: "order", head: "Order"})
	}
	g.columns = append(g.columns, column{name: "column", head: "As"}, column{name: "qty", head: "Quantity", figure: true}, column{name: "value", head: "Value", figure: true},
		column{name: "on_hand", head: "On hand", figure: true}, column{name: "worth", head: "Worth", figure: true})
	if told.Runout != nil {
		g.columns = append(g.columns, column{name: "days", head: "Days", figure: true}, column{name: "runs_out", head: "Would last to"})
	}
	for i, e := range r.Entries {
		row := []cell{plain(e.Event), clock(e.Time), plain(e.Kind)}
		if what.Item == "" {
			row = append(row, plain(e.Item))
		}
		if what.Order == "" {
			row = append(row, plain(e.Order))
		}
		row = append(row, cell{e.Column, strings.ReplaceAll(e.Column, "_", " ")}, figure(e.Qty), figure(e.Value), figure(e.OnHand), figure(e.Worth))
		if told.Runout != nil {
			x := told.Runout[i]
			row = append(row, cell{x.Days, words.Signed(x.Days)}, day(x.RunsOut))
		}
		g.add(row...)
	}
	above := m.trailText(told.Events, what) + m.owedText(told.Purchase)
	lead := above + r.About
	if r.Unit != "" {
		lead += ", in " + r.Unit
	}
	lead += ". Values in " + r.Currency + ", " + costingText(r.Costing) + ", " + asOfText(r.Head) + "."
	if len(r.Entries) == 0 {
		lead = above + r.About + ": nothing has moved stock, " + asOfText(r.Head) + "."
	}
	if m.format == formatTable && last > 0 && len(g.rows) > last {
		lead += " The last " + strconv.Itoa(last) + " of " + grouped(strconv.Itoa(len(g.rows))) + " entries."
		g.rows = g.rows[len(g.rows)-last:]
	}
	return m.report(told, lead, g, join2(owingText(told.OnOrder, r.Unit), incompleteText(r.Head)))
}
