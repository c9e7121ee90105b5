package main

import (
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/near"
	"countback/projections/fold"
	"countback/projections/orders"
)

func (m *Main) costCmd() *cobra.Command {
	var a asked
	var by string
	cmd := &cobra.Command{
		Use:   "cost [ORDER]",
		Short: "What orders cost in materials",
		Long: `What left with each order and what it cost: goods, packing, and both together. Postage stands apart. With an order number, its lines.
--by item and --by month add up; there an order counts in the month of its first pack, with all that it took. close counts each pack in its own month.`,
		Example: "  countback cost 2041\n  countback cost --by month",
		Args:    cobra.MaximumNArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.orderNumbers(false))
	a.flags(cmd)
	cmd.Flags().StringVar(&by, "by", "order", "order, item or month")
	complete(cmd, "by", choices("order", "item", "month"))
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		order := ""
		if len(args) > 0 {
			order = args[0]
		}
		if by != "order" && by != "item" && by != "month" {
			return wrong("--by", "choose order, item or month", "%q is no way to add up", by)
		}
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		state := log.Run(runWith(run, true))
		if err := d.knowsOrder(state, order); err != nil {
			return err
		}
		switch by {
		case "item":
			return m.printGroups(orders.ByItem(state, d.style(), order), "Item")
		case "month":
			return m.printGroups(orders.ByMonth(state, d.style(), order), "Month")
		}
		return m.printCost(orders.Of(state, d.style(), order), order)
	})
	return cmd
}

func (d *desk) knowsOrder(state *fold.State, number string) error {
	if number == "" {
		return nil
	}
	o, ok := state.Orders[number]
	if ok && (o.Packs > 0 || o.Runs > 0) {
		return nil
	}
	if ok {
		return wrong("", "record it with countback pack "+number, "order %s isn't packed yet, so nothing has left with it", number)
	}
	var numbers []string
	for n := range state.Orders {
		numbers = append(numbers, n)
	}
	hint := "check the number"
	if alike := near.Names(number, sorted(numbers)); len(alike) > 0 {
		hint = "near it: " + join(alike...)
	}
	return wrong("", hint, "there is no order %q", number)
}

func (m *Main) printCost(r orders.Report, order string) error {
	head := costingText(r.Costing) + ", in " + r.Currency
	if order != "" && len(r.Orders) == 1 && m.format != formatJSON {
		return m.printOrder(r, head)
	}
	g := &grid{columns: []column{
		{name: "order", head: "Order"}, {name: "packed", head: "Packed"}, {name: "zone", head: "To"}, {name: "parcels", head: "Parcels", figure: true},
		{name: "goods", head: "Goods", figure: true}, {name: "packing", head: "Packing", figure: true}, {name: "material", head: "Material", figure: true}, {name: "postage", head: "Postage", figure: true},
	}}
	for _, o := range r.Orders {
		g.add(plain(o.Order), day(o.Packed), plain(o.Zone), figure(fmtInt(o.Parcels)), figure(o.Goods), figure(o.Packing), figure(o.Material), figure(o.Postage))
	}
	if len(g.rows) > 1 {
		g.footer = []cell{plain("Total"), {}, {}, {}, {}, {}, figure(r.Total), {}}
	}
	lead := "Material cost of " + count(len(r.Orders), "order", "orders") + ", " + head + ", " + asOfText(r.Head) + "."
	if len(r.Orders) == 0 {
		lead = "No order has been packed yet."
	}
	exactly := ""
	if r.Exactly != "" {
		exactly = "Each order is rounded by itself. Added up exactly they cost " + r.Exactly + "."
	}
	return m.report(r, lead, g, join2(exactly, unpricedText(r), incompleteText(r.Head)))
}

// unpricedText says which items make orders look cheaper than they were.
func unpricedText(r orders.Report) string {
	switch n := len(r.Unpriced); n {
	case 0:
		return ""
	case 1:
		id := r.Unpriced[0]
		return "Nothing says what " + id + " cost when it was used, so it counts as 0 here and the orders cost more than this. A restock before, or countback item " + id + " --unit-cost AMOUNT --at DAY, says it."
	default:
		return "Nothing says what these cost when they were used, so they count as 0 here and the orders cost more than this: " + strings.Join(r.Unpriced, ", ") +
			". Restocks before, or countback item ITEM --unit-cost AMOUNT --at DAY, say it."
	}
}

func (m *Main) printOrder(r orders.Report, head string) error {
	o := r.Orders[0]
	g := &grid{columns: []column{{name: "item", head: "Item", flexible: true}, {name: "qty", head: "Quantity", figure: true}, {name: "cost", head: "Cost", figure: true}, {name: "provisional", head: ""}}}
	for _, l := range o.Lines {
		mark := cell{raw: "false", shown: " "}
		if l.Provisional {
			mark = cell{raw: "true", shown: "provisional"}
		}
		g.add(plain(l.Item), figure(l.Qty), figure(l.Cost), mark)
	}
	g.footer = []cell{plain("Material"), {}, figure(o.Material), {}}
	lead := "Order " + o.Order
	if o.Packed != "" {
		lead += ", packed " + day(o.Packed).show()
	}
	if o.Zone != "" {
		lead += ", to " + o.Zone
	}
	lead += ", " + count(int(o.Parcels), "parcel", "parcels") + ". Costs " + head + "."
	tail := "Goods " + o.Goods + ", packing " + o.Packing + ". Postage " + o.Postage + " stands apart."
	return m.report(r, lead, g, join2(tail, unpricedText(r), incompleteText(r.Head)))
}

func (m *Main) printGroups(r orders.Grouped, title string) error {
	g := &grid{columns: []column{{name: r.By, head: title}, {name: "orders", head: "Orders", figure: true}}}
	if r.By == "item" {
		g.columns = append(g.columns, column{name: "qty", head: "Quantity", figure: true})
	} else {
		g.columns = append(g.columns, column{name: "goods", head: "Goods", figure: true}, column{name: "packing", head: "Packing", figure: true})
	}
	g.columns = append(g.columns, column{name: "material", head: "Material", figure: true}, column{name: "per_order", head: "Per order", figure: true})
	if r.By != "item" {
		g.columns = append(g.columns, column{name: "postage", head: "Postage", figure: true})
	}
	for _, x := range r.Groups {
		row := []cell{plain(x.Name), figure(fmtInt(int64(x.Orders)))}
		if r.By == "item" {
			row = append(row, figure(x.Qty))
		} else {
			row = append(row, figure(x.Goods), figure(x.Packing))
		}
		row = append(row, figure(x.Material), figure(x.PerOrder))
		if r.By != "item" {
			row = append(row, figure(x.Postage))
		}
		g.add(row...)
	}
	if len(g.rows) > 1 {
		g.footer = make([]cell, len(g.columns))
		g.footer[0] = plain("Total")
		for i, c := range g.columns {
			if c.name == "material" {
				g.footer[i] = figure(r.Total)
			}
		}
	}
	lead := "Material cost by " + r.By + ", " + costingText(r.Costing) + ", in " + r.Currency + ", " + asOfText(r.Head) + "."
	if len(r.Groups) == 0 {
		lead = "No order has been packed yet."
	}
	return m.report(r, lead, g, incompleteText(r.Head))
}
