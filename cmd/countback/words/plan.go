package words

import (
	"strings"

	"countback/projections/plan"
)

// Amount writes a quantity with its unit; pieces have none.
func Amount(q, unit string) string {
	if unit == "each" {
		return Grouped(q)
	}
	return Grouped(q) + " " + unit
}

// Goods lists what a parcel holds.
func Goods(lines []plan.Line) string {
	var out []string
	for _, l := range lines {
		if l.Qty == "1" {
			out = append(out, l.Item)
		} else {
			out = append(out, Grouped(l.Qty)+" × "+l.Item)
		}
	}
	return strings.Join(out, ", ")
}

// What says what is made ready: a measure by its name and size, or a length.
func What(p plan.Prepare) string {
	switch {
	case p.Work == plan.MakeUp:
		return p.Name
	case p.Measure == "":
		return Amount(p.Size, p.Unit)
	case p.Unit == "each":
		return p.Measure + " (" + Grouped(p.Size) + " pieces)"
	}
	return p.Measure + " (" + Amount(p.Size, p.Unit) + ")"
}

// From says from what it comes.
func From(p plan.Prepare) string {
	switch {
	case p.Packs > 0:
		return Count(int(p.Packs), p.Pack, p.Pack+"s")
	case p.Pack != "" && p.Now != "0":
		return "what is left"
	}
	return ""
}

// Zone names a zone, or says that there is none.
func Zone(z string) string {
	if z == "" {
		return "no zone"
	}
	return z
}

// Totals lists quantities of items.
func Totals(list []plan.NamedTotal) string {
	var out []string
	for _, t := range list {
		if t.Unit == "each" {
			out = append(out, Grouped(t.Qty)+" × "+t.Item)
		} else {
			out = append(out, Metres(t.Qty, t.Unit)+" of "+t.Item)
		}
	}
	return strings.Join(out, ", ")
}
