package closing

import (
	"cmp"
	"slices"

	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
)

// shown is a row's values of one costing as they are printed. They tie: closing = opening + in - out.
type shown struct {
	opening, closing, material num.Money
	columns                    [fold.Columns]num.Money
}

// exact are a row's values as they are.
func exact(r *Row, c book.Costing) shown {
	s := shown{opening: r.Opening.Value[c], closing: r.Closing.Value[c], material: r.Material()[c]}
	for k := range fold.Columns {
		s.columns[k] = r.Columns[k].Value[c]
	}
	return s
}

// inUnits rounds a row's values to minor units so that they tie. Opening and closing are rounded by themselves, halves up, so that they read the same in
// every month. Because halves go up, whatever their sign, the difference of the two is at most one unit from the sum of the movements, rounded down; so
// rounding some of them up, largest remainder first and ties to the earlier column, leads from the one to the other, and whole amounts never change.
func inUnits(r *Row, c book.Costing, places int) shown {
	e := exact(r, c)
	s := shown{opening: halfUp(e.opening, places), closing: halfUp(e.closing, places)}
	unit := one(places)
	type rest struct {
		at int
		r  num.Money
	}
	rests := make([]rest, 0, fold.Columns)
	missing := s.closing.Sub(s.opening)
	var signed [fold.Columns]num.Money
	for k := range fold.Columns {
		v := sign(k, e.columns[k])
		signed[k] = down(v, places)
		missing = missing.Sub(signed[k])
		if left := v.Sub(signed[k]); !left.IsZero() {
			rests = append(rests, rest{int(k), left})
		}
	}
	slices.SortStableFunc(rests, func(a, b rest) int { return cmp.Or(b.r.Cmp(a.r), cmp.Compare(a.at, b.at)) })
	for i := 0; missing.Sign() > 0 && i < len(rests); i++ {
		at := rests[i].at
		signed[at] = signed[at].Add(unit)
		missing = missing.Sub(unit)
	}
	for k := range fold.Columns {
		s.columns[k] = sign(k, signed[k])
	}
	s.material = s.columns[fold.Sold].Add(s.columns[fold.Packed]).Add(halfUp(r.ForOrders[c], places))
	return s
}

// sign turns an amount of a column into what it adds to stock, and back.
func sign(c fold.Column, m num.Money) num.Money {
	if c.In() {
		return m
	}
	return m.Neg()
}

// one is a minor unit.
func one(places int) num.Money {
	m := num.MoneyUnits(1)
	for range 8 - places {
		m = m.Part(num.Whole(10), num.Whole(1))
	}
	return m
}

// down rounds towards less.
func down(m num.Money, places int) num.Money {
	r := m.Round(places)
	if m.Less(r) {
		r = r.Sub(one(places))
	}
	return r
}

// halfUp rounds to the nearest, a half towards more, also below zero.
func halfUp(m num.Money, places int) num.Money {
	d := down(m, places)
	if left := m.Sub(d); left.Add(left).Less(one(places)) {
		return d
	}
	return d.Add(one(places))
}

// plus adds what is printed.
func (s shown) plus(o shown) shown {
	s.opening, s.closing, s.material = s.opening.Add(o.opening), s.closing.Add(o.closing), s.material.Add(o.material)
	for k := range fold.Columns {
		s.columns[k] = s.columns[k].Add(o.columns[k])
	}
	return s
}
