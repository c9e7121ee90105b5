package chart

import (
	"strings"
	"time"

	"countback/ledger/num"
)

// Timeline is what an item had on hand over time: a step line, with counts as open circles, what came in as ticks upwards, what was expected as a dashed line
// and what is likely as a band. Quantities are in base units, instants in milliseconds.
type Timeline struct {
	ID, Title, Desc string
	Unit            string // said beside the scale; "each" is "pieces"
	Zone            *time.Location
	From, To        int64
	Start           num.Qty  // on hand at From
	Moves           []Move   // in the order of the ledger, within the time
	Expected        []Level  // points of the dashed line, straight between; may be empty
	Likely          []Spread // the band, straight between; may be empty
	Days            []Mark   // days to point out, such as the last day to order
	Now             int64    // where the past ends; 0: not in the picture
	Show            func(num.Qty) string
}

// Sort is what a movement was, as far as the picture tells them apart.
type Sort uint8

// The sorts of movements.
const (
	Other   Sort = iota // packed, used, written off
	Counted             // a count
	Came                // a delivery, a print run, goods back
)

// Move is one movement.
type Move struct {
	Ms     int64
	Sort   Sort
	What   string  // a word or two: packed, restock, count
	Qty    num.Qty // what it added, below 0 what it took
	OnHand num.Qty // after it
	Link   string  // of its event
}

// Level is a point of a line.
type Level struct {
	Ms  int64
	Qty num.Qty
}

// Spread is a point of a band: of a hundred cases, eighty lie between low and high.
type Spread struct {
	Ms        int64
	Low, High num.Qty
}

// Mark is a day with a word.
type Mark struct {
	Ms   int64
	Text string
}

// most is the number of movements up to which all of them stand in the table.
const most = 60

// Figure makes the picture.
func (t Timeline) Figure() Figure {
	if t.Show == nil {
		t.Show = func(q num.Qty) string { return q.String() }
	}
	return Figure{ID: t.ID, Title: t.Title, Desc: t.Desc, Table: t.table(), draw: t.draw}
}

// The room around the plot.
const (
	timelineHeight = 300
	roomAbove      = 44.0
	roomBelow      = 30.0
)

func (t *Timeline) draw(c *canvas) {
	c.height = timelineHeight
	c.hatches(hatchDots)
	low, high := t.bounds()
	y := scale{low, high, c.height - roomBelow, roomAbove}
	roomLeft, roomRight := 48.0, 96.0
	if !c.wide {
		roomLeft, roomRight = 40, 60
	}
	x := times{t.From, t.To, roomLeft, c.width - roomRight, t.Zone}
	t.frame(c, x, y, low, high)
	t.band(c, x, y)
	c.stroke("k-line", t.steps(x, y), 1.8, "")
	t.dashed(c, x, y)
	t.marks(c, x, y)
	t.names(c, x, y)
}

// bounds are the lowest and the highest level, with zero among them.
func (t *Timeline) bounds() (low, high num.Qty) {
	low, high = num.Min(num.Qty{}, t.Start), num.Max(num.Qty{}, t.Start)
	grow := func(q num.Qty) { low, high = num.Min(low, q), num.Max(high, q) }
	for _, m := range t.Moves {
		grow(m.OnHand)
	}
	for _, p := range t.Expected {
		grow(p.Qty)
	}
	for _, s := range t.Likely {
		grow(s.Low)
		grow(s.High)
	}
	if low == high {
		high = num.Whole(1)
	}
	return low, high
}

func (t *Timeline) frame(c *canvas, x times, y scale, low, high num.Qty) {
	for _, q := range ticks(low, high, 4) {
		at := y.at(q)
		class := "k-grid"
		if q.IsZero() {
			class = "k-zero"
		}
		c.line(class, x.left, at, x.right, at, 1)
		c.text("k-scale", right, x.left-6, at+4, t.Show(q))
	}
	c.text("k-scale", left, 2, 14, unitName(t.Unit)+" on hand")
	n := 7
	if !c.wide {
		n = 4
	}
	for _, m := range x.ticks(n) {
		at := x.at(m.Ms)
		c.line("k-grid", at, y.from, at, y.from+5, 1)
		c.text("k-scale", middle, at, y.from+19, m.Text)
	}
	if t.Now > t.From && t.Now < t.To {
		c.line("k-now", x.at(t.Now), y.to, x.at(t.Now), y.from, 1)
		c.text("k-name", right, x.at(t.Now)-4, y.to-8, "now")
	}
	for _, d := range t.Days {
		c.line("k-day", x.at(d.Ms), y.to, x.at(d.Ms), y.from, 1.4)
		c.text("k-name", left, x.at(d.Ms)+4, y.to-8, d.Text)
	}
}

func unitName(unit string) string {
	if unit == "each" || unit == "" {
		return "pieces"
	}
	return unit
}

// steps is the step line. Of many movements within half a unit of width the first, lowest, highest and last level are drawn: more can't be seen.
func (t *Timeline) steps(x times, y scale) string {
	var b strings.Builder
	b.WriteString("M" + coordinate(x.left) + "," + coordinate(y.at(t.Start)))
	level := t.Start
	for i := 0; i < len(t.Moves); {
		k := i
		at := x.at(t.Moves[i].Ms)
		low, high := level, level
		for ; k < len(t.Moves) && x.at(t.Moves[k].Ms) < at+0.5; k++ {
			low, high = num.Min(low, t.Moves[k].OnHand), num.Max(high, t.Moves[k].OnHand)
		}
		last := t.Moves[k-1].OnHand
		b.WriteString("H" + coordinate(at))
		if k > i+1 {
			if low.Less(num.Min(level, last)) {
				b.WriteString("V" + coordinate(y.at(low)))
			}
			if num.Max(level, last).Less(high) {
				b.WriteString("V" + coordinate(y.at(high)))
			}
		}
		if level != last || k > i+1 {
			b.WriteString("V" + coordinate(y.at(last)))
		}
		level, i = last, k
	}
	end := t.To
	if t.Now > t.From && t.Now < t.To {
		end = t.Now
	}
	b.WriteString("H" + coordinate(x.at(end)))
	return b.String()
}

func (t *Timeline) dashed(c *canvas, x times, y scale) {
	if len(t.Expected) < 2 {
		return
	}
	var b strings.Builder
	for i, p := range t.Expected {
		letter := "L"
		if i == 0 {
			letter = "M"
		}
		b.WriteString(letter + coordinate(x.at(p.Ms)) + "," + coordinate(y.at(p.Qty)))
	}
	c.stroke("k-expected", b.String(), 1.6, "6 4")
}

func (t *Timeline) band(c *canvas, x times, y scale) {
	if len(t.Likely) < 2 {
		return
	}
	var b strings.Builder
	for i, p := range t.Likely {
		letter := "L"
		if i == 0 {
			letter = "M"
		}
		b.WriteString(letter + coordinate(x.at(p.Ms)) + "," + coordinate(y.at(p.High)))
	}
	for i := len(t.Likely) - 1; i >= 0; i-- {
		b.WriteString("L" + coordinate(x.at(t.Likely[i].Ms)) + "," + coordinate(y.at(t.Likely[i].Low)))
	}
	c.fill("k-band", hatchDots, b.String()+"Z")
}

// marks draws counts and what came in. Where there are more than there is room for, ticks and circles stand on each other.
func (t *Timeline) marks(c *canvas, x times, y scale) {
	for _, m := range t.Moves {
		at, level := x.at(m.Ms), y.at(m.OnHand)
		switch m.Sort {
		case Came:
			c.open(m.Link, m.What+", "+t.day(m.Ms)+": "+t.Show(m.OnHand))
			c.body.WriteString(`<path class="k-came" d="M` + coordinate(at) + "," + coordinate(level-2) + "v-12m-4,5l4,-5l4,5" + `" fill="none" stroke="currentColor" stroke-width="1.6"/>`)
			c.shut(m.Link)
		case Counted:
			c.open(m.Link, m.What+", "+t.day(m.Ms)+": "+t.Show(m.OnHand))
			c.circle("k-count", at, level, 4)
			c.shut(m.Link)
		}
	}
}

// names writes what the lines and marks are, where they are.
func (t *Timeline) names(c *canvas, x times, y scale) {
	named := map[Sort]bool{}
	for i := len(t.Moves) - 1; i >= 0; i-- { // the latest of each: the picture's right side is what it is about
		m := &t.Moves[i]
		if m.Sort == Other || named[m.Sort] {
			continue
		}
		named[m.Sort] = true
		at, level := x.at(m.Ms), y.at(m.OnHand)
		if m.Sort == Came {
			c.text("k-name", left, min(at+8, x.right-textWidth("came in")), max(level-8, y.to-24), "came in")
			continue
		}
		at = min(max(at, x.left+textWidth("counted")/2), x.right-textWidth("counted")/2)
		row := level + 20
		if row > y.from-4 {
			row = level - 12
		}
		c.text("k-name", middle, at, row, "counted")
	}
	end := t.Start
	if n := len(t.Moves); n > 0 {
		end = t.Moves[n-1].OnHand
	}
	at, where := x.right, min(y.at(end)+4, y.from-6)
	if t.Now > t.From && t.Now < t.To {
		at = x.at(t.Now)
	}
	if n := len(t.Expected); n > 1 {
		last := t.Expected[n-1]
		row := min(y.at(last.Qty)-6, y.from-6)
		col := min(x.at(last.Ms)+6, x.right+6)
		if col < at+6+textWidth(t.Show(end)) && col+textWidth("expected") > at && row > where-16 && row < where+16 {
			row = where - 16
		}
		c.text("k-name", left, col, row, "expected")
	}
	c.text("k-figure", left, at+6, where, t.Show(end))
	if len(t.Likely) > 1 {
		p := t.Likely[0] // where it is widest
		for _, s := range t.Likely {
			if p.High.Sub(p.Low).Less(s.High.Sub(s.Low)) {
				p = s
			}
		}
		if y.at(p.Low)-y.at(p.High) > 12 {
			c.text("k-name", left, min(x.at(p.Ms)+6, x.right), y.at(p.High)-2, "8 in 10")
		}
	}
}

// table lists what the picture shows. Of many movements the counts, what came in, and the last of each month.
func (t *Timeline) table() Table {
	out := Table{Columns: []Column{{Head: "Day"}, {Head: "What"}, {Head: "Change", Figure: true}, {Head: "On hand", Figure: true}}}
	all := len(t.Moves) <= most
	if !all {
		out.Caption = "Counts, what came in, and the last movement of each month"
	}
	month := func(ms int64) string { return time.UnixMilli(ms).In(t.Zone).Format("2006-01") }
	out.Rows = append(out.Rows, []Cell{{Text: t.day(t.From)}, {Text: "at the beginning"}, {}, {Text: t.Show(t.Start)}})
	for i, m := range t.Moves {
		last := i+1 == len(t.Moves) || month(m.Ms) != month(t.Moves[i+1].Ms)
		if all || m.Sort != Other || last {
			out.Rows = append(out.Rows, []Cell{{Text: t.day(m.Ms), Link: m.Link}, {Text: m.What}, {Text: t.signed(m.Qty)}, {Text: t.Show(m.OnHand)}})
		}
	}
	for _, p := range t.Expected {
		out.Rows = append(out.Rows, []Cell{{Text: t.day(p.Ms)}, {Text: "expected"}, {}, {Text: t.Show(p.Qty)}})
	}
	for _, s := range t.Likely {
		out.Rows = append(out.Rows, []Cell{{Text: t.day(s.Ms)}, {Text: "8 in 10 cases"}, {}, {Text: t.Show(s.Low) + " to " + t.Show(s.High)}})
	}
	for _, d := range t.Days {
		out.Rows = append(out.Rows, []Cell{{Text: t.day(d.Ms)}, {Text: d.Text}, {}, {}})
	}
	return out
}

func (t *Timeline) day(ms int64) string {
	return time.UnixMilli(ms).In(t.Zone).Format("Mon 2 Jan 2006")
}

func (t *Timeline) signed(q num.Qty) string {
	switch q.Sign() {
	case 1:
		return "+" + t.Show(q)
	case -1:
		return "−" + t.Show(q.Neg())
	}
	return t.Show(q)
}
