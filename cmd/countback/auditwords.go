package main

import (
	"strings"

	"countback/ledger/num"
	"countback/projections/audit"
)

// causeText names a cause in the trade's words.
var causeText = map[audit.Cause]string{
	audit.ShortPack:     "packs that hold less than they say",
	audit.UnitSlip:      "a delivery entered in the wrong unit",
	audit.DoubleEntry:   "a delivery entered twice",
	audit.MissingEntry:  "packs that were never entered",
	audit.SpecDrift:     "each use takes more than the spec says",
	audit.OneOffLoss:    "something was lost at once",
	audit.SteadyLoss:    "a steady loss, day by day",
	audit.CountSlip:     "a count that was misread",
	audit.SpoiledRuns:   "more spoiled in print runs",
	audit.MoreOrders:    "more orders than before",
	audit.HeavierOrders: "orders that take more than before",
	audit.None:          "chance, usual waste and counting",
}

// findingsText says what most likely lies behind it, rank by rank, and what to do about what stands first.
func (m *Main) findingsText(r *audited) string {
	if len(r.Findings) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString(m.bold("What most likely lies behind it") + "\n")
	first := 0
	for _, f := range r.Findings {
		if f.Rank == 1 {
			first++
		}
	}
	for _, f := range r.Findings {
		if f.Rank > 3 {
			break
		}
		head := findingHead(&f, r.Unit)
		b.WriteString(m.wrap(head, "") + "\n")
		if f.Rank > 1 {
			continue
		}
		b.WriteString(m.wrap(f.Why, "   ") + "\n")
		if f.Settle != "" {
			b.WriteString(m.wrap("What would tell: "+f.Settle+".", "   ") + "\n")
		}
		for _, do := range f.Do {
			b.WriteString(m.wrap("- "+do, "   ") + "\n")
		}
	}
	if first > 1 {
		b.WriteString(m.wrap("Of what shares a number, any may be so, or more than one: what is recorded doesn't say which.", "") + "\n")
	}
	if r.Again != "" {
		b.WriteString("\n" + m.wrapAll(r.Again) + "\n")
	}
	return b.String()
}

// findingHead is a finding in a line: rank, cause, how likely, and how much of it.
func findingHead(f *audit.Finding, unit string) string {
	head := fmtInt(int64(f.Rank)) + ". " + causeText[f.Cause] + ": " + percentOf(f.Weight)
	if f.Cause != audit.None && f.Qty != "" {
		head += ", about " + inUnit(short(f.Qty), unit)
	}
	return head
}

// likeliest is what to say first of the causes; empty where nothing stands out.
func likeliest(r *audited) string {
	if len(r.Findings) == 0 || r.Findings[0].Cause == audit.None {
		return ""
	}
	f := &r.Findings[0]
	w, err := num.ParseQty(f.Weight)
	switch {
	case err != nil || w.Less(num.MustQty("0.5")):
		return ""
	case w.Less(num.MustQty("0.9")):
		return " Most likely: " + causeText[f.Cause] + "."
	}
	return " The reason: " + causeText[f.Cause] + "."
}

// percentOf writes how likely a cause is, in words where a figure would say more than is known.
func percentOf(weight string) string {
	q, err := num.ParseQty(weight)
	switch {
	case err != nil:
		return ""
	case !q.Less(num.MustQty("0.99")):
		return "almost certain"
	case q.Less(num.MustQty("0.01")):
		return "little speaks for it, but these counts don't rule it out"
	}
	return q.Times(num.Whole(100)).Round(0).String() + " %"
}
