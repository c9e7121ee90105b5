package main

import (
	"encoding"
	"fmt"
	"maps"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/near"
	"countback/ledger/num"
	"countback/ledger/unit"
)

// amount is a quantity of an item as entered: in base units, or in one of the item's packs or measures.
type amount struct {
	qty           num.Qty
	pack, measure string
}

// amount reads a number and what it counts: a pack or a measure of the item, a unit that converts to the item's base unit, or nothing for base units. The word
// stands in an argument of its own or behind the number ("310 mm").
func (d *desk) amount(item, text, word string) (amount, error) {
	it, err := d.item(item)
	if err != nil {
		return amount{}, err
	}
	number, rest := splitNumber(text)
	if rest != "" && word != "" {
		return amount{}, wrong("", "write one of the two", "%q and %q both say what is counted", rest, word)
	}
	if word == "" {
		word = rest
	}
	q, err := num.ParseQty(number)
	if err != nil {
		return amount{}, err
	}
	switch base := it.Unit(); {
	case word == "" || word == base:
		return amount{qty: q}, nil
	case d.has(it, "pack", word):
		return amount{qty: q, pack: word}, nil
	case d.has(it, "measure", word):
		return amount{qty: q, measure: word}, nil
	case exponent(rest):
		return amount{}, wrong("", "write the number out, like 100000", "%q can't be read as a quantity", text)
	default:
		q, err := unit.Convert(q, word, base)
		if err != nil {
			return amount{}, d.noUnit(it, word, err)
		}
		return amount{qty: q}, nil
	}
}

func (d *desk) has(it *catalog.Item, what, name string) bool {
	_, ok := d.view.Unit(it.Index, what, name)
	return ok
}

// noUnit says what the item can be counted in.
func (d *desk) noUnit(it *catalog.Item, word string, err error) error {
	def := d.view.Def(it.Index)
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
	return &fault{what: fmt.Sprintf("item %s has no pack, measure or unit %q", it.ID, word), hint: hint, status: statusUse, err: err}
}

// base is the amount in base units.
func (d *desk) base(item string, a amount) num.Qty {
	it, ok := d.catalog.Find(item)
	if !ok {
		return a.qty
	}
	q, ok := d.view.Units(it.Index, a.qty, a.measure, a.pack)
	if !ok {
		return a.qty
	}
	return q
}

// splitNumber cuts "310 mm" into number and word.
func splitNumber(text string) (number, word string) {
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

// splitPair cuts "ITEM=N" at its first equals sign.
func splitPair(text, form string) (name, value string, err error) {
	name, value, ok := strings.Cut(text, "=")
	if !ok || name == "" || value == "" {
		return "", "", wrong("", "write it like "+form, "%q can't be read", text)
	}
	return name, value, nil
}

// textFlag is a flag for a value that reads itself from text. It stays nil where the flag isn't given.
type textFlag[T any, P interface {
	*T
	encoding.TextUnmarshaler
}] struct {
	to   **T
	kind string
}

// Set implements pflag.Value.
func (f textFlag[T, P]) Set(text string) error {
	v := new(T)
	if err := P(v).UnmarshalText([]byte(text)); err != nil {
		return err
	}
	*f.to = v
	return nil
}

// Type implements pflag.Value: the word for the value in the help.
func (f textFlag[T, P]) Type() string { return f.kind }

// String implements pflag.Value.
func (f textFlag[T, P]) String() string {
	if f.to == nil || *f.to == nil {
		return ""
	}
	if m, ok := any(**f.to).(fmt.Stringer); ok {
		return m.String()
	}
	return ""
}

func qtyFlag(to **num.Qty) textFlag[num.Qty, *num.Qty] {
	return textFlag[num.Qty, *num.Qty]{to, "quantity"}
}
func moneyFlag(to **num.Money) textFlag[num.Money, *num.Money] {
	return textFlag[num.Money, *num.Money]{to, "amount"}
}
func rateFlag(to **num.Rate) textFlag[num.Rate, *num.Rate] {
	return textFlag[num.Rate, *num.Rate]{to, "rate"}
}
