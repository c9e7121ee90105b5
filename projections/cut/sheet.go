package cut

import (
	"fmt"

	"countback/ledger/num"
)

// Size is a width and a height, in mm.
type Size struct{ Width, Height num.Qty }

// Turned is the size after a quarter turn.
func (s Size) Turned() Size { return Size{s.Height, s.Width} }

// Sheet is a sheet and the pieces that are to come from it.
type Sheet struct {
	Sheet, Piece Size
	Gap          num.Qty // between neighbouring pieces, in mm
	Margin       num.Qty // at each of the four edges, in mm
	Fixed        bool    // pieces must not be turned: grain, or a pattern
}

// Block is a grid of pieces that all lie the same way.
type Block struct {
	Across, Down int64
	Turned       bool
	Size         Size // from its first piece's edge to its last's
}

// Pieces is how many the block holds.
func (b Block) Pieces() int64 { return b.Across * b.Down }

// Layout is one way to lay pieces on a sheet.
type Layout struct {
	Blocks []Block // none where no piece fits; two only if one cut parts them
	Beside bool    // two blocks lie side by side, else one below the other
	Over   Size    // what is left between the margins, right of all pieces and below all of them
}

// Pieces is how many the layout holds.
func (l Layout) Pieces() (n int64) {
	for _, b := range l.Blocks {
		n += b.Pieces()
	}
	return n
}

// SheetCut is what a sheet gives.
type SheetCut struct {
	Upright, Turned, Mixed Layout // Turned and Mixed are empty where pieces must not be turned; Mixed too where it is no better than both others
	Best                   Layout
	Offcut                 num.Qty // area that isn't pieces, margins and gaps included, in mm², rounded once to 6 places
}

// most is how many pieces may lie in a row: more is a slip in a unit.
const most = 10_000

// Cut lays the pieces out. It fails on sizes of 0 or less, on a gap or margin below 0, on sizes whose area is beyond any sheet, and where more than 10,000
// pieces lie in a row. A piece that doesn't fit is no error: then there are no pieces.
func (s Sheet) Cut() (SheetCut, error) {
	for _, v := range []struct {
		name string
		q    num.Qty
	}{{"sheet's width", s.Sheet.Width}, {"sheet's height", s.Sheet.Height}, {"piece's width", s.Piece.Width}, {"piece's height", s.Piece.Height}} {
		if v.q.Sign() <= 0 {
			return SheetCut{}, fmt.Errorf("the %s is %s mm; give a length above 0", v.name, v.q)
		}
	}
	if err := notBelow0(s.Gap, "gap"); err != nil {
		return SheetCut{}, err
	}
	if err := notBelow0(s.Margin, "margin"); err != nil {
		return SheetCut{}, err
	}
	edges := s.Margin.Add(s.Margin)
	room := Size{s.Sheet.Width.Sub(edges), s.Sheet.Height.Sub(edges)}
	var out SheetCut
	up := grid(room, s.Piece, s.Gap, false)
	if up.Across > most || up.Down > most {
		return SheetCut{}, tooMany(up.Across, up.Down)
	}
	out.Upright = pure(room, up)
	out.Best = out.Upright
	if !s.Fixed {
		turned := grid(room, s.Piece.Turned(), s.Gap, true)
		if turned.Across > most || turned.Down > most {
			return SheetCut{}, tooMany(turned.Across, turned.Down)
		}
		out.Turned = pure(room, turned)
		if out.Turned.Pieces() > out.Best.Pieces() {
			out.Best = out.Turned
		}
		if m := s.mixed(room, up, turned); m.Pieces() > out.Best.Pieces() {
			out.Mixed, out.Best = m, m
		}
	}
	out.Offcut = area(s.Sheet).Sub(area(s.Piece).Times(num.Whole(out.Best.Pieces())))
	return out, nil
}

func area(s Size) num.Qty { return s.Width.Times(s.Height) }

func notBelow0(q num.Qty, name string) error {
	if q.Sign() < 0 {
		return fmt.Errorf("the %s is %s mm; give 0 or more", name, q)
	}
	return nil
}

func tooMany(a, b int64) error {
	return fmt.Errorf("%d pieces would lie in a row, and %d is the most; check the units", max(a, b), most)
}

// grid fills the room with pieces that lie one way.
func grid(room, piece Size, gap num.Qty, turned bool) Block {
	b := Block{Across: inRow(room.Width, piece.Width, gap), Down: inRow(room.Height, piece.Height, gap), Turned: turned}
	if b.Across == 0 || b.Down == 0 {
		return Block{Turned: turned}
	}
	b.Size = Size{extent(b.Across, piece.Width, gap), extent(b.Down, piece.Height, gap)}
	return b
}

func pure(room Size, b Block) Layout {
	if b.Pieces() == 0 {
		return Layout{}
	}
	return Layout{Blocks: []Block{b}, Over: Size{room.Width.Sub(b.Size.Width), room.Height.Sub(b.Size.Height)}}
}

// mixed finds the best two blocks: some rows of upright pieces with turned ones below, or some columns of them with turned ones beside.
func (s Sheet) mixed(room Size, up, turned Block) (best Layout) {
	for rows := int64(1); rows <= up.Down; rows++ {
		a := up
		a.Down, a.Size.Height = rows, extent(rows, s.Piece.Height, s.Gap)
		below := Size{room.Width, room.Height.Sub(a.Size.Height).Sub(s.Gap)}
		b := grid(below, s.Piece.Turned(), s.Gap, true)
		if n := a.Pieces() + b.Pieces(); b.Pieces() > 0 && n > best.Pieces() {
			best = Layout{Blocks: []Block{a, b}, Over: Size{room.Width.Sub(num.Max(a.Size.Width, b.Size.Width)), below.Height.Sub(b.Size.Height)}}
		}
	}
	for columns := int64(1); columns <= up.Across; columns++ {
		a := up
		a.Across, a.Size.Width = columns, extent(columns, s.Piece.Width, s.Gap)
		beside := Size{room.Width.Sub(a.Size.Width).Sub(s.Gap), room.Height}
		b := grid(beside, s.Piece.Turned(), s.Gap, true)
		if n := a.Pieces() + b.Pieces(); b.Pieces() > 0 && n > best.Pieces() {
			best = Layout{Blocks: []Block{a, b}, Beside: true, Over: Size{beside.Width.Sub(b.Size.Width), room.Height.Sub(num.Max(a.Size.Height, b.Size.Height))}}
		}
	}
	return best
}

// inRow is how many pieces lie in a row: floor((length + gap) / (piece + gap)), at least 0.
func inRow(length, piece, gap num.Qty) int64 { return Floor(length.Add(gap), piece.Add(gap)) }

// extent is how long a row of n pieces is.
func extent(n int64, piece, gap num.Qty) num.Qty {
	return piece.Times(num.Whole(n)).Add(gap.Times(num.Whole(n - 1)))
}

// Floor is how often part goes into whole, at least 0; above 10^15 it is 10^15. It panics if part is not above 0.
func Floor(whole, part num.Qty) int64 {
	up := whole.Ceil(part) // 0 for what is below 0
	const limit = 1_000_000_000_000_000
	n, ok := up.Int()
	if !ok || n > limit {
		return limit
	}
	if n > 0 && whole.Less(part.Times(up)) {
		n--
	}
	return int64(n)
}
