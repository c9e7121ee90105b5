package paper

import "slices"

// Ink is how a bar is filled. The three differ in shape, so that they can be told apart on a grey printer and by whoever sees no colours.
type Ink int

// The inks.
const (
	Thin    Ink = iota // a low bar: a level
	Full               // black: what takes away
	Outline            // white with an edge: what brings
)

// Bar is one row's bar between two places on its table's scale, from 0 at the left of the column to 1 at its right. A hairline leads from where it ends to the row below.
type Bar struct {
	From, To float64
	Ink      Ink
}

const (
	thinMM    = 1.0
	barMM     = 3.0
	leastMM   = 0.4 // so wide is a bar that leads nowhere
	hairMM    = 0.15
	barsWidth = 40.0 // a column of bars is so wide at least
)

// bar draws the bar of row i into its column.
func (p *page) bar(i int, x, width, top, height float64) {
	b := &p.table.Bars[i]
	at := func(share float64) float64 { return x + min(1, max(0, share))*width }
	middle := top + height/2
	if z := p.table.Zero; z > 0 {
		p.SetLineWidth(hairMM)
		p.Line(at(z), top-p.pad(), at(z), top+height+p.pad())
	}
	left, right := at(min(b.From, b.To)), at(max(b.From, b.To))
	right = max(right, left+leastMM)
	thick := b.Ink.thick() * p.scale
	switch b.Ink {
	case Outline:
		p.SetLineWidth(0.25)
		p.Rect(left, middle-thick/2, right-left, thick, "D")
	default:
		p.Rect(left, middle-thick/2, right-left, thick, "F")
	}
	if i+1 < len(p.table.Bars) {
		below := middle + height + 2*p.pad() - p.table.Bars[i+1].Ink.thick()*p.scale/2 // rows of bars are of one line each
		p.SetLineWidth(hairMM)
		p.Line(at(b.To), middle+thick/2, at(b.To), min(p.bottom, below))
	}
}

// thick is how high a bar is, in mm at full size.
func (k Ink) thick() float64 {
	if k == Thin {
		return thinMM
	}
	return barMM
}

// widen gives a column of bars what the others leave.
func (p *page) widen(free float64) {
	i := slices.IndexFunc(p.table.Columns, func(c Column) bool { return c.Bars })
	if i < 0 {
		return
	}
	for _, w := range p.widths {
		free -= w
	}
	p.widths[i] += max(0, free)
}
