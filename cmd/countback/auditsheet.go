package main

import (
	"slices"
	"strings"

	"countback/cmd/countback/paper"
	"countback/cmd/countback/words"
	"countback/ledger/num"
)

// auditPaper writes an audit on one page: the answer, the bridge in quantity and money, and what should be known about it.
func (d *desk) auditPaper(r audited, file, size string) error {
	if !slices.Contains(paper.Sizes, size) {
		return wrong("--paper", "give "+strings.Join(paper.Sizes, " or "), "%q is no size of paper known here", size)
	}
	s := paper.Sheet{
		Size: size, OneSheet: true,
		Title: "Audit: " + r.Name,
		Lead:  day(r.From).show() + " to " + day(r.To).show() + ", " + strings.ToLower(words.Units(r.Unit)) + ", values in " + r.Currency + ", " + costingText(r.Costing) + ".\n" + words.Audit(&r.Report),
		Tail:  strings.Join(r.Notes, "\n"),
		Foot:  d.shop.Name + ", printed " + showDay(d.now()),
		At:    d.now(),
	}
	t := bridgeTable(steps(&r))
	s.Tables = append(s.Tables, t)
	f := paper.Table{Head: "What most likely lies behind it", Columns: []paper.Column{{Head: "Cause"}, {Head: "How likely", Narrow: true}, {Head: "About", Right: true}, {Head: "Why, and what to do"}}}
	for i := range r.Findings {
		x := &r.Findings[i]
		if x.Rank > 2 {
			break
		}
		likely := words.Weight(x)
		if x.Rank == 1 && strings.HasPrefix(likely, "little") {
			likely = "little"
		}
		text := x.Why
		if x.Rank == 1 || words.Likely(x) {
			if x.Settle != "" {
				text += "\nWhat would tell: " + x.Settle + "."
			}
			for _, do := range x.Do {
				text += "\n- " + do
			}
		}
		f.Rows = append(f.Rows, []string{fmtInt(int64(x.Rank)) + ". " + words.Cause(x), likely, words.About(x, r.Unit), text})
	}
	if len(f.Rows) > 0 {
		s.Tables = append(s.Tables, f)
	}
	if r.Again != "" {
		s.Tail = strings.TrimPrefix(s.Tail+"\n"+r.Again, "\n")
	}
	return d.m.writePaper(s, file)
}

// bridgeTable shows the bridge in figures and as bars below each other: what took away is black, what brought is white, levels are thin.
func bridgeTable(list []words.Step) paper.Table {
	t := paper.Table{Columns: []paper.Column{{Head: "From what was expected to what was"}, {Head: "Quantity", Right: true}, {Head: "Value", Right: true}, {Bars: true}}}
	low, high := span(list)
	at := func(q num.Qty) float64 {
		if !low.Less(high) {
			return 0
		}
		return q.Sub(low).Float() / high.Sub(low).Float()
	}
	for _, st := range list {
		ink := paper.Full
		switch {
		case st.Level, st.From == st.To:
			ink = paper.Thin
		case st.From.Less(st.To):
			ink = paper.Outline
		}
		name := st.Text
		if !st.Level {
			name = "   " + name
		}
		t.Rows = append(t.Rows, []string{name, words.StepQty(st), words.StepValue(st), ""})
		t.Bars = append(t.Bars, paper.Bar{From: at(st.From), To: at(st.To), Ink: ink})
	}
	t.Zero = at(num.Qty{})
	return t
}
