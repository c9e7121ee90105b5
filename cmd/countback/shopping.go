package main

import (
	"errors"

	"countback/cmd/countback/words"
	"countback/projections/reorder"
)

// printShopping prints a list for each supplier below each other.
func (m *Main) printShopping(d *desk, r *reorder.Report, s *reorder.Shopping) error {
	columns := func() []column {
		return []column{{name: "supplier", csvOnly: true}, {name: "item", head: "Item"}, {name: "name", head: "Name", flexible: true}, {name: "packs", head: "Packs", figure: true}, {name: "pack", head: "Of"},
			{name: "qty", head: "In all", figure: true}, {name: "unit", head: "Unit"}, {name: "cost", head: "Cost", figure: true}, {name: "order_by", head: "Order by", flexible: true}}
	}
	row := func(g *grid, l *reorder.Line) {
		pack := cell{raw: l.Pack}
		if l.Pack == "" {
			pack.shown = l.Unit
		}
		g.add(plain(l.Supplier), plain(l.Item), plain(l.Name), figure(l.Packs), pack, figure(l.Qty), plain(l.Unit), figure(l.Cost), cell{l.OrderBy, words.LineBy(r.Today, l)})
	}
	if m.format != formatTable {
		g := &grid{columns: columns()}
		for i := range s.Suppliers {
			for k := range s.Suppliers[i].Items {
				row(g, &s.Suppliers[i].Items[k])
			}
		}
		return m.report(s, "", g, "")
	}
	if len(s.Suppliers) == 0 {
		when := "within " + count(s.Within, "day", "days")
		if s.Within == 0 {
			when = "today"
		}
		return m.printTable(m.wrapAll(join2(d.shop.Name+", "+asOfText(s.Head)+". Nothing has to be ordered "+when+".", hurryText(r))), nil, "")
	}
	for i := range s.Suppliers {
		l := &s.Suppliers[i]
		g := &grid{columns: columns()}
		unknown := 0
		for k := range l.Items {
			row(g, &l.Items[k])
			if l.Items[k].Cost == "" {
				unknown++
			}
		}
		if len(g.rows) > 1 {
			g.footer = []cell{{}, plain("Together"), {}, {}, {}, {}, {}, figure(l.Total), {}}
		}
		m.leaveOut(g, "In all", "Unit")
		name := l.Supplier
		if name == "" {
			name = "No supplier named"
		}
		tail := ""
		if unknown > 0 {
			tail = "Never bought, so without a cost: " + count(unknown, "item", "items") + "."
		}
		if err := errors.Join(m.printTable(name+", "+words.OrderWhen(r.Today, l.By), g, tail), m.say("")); err != nil {
			return err
		}
	}
	return m.say("%s", m.wrapAll(join2("Altogether "+s.Total+" "+s.Currency+" at the last landed costs.", hurryText(r))))
}

// hurryText names what is on order and comes too late.
func hurryText(r *reorder.Report) string {
	var list []string
	for i := range r.Items {
		if r.Items[i].Hurry {
			list = append(list, r.Items[i].Item)
		}
	}
	if len(list) == 0 {
		return ""
	}
	return "On order, but likely to come too late: " + words.Some(list) + ". Ask for it sooner."
}

func (m *Main) printSpending(d *desk, s *reorder.Spending) error {
	g := &grid{columns: []column{{name: "item", head: "Item"}, {name: "name", head: "Name", flexible: true}, {name: "runs_out", head: "Runs out"}, {name: "packs", head: "Packs", figure: true}, {name: "pack", head: "Of"},
		{name: "qty", head: "In all", figure: true}, {name: "unit", head: "Unit"}, {name: "cost", head: "Cost", figure: true}, {name: "supplier", head: "From", flexible: true}}}
	for i := range s.Items {
		l := &s.Items[i]
		pack := cell{raw: l.Pack}
		if l.Pack == "" {
			pack.shown = l.Unit
		}
		runs := cell{l.RunsOut, words.InDays(l.Cover)}
		g.add(plain(l.Item), plain(l.Name), runs, figure(l.Packs), pack, figure(l.Qty), plain(l.Unit), figure(l.Cost), plain(l.Supplier))
	}
	if len(g.rows) > 1 {
		g.footer = []cell{plain("Together"), {}, {}, {}, {}, {}, {}, figure(s.Spent), {}}
	}
	lead := d.shop.Name + ", " + asOfText(s.Head) + ". What " + s.Budget + " " + s.Currency + " buys where it is needed first; " + s.Left + " is left."
	switch {
	case len(s.Items)+len(s.Missing)+len(s.NoCost) == 0:
		lead = d.shop.Name + ", " + asOfText(s.Head) + ". Nothing is needed."
	case len(s.Items) == 0:
		lead = d.shop.Name + ", " + asOfText(s.Head) + ". " + s.Budget + " " + s.Currency + " buys none of what is needed."
	}
	var tail []string
	if len(s.Missing) > 0 {
		var list []string
		for _, l := range s.Missing {
			text := l.Packs + " " + l.Item
			if l.Pack != "" {
				text = l.Packs + " × " + l.Pack + " of " + l.Item
			}
			list = append(list, text+" ("+l.Cost+")")
		}
		tail = append(tail, "Not paid for: "+words.Some(list)+".")
	}
	if len(s.NoCost) > 0 {
		tail = append(tail, "Never bought, so nobody knows what it costs: "+words.Some(s.NoCost)+".")
	}
	m.leaveOut(g, "In all", "Unit")
	return m.report(s, m.wrapAll(lead), g, m.wrapAll(join2(tail...)))
}
