package paper

import (
	"bytes"
	"fmt"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// LabelSheet is how labels lie on a sheet that is bought with them on it. Lengths are millimetres.
type LabelSheet struct {
	Name          string  // width and height of a label, without fractions
	Paper         string  // A4 or Letter
	Across, Down  int     // labels beside and below each other
	Width, Height float64 // of a label
	Left, Top     float64 // from the edge of the paper to the first label
	StepX, StepY  float64 // from the edge of a label to that of the next one
}

// LabelSheets are the sizes that are sold most. The first one is used where none is named.
var LabelSheets = []LabelSheet{
	{"70x37", "A4", 3, 8, 70, 37, 0, 0.5, 70, 37},
	{"70x36", "A4", 3, 8, 70, 36, 0, 4.5, 70, 36},
	{"63x38", "A4", 3, 7, 63.5, 38.1, 7.21, 15.15, 66.04, 38.1},
	{"52x30", "A4", 4, 10, 52.5, 29.7, 0, 0, 52.5, 29.7},
	{"99x34", "A4", 2, 8, 99.1, 33.9, 4.65, 12.9, 101.6, 33.9},
	{"105x74", "A4", 2, 4, 105, 74.25, 0, 0, 105, 74.25},
	{"67x25", "Letter", 3, 10, 66.7, 25.4, 4.76, 12.7, 69.85, 25.4},
	{"102x51", "Letter", 2, 5, 101.6, 50.8, 3.97, 12.7, 106.36, 50.8},
}

// Label is one label: a code to scan, a name, and a line below it.
type Label struct {
	Code  func(x, y int) bool // whether a module is dark
	Size  int                 // of the code, in modules along an edge
	Name  string
	Below string
}

// The parts of a label. quiet is the light edge that a code needs (ISO/IEC 18004, four modules); the label's own edge counts as part of it.
const (
	labelEdge = 2.5
	quiet     = 4
	smallest  = 0.33 // millimetres of a module that a phone still reads from a hand's distance
	nameLines = 4
	codeShare = 0.42 // of a label's width at most, so that words have the larger part
)

// Fits says what is wrong with a label sheet, nil if nothing is: labels that overlap, lie outside of the paper, or are too small for a code.
func (s LabelSheet) Fits() error {
	paper, ok := map[string][2]float64{"A4": {210, 297}, "Letter": {215.9, 279.4}}[s.Paper]
	const (
		most  = 1000
		slack = 0.2 // sizes are rounded where they are printed on the box
	)
	switch {
	case !ok:
		return fmt.Errorf("%q isn't a paper size; choose A4 or Letter", s.Paper)
	case s.Across < 1 || s.Down < 1 || s.Across > most || s.Down > most:
		return fmt.Errorf("%d by %d labels isn't a sheet", s.Across, s.Down)
	case s.Width < 20 || s.Height < 15:
		return fmt.Errorf("a label of %g by %g mm is too small for a code and a name; it needs 20 by 15 mm", s.Width, s.Height)
	case s.Left < 0 || s.Top < 0 || s.Across > 1 && s.StepX < s.Width-slack || s.Down > 1 && s.StepY < s.Height-slack:
		return fmt.Errorf("the labels overlap, or begin outside of the paper")
	case s.Left+float64(s.Across-1)*s.StepX+s.Width > paper[0]+slack || s.Top+float64(s.Down-1)*s.StepY+s.Height > paper[1]+slack:
		return fmt.Errorf("%d by %d labels of %g by %g mm don't fit on %s", s.Across, s.Down, s.Width, s.Height, s.Paper)
	}
	return nil
}

// Labels returns a document of labels, in rows, after skip places that are used up already on the first sheet. The same labels at the same time give the same bytes.
func Labels(s LabelSheet, labels []Label, skip int, title string, at time.Time) ([]byte, error) {
	if err := s.Fits(); err != nil {
		return nil, err
	}
	p := fpdf.New("P", "mm", s.Paper, "")
	p.SetCreationDate(at)
	p.SetModificationDate(at)
	p.SetCatalogSort(true)
	p.SetProducer("countback", true)
	p.SetTitle(title, true)
	p.AddUTF8FontFromBytes(face, "", goregular.TTF)
	p.AddUTF8FontFromBytes(face, "B", gobold.TTF)
	p.SetMargins(0, 0, 0)
	p.SetAutoPageBreak(false, 0)
	p.SetCellMargin(0)
	each := s.Across * s.Down
	skip %= each
	for i, l := range labels {
		place := (skip + i) % each
		if i == 0 || place == 0 {
			p.AddPage()
		}
		if err := drawLabel(p, s, l, s.Left+float64(place%s.Across)*s.StepX, s.Top+float64(place/s.Across)*s.StepY); err != nil {
			return nil, err
		}
	}
	if len(labels) == 0 {
		p.AddPage()
	}
	var out bytes.Buffer
	if err := p.Output(&out); err != nil {
		return nil, fmt.Errorf("the labels can't be laid out: %w", err)
	}
	return out.Bytes(), nil
}

// drawLabel puts the code on the left, as large as the label allows, and the words beside it.
func drawLabel(p *fpdf.Fpdf, s LabelSheet, l Label, x, y float64) error {
	side := min(s.Height-2*labelEdge, (s.Width-3*labelEdge)*codeShare)
	module := side / float64(l.Size)
	if module < smallest {
		return fmt.Errorf("a code of %d modules is too fine for a label of %g by %g mm; choose a larger label", l.Size, s.Width, s.Height)
	}
	edge := max(labelEdge, module*quiet) // where a module is large the light edge has to be wider
	if edge > labelEdge {
		side = min(s.Height-2*edge, side)
		module = side / float64(l.Size)
	}
	left, top := x+edge, y+(s.Height-side)/2
	p.SetFillColor(0, 0, 0)
	for row := range l.Size {
		for from := 0; from < l.Size; from++ { // dark modules beside each other are one rectangle, so that no hairline is left between them
			to := from
			for to < l.Size && l.Code(to, row) {
				to++
			}
			if to > from {
				p.Rect(left+float64(from)*module, top+float64(row)*module, float64(to-from)*module, module, "F")
				from = to
			}
		}
	}
	gap := max(module*quiet, labelEdge)
	words(p, s, l, left+side+gap, y, x+s.Width-labelEdge-(left+side+gap))
	return nil
}

// words sets the name as large as it fits in its lines, and the line below it.
func words(p *fpdf.Fpdf, s LabelSheet, l Label, x, y, width float64) {
	const (
		largest, least = 13.0, 6.0
		perPoint       = 0.42 // millimetres of a line for each point of its letters
		below          = 0.72 // of the name's size
	)
	size := largest
	var lines []string
	for ; ; size -= 0.5 {
		p.SetFont(face, "B", size)
		lines = p.SplitText(l.Name, width)
		height := (float64(len(lines)) + below) * size * perPoint
		wide := false
		for _, line := range lines {
			wide = wide || p.GetStringWidth(line) > width
		}
		if size <= least || len(lines) <= nameLines && height <= s.Height-2*labelEdge && !wide {
			break
		}
	}
	lines = lines[:min(len(lines), nameLines)]
	small := max(size*below, least-1)
	at := y + (s.Height-float64(len(lines))*size*perPoint-small*perPoint)/2
	for _, line := range lines {
		p.SetXY(x, at)
		p.CellFormat(width, size*perPoint, clipped(p, line, width), "", 0, "L", false, 0, "")
		at += size * perPoint
	}
	p.SetFont(face, "", small)
	p.SetXY(x, at)
	p.CellFormat(width, small*perPoint, clipped(p, l.Below, width), "", 0, "L", false, 0, "")
}

// clipped cuts what is wider than its place, and says so with an ellipsis.
func clipped(p *fpdf.Fpdf, text string, width float64) string {
	if p.GetStringWidth(text) <= width {
		return text
	}
	letters := []rune(text)
	for len(letters) > 0 && p.GetStringWidth(string(letters)+"…") > width {
		letters = letters[:len(letters)-1]
	}
	return string(letters) + "…"
}
