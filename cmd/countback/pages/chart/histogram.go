package chart

import (
	"fmt"
	"slices"

	"countback/ledger/num"
)

// Histogram is how many of something cost how much: columns of counts, and above them a box that holds the middle half, with a line at the one in the middle and
// whiskers from the fifth to the ninety-fifth of a hundred.
type Histogram struct {
	ID, Title, Desc string
	What            string      // what is counted: orders
	Of              string      // what is measured: material cost in CAD
	Values          []num.Money // in any order
	Show            func(num.Money) string
}

// Five are the values at five places of a sorted list, each one that really stands there: at most that share of all is below it.
type Five struct {
	P5, P25, P50, P75, P95 num.Money
	Least, Most            num.Money
}

// FiveOf sorts values and picks. It panics on an empty list.
func FiveOf(values []num.Money) Five {
	v := slices.Clone(values)
	slices.SortFunc(v, num.Money.Cmp)
	at := func(share int) num.Money { return v[(len(v)-1)*share/100] }
	return Five{at(5), at(25), at(50), at(75), at(95), v[0], v[len(v)-1]}
}

// bin is one column: values from its beginning up to, and without, the next one's.
type bin struct {
	from, to num.Qty
	n        int
}

// Figure makes the picture.
func (s Histogram) Figure() Figure {
	if s.Show == nil {
		s.Show = func(m num.Money) string { return m.String() }
	}
	bins := s.bins()
	t := Table{Columns: []Column{{Head: s.Of}, {Head: s.What, Figure: true}}}
	for _, b := range bins {
		t.Rows = append(t.Rows, []Cell{{Text: s.Show(money(b.from)) + " to under " + s.Show(money(b.to))}, {Text: fmt.Sprint(b.n)}})
	}
	if len(s.Values) > 0 {
		f := FiveOf(s.Values)
		for _, x := range []struct {
			name string
			of   num.Money
		}{{"Least", f.Least}, {"5 in 100 are at or below", f.P5}, {"A quarter", f.P25}, {"Half", f.P50}, {"Three quarters", f.P75}, {"95 in 100", f.P95}, {"Most", f.Most}} {
			t.Rows = append(t.Rows, []Cell{{Text: x.name}, {Text: s.Show(x.of)}})
		}
	}
	return Figure{ID: s.ID, Title: s.Title, Desc: s.Desc, Table: t, draw: func(c *canvas) { s.draw(c, bins) }}
}

// qty and money read one kind of amount as the other: both are decimals on the same axis here.
func qty(m num.Money) num.Qty {
	q, err := num.ParseQty(m.Round(6).String())
	if err != nil {
		return num.Qty{} // beyond what fits a picture
	}
	return q
}

func money(q num.Qty) num.Money {
	m, err := num.ParseMoney(q.String())
	if err != nil {
		return num.Money{}
	}
	return m
}

// bins divides the values, up to the hundredth part of them that is dearest, into about twenty columns of a round width; the last takes the rest.
func (s *Histogram) bins() []bin {
	if len(s.Values) == 0 {
		return nil
	}
	v := slices.Clone(s.Values)
	slices.SortFunc(v, num.Money.Cmp)
	low, high := qty(v[0]), qty(v[(len(v)-1)*99/100])
	span := high.Sub(low).Float()
	step := roundStep(span / 20)
	if span <= 0 {
		step = roundStep(max(high.Abs().Float(), 1) / 20)
	}
	from := low.Ceil(step).Times(step)
	if low.Less(from) {
		from = from.Sub(step)
	}
	if low.Sign() < 0 {
		from = low.Neg().Ceil(step).Times(step).Neg()
	}
	var out []bin
	for _, m := range v {
		x := qty(m)
		for len(out) == 0 || !x.Less(out[len(out)-1].to) && len(out) < 40 && !high.Less(out[len(out)-1].to) {
			out = append(out, bin{from: from, to: from.Add(step)})
			from = from.Add(step)
		}
		last := &out[len(out)-1]
		last.n++
		if !x.Less(last.to) { // the rest
			last.to = x.Sub(from).Ceil(step).Times(step).Add(from)
			if !x.Less(last.to) {
				last.to = last.to.Add(step)
			}
		}
	}
	return out
}

func (s *Histogram) draw(c *canvas, bins []bin) {
	c.height = 230
	if len(bins) == 0 {
		c.height = 30
		c.text("k-name", left, 0, 20, "Nothing to show yet.")
		return
	}
	c.hatches(hatchUp)
	f := FiveOf(s.Values)
	high := num.Max(qty(f.P95), bins[len(bins)-1].from)
	if n := len(bins); n > 1 { // the column of the rest is as wide as the others
		high = num.Max(high, bins[n-1].from.Add(bins[0].to.Sub(bins[0].from)))
	} else {
		high = bins[0].to
	}
	most := 0
	for _, b := range bins {
		most = max(most, b.n)
	}
	x := scale{num.Min(num.Qty{}, bins[0].from), high, 44, c.width - 24}
	y := scale{num.Qty{}, num.Whole(int64(most)), c.height - 34, 64}
	for _, q := range ticks(y.low, y.high, 3) {
		if q.IsWhole() {
			c.line("k-grid", x.from, y.at(q), x.to, y.at(q), 1)
			c.text("k-scale", right, x.from-6, y.at(q)+4, q.String())
		}
	}
	c.text("k-scale", left, 0, 50, s.What)
	width := x.at(bins[0].to) - x.at(bins[0].from)
	for i, b := range bins {
		at := x.at(b.from)
		if b.n > 0 {
			c.rect("k-up", hatchUp, at, y.at(num.Whole(int64(b.n))), width, y.from-y.at(num.Whole(int64(b.n))))
		}
		if i == len(bins)-1 && b.to.Sub(b.from) != bins[0].to.Sub(bins[0].from) && b.n > 0 {
			c.text("k-name", middle, at+width/2, y.at(num.Whole(int64(b.n)))-5, "and more")
		}
	}
	n := 6
	if !c.wide {
		n = 4
	}
	for _, q := range ticks(x.low, x.high, n) {
		c.text("k-scale", middle, x.at(q), y.from+16, s.Show(money(q)))
	}
	c.text("k-scale", right, x.to+20, y.from+31, s.Of)
	c.line("k-zero", x.from, y.from, x.to, y.from, 1)
	s.box(c, x, f)
}

// box draws the five values above the columns.
func (s *Histogram) box(c *canvas, x scale, f Five) {
	const row = 28.0
	at := func(m num.Money) float64 { return x.at(num.Min(qty(m), x.high)) }
	c.line("k-line", at(f.P5), row, at(f.P25), row, 1.4)
	c.line("k-line", at(f.P75), row, at(f.P95), row, 1.4)
	c.rect("k-box", "none", at(f.P25), row-7, at(f.P75)-at(f.P25), 14)
	c.line("k-line", at(f.P50), row-9, at(f.P50), row+9, 2.4)
	text := "half cost at most " + s.Show(f.P50)
	where := min(max(at(f.P50), textWidth(text)/2), c.width-textWidth(text)/2)
	c.text("k-name", middle, where, row-14, text)
}
