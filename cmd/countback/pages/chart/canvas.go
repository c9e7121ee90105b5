package chart

import (
	"html"
	"math"
	"strconv"
	"strings"

	"countback/ledger/num"
)

// canvas is a drawing in the making.
type canvas struct {
	id     string // of what is referred to inside of it
	wide   bool   // for a desk
	width  float64
	height float64
	defs   strings.Builder
	body   strings.Builder
}

// coordinate writes a length to a tenth: finer can't be seen.
func coordinate(x float64) string {
	s := strconv.FormatFloat(x, 'f', 1, 64)
	s = strings.TrimSuffix(s, ".0")
	if s == "-0" {
		return "0"
	}
	return s
}

// textWidth is about how wide a text is at the usual size; letters of most fonts are narrower.
func textWidth(s string) float64 { return 7 * float64(len([]rune(s))) }

// fit cuts a text to a width.
func fit(s string, width float64) string {
	r := []rune(s)
	if n := int(width / 7); len(r) > n {
		return strings.TrimRight(string(r[:max(1, n-1)]), " ,") + "…"
	}
	return s
}

func (c *canvas) line(class string, x1, y1, x2, y2, width float64) {
	c.body.WriteString(`<line class="` + class + `" x1="` + coordinate(x1) + `" y1="` + coordinate(y1) + `" x2="` + coordinate(x2) + `" y2="` + coordinate(y2) +
		`" stroke="currentColor" stroke-width="` + coordinate(width) + `"/>`)
}

// rect draws a filled rectangle; hatch names the pattern that fills it, "" for ink, "none" for its outline alone.
func (c *canvas) rect(class, hatch string, x, y, w, h float64) {
	fill := "currentColor"
	switch hatch {
	case "":
	case "none":
		fill = "none"
	default:
		fill = "url(#" + c.id + "-" + hatch + ")"
	}
	c.body.WriteString(`<rect class="` + class + `" x="` + coordinate(x) + `" y="` + coordinate(y) + `" width="` + coordinate(max(w, 0)) + `" height="` + coordinate(max(h, 0)) + `" fill="` + fill + `"`)
	if hatch != "" {
		c.body.WriteString(` stroke="currentColor" stroke-width="1"`)
	}
	c.body.WriteString("/>")
}

func (c *canvas) circle(class string, x, y, r float64) {
	c.body.WriteString(`<circle class="` + class + `" cx="` + coordinate(x) + `" cy="` + coordinate(y) + `" r="` + coordinate(r) + `" fill="white" stroke="currentColor" stroke-width="1.5"/>`)
}

// stroke draws a line without a filling through a path's data.
func (c *canvas) stroke(class, data string, width float64, dash string) {
	c.body.WriteString(`<path class="` + class + `" d="` + data + `" fill="none" stroke="currentColor" stroke-width="` + coordinate(width) + `"`)
	if dash != "" {
		c.body.WriteString(` stroke-dasharray="` + dash + `"`)
	}
	c.body.WriteString("/>")
}

// fill fills a path with a hatch.
func (c *canvas) fill(class, hatch, data string) {
	c.body.WriteString(`<path class="` + class + `" d="` + data + `" fill="url(#` + c.id + "-" + hatch + `)"/>`)
}

// The anchors of texts.
const (
	left   = "start"
	middle = "middle"
	right  = "end"
)

func (c *canvas) text(class, anchor string, x, y float64, s string) {
	c.body.WriteString(`<text class="` + class + `" x="` + coordinate(x) + `" y="` + coordinate(y) + `" text-anchor="` + anchor + `" fill="currentColor">` + html.EscapeString(s) + "</text>")
}

// open and shut put a link around what is drawn between them.
// open begins a link; name says where it leads, where what it holds doesn't.
func (c *canvas) open(link, name string) {
	switch {
	case link == "":
	case name == "":
		c.body.WriteString(`<a href="` + html.EscapeString(link) + `">`)
	default:
		c.body.WriteString(`<a href="` + html.EscapeString(link) + `" aria-label="` + html.EscapeString(name) + `">`)
	}
}

func (c *canvas) shut(link string) {
	if link != "" {
		c.body.WriteString("</a>")
	}
}

// The hatches: what left leans one way, what came in the other, what nobody wrote down is crossed, a range is dotted.
const (
	hatchDown  = "down"
	hatchUp    = "up"
	hatchCross = "cross"
	hatchDots  = "dots"
)

// hatches defines patterns that a drawing uses.
func (c *canvas) hatches(names ...string) {
	c.defs.WriteString("<defs>")
	for _, n := range names {
		head := `<pattern id="` + c.id + "-" + n + `" class="k-` + n + `" width="6" height="6" patternUnits="userSpaceOnUse">`
		switch n {
		case hatchDown:
			c.defs.WriteString(head + `<path d="M-1,-1 L7,7 M-1,5 L1,7 M5,-1 L7,1" stroke="currentColor" stroke-width="1.6"/></pattern>`)
		case hatchUp:
			c.defs.WriteString(head + `<path d="M-1,7 L7,-1 M-1,1 L1,-1 M5,7 L7,5" stroke="currentColor" stroke-width="0.8"/></pattern>`)
		case hatchCross:
			c.defs.WriteString(head + `<path d="M-1,7 L7,-1 M-1,-1 L7,7" stroke="currentColor" stroke-width="1"/></pattern>`)
		case hatchDots:
			c.defs.WriteString(head + `<circle cx="1.5" cy="1.5" r="0.8" fill="currentColor"/><circle cx="4.5" cy="4.5" r="0.8" fill="currentColor"/></pattern>`)
		}
	}
	c.defs.WriteString("</defs>")
}

// scale maps exact numbers to coordinates.
type scale struct {
	low, high num.Qty
	from, to  float64 // coordinates of low and high
}

func (s scale) at(q num.Qty) float64 {
	span := s.high.Sub(s.low).Float()
	if span == 0 {
		return s.from
	}
	return s.from + (s.to-s.from)*(q.Sub(s.low).Float()/span)
}

// ticks returns round numbers between low and high, about n of them, zero among them where it lies between.
func ticks(low, high num.Qty, n int) []num.Qty {
	span := high.Sub(low).Float()
	if span <= 0 || n < 1 {
		return []num.Qty{low}
	}
	step := roundStep(span / float64(n))
	first := low.Ceil(step).Times(step) // whole steps, so that zero is one of them
	if low.Sign() < 0 {
		first = low.Neg().Ceil(step).Times(step).Neg()
		if first.Less(low) {
			first = first.Add(step)
		}
	}
	var out []num.Qty
	for q := first; !high.Less(q) && len(out) < 100; q = q.Add(step) {
		out = append(out, q)
	}
	return out
}

// roundStep is the least of 1, 2 and 5 times a power of ten that isn't below a number, and not finer than quantities are.
func roundStep(x float64) num.Qty {
	const finest, coarsest = 1e-6, 5e11
	x = min(max(x, finest), coarsest)
	power := math.Pow(10, math.Floor(math.Log10(x)))
	for _, f := range []float64{1, 2, 5, 10} {
		if f*power >= x*(1-1e-9) {
			q, err := num.ParseQty(strconv.FormatFloat(f*power, 'f', 6, 64))
			if err == nil {
				return q
			}
		}
	}
	return num.Whole(1)
}
