package pages

import (
	"fmt"
	"net/url"
	"strings"

	"countback/cmd/countback/typed"
	"countback/cmd/countback/words"
	"countback/ledger/num"
	"countback/ledger/unit"
	"countback/projections/cut"
)

// cutPage works out what a sheet or a roll gives. It records nothing.
type cutPage struct {
	Item    *itemName
	What    string // sheet or roll
	Fields  []input
	Notes   []string
	Lists   lists
	Lead    string // the answer
	Ways    []cutWay
	Tail    string
	Path    string // the form of the item, with the pack or measure filled in
	Link    string
	Picture []cutRect // of the best way on a sheet
	Width   string
	Height  string
}

type cutWay struct {
	Way, Blocks  string
	Pieces       int64
	OverX, OverY string
	Best         bool
}

// cutRect is a piece on the sheet, in mm.
type cutRect struct{ X, Y, W, H string }

// mostPieces bounds the pieces that are drawn.
const mostPieces = 400

func serveCut(v *view) error {
	q := v.r.URL.Query()
	f := newForm(v.look, v.desk().Now(), q)
	p := cutPage{What: "sheet", Lists: v.look.suggestions()}
	if f.text("what") == "roll" {
		p.What = "roll"
	}
	if it, ok := v.look.Catalog.Find(f.text("item")); ok {
		p.Item = &itemName{it.ID, v.look.View.Def(it.Index).Name}
	}
	if f.has("from") {
		if p.What == "sheet" {
			f.cutSheet(&p)
		} else {
			f.cutRoll(&p)
		}
	}
	from, hint := "The sheet", "width × height, like 210x297mm, 8.5x11in or A4"
	piece := "One piece"
	if p.What == "roll" {
		from, hint = "The roll", "its length, like 50 m; or width × length, like 600mmx50m, where it is slit into lanes"
	}
	p.Fields = []input{
		f.textInput("from", from).hint(hint).needed(), f.textInput("piece", piece).hint("written like the other").needed(),
	}
	if p.What == "sheet" {
		p.Fields = append(p.Fields, f.textInput("gap", "Gap between two pieces").hint("like 2 mm"), f.textInput("margin", "Margin at each edge"))
	} else {
		p.Fields = append(p.Fields, f.textInput("blade", "Lost at each cut").hint("like 1 mm"))
	}
	p.Fields = append(p.Fields, f.tickInput("fixed", "Pieces must not be turned: grain, or a pattern"), f.textInput("name", nameOfCut(p.What)), f.itemInput("item", "Of the item"))
	p.Notes = f.notes
	return v.render("setup-cut", p)
}

func nameOfCut(what string) string {
	if what == "sheet" {
		return "What the sheet is called, as a pack"
	}
	return "What the piece is called, as a measure"
}

// length reads a length in any unit; 0 where there is none.
func (f *form) length(field string) (q num.Qty) {
	if !f.has(field) {
		return q
	}
	number, word, err := typed.CutNumber(f.text(field))
	if err == nil {
		if word == "" {
			word = "mm"
		}
		var n num.Qty
		if n, err = num.ParseQty(number); err == nil {
			q, err = unit.Convert(n, word, "mm")
		}
	}
	if err != nil {
		f.failed(field, err)
	}
	return q
}

func (f *form) size(field string) (s cut.Size) {
	if !f.has(field) {
		f.fail(field, "its size is missing", "")
		return s
	}
	s, err := typed.Size(strings.ReplaceAll(f.text(field), ",", "."))
	if err != nil {
		f.failed(field, err)
	}
	return s
}

func (f *form) cutSheet(p *cutPage) {
	s := cut.Sheet{Sheet: f.size("from"), Piece: f.size("piece"), Gap: f.length("gap"), Margin: f.length("margin"), Fixed: f.ticked("fixed")}
	if f.bad() {
		return
	}
	c, err := s.Cut()
	if err != nil {
		f.failed("", err)
		return
	}
	n := c.Best.Pieces()
	if n == 0 {
		f.fail("", fmt.Sprintf("A piece of %s doesn't fit a sheet of %s with margins of %s mm", cutSize(s.Piece), cutSize(s.Sheet), s.Margin), "check the sizes and their units")
		return
	}
	used := num.Whole(100).Sub(c.Offcut.Part(num.Whole(100), s.Sheet.Width.Times(s.Sheet.Height)))
	p.Lead = fmt.Sprintf("A sheet of %s gives %s of %s. %s %% of the sheet is used.", cutSize(s.Sheet), Count(n, "piece", "pieces"), cutSize(s.Piece), used.Round(1))
	best := false
	for _, w := range []struct {
		way string
		l   cut.Layout
	}{{"upright", c.Upright}, {"turned", c.Turned}, {"mixed", c.Mixed}} {
		if w.way != "upright" && w.l.Pieces() == 0 {
			continue
		}
		way := cutWay{Way: w.way, Blocks: words.Blocks(w.l), Pieces: w.l.Pieces(), OverX: w.l.Over.Width.String(), OverY: w.l.Over.Height.String(), Best: !best && w.l.Pieces() == n}
		best = best || way.Best
		p.Ways = append(p.Ways, way)
	}
	p.Tail = fmt.Sprintf("Count the item in pieces, and let the sheet be a pack of %d.", n)
	p.link("pack", cutName(f, "sheet"), num.Whole(n).String())
	p.Width, p.Height = s.Sheet.Width.String(), s.Sheet.Height.String()
	p.Picture = layOut(s, c.Best)
}

// layOut places the pieces of a layout on the sheet, for its picture.
func layOut(s cut.Sheet, l cut.Layout) (out []cutRect) {
	if l.Pieces() > mostPieces {
		return nil
	}
	x0, y0 := s.Margin, s.Margin
	for _, b := range l.Blocks {
		w, h := s.Piece.Width, s.Piece.Height
		if b.Turned {
			w, h = h, w
		}
		for i := range b.Down {
			for k := range b.Across {
				x := x0.Add(w.Add(s.Gap).Times(num.Whole(k)))
				y := y0.Add(h.Add(s.Gap).Times(num.Whole(i)))
				out = append(out, cutRect{x.String(), y.String(), w.String(), h.String()})
			}
		}
		if l.Beside {
			x0 = x0.Add(b.Size.Width).Add(s.Gap)
		} else {
			y0 = y0.Add(b.Size.Height).Add(s.Gap)
		}
	}
	return out
}

func (f *form) cutRoll(p *cutPage) {
	r := cut.Roll{Blade: f.length("blade"), Fixed: f.ticked("fixed")}
	plain := func(s string) string { return strings.ReplaceAll(s, ",", ".") }
	if !f.has("piece") {
		f.fail("piece", "its size is missing", "")
	} else if field, err := typed.Lengths(&r, plain(f.text("from")), plain(f.text("piece"))); err != nil {
		f.failed(map[string]string{"roll": "from", "piece": "piece"}[field], err)
	}
	if f.bad() {
		return
	}
	c, err := r.Cut()
	if err != nil {
		f.failed("", err)
		return
	}
	if c.Pieces() == 0 {
		f.fail("piece", "doesn't fit the roll", "check the lengths and their units")
		return
	}
	p.Lead = fmt.Sprintf("The roll gives %s", Count(c.Pieces(), "piece", "pieces"))
	if c.Lanes > 1 {
		p.Lead += fmt.Sprintf(", %s in each of %d lanes", Grouped(c.Along), c.Lanes)
	}
	if c.Turned {
		p.Lead += ", turned"
	}
	p.Lead += ". " + Grouped(c.Offcut) + " mm are left at its end"
	if c.Side.Sign() > 0 {
		p.Lead += ", and a strip " + Grouped(c.Side) + " mm wide beside the lanes"
	}
	p.Lead += "."
	if !c.Exact {
		p.Tail = fmt.Sprintf("The length that one piece takes isn't exact at 6 decimal places. Count the item in pieces instead, and let the roll be a pack of %s.", Grouped(c.Pieces()))
		p.link("pack", cutName(f, "roll"), fmt.Sprint(c.Pieces()))
		return
	}
	p.Tail = "Each piece takes " + Grouped(c.Each) + " mm of the roll."
	p.link("measure", cutName(f, "piece"), c.Each.String())
}

func cutName(f *form, usual string) string {
	if f.has("name") {
		return f.text("name")
	}
	return usual
}

// link leads to the item's form with what was worked out filled in.
func (p *cutPage) link(what, name, size string) {
	if p.Item == nil {
		return
	}
	p.Path = "/setup/item?item=" + url.QueryEscape(p.Item.ID) + "&" + what + "=" + url.QueryEscape(name+":"+typed.Field(size))
	p.Link = fmt.Sprintf("Let %s be a %s of %s, %s", name, what, p.Item.Name, Grouped(size))
}

func cutSize(s cut.Size) string { return Grouped(s.Width) + " × " + Grouped(s.Height) + " mm" }
