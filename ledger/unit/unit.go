package unit

import (
	"fmt"
	"slices"
	"strings"

	"countback/ledger/num"
)

// limit is what an entered quantity stays below, in base units (see package num).
var limit = num.Whole(1_000_000_000_000)

// Names returns the units that advice offers for a base unit (mm, g or ml), the base unit first; none for any other base.
func Names(base string) []string {
	k := slices.Index(bases[:], base)
	if k < 0 {
		return nil
	}
	var names []string
	for _, m := range measures {
		if m.kind == kind(k) && m.shown {
			names = append(names, m.name())
		}
	}
	return names
}

// Is reports whether name is a unit that an amount in a base unit (mm, g, ml or each) may be written in.
func Is(name, base string) bool {
	m := find(name)
	return name == base || m != nil && bases[m.kind] == base
}

// Convert returns amount of the unit from in the base unit (mm, g, ml or each): exact if it fits 6 decimal places, else rounded once,
// half to even. With base each only each itself converts. A result of 10^12 base units or more is refused.
func Convert(amount num.Qty, from, base string) (num.Qty, error) {
	m, err := lookup(from, base)
	if err != nil {
		return num.Qty{}, err
	}
	return bounded(m.of(amount), base)
}

// Exact is Convert for where no rounding is allowed: an amount that does not fit 6 places of the base unit is an error.
func Exact(amount num.Qty, from, base string) (num.Qty, error) {
	m, err := lookup(from, base)
	if err != nil {
		return num.Qty{}, err
	}
	q := m.of(amount)
	if q.Times(num.Whole(m.d)).Cmp(amount.Times(num.Whole(m.n))) != 0 {
		return num.Qty{}, fmt.Errorf("%s %s is not exact at 6 decimal places of %s (nearly %s); give it in %s", amount, from, base, q, base)
	}
	return bounded(q, base)
}

// of returns amount units in the base unit, rounded once if need be.
func (m *measure) of(amount num.Qty) num.Qty {
	return amount.Part(num.QtyMillionths(m.n), num.QtyMillionths(m.d))
}

// ParseQty reads a number with a unit behind it, "12 in" or "0.4g", and returns it in the base unit as Convert does. A number
// alone is in the base unit. The number is written as package num says, the unit as the package comment says.
func ParseQty(text, base string) (num.Qty, error) {
	text = strings.Trim(text, " ")
	at := 0
	for at < len(text) && strings.IndexByte("-.0123456789", text[at]) >= 0 {
		at++
	}
	if at == 0 {
		return num.Qty{}, fmt.Errorf("%q does not begin with a number; write a number and a unit, like %s", clip(text), example(base))
	}
	amount, err := num.ParseQty(text[:at])
	if err != nil {
		return num.Qty{}, err
	}
	rest := strings.Trim(text[at:], " ")
	if rest == "" {
		rest = base
	}
	return Convert(amount, rest, base)
}

func example(base string) string {
	switch base {
	case "mm":
		return "12 in"
	case "g":
		return "2.5 lb"
	case "ml":
		return "8 fl oz"
	}
	return "12"
}

// each is the unit of items that are counted; nothing else converts to it.
var each = measure{n: 1, d: 1}

// lookup returns the unit called name, if it measures what base does.
func lookup(name, base string) (*measure, error) {
	if base == "each" {
		if name == "each" {
			return &each, nil
		}
		return nil, fmt.Errorf("%q is a unit for what is counted one by one; give a number of pieces", clip(name))
	}
	k := slices.Index(bases[:], base)
	if k < 0 {
		return nil, fmt.Errorf("%q is not a base unit; base units are each, mm, g and ml", clip(base))
	}
	use := "for " + base + " use " + list(Names(base))
	m := find(name)
	switch {
	case m != nil && m.kind == kind(k):
		return m, nil
	case m != nil:
		return nil, fmt.Errorf("%s is %s and does not convert to %s; %s", clip(name), nouns[m.kind], base, use)
	}
	if why, ok := doubtful[strings.ToLower(name)]; ok {
		return nil, fmt.Errorf("%q is not clear: %s", clip(name), why)
	}
	if code := otherCase(name); code != "" {
		return nil, fmt.Errorf("%q is not a unit known here; write %s (capitals matter), or %s", clip(name), code, use)
	}
	return nil, fmt.Errorf("%q is not a unit known here; %s", clip(name), use)
}

func list(names []string) string {
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " or " + names[last]
}

func clip(s string) string {
	if len(s) > 40 {
		return strings.ToValidUTF8(s[:40], "") + "…"
	}
	return s
}

func bounded(q num.Qty, base string) (num.Qty, error) {
	if !q.Abs().Less(limit) {
		return num.Qty{}, fmt.Errorf("the quantity comes to %s %s; the ledger takes less than %s, check the unit", q, base, limit)
	}
	return q, nil
}
