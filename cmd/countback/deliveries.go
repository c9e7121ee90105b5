package main

import (
	"cmp"
	"strings"

	"countback/cmd/countback/words"
	"countback/projections/fill"
	"countback/projections/fold"
)

const noDeliveries = "No delivery has been counted against what it promised. Open a pack now and then, count it, and say so: countback restock board 147 --expected 150 --cost 32"

// printDeliveries says whether packs that were counted when they came held what they promised.
func (m *Main) printDeliveries(d *desk, log *fold.Log, run fold.Run) error {
	r := fill.ReportOf(log, log.Run(run), d.style())
	g := &grid{columns: []column{
		{name: "item", head: "Item"}, {name: "supplier", head: "Supplier", flexible: true}, {name: "deliveries", head: "Counted", figure: true},
		{name: "promised", head: "Promised", figure: true}, {name: "found", head: "Found", figure: true}, {name: "short", head: "Short", figure: true}, {name: "unit", head: "Unit"},
		{name: "short_share", head: "On average", figure: true}, {name: "low", head: "Likely", figure: true}, {name: "high", csvOnly: true, figure: true}, {name: "signal", head: "Verdict"},
	}}
	var short []string
	for _, row := range r.Items {
		likely := ""
		if row.Low != "" {
			likely = words.Percent(row.Low) + " to " + words.Percent(row.High)
		}
		verdict := "could be chance"
		switch {
		case row.Signal:
			verdict = "packs come short"
			short = append(short, row.Item+" from "+cmp.Or(row.Supplier, "an unnamed supplier"))
		case row.Low == "":
			verdict = "too few to tell"
		}
		g.add(plain(row.Item), cell{row.Supplier, cmp.Or(row.Supplier, "(none)")}, figure(fmtInt(int64(row.Deliveries))), figure(row.Promised), figure(row.Found), figure(row.Short), plain(row.Unit),
			cell{row.ShortShare, words.Percent(row.ShortShare)}, cell{row.Low, likely}, plain(row.High), cell{yesNo(row.Signal), verdict})
	}
	lead := "Deliveries that were counted when they came, " + asOfText(r.Head) + "."
	tail := ""
	switch {
	case len(r.Items) == 0:
		lead = noDeliveries
	case len(short) > 0:
		tail = "Short beyond chance: " + strings.Join(short, ", ") + ". Ask for what is missing, and record what comes of it: countback credit."
	default:
		tail = "Nothing is short beyond chance. The more packs are counted, the smaller a shortfall can be seen."
	}
	return m.report(r, lead, g, join2(tail, incompleteText(r.Head)))
}
