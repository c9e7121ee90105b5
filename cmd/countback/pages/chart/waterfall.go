package chart

import (
	"countback/ledger/num"
)

// Waterfall is the way from one level to another in parts below each other, each with its sign and number. What nobody wrote down stands last before the end.
type Waterfall struct {
	ID, Title, Desc string
	Unit            string
	Steps           []Step
}

// Step is a level or a part of a waterfall.
type Step struct {
	Text     string
	Shown    string  // the number as it is written, with its sign where it is a part
	Value    string  // in money, as it is written; may be empty
	From, To num.Qty // between which the bar lies; of a level From is 0
	Level    bool
	Unknown  bool // nobody wrote it down
	Link     string
}

// Figure makes the picture.
func (w Waterfall) Figure() Figure {
	t := Table{Columns: []Column{{Head: "Part"}, {Head: "In " + unitName(w.Unit), Figure: true}, {Head: "In money", Figure: true}}}
	for _, s := range w.Steps {
		t.Rows = append(t.Rows, []Cell{{Text: s.Text, Link: s.Link}, {Text: s.Shown}, {Text: s.Value}})
	}
	return Figure{ID: w.ID, Title: w.Title, Desc: w.Desc, Table: t, draw: w.draw}
}

const (
	barHeight = 18.0
	nameRow   = 18.0 // above a bar where there is no room beside it
)

func (w *Waterfall) draw(c *canvas) {
	c.hatches(hatchDown, hatchUp, hatchCross)
	low, high, numbers := num.Qty{}, num.Qty{}, 0.0
	for _, s := range w.Steps {
		low, high = num.Min(low, num.Min(s.From, s.To)), num.Max(high, num.Max(s.From, s.To))
		numbers = max(numbers, textWidth(s.Shown))
	}
	if low == high {
		high = num.Whole(1)
	}
	names, pitch := 260.0, 30.0
	if !c.wide {
		names, pitch = 0, barHeight+nameRow+8
	}
	x := scale{low, high, names + 8 + numbers + 12, c.width - 8}
	if !c.wide {
		x.from = numbers + 12
	}
	c.height = pitch*float64(len(w.Steps)) + 8
	zero := x.at(num.Qty{})
	c.line("k-zero", zero, 0, zero, c.height-4, 1)
	for i, s := range w.Steps {
		top := 4 + pitch*float64(i)
		if !c.wide {
			c.text("k-name", left, 0, top+13, fit(s.Text, c.width))
			top += nameRow
		}
		class := "k-number"
		if s.Level {
			class = "k-figure"
		}
		c.open(s.Link, "")
		if c.wide {
			c.text("k-part", left, 0, top+14, fit(s.Text, names))
		}
		c.text(class, right, x.from-12, top+14, s.Shown)
		c.shut(s.Link)
		w.bar(c, x, s, top)
		if i+1 < len(w.Steps) { // the thread from this level to the next bar
			at := x.at(s.To)
			c.line("k-thread", at, top+barHeight, at, top+pitch, 0.8)
		}
	}
}

// bar draws a step between its two levels. A level is solid, what left leans one way, what came the other, what nobody wrote down is crossed.
func (w *Waterfall) bar(c *canvas, x scale, s Step, top float64) {
	from, to := x.at(s.From), x.at(s.To)
	if to < from {
		from, to = to, from
	}
	width := max(to-from, 1.5)
	switch {
	case s.Level:
		c.rect("k-solid", "", from, top+5, width, barHeight-10)
	case s.Unknown:
		c.rect("k-unknown", hatchCross, from, top, width, barHeight)
	case s.To.Less(s.From):
		c.rect("k-down", hatchDown, from, top, width, barHeight)
	default:
		c.rect("k-up", hatchUp, from, top, width, barHeight)
	}
}
