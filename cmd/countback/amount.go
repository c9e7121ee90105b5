package main

import (
	"encoding"
	"fmt"
	"strings"

	"countback/cmd/countback/typed"
	"countback/ledger/num"
)

// amount is a quantity of an item as entered: in base units, or in one of the item's packs or measures.
type amount struct {
	qty           num.Qty
	pack, measure string
}

// reader reads what was typed by the definitions in force.
func (d *desk) reader() typed.Reader { return typed.Reader{Catalog: d.catalog, View: d.view} }

// amount reads a number and what it counts: a pack or a measure of the item, a unit that converts to the item's base unit, or nothing for base units. The word
// stands in an argument of its own or behind the number ("310 mm").
func (d *desk) amount(item, text, word string) (amount, error) {
	it, err := d.item(item)
	if err != nil {
		return amount{}, err
	}
	number, rest := typed.Cut(text)
	if rest != "" && word != "" {
		return amount{}, wrong("", "write one of the two", "%q and %q both say what is counted", rest, word)
	}
	if word == "" {
		word = rest
	}
	a, err := d.reader().Amount(it, number, word, rest)
	return amount{a.Qty, a.Pack, a.Measure}, err
}

// base is the amount in base units.
func (d *desk) base(item string, a amount) num.Qty {
	it, ok := d.catalog.Find(item)
	if !ok {
		return a.qty
	}
	return d.reader().Base(it, typed.Amount{Qty: a.qty, Pack: a.pack, Measure: a.measure})
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
