package main

import (
	"slices"
	"strings"

	"countback/cmd/countback/paper"
)

// auditPaper writes an audit on one page: the answer, the bridge in quantity and money, and what should be known about it.
func (d *desk) auditPaper(r audited, file, size string) error {
	if !slices.Contains(paper.Sizes, size) {
		return wrong("--paper", "give "+strings.Join(paper.Sizes, " or "), "%q is no size of paper known here", size)
	}
	s := paper.Sheet{
		Size: size, OneSheet: true,
		Title: "Audit: " + r.Name,
		Lead:  day(r.From).show() + " to " + day(r.To).show() + ", " + strings.ToLower(unitsHead(r.Unit)) + ", values in " + r.Currency + ", " + costingText(r.Costing) + ".\n" + auditLead(&r),
		Tail:  strings.Join(r.Notes, "\n"),
		Foot:  d.shop.Name + ", printed " + showDay(d.now()),
		At:    d.now(),
	}
	t := paper.Table{Columns: []paper.Column{{Head: "From what was expected to what was"}, {Head: "Quantity", Right: true}, {Head: "Value", Right: true}, {Head: ""}}}
	for _, st := range steps(&r.Figures, r.Unit) {
		t.Rows = append(t.Rows, []string{st.text, stepQty(st), stepValue(st), ""})
	}
	s.Tables = append(s.Tables, t)
	f := paper.Table{Head: "What most likely lies behind it", Columns: []paper.Column{{Head: "Cause"}, {Head: "How likely", Narrow: true}, {Head: "About", Right: true}, {Head: "Why, and what to do"}}}
	for i := range r.Findings {
		x := &r.Findings[i]
		if x.Rank > 2 {
			break
		}
		likely := percentOf(x.Weight)
		if x.Rank == 1 && strings.HasPrefix(likely, "little") {
			likely = "little"
		}
		text := x.Why
		if x.Rank == 1 {
			for _, do := range x.Do {
				text += "\n- " + do
			}
		}
		f.Rows = append(f.Rows, []string{fmtInt(int64(x.Rank)) + ". " + causeText[x.Cause], likely, inUnit(short(x.Qty), r.Unit), text})
	}
	if len(f.Rows) > 0 {
		s.Tables = append(s.Tables, f)
	}
	if r.Again != "" {
		s.Tail = strings.TrimPrefix(s.Tail+"\n"+r.Again, "\n")
	}
	return d.m.writePaper(s, file)
}
