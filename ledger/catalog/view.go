package catalog

import (
	"slices"

	"countback/ledger/event"
	"countback/ledger/num"
)

// View is the catalog as it stands at one place of the fold order. It moves forward only.
type View struct {
	c       *Catalog
	at      event.Key
	next    int
	defs    []Def
	retired []bool
	spec    *Spec
	makes   []*Make
	epoch   int
}

// Start returns a view from before the first event; what holds from the beginning of time is in force.
func (c *Catalog) Start() *View {
	v := &View{
		c:       c,
		at:      event.Key{Ms: beginning},
		defs:    make([]Def, len(c.Items)),
		retired: make([]bool, len(c.Items)),
		makes:   make([]*Make, len(c.Items)),
	}
	for i := range v.defs {
		v.defs[i].Points = num.Whole(1)
	}
	v.To(event.Key{Ms: beginning, Rank: 1})
	return v
}

// At returns a view at a place.
func (c *Catalog) At(k event.Key) *View {
	v := c.Start()
	v.To(k)
	return v
}

// End returns the view after the last change. It is always the same one, and whoever asks may read it at the same time as others.
func (c *Catalog) End() *View {
	c.ended.Do(func() { c.end = c.At(event.Key{Ms: 1<<63 - 1, Rank: 255}) })
	return c.end
}

// Epoch changes whenever anything in the view does.
func (v *View) Epoch() int { return v.epoch }

// Due reports whether To would change anything.
func (v *View) Due(k event.Key) bool {
	return v.next < len(v.c.changes) && v.c.changes[v.next].at.Before(k)
}

// To moves forward to k: all changes before k are in force. Going back is not possible and changes nothing.
func (v *View) To(k event.Key) {
	for v.Due(k) {
		ch := &v.c.changes[v.next]
		v.next++
		v.epoch++
		switch {
		case ch.fields != nil:
			v.defs[ch.item].apply(ch.fields)
			v.retired[ch.item] = false
		case ch.retire:
			v.retired[ch.item] = true
		case ch.spec != nil:
			v.spec = ch.spec
		case ch.mk != nil:
			v.makes[ch.item] = ch.mk
		}
	}
	if v.at.Before(k) {
		v.at = k
	}
}

// Def returns the definition in force of the item with index n. It is the view's own: read it only.
func (v *View) Def(n int) *Def { return &v.defs[n] }

// Retired reports whether the item is out of the lists.
func (v *View) Retired(n int) bool { return v.retired[n] }

// Spec returns the packing spec in force, nil if there is none.
func (v *View) Spec() *Spec { return v.spec }

// Make returns the make spec in force of the item with index n, nil if there is none.
func (v *View) Make(n int) *Make { return v.makes[n] }

// Unit returns how many base units a pack or measure of an item is: as the definition in force says, else the last one before that
// had it, else the first one after. unit is "pack" or "measure".
func (v *View) Unit(n int, unit, name string) (num.Qty, bool) {
	d := &v.defs[n]
	m := d.Packs
	if unit == "measure" {
		m = d.Measures
	}
	if q, ok := m[name]; ok {
		return q, true
	}
	list := v.c.Items[n].units[unit+" "+name]
	if len(list) == 0 {
		return num.Qty{}, false
	}
	i, _ := slices.BinarySearchFunc(list, v.at, func(d dated, k event.Key) int { return d.at.Compare(k) })
	if i == 0 {
		return list[0].value, true
	}
	return list[i-1].value, true
}

// Units returns qty in base units, where it is given in a pack or measure (at most one of them named), rounded half to even
// to 6 places; false if the item never had it.
func (v *View) Units(n int, qty num.Qty, measure, pack string) (num.Qty, bool) {
	unit, name := "measure", measure
	if pack != "" {
		unit, name = "pack", pack
	}
	if name == "" {
		return qty, true
	}
	each, ok := v.Unit(n, unit, name)
	if !ok {
		return num.Qty{}, false
	}
	return qty.Times(each), true
}

// Parts tells out what qty of the item stands for: itself, or, of a prepared one, its parts by the definition in force, parts of parts
// included. Each item comes once, its quantity rounded once, half to even, to 6 places. Parts returns false if a prepared item has no parts or stands for itself.
func (v *View) Parts(n int, qty num.Qty, out func(item int, qty num.Qty)) bool {
	if !v.c.Items[n].Prepared() {
		out(n, qty)
		return true
	}
	var found []expansion
	if !v.expand(n, []num.Qty{qty}, &found) {
		return false
	}
	for _, x := range found {
		out(x.item, num.SumOfProducts(x.factors))
	}
	return true
}

// expansion is what an item is needed for: the sum of products of the quantities along every way down to it.
type expansion struct {
	item    int
	factors [][]num.Qty
}

func (v *View) expand(n int, path []num.Qty, found *[]expansion) bool {
	if !v.c.Items[n].Prepared() {
		path = slices.Clone(path)
		for i := range *found {
			if x := &(*found)[i]; x.item == n {
				x.factors = append(x.factors, path)
				return true
			}
		}
		*found = append(*found, expansion{n, [][]num.Qty{path}})
		return true
	}
	if len(path) > maxNesting || len(v.defs[n].Parts) == 0 {
		return false
	}
	for _, p := range v.defs[n].Parts {
		i, ok := v.c.index[p.Item]
		if !ok || !v.expand(i, append(path, p.Qty), found) {
			return false
		}
	}
	return true
}

// maxNesting bounds parts of parts; what is deeper goes in a circle.
const maxNesting = 16
