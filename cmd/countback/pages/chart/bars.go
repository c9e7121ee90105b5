package chart

import (
	"countback/ledger/num"
)

// Bars are amounts below each other, each made of parts, with a range where one is estimated.
type Bars struct {
	ID, Title, Desc string
	Head            string // of what is named on the left
	Parts           []Part // what bars are made of, from zero outwards
	Rows            []Bar
}

// Part is one sort of what a bar is made of.
type Part struct {
	Name string
	Fill Fill
}

// Fill is how a part is filled.
type Fill uint8

// The fillings.
const (
	Solid   Fill = iota
	Hatched      // leaning: known
	Crossed      // what nobody wrote down
	Light        // leaning the other way
)

// Bar is one row. Amounts have as many entries as the chart has parts.
type Bar struct {
	Text    string
	Link    string
	Amounts []Amount
	Range   *Range // of the last part, in the amounts' scale
	Note    string // said behind the bar, such as a verdict
}

// Amount is a number as drawn and as written.
type Amount struct {
	At    num.Qty
	Shown string
}

// Range holds what is estimated in nineteen of twenty cases.
type Range struct {
	Low, High num.Qty
	Shown     string
}

// Figure makes the picture.
func (b Bars) Figure() Figure {
	t := Table{Columns: []Column{{Head: b.Head}}}
	for _, p := range b.Parts {
		t.Columns = append(t.Columns, Column{Head: p.Name, Figure: true})
	}
	ranges, notes := false, false
	for _, r := range b.Rows {
		ranges, notes = ranges || r.Range != nil, notes || r.Note != ""
	}
	if ranges {
		t.Columns = append(t.Columns, Column{Head: "Likely", Figure: true})
	}
	if notes {
		t.Columns = append(t.Columns, Column{Head: "Verdict"})
	}
	for _, r := range b.Rows {
		row := []Cell{{Text: r.Text, Link: r.Link}}
		for _, a := range r.Amounts {
			row = append(row, Cell{Text: a.Shown})
		}
		if ranges {
			cell := Cell{}
			if r.Range != nil {
				cell.Text = r.Range.Shown
			}
			row = append(row, cell)
		}
		if notes {
			row = append(row, Cell{Text: r.Note})
		}
		t.Rows = append(t.Rows, row)
	}
	return Figure{ID: b.ID, Title: b.Title, Desc: b.Desc, Table: t, draw: b.draw}
}

func (b *Bars) bounds() (low, high num.Qty) {
	for _, r := range b.Rows {
		up, down := num.Qty{}, num.Qty{}
		for _, a := range r.Amounts {
			if a.At.Sign() < 0 {
				down = down.Add(a.At)
			} else {
				up = up.Add(a.At)
			}
		}
		low, high = num.Min(low, down), num.Max(high, up)
		if r.Range != nil {
			low, high = num.Min(low, r.Range.Low), num.Max(high, r.Range.High)
		}
	}
	if low == high {
		high = num.Whole(1)
	}
	return low, high
}

func (b *Bars) draw(c *canvas) {
	c.hatches(hatchDown, hatchUp, hatchCross)
	low, high := b.bounds()
	names, pitch, behind := 170.0, 26.0, 0.0
	if !c.wide {
		names, pitch = 0, barHeight+nameRow+8
	}
	for _, r := range b.Rows {
		behind = max(behind, textWidth(r.shown(c.wide))+12)
	}
	behind = min(behind, c.width*0.45)
	head := 4.0
	if len(b.Parts) > 1 {
		head = b.key(c)
	}
	x := scale{low, high, names + 8, c.width - behind}
	c.height = head + pitch*float64(len(b.Rows)) + 6
	zero := x.at(num.Qty{})
	c.line("k-zero", zero, head-2, zero, c.height-2, 1)
	for i, r := range b.Rows {
		top := head + pitch*float64(i)
		c.open(r.Link, "")
		if c.wide {
			c.text("k-part", left, 0, top+14, fit(r.Text, names))
		} else {
			c.text("k-part", left, 0, top+13, fit(r.Text, c.width))
			top += nameRow
		}
		c.shut(r.Link)
		end := b.row(c, x, r, top)
		c.text("k-number", left, end+6, top+14, fit(r.shown(c.wide), c.width-end))
	}
}

// shown is what stands behind a bar: its amounts but those of 0, and, where there is room, its note.
func (r *Bar) shown(wide bool) string {
	text := ""
	for _, a := range r.Amounts {
		switch {
		case a.At.IsZero():
		case text == "":
			text = a.Shown
		default:
			text += " + " + a.Shown
		}
	}
	if text == "" && len(r.Amounts) > 0 {
		text = r.Amounts[0].Shown
	}
	if r.Note != "" && wide {
		text += "  " + r.Note
	}
	return text
}

// key says which hatch is what, above the bars: bars of several parts have no room for it in them.
func (b *Bars) key(c *canvas) float64 {
	at := 0.0
	for _, p := range b.Parts {
		c.rect(p.class(), p.hatch(), at, 2, 22, 12)
		c.text("k-name", left, at+28, 13, p.Name)
		at += 28 + textWidth(p.Name) + 16
	}
	return 26
}

func (p Part) class() string {
	return [...]string{"k-solid", "k-down", "k-unknown", "k-up"}[p.Fill]
}

func (p Part) hatch() string {
	return [...]string{"", hatchDown, hatchCross, hatchUp}[p.Fill]
}

// row draws a bar and returns where it ends on the right.
func (b *Bars) row(c *canvas, x scale, r Bar, top float64) float64 {
	up, down, end := num.Qty{}, num.Qty{}, x.at(num.Qty{})
	for k, a := range r.Amounts {
		if a.At.IsZero() {
			continue
		}
		at := &up
		if a.At.Sign() < 0 {
			at = &down
		}
		from := *at
		*at = at.Add(a.At)
		p, q := x.at(from), x.at(*at)
		if q < p {
			p, q = q, p
		}
		c.rect(b.Parts[k].class(), b.Parts[k].hatch(), p, top, max(q-p, 1.5), barHeight)
		end = max(end, q)
	}
	if r.Range != nil {
		p, q, y := x.at(r.Range.Low), x.at(r.Range.High), top+barHeight/2
		c.stroke("k-range", "M"+coordinate(p)+","+coordinate(y-5)+"v10m0,-5H"+coordinate(q)+"m0,-5v10", 1.6, "")
		end = max(end, q)
	}
	return end
}
