package main

import (
	"fmt"
	"slices"
	"strings"

	"countback/cmd/countback/paper"
	"countback/cmd/countback/words"
	"countback/projections/plan"
)

// planPaper writes the plan for the printer: what to pull and prepare on the left, the orders on the right, with boxes to tick.
func (d *desk) planPaper(r plan.Report, file, size string) error {
	if !slices.Contains(paper.Sizes, size) {
		return wrong("--paper", "give "+strings.Join(paper.Sizes, " or "), "%q is no size of paper known here", size)
	}
	if len(r.Orders) == 0 {
		return wrong("--pdf", "import orders with countback import orders FILE --map MAP", "no order is open, so there is nothing to print")
	}
	s := paper.Sheet{
		Size: size, Columns: 2, OneSheet: true,
		Title: "Packing day, " + day(r.AsOf).show(),
		Lead:  r.Choice.Text(),
		Tail:  planTail(r),
		Foot:  d.shop.Name + ", printed " + showDay(d.now()),
		At:    d.now(),
	}
	for _, t := range []paper.Table{pullPaper(r), preparePaper(r), ordersPaper(r), zonesPaper(r), optionsPaper(r), makePaper(r)} {
		if len(t.Rows) > 0 {
			s.Tables = append(s.Tables, t)
		}
	}
	return d.m.writePaper(s, file)
}

func pullPaper(r plan.Report) paper.Table {
	t := paper.Table{Head: "Pull", Columns: []paper.Column{{Tick: true}, {Head: "Item"}, {Head: "Take", Right: true}, {Head: "Short", Right: true}}}
	any := false
	for _, p := range r.Pull {
		short, tick := "", "x"
		if p.Short != "0" {
			short, any = words.Metres(p.Short, p.Unit), true
		}
		if p.Take == "0" {
			if tick = ""; short == "" {
				continue
			}
		}
		t.Rows = append(t.Rows, []string{tick, p.Name, words.Metres(p.Take, p.Unit), short})
		t.Groups = append(t.Groups, orElse(p.Place, "No place"))
	}
	if !any {
		t.Columns = t.Columns[:3]
		for i := range t.Rows {
			t.Rows[i] = t.Rows[i][:3]
		}
	}
	return t
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

func preparePaper(r plan.Report) paper.Table {
	t := paper.Table{Head: "Prepare", Columns: []paper.Column{{Tick: true}, {Head: "Pieces", Right: true}, {Head: "What"}, {Head: "From"}, {Head: "Left", Right: true}}}
	for _, p := range r.Prepare {
		if p.Now == "0" {
			continue
		}
		what, from := p.Name, ""
		if p.Work != plan.MakeUp {
			what += ", " + words.What(p)
			from = words.Metres(p.Takes, p.Unit)
			if text := words.From(p); text != "" {
				from += ", " + text
			}
		}
		left := ""
		if p.Offcut != "" {
			left = words.Metres(p.Offcut, p.Unit)
		}
		t.Rows = append(t.Rows, []string{"x", grouped(p.Now), what, from, left})
		t.Groups = append(t.Groups, strings.ToUpper(p.Work[:1])+p.Work[1:])
	}
	return t
}

func ordersPaper(r plan.Report) paper.Table {
	t := paper.Table{Head: "Orders", Next: true, Columns: []paper.Column{{Tick: true}, {Head: "Order", Narrow: true}, {Head: "To", Narrow: true}, {Head: "Holds"}}}
	for _, o := range r.Orders {
		tick := "x"
		var more []string
		if !o.Ready {
			tick = ""
			more = append(more, "stays: "+orElse(o.Why, "lacks "+strings.Join(o.Lacks, ", ")))
		}
		if len(o.Options) > 0 {
			more = append(more, strings.Join(o.Options, ", "))
		}
		var lines []string
		for _, p := range o.Parcels {
			format := p.Format
			if p.Times > 1 {
				format = fmt.Sprintf("%d × %s", p.Times, format)
			}
			lines = append(lines, format+": "+words.Goods(p.Lines))
		}
		if len(more) > 0 {
			lines = append(lines, "("+strings.Join(more, "; ")+")")
		}
		t.Rows = append(t.Rows, []string{tick, o.Order, o.Zone, strings.Join(lines, "\n")})
	}
	return t
}

func zonesPaper(r plan.Report) paper.Table {
	t := paper.Table{Head: "Labels and stamps", Columns: []paper.Column{{Tick: true}, {Head: "To", Narrow: true}, {Head: "Labels", Right: true}, {Head: "For this zone"}}}
	for _, z := range r.Zones {
		t.Rows = append(t.Rows, []string{"x", words.Zone(z.Zone), grouped(fmt.Sprint(z.Parcels)), words.Totals(z.Items)})
	}
	return t
}

func optionsPaper(r plan.Report) paper.Table {
	t := paper.Table{Head: "Wishes", Columns: []paper.Column{{Tick: true}, {Head: "Wish"}, {Head: "Orders"}, {Head: "With"}}}
	for _, o := range r.Options {
		t.Rows = append(t.Rows, []string{"x", o.Option, strings.Join(o.Orders, ", "), words.Totals(o.Items)})
	}
	return t
}

func makePaper(r plan.Report) paper.Table {
	t := paper.Table{Head: "Short, and could be printed", Columns: []paper.Column{{Tick: true}, {Head: "Item"}, {Head: "Up to", Right: true}, {Head: "Limited by"}}}
	for _, it := range r.Make {
		var by []string
		for _, l := range it.Limits {
			by = append(by, l.Item)
		}
		t.Rows = append(t.Rows, []string{"x", it.Name, grouped(it.Good), orElse(it.Why, strings.Join(by, ", "))})
	}
	return t
}
