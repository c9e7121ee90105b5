package chart

import (
	"countback/ledger/num"
)

// Months are columns beside each other, one for each month, each made of parts above each other.
type Months struct {
	ID, Title, Desc string
	Unit            string // said above the scale
	Parts           []Part
	Rows            []Month // oldest first
	Show            func(num.Qty) string
}

// Month is one column. Amounts have as many entries as the chart has parts; none is below 0.
type Month struct {
	Name    string // as it stands below the column
	Full    string // as it stands in the table
	Link    string
	Amounts []Amount
	Extra   string // said above the column, such as the cost of an order
}

// mostMonths is what a desk shows; a phone shows the last six, and the table all.
const (
	mostMonths = 14
	slimMonths = 6
)

// Figure makes the picture. extra is the head of what is said above the columns, "" for nothing.
func (m Months) Figure(extra string) Figure {
	t := Table{Columns: []Column{{Head: "Month"}}}
	for _, p := range m.Parts {
		t.Columns = append(t.Columns, Column{Head: p.Name, Figure: true})
	}
	if extra != "" {
		t.Columns = append(t.Columns, Column{Head: extra, Figure: true})
	}
	for _, r := range m.Rows {
		row := []Cell{{Text: r.Full, Link: r.Link}}
		for _, a := range r.Amounts {
			row = append(row, Cell{Text: a.Shown})
		}
		if extra != "" {
			row = append(row, Cell{Text: r.Extra})
		}
		t.Rows = append(t.Rows, row)
	}
	return Figure{ID: m.ID, Title: m.Title, Desc: m.Desc, Table: t, draw: m.draw}
}

func (m *Months) draw(c *canvas) {
	c.height = 240
	c.hatches(hatchDown, hatchUp, hatchCross)
	rows := m.Rows
	n := mostMonths
	if !c.wide {
		n = slimMonths
	}
	if len(rows) > n {
		rows = rows[len(rows)-n:]
	}
	high := num.Qty{}
	for _, r := range rows {
		sum := num.Qty{}
		for _, a := range r.Amounts {
			sum = sum.Add(a.At)
		}
		high = num.Max(high, sum)
	}
	if high.IsZero() {
		high = num.Whole(1)
	}
	head := 0.0
	if len(m.Parts) > 1 {
		head = (&Bars{Parts: m.Parts}).key(c)
	}
	y := scale{num.Qty{}, high, c.height - 24, head + 40}
	left0, right0 := 52.0, c.width-8
	for _, q := range ticks(y.low, y.high, 4) {
		class := "k-grid"
		if q.IsZero() {
			class = "k-zero"
		}
		c.line(class, left0, y.at(q), right0, y.at(q), 1)
		c.text("k-scale", right, left0-6, y.at(q)+4, m.Show(q))
	}
	c.text("k-scale", left, 0, head+14, m.Unit)
	pitch := min((right0-left0)/float64(max(len(rows), 1)), 90)
	for i, r := range rows {
		at := left0 + pitch*(float64(i)+0.15)
		level := num.Qty{}
		c.open(r.Link, "")
		for k, a := range r.Amounts {
			if a.At.Sign() <= 0 {
				continue
			}
			top := y.at(level.Add(a.At))
			c.rect(m.Parts[k].class(), m.Parts[k].hatch(), at, top, pitch*0.7, y.at(level)-top)
			level = level.Add(a.At)
		}
		c.text("k-part", middle, at+pitch*0.35, y.from+17, r.Name)
		c.shut(r.Link)
		if r.Extra != "" {
			c.text("k-number", middle, at+pitch*0.35, y.at(level)-6, r.Extra)
		}
	}
}
