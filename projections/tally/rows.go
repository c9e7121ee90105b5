package tally

import (
	"cmp"
	"maps"
	"slices"

	"countback/ledger/catalog"
	"countback/ledger/num"
	"countback/projections/fold"
)

// Row is one thing to count: an item in one of its forms.
type Row struct {
	Item  string
	Name  string
	Place string
	Base  string  // the item's unit
	Pack  string  // unopened packs of this name; "" for what is loose, and for items without packs
	Holds num.Qty // base units in the pack; 0 without one
	First bool    // the item's first row
}

// Rows lists what there is to count, place by place: each pack of an item, the largest first, then its base unit, and pieces prepared from it. Retired items of which
// nothing is left are not listed.
func Rows(s *fold.State) []Row {
	var rows []Row
	items := slices.SortedStableFunc(slices.Values(s.Catalog.Items), func(a, b *catalog.Item) int {
		return catalog.ComparePlaces(s.View.Def(a.Index).Place, s.View.Def(b.Index).Place)
	})
	for _, it := range items {
		if s.View.Retired(it.Index) && s.Items[it.Index].Account.OnHand().IsZero() {
			continue
		}
		def := s.View.Def(it.Index)
		row := Row{Item: it.ID, Name: def.Name, Place: def.Place, Base: it.Unit()}
		packs := slices.SortedFunc(maps.Keys(def.Packs), func(a, b string) int {
			return cmp.Or(def.Packs[b].Cmp(def.Packs[a]), cmp.Compare(a, b))
		})
		for i, name := range packs {
			r := row
			r.Pack, r.Holds, r.First = name, def.Packs[name], i == 0
			rows = append(rows, r)
		}
		row.First = len(packs) == 0
		rows = append(rows, row)
	}
	return rows
}
