package phone

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/num"
)

// Item is an item as it stands now.
type Item struct {
	Item        string `json:"item"`
	Name        string `json:"name"`
	Type        string `json:"type"`
	Unit        string `json:"unit"`
	Packs       []Unit `json:"packs"`    // the largest first
	Measures    []Unit `json:"measures"` // the largest first
	Place       string `json:"place"`
	Barcode     string `json:"barcode"`
	PieceWeight string `json:"piece_weight"` // grams of a base unit, "" if unknown
	Tolerance   string `json:"tolerance"`
	Retired     bool   `json:"retired"`
	Used        string `json:"used"` // when it was last recorded on this phone, "" if never
	Parts       []Part `json:"parts,omitzero"`
}

// Unit is a pack or a measure with its base units.
type Unit struct {
	Name  string `json:"name"`
	Units string `json:"units"`
}

// Part is one kind of piece that a prepared item stands for.
type Part struct {
	Item string `json:"item"`
	Qty  string `json:"qty"`
}

func unitsOf(m map[string]num.Qty) []Unit {
	out := []Unit{}
	for _, name := range slices.SortedFunc(maps.Keys(m), func(a, b string) int { return cmp.Or(m[b].Cmp(m[a]), strings.Compare(a, b)) }) {
		out = append(out, Unit{name, m[name].String()})
	}
	return out
}

// itemsOf lists a catalog's items as they stand now, by id.
func itemsOf(c *catalog.Catalog) []Item {
	view := c.End()
	out := make([]Item, 0, len(c.Items))
	for _, it := range c.Items {
		d := view.Def(it.Index)
		x := Item{
			Item: it.ID, Name: d.Name, Type: d.Type, Unit: d.Unit, Packs: unitsOf(d.Packs), Measures: unitsOf(d.Measures), Place: d.Place, Barcode: d.Barcode,
			Retired: view.Retired(it.Index),
		}
		if d.PieceWeight != nil {
			x.PieceWeight = d.PieceWeight.String()
		}
		if d.Tolerance != nil {
			x.Tolerance = d.Tolerance.String()
		}
		for _, part := range d.Parts {
			x.Parts = append(x.Parts, Part{part.Item, part.Qty.String()})
		}
		out = append(out, x)
	}
	return out
}

// Items lists the items: those recorded last first, then by name. It reads the face alone.
func (p *Phone) Items(ctx context.Context) ([]Item, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return nil, err
	}
	out := append([]Item{}, p.face.Items...)
	for i := range out {
		out[i].Used = p.face.Used[out[i].Item]
	}
	slices.SortStableFunc(out, func(a, b Item) int {
		return cmp.Or(strings.Compare(b.Used, a.Used), strings.Compare(a.Name, b.Name), strings.Compare(a.Item, b.Item))
	})
	return out, nil
}

// Round lists what there is to count at a place, or everywhere if it is "", in the order of the shelves, and doesn't tell what the book says. What is retired
// and gone isn't in it.
func (p *Phone) Round(ctx context.Context, place string) ([]Item, error) {
	_, until, err := p.today(ctx)
	if err != nil {
		return nil, err
	}
	state, err := p.state(ctx, until)
	if err != nil {
		return nil, err
	}
	all, err := p.Items(ctx)
	if err != nil {
		return nil, err
	}
	out := []Item{}
	for _, x := range all {
		it, ok := state.Catalog.Find(x.Item)
		if !ok || x.Type == "prepared" || place != "" && x.Place != place || x.Retired && state.Items[it.Index].Account.OnHand().IsZero() {
			continue
		}
		out = append(out, x)
	}
	slices.SortStableFunc(out, func(a, b Item) int {
		return cmp.Or(catalog.ComparePlaces(a.Place, b.Place), strings.Compare(a.Item, b.Item))
	})
	return out, nil
}

// KeepRound keeps the page's state of a count round; "" drops it.
func (p *Phone) KeepRound(ctx context.Context, text string) error {
	return p.Box.Put(ctx, boxRound, text)
}

// KeptRound returns it, "" if there is none.
func (p *Phone) KeptRound(ctx context.Context) (string, error) { return p.Box.Take(ctx, boxRound) }
