// Package paper lays a table out on sheets of paper, as PDF: a title, a line of words, rows under heads that stand again on every sheet, and columns
// left open to be written in by hand. Ink on white, hairlines, no colour, so that it survives a grey printer.
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

// Column is one column of a sheet.
type Column struct {
	Head   string
	Right  bool    // figures stand on the right
	Open   float64 // width of a column that is left open to write in, with a line below each row's place; 0 for printed text
	Narrow bool    // never breaks its text
}

// Sheet is a table on paper.
type Sheet struct {
	Size    string // A4 or Letter; "" is A4
	Wide    bool   // the long side lies across
	Title   string
	Lead    string // words between title and table; may have several lines
	Columns []Column
	Rows    [][]string
	Groups  []string // as long as Rows, or nil: a row whose group differs from the one above begins with the group's name on a line of its own
	Tail    string   // words behind the table
	Foot    string   // at the foot of each sheet, before its number
	At      time.Time
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

// page is a document while it is laid out.
type page struct {
	*fpdf.Fpdf
	sheet  Sheet
	widths []float64
	width  float64
	bottom float64
}

// PDF returns the sheet's document. It fails only where the layout is impossible: a column too many for the paper's width.
func PDF(s Sheet) ([]byte, error) {
	if s.Size == "" {
		s.Size = Sizes[0]
	}
	orientation := "P"
	if s.Wide {
		orientation = "L"
	}
	p := &page{Fpdf: fpdf.New(orientation, "mm", s.Size, ""), sheet: s}
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
	p.width, p.bottom = w-2*margin, h-margin-footer/2
	p.AddPage()
	p.opening()
	if err := p.fit(); err != nil {
		return nil, err
	}
	p.table()
	if s.Tail != "" {
		p.SetY(p.GetY() + lineMM)
		p.words(s.Tail)
	}
	var out bytes.Buffer
	if err := p.Output(&out); err != nil {
		return nil, fmt.Errorf("the sheet can't be laid out: %w", err)
	}
	return out.Bytes(), nil
}

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
	p.SetFont(face, "", bodyPt)
	for _, l := range p.broken(text, p.width) {
		p.room(lineMM)
		p.CellFormat(p.width, lineMM, l, "", 1, "L", false, 0, "")
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
	p.CellFormat(p.width/2, lineMM, p.sheet.Foot, "", 0, "L", false, 0, "")
	p.CellFormat(p.width/2, lineMM, fmt.Sprintf("Sheet %d of {pages}", p.PageNo()), "", 0, "R", false, 0, "")
}

// room begins a new sheet unless so much height is left.
func (p *page) room(h float64) bool {
	if p.GetY()+h <= p.bottom {
		return false
	}
	p.AddPage()
	return true
}

// fit gives each column the width of its widest text, and takes what is too much from the widest that may break.
func (p *page) fit() error {
	s := p.sheet
	p.widths = make([]float64, len(s.Columns))
	free := p.width - gap*float64(max(0, len(s.Columns)-1))
	total := 0.0
	for i, c := range s.Columns {
		p.SetFont(face, "B", headPt)
		w := max(c.Open, p.GetStringWidth(c.Head))
		p.SetFont(face, "", bodyPt)
		for _, r := range s.Rows {
			if c.Open == 0 {
				w = max(w, p.GetStringWidth(r[i])+1)
			}
		}
		p.widths[i] = w + 1
		total += p.widths[i]
	}
	for total > free {
		widest := -1
		for i, c := range s.Columns {
			if c.Open == 0 && !c.Narrow && !c.Right && (widest < 0 || p.widths[i] > p.widths[widest]) {
				widest = i
			}
		}
		if widest < 0 || p.widths[widest] < 14 {
			return fmt.Errorf("%d columns don't fit the width of the paper; print fewer of them, or across", len(s.Columns))
		}
		p.widths[widest]--
		total--
	}
	return nil
}

func (p *page) table() {
	if len(p.sheet.Rows) == 0 {
		return
	}
	p.heads()
	group := ""
	for i, row := range p.sheet.Rows {
		named := p.sheet.Groups != nil && (i == 0 || p.sheet.Groups[i] != group)
		if named {
			group = p.sheet.Groups[i]
		}
		p.row(row, group, named)
	}
}

func (p *page) heads() {
	p.SetFont(face, "B", headPt)
	for i, c := range p.sheet.Columns {
		p.CellFormat(p.widths[i], lineMM, c.Head, "", 0, side(c), false, 0, "")
		p.SetX(p.GetX() + gap)
	}
	p.Ln(lineMM + 0.5)
	p.rule(0.3)
	p.SetFont(face, "", bodyPt)
}

func side(c Column) string {
	if c.Right {
		return "R"
	}
	return "L"
}

func (p *page) rule(thick float64) {
	p.SetLineWidth(thick)
	p.Line(margin, p.GetY(), margin+p.width, p.GetY())
	p.SetY(p.GetY() + 0.6)
}

// row prints one row; its group's name goes before it where it is the first, or the first of a sheet.
func (p *page) row(row []string, group string, named bool) {
	p.SetFont(face, "", bodyPt)
	texts := make([][]string, len(row))
	height := lineMM
	for i, c := range p.sheet.Columns {
		if c.Open > 0 {
			height = max(height, lineMM+openMM)
			continue
		}
		texts[i] = p.broken(row[i], p.widths[i])
		height = max(height, lineMM*float64(len(texts[i])))
	}
	head := 0.0
	if named {
		head = lineMM + 2*padMM
	}
	if p.room(height + 2*padMM + head) {
		p.heads()
		named = p.sheet.Groups != nil
	}
	if named {
		p.SetFont(face, "B", bodyPt)
		p.SetY(p.GetY() + padMM)
		p.CellFormat(p.width, lineMM, group, "", 1, "L", false, 0, "")
		p.SetFont(face, "", bodyPt)
	}
	top := p.GetY() + padMM
	x := margin
	for i, c := range p.sheet.Columns {
		if c.Open > 0 {
			p.SetLineWidth(0.15)
			p.Line(x, top+height-0.6, x+p.widths[i]-1, top+height-0.6)
		}
		for n, l := range texts[i] {
			p.SetXY(x, top+height-lineMM*float64(len(texts[i])-n))
			p.CellFormat(p.widths[i], lineMM, l, "", 0, side(c), false, 0, "")
		}
		x += p.widths[i] + gap
	}
	p.SetXY(margin, top+height+padMM)
}
