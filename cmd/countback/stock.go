package main

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"countback/projections/fold"
	"countback/projections/report"
	"countback/projections/stock"
)

func (m *Main) stockCmd() *cobra.Command {
	var a asked
	var all bool
	cmd := &cobra.Command{
		Use:   "stock [ITEM]",
		Short: "What is on hand, and what it is worth",
		Long: `What is on hand, its value and its unit cost, now or at any moment. Items that were retired and are gone are left out of the table (--all shows them).
A figure below zero means that more left than ever came in: a restock or a count is missing. What is on order at suppliers stands beside it.`,
		Example: "  countback stock\n  countback stock board --as-of 2026-03-31",
		Args:    cobra.MaximumNArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	a.flags(cmd)
	cmd.Flags().BoolVar(&all, "all", false, "show retired items too")
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		item := ""
		if len(args) > 0 {
			item = args[0]
			if _, err := d.stocked(item); err != nil {
				return err
			}
		}
		state, err := a.state(d)
		if err != nil {
			return err
		}
		r := stock.Of(state, d.style(), item)
		if err := d.addOnOrder(&r, a); err != nil {
			return err
		}
		return m.printStock(d, r, all || item != "")
	})
	return cmd
}

// addOnOrder looks at purchases up to the report's own instant.
func (d *desk) addOnOrder(r *stock.Report, a asked) error {
	asOf, known, err := a.instants(d)
	if err != nil {
		return err
	}
	on, err := d.onOrder(asOf, known)
	r.AddOnOrder(on)
	return err
}

// stocked finds an item that has stock of its own.
func (d *desk) stocked(id string) (int, error) {
	it, err := d.item(id)
	if err != nil {
		return 0, err
	}
	if it.Prepared() {
		var parts []string
		for _, p := range d.view.Def(it.Index).Parts {
			parts = append(parts, p.Item)
		}
		return 0, wrong("", "look at its parts: "+strings.Join(parts, ", "), "%s is prepared from its parts and has no stock of its own", id)
	}
	return it.Index, nil
}

func (m *Main) printStock(d *desk, r stock.Report, all bool) error {
	g := stockGrid(r, all || m.format != formatTable)
	g.footer = []cell{{}, plain("Total"), {}, {}, {}, {}, {}, {}, figure(r.Total), {}, {}}
	if len(g.rows) < 2 {
		g.footer = nil
	}
	lead := d.shop.Name + ", " + asOfText(r.Head) + ". Values in " + r.Currency + ", " + costingText(r.Costing) + "."
	if len(r.Items) == 0 {
		lead = "No items are defined yet. Define one with countback item, or read a file with countback import catalog."
	}
	return m.report(r, lead, g, join2(shortText(r), incompleteText(r.Head)))
}

func stockGrid(r stock.Report, all bool) *grid {
	g := &grid{columns: []column{
		{name: "item", head: "Item"}, {name: "name", head: "Name", flexible: true}, {name: "type", csvOnly: true}, {name: "unit", csvOnly: true}, {name: "on_hand", head: "On hand", figure: true}, {head: "Unit"}, {head: "On order", figure: true},
		{name: "unit_cost", head: "Unit cost", figure: true}, {name: "value", head: "Value", figure: true}, {name: "last_count", head: "Last count"}, {name: "on_order", csvOnly: true},
	}}
	for _, it := range r.Items {
		if !all && it.Retired && it.Qty.IsZero() && it.OnOrder == "" {
			continue
		}
		g.add(plain(it.Item), plain(it.Name), plain(it.Type), plain(it.Unit), figure(it.OnHand), plain(it.Unit), figure(it.OnOrder), figure(it.UnitCost), figure(it.Value), day(it.LastCount), figure(it.OnOrder))
	}
	return g
}

func shortText(r stock.Report) string {
	var short []string
	for _, it := range r.Items {
		if it.Short {
			short = append(short, it.Item)
		}
	}
	if len(short) == 0 {
		return ""
	}
	return "Short: " + someOf(short) + ". More left than came in; a restock or a count is missing."
}

func asOfText(h report.Head) string { return "at " + clock(h.AsOf).show() }

func costingText(costing string) string {
	if costing == "fifo" {
		return "first in, first out"
	}
	return "at weighted average cost"
}

// incompleteText warns of events that this program is too old for.
func incompleteText(h report.Head) string {
	if h.Incomplete == nil {
		return ""
	}
	kinds := slices.Clone(h.Incomplete.Kinds)
	return "Incomplete: " + count(h.Incomplete.Events, "event is", "events are") + " of a kind that this program doesn't know (" + strings.Join(kinds, ", ") + "). Install the current version."
}

// join2 puts sentences below each other.
func join2(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, "\n")
}

// runWith sets what a report needs of the orders.
func runWith(run fold.Run, orders bool) fold.Run {
	run.Orders = orders
	return run
}
