// Package paper lays tables out on sheets of paper, as PDF: a title, a line of words, rows under heads that stand again on every sheet, columns
// left open to be written in by hand, and boxes to tick. Ink on white, hairlines, no colour, so that it survives a grey printer.
//
// The letters are the Go fonts (Latin, Greek, Cyrillic); others print as an empty box. Lengths are millimetres. The same sheet at the same time gives
// the same bytes.
package paper

import (
	"bytes"
	"fmt"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// Column is one column of a table.
type Column struct {
	Head   string
	Right  bool    // figures stand on the right
	Open   float64 // width of a column that is left open to write in, with a line below each row's place; 0 for printed text
	Tick   bool    // a box to be ticked in every row whose text isn't empty
	Narrow bool    // never breaks its text
	Bars   bool    // its rows show the table's bars, and no text; it takes the width that the others leave
}

// Table is a table on paper.
type Table struct {
	Head    string // above it; may be empty
	Columns []Column
	Rows    [][]string
	Groups  []string // as long as Rows, or nil: a row whose group differs from the one above begins with the group's name on a line of its own
	Bars    []Bar    // as long as Rows where a column shows them
	Zero    float64  // where zero lies on the scale of the bars: a line there if it is above 0
	Next    bool     // it begins in the next column of the paper, unless the table before it came that far
}

// Sheet is what is printed.
type Sheet struct {
	Size     string // A4 or Letter; "" is A4
	Wide     bool   // the long side lies across
	Columns  int    // the tables flow through so many columns beside each other; 0 is 1
	OneSheet bool   // letters and lines are made smaller, down to three quarters, until all of it fits on one sheet; what doesn't even then is printed at full size
	Title    string
	Lead     string // words between title and tables; may have several lines
	Tables   []Table
	Tail     string // words behind the tables
	Foot     string // at the foot of each sheet, before its number
	At       time.Time
}

// Sizes are the names of paper sizes.
var Sizes = []string{"A4", "Letter"}

const (
	margin  = 14.0
	footer  = 12.0
	gap     = 3.0
	bodyPt  = 9.5
	headPt  = 8.5
	titlePt = 15.0
	lineMM  = 4.4
	padMM   = 1.3
	openMM  = 1.6 // more height for rows that are written in
	face    = "go"
)

// between parts the columns of a sheet.
const between = 8.0

// page is a document while it is laid out.
type page struct {
	*fpdf.Fpdf
	sheet  Sheet
	scale  float64 // of letters and heights
	full   float64 // between the margins
	width  float64 // of a column of the sheet
	column int
	top    float64 // where columns begin on this sheet
	bottom float64

	table  *Table
	widths []float64
}

// PDF returns the sheet's document. It fails only where the layout is impossible: a column too many for the paper's width.
func PDF(s Sheet) ([]byte, error) {
	scales := []float64{1}
	if s.OneSheet {
		scales = []float64{1, 0.95, 0.9, 0.85, 0.8, 0.75}
	}
	var atFull []byte
	for i, k := range scales {
		doc, sheets, err := layOut(s, k)
		if err != nil || sheets == 1 {
			return doc, err
		}
		if i == 0 {
			atFull = doc
			if sheets > 2 { // three quarters of the height and of the width don't even halve it
				break
			}
		}
	}
	return atFull, nil
}

func layOut(s Sheet, scale float64) (doc []byte, sheets int, err error) {
	if s.Size == "" {
		s.Size = Sizes[0]
	}
	s.Columns = max(1, s.Columns)
	orientation := "P"
	if s.Wide {
		orientation = "L"
	}
	p := &page{Fpdf: fpdf.New(orientation, "mm", s.Size, ""), sheet: s, scale: scale}
	p.SetCreationDate(s.At)
	p.SetModificationDate(s.At)
	p.SetCatalogSort(true)
	p.SetProducer("countback", true)
	p.SetTitle(s.Title, true)
	p.AddUTF8FontFromBytes(face, "", goregular.TTF)
	p.AddUTF8FontFromBytes(face, "B", gobold.TTF)
	p.SetMargins(margin, margin, margin)
	p.SetAutoPageBreak(false, 0)
	p.AliasNbPages("{pages}")
	p.SetFooterFunc(p.foot)
	w, h := p.GetPageSize()
	p.full, p.bottom = w-2*margin, h-margin-footer/2
	p.width = p.full
	p.AddPage()
	p.opening()
	p.top = p.GetY()
	p.width = (p.full - between*float64(s.Columns-1)) / float64(s.Columns)
	for i := range s.Tables {
		if err := p.print(&s.Tables[i], i == 0); err != nil {
			return nil, 0, err
		}
	}
	if s.Tail != "" {
		p.SetY(p.GetY() + p.line())
		p.words(s.Tail)
	}
	var out bytes.Buffer
	if err := p.Output(&out); err != nil {
		return nil, 0, fmt.Errorf("the sheet can't be laid out: %w", err)
	}
	return out.Bytes(), p.PageNo(), nil
}

// line is the height of a line of text, pad what stands above and below a row: white gives way before letters do.
func (p *page) line() float64 { return lineMM * p.scale }
func (p *page) pad() float64  { return padMM * p.scale * p.scale * p.scale * p.scale }

// left is where the present column of the sheet begins.
func (p *page) left() float64 { return margin + float64(p.column)*(p.width+between) }

// font sets the letters, in points at full size.
func (p *page) font(style string, points float64) { p.SetFont(face, style, points*p.scale) }

func (p *page) opening() {
	p.SetFont(face, "B", titlePt)
	p.CellFormat(p.width, 8, p.sheet.Title, "", 1, "L", false, 0, "")
	if p.sheet.Lead != "" {
		p.SetY(p.GetY() + 1)
		p.words(p.sheet.Lead)
	}
	p.SetY(p.GetY() + 3)
}

// words prints running text, on a new sheet where the old one is full.
func (p *page) words(text string) {
	p.font("", bodyPt)
	for _, l := range p.broken(text, p.width) {
		p.room(p.line())
		p.SetX(p.left())
		p.CellFormat(p.width, p.line(), l, "", 1, "L", false, 0, "")
	}
}

// broken breaks text at words, and keeps its own lines.
func (p *page) broken(text string, width float64) []string {
	var lines []string
	for _, l := range bytes.Split([]byte(text), []byte("\n")) {
		if len(l) == 0 {
			lines = append(lines, "")
			continue
		}
		lines = append(lines, p.SplitText(string(l), width)...)
	}
	return lines
}

func (p *page) foot() {
	p.SetFont(face, "", 8)
	_, h := p.GetPageSize()
	p.SetXY(margin, h-margin-2)
	p.CellFormat(p.full/2, lineMM, p.sheet.Foot, "", 0, "L", false, 0, "")
	p.CellFormat(p.full/2, lineMM, fmt.Sprintf("Sheet %d of {pages}", p.PageNo()), "", 0, "R", false, 0, "")
}

// room begins a new column, or a new sheet, unless so much height is left.
func (p *page) room(h float64) bool {
	if p.GetY()+h <= p.bottom {
		return false
	}
	p.next()
	return true
}

func (p *page) next() {
	if p.column+1 < p.sheet.Columns {
		p.column++
	} else {
		p.AddPage()
		p.column, p.top = 0, p.GetY()
	}
	p.SetXY(p.left(), p.top)
}

// fit gives each column the width of its widest text, and takes what is too much from the widest that may break.
func (p *page) fit() error {
	t := p.table
	p.widths = make([]float64, len(t.Columns))
	free := p.width - gap*float64(max(0, len(t.Columns)-1))
	total := 0.0
	for i, c := range t.Columns {
		p.font("B", headPt)
		w := max(c.Open, p.GetStringWidth(c.Head))
		p.font("", bodyPt)
		for _, r := range t.Rows {
			if c.Open == 0 && !c.Tick && !c.Bars {
				w = max(w, p.GetStringWidth(r[i])+1)
			}
		}
		if c.Bars {
			w = max(w, barsWidth)
		}
		if c.Tick {
			w = max(w, p.box())
		}
		p.widths[i] = w + 1
		total += p.widths[i]
	}
	for total > free {
		widest := -1
		for i, c := range t.Columns {
			if c.Open == 0 && !c.Tick && !c.Bars && !c.Narrow && !c.Right && (widest < 0 || p.widths[i] > p.widths[widest]) {
				widest = i
			}
		}
		if widest < 0 || p.widths[widest] < 14 {
			return fmt.Errorf("%d columns don't fit the width of the paper; print fewer of them, or across", len(t.Columns))
		}
		p.widths[widest]--
		total--
	}
	p.widen(free)
	return nil
}

// box is the side of a box to be ticked.
func (p *page) box() float64 { return 3 * p.scale }

// print prints a table; first says that nothing but the opening stands above it.
func (p *page) print(t *Table, first bool) error {
	p.table = t
	if err := p.fit(); err != nil {
		return err
	}
	if len(t.Rows) == 0 {
		return nil
	}
	if t.Next && !first && p.column == 0 && p.sheet.Columns > 1 {
		p.next()
	} else if !first {
		p.SetY(p.GetY() + p.line())
	}
	p.SetX(p.left())
	if t.Head != "" {
		p.room(4*p.line() + 4*p.pad()) // with the heads and a row
		p.SetX(p.left())
		p.font("B", bodyPt+1)
		p.CellFormat(p.width, p.line()+1, t.Head, "", 1, "L", false, 0, "")
	}
	p.heads()
	group := ""
	for i, row := range t.Rows {
		named := t.Groups != nil && (i == 0 || t.Groups[i] != group)
		if named {
			group = t.Groups[i]
		}
		p.row(i, row, group, named)
	}
	return nil
}

func (p *page) heads() {
	p.font("B", headPt)
	p.SetX(p.left())
	for i, c := range p.table.Columns {
		p.CellFormat(p.widths[i], p.line(), c.Head, "", 0, side(c), false, 0, "")
		p.SetX(p.GetX() + gap)
	}
	p.Ln(p.line() + 0.5)
	p.rule(0.3)
	p.font("", bodyPt)
}

func side(c Column) string {
	if c.Right {
		return "R"
	}
	return "L"
}

func (p *page) rule(thick float64) {
	p.SetLineWidth(thick)
	p.Line(p.left(), p.GetY(), p.left()+p.width, p.GetY())
	p.SetY(p.GetY() + 0.6)
}

// row prints one row; its group's name goes before it where it is the first, or the first of a column or sheet.
func (p *page) row(n int, row []string, group string, named bool) {
	p.font("", bodyPt)
	texts := make([][]string, len(row))
	height := p.line()
	for i, c := range p.table.Columns {
		switch {
		case c.Tick, c.Bars:
		case c.Open > 0:
			height = max(height, p.line()+openMM)
		default:
			texts[i] = p.broken(row[i], p.widths[i])
			height = max(height, p.line()*float64(len(texts[i])))
		}
	}
	head := 0.0
	if named {
		head = p.line() + 2*p.pad()
	}
	if p.room(height + 2*p.pad() + head) {
		p.heads()
		named = p.table.Groups != nil
	}
	if named {
		p.font("B", bodyPt)
		p.SetXY(p.left(), p.GetY()+p.pad())
		p.CellFormat(p.width, p.line(), group, "", 1, "L", false, 0, "")
		p.font("", bodyPt)
	}
	p.cells(n, row, texts, p.GetY()+p.pad(), height)
}

func (p *page) cells(n int, row []string, texts [][]string, top, height float64) {
	x := p.left()
	for i, c := range p.table.Columns {
		if c.Open > 0 {
			p.SetLineWidth(0.15)
			p.Line(x, top+height-0.6, x+p.widths[i]-1, top+height-0.6)
		}
		if c.Tick && row[i] != "" {
			p.SetLineWidth(0.2)
			p.Rect(x+1, top+(p.line()-p.box())/2, p.box(), p.box(), "D")
		}
		if c.Bars && n < len(p.table.Bars) {
			p.bar(n, x, p.widths[i], top, height)
		}
		for k, l := range texts[i] {
			p.SetXY(x, top+p.down(height, len(texts[i]), k))
			p.CellFormat(p.widths[i], p.line(), l, "", 0, side(c), false, 0, "")
		}
		x += p.widths[i] + gap
	}
	p.SetXY(p.left(), top+height+p.pad())
}

// down is where a line of a cell stands in its row: at the top, but at the foot where the row is written in, so that it stands on the line to write on.
func (p *page) down(height float64, lines, n int) float64 {
	open := false
	for _, c := range p.table.Columns {
		if c.Tick {
			return p.line() * float64(n)
		}
		open = open || c.Open > 0
	}
	if !open {
		return p.line() * float64(n)
	}
	return height - p.line()*float64(lines-n)
}
