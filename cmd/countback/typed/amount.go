package typed

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/near"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// Reader reads amounts of the items of a catalog, by the definitions in force in its view.
type Reader struct {
	Catalog *catalog.Catalog
	View    *catalog.View
}

// Amount is a quantity of an item as entered: in base units, or in one of the item's packs or measures.
type Amount struct {
	Qty           num.Qty
	Pack, Measure string
}

// Item finds an item by its id. The error is an *Error with the names nearest to it; its hint is empty where none is near.
func (r Reader) Item(id string) (*catalog.Item, error) {
	if it, ok := r.Catalog.Find(id); ok {
		return it, nil
	}
	return nil, &Error{What: fmt.Sprintf("there is no item %q", id), Hint: near.Advice(near.Names(id, r.IDs()))}
}

// IDs are the ids of all items.
func (r Reader) IDs() []string {
	ids := make([]string, len(r.Catalog.Items))
	for i, it := range r.Catalog.Items {
		ids[i] = it.ID
	}
	return ids
}

// Amount takes a number and what it counts: a pack or a measure of the item, a unit that converts to the item's base unit, or nothing for base units.
// number is canonical (package num); rest is what stood behind it, of which only the look of an exponent matters.
func (r Reader) Amount(it *catalog.Item, number, word, rest string) (Amount, error) {
	q, err := num.ParseQty(number)
	if err != nil {
		return Amount{}, err
	}
	switch base := it.Unit(); {
	case word == "" || word == base:
		return Amount{Qty: q}, nil
	case r.has(it, "pack", word):
		return Amount{Qty: q, Pack: word}, nil
	case r.has(it, "measure", word):
		return Amount{Qty: q, Measure: word}, nil
	case exponent(rest):
		return Amount{}, &Error{What: fmt.Sprintf("%q can't be read as a quantity", number+rest), Hint: "write the number out, like 100000"}
	default:
		q, err := unit.Convert(q, word, base)
		if err != nil {
			return Amount{}, r.noUnit(it, word, err)
		}
		return Amount{Qty: q}, nil
	}
}

func (r Reader) has(it *catalog.Item, what, name string) bool {
	_, ok := r.View.Unit(it.Index, what, name)
	return ok
}

// noUnit says what the item can be counted in.
func (r Reader) noUnit(it *catalog.Item, word string, err error) error {
	def := r.View.Def(it.Index)
	has := []string{it.Unit()}
	for _, m := range []map[string]num.Qty{def.Packs, def.Measures} {
		has = append(has, slices.Sorted(maps.Keys(m))...)
	}
	hint := "it is counted in " + strings.Join(has, ", ")
	if names := unit.Names(it.Unit()); len(names) > 0 {
		hint += " (and " + strings.Join(names[1:], ", ") + ")"
	} else if alike := near.Names(word, has); len(alike) > 0 {
		hint += "; did you mean " + strings.Join(alike, " or ") + "?"
	}
	return &Error{What: fmt.Sprintf("item %s has no pack, measure or unit %q", it.ID, word), Hint: hint, Err: err}
}

// Base is an amount in base units.
func (r Reader) Base(it *catalog.Item, a Amount) num.Qty {
	q, ok := r.View.Units(it.Index, a.Qty, a.Measure, a.Pack)
	if !ok {
		return a.Qty
	}
	return q
}

// InPacks gives an amount in packs or base units, for facts that know no measures.
func (r Reader) InPacks(it *catalog.Item, a Amount) (qty num.Qty, pack string) {
	if a.Measure != "" {
		return r.Base(it, a), ""
	}
	return a.Qty, a.Pack
}

// InMeasures gives an amount in a measure or base units, for facts that know no packs.
func (r Reader) InMeasures(it *catalog.Item, a Amount) (qty num.Qty, measure string) {
	if a.Pack != "" {
		return r.Base(it, a), ""
	}
	return a.Qty, a.Measure
}

// Goods gives an amount as goods of an order: whole pieces, 1 or more.
func (r Reader) Goods(it *catalog.Item, a Amount, text string) (event.Goods, error) {
	q := r.Base(it, a)
	if q.Sign() <= 0 || !q.IsWhole() {
		return event.Goods{}, &Error{What: fmt.Sprintf("%s of %s: goods are whole pieces, 1 or more", text, it.ID)}
	}
	return event.Goods{Item: it.ID, Qty: q}, nil
}

// Cut cuts "310 mm" into number and word. What holds no digit is a number that can't be read.
func Cut(text string) (number, word string) {
	text = strings.TrimSpace(text)
	if !strings.ContainsAny(text, "0123456789") {
		return text, ""
	}
	at := 0
	for at < len(text) && strings.IndexByte("-+.,0123456789", text[at]) >= 0 {
		at++
	}
	return text[:at], strings.TrimSpace(text[at:])
}

// exponent tells the end of 1e5, which no pack or unit is called by.
func exponent(word string) bool {
	rest, ok := strings.CutPrefix(strings.ToLower(word), "e")
	digits := strings.TrimLeft(rest, "+-")
	return ok && digits != "" && strings.Trim(digits, "0123456789") == ""
}

// Exactly reads a quantity in a base unit, or in a unit that converts to it, that must not be rounded.
// The advice is the rules': a length that isn't exact is better given in the base unit, or the base unit chosen smaller.
func Exactly(number, word, base string) (num.Qty, error) {
	q, err := num.ParseQty(number)
	if err != nil || word == "" || word == base {
		return q, err
	}
	return unit.Exact(q, word, base)
}
