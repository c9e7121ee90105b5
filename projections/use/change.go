package use

import (
	"slices"

	"countback/ledger/event"
)

// Changed returns new specs with the proposals in them, one for each spec that has any, in the order of the proposals. They restate nothing yet.
func Changed(list []*Proposal) []event.Data {
	var out []event.Data
	var packs []*event.PackSpec
	var makes []*event.MakeSpec
	var packOf, makeOf []int
	for _, p := range list {
		switch l := p.At; {
		case l.Make != nil:
			k := slices.Index(makes, l.Make)
			if k < 0 {
				k = len(makes)
				fresh := *l.Make
				fresh.Lines, fresh.Restates, fresh.Note = slices.Clone(fresh.Lines), event.ID{}, ""
				makes, makeOf = append(makes, l.Make), append(makeOf, len(out))
				out = append(out, &fresh)
			}
			out[makeOf[k]].(*event.MakeSpec).Lines[l.Index].Qty = p.New
		case l.Pack != nil:
			k := slices.Index(packs, l.Pack)
			if k < 0 {
				k = len(packs)
				fresh := *l.Pack
				fresh.Lines, fresh.Formats, fresh.Restates, fresh.Note = slices.Clone(fresh.Lines), slices.Clone(fresh.Formats), event.ID{}, ""
				for i := range fresh.Formats {
					fresh.Formats[i].Lines = slices.Clone(fresh.Formats[i].Lines)
				}
				packs, packOf = append(packs, l.Pack), append(packOf, len(out))
				out = append(out, &fresh)
			}
			spec := out[packOf[k]].(*event.PackSpec)
			if l.Format < 0 {
				spec.Lines[l.Index].Qty = p.New
			} else {
				spec.Formats[l.Format].Lines[l.Index].Qty = p.New
			}
		}
	}
	return out
}
