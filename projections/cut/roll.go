package cut

import (
	"fmt"

	"countback/ledger/num"
)

// Roll is a roll, or any long piece, and what is to come from it. All lengths are in mm.
type Roll struct {
	Length num.Qty
	Piece  num.Qty // length of a piece, along the roll
	Blade  num.Qty // lost at each cut and each slit
	Width  num.Qty // of the roll; 0: it isn't slit
	Across num.Qty // width of a piece, across the roll; with Width only
	Fixed  bool    // with Width: pieces must not be turned
}

// RollCut is what a roll gives.
type RollCut struct {
	Lanes  int64 // beside each other; 1 where it isn't slit
	Along  int64 // in each lane
	Turned bool  // the piece's length lies across the roll
	Offcut num.Qty
	Side   num.Qty // width of the strip left beside the lanes
	Each   num.Qty // length of roll that one piece takes, its cut included: what a measure's size is; rounded once to 6 places
	Exact  bool    // Each needed no rounding
}

// Pieces is how many there are.
func (r RollCut) Pieces() int64 { return r.Lanes * r.Along }

// Cut works the roll out. It fails on lengths of 0 or less, on a blade below 0, and on more than 10^12 pieces. A piece that doesn't fit is no error.
func (r Roll) Cut() (RollCut, error) {
	slit := !r.Width.IsZero() || !r.Across.IsZero()
	check := []struct {
		name string
		q    num.Qty
		on   bool
	}{{"roll's length", r.Length, true}, {"piece's length", r.Piece, true}, {"roll's width", r.Width, slit}, {"piece's width", r.Across, slit}}
	for _, c := range check {
		if c.on && c.q.Sign() <= 0 {
			return RollCut{}, fmt.Errorf("the %s is %s mm; give a length above 0", c.name, c.q)
		}
	}
	if err := notBelow0(r.Blade, "blade"); err != nil {
		return RollCut{}, err
	}
	if !slit {
		return bounded(r.strips(r.Piece, 1, num.Qty{}))
	}
	out, err := bounded(r.lanes(r.Piece, r.Across))
	if r.Fixed || err != nil {
		return out, err
	}
	other, err := bounded(r.lanes(r.Across, r.Piece))
	if err == nil && other.Pieces() > out.Pieces() {
		other.Turned = true
		return other, nil
	}
	return out, err
}

func bounded(out RollCut) (RollCut, error) {
	const limit = 1_000_000_000_000
	if out.Lanes > most {
		return RollCut{}, tooMany(out.Lanes, 0)
	}
	if out.Along > limit/max(1, out.Lanes) {
		return RollCut{}, fmt.Errorf("that is more than %d pieces; check the units", int64(limit))
	}
	return out, nil
}

func (r Roll) lanes(piece, across num.Qty) RollCut {
	n := inRow(r.Width, across, r.Blade)
	if n == 0 {
		return RollCut{}
	}
	return r.strips(piece, n, rest(r.Width, across, r.Blade, n))
}

func (r Roll) strips(piece num.Qty, lanes int64, side num.Qty) RollCut {
	n := inRow(r.Length, piece, r.Blade)
	if n == 0 {
		return RollCut{}
	}
	step := piece.Add(r.Blade)
	out := RollCut{Lanes: lanes, Along: n, Offcut: rest(r.Length, piece, r.Blade, n), Side: side}
	out.Each = step.Part(num.Whole(1), num.Whole(lanes))
	out.Exact = out.Each.Times(num.Whole(lanes)).Cmp(step) == 0
	return out
}

// rest is what n pieces leave of a length: each costs itself and a cut, and the last cut takes no more than there is.
func rest(length, piece, blade num.Qty, n int64) num.Qty {
	return num.Max(num.Qty{}, length.Sub(piece.Add(blade).Times(num.Whole(n))))
}

// Bench is one kind of pack, sheets or rolls of one length, from which pieces of several lengths are cut in turn. Each piece comes from the first opened pack
// that still holds it, else from a new one. Give the longest pieces first: first fit decreasing then takes at most 11/9 of the fewest packs possible, and a
// part of one (G. Dósa, The tight bound of first fit decreasing bin-packing algorithm, 2007).
type Bench struct {
	pack   num.Qty
	opened int64
	rests  []rests
}

// rests is a number of opened packs with the same left in each.
type rests struct {
	length num.Qty
	count  int64
}

// NewBench returns a bench without an opened pack. pack is above 0, in any unit of length or number that the pieces have too.
func NewBench(pack num.Qty) *Bench { return &Bench{pack: pack} }

// Cut takes pieces of a length. It returns false, and takes none, if a piece is longer than a pack, or of no length.
func (b *Bench) Cut(pieces int64, length num.Qty) bool {
	if length.Sign() <= 0 || b.pack.Less(length) {
		return false
	}
	var out []rests
	for _, r := range b.rests {
		out, pieces = from(out, r, pieces, length)
	}
	each := Floor(b.pack, length)
	if packs := (pieces + each - 1) / each; packs > 0 {
		b.opened += packs
		out, _ = from(out, rests{b.pack, packs}, pieces, length)
	}
	b.rests = out
	return true
}

// from cuts pieces from packs of one kind in turn, and adds what is left of each.
func from(out []rests, r rests, pieces int64, length num.Qty) ([]rests, int64) {
	each := Floor(r.length, length)
	if each == 0 || pieces == 0 {
		return put(out, r.length, r.count), pieces
	}
	full := min(r.count, pieces/each)
	out = put(out, r.length.Sub(length.Times(num.Whole(each))), full)
	pieces -= full * each
	if full < r.count && pieces > 0 {
		out = put(out, r.length.Sub(length.Times(num.Whole(pieces))), 1)
		full, pieces = full+1, 0
	}
	return put(out, r.length, r.count-full), pieces
}

func put(out []rests, length num.Qty, count int64) []rests {
	if count == 0 {
		return out
	}
	if n := len(out); n > 0 && out[n-1].length.Cmp(length) == 0 {
		out[n-1].count += count
		return out
	}
	return append(out, rests{length, count})
}

// Opened is how many packs were opened.
func (b *Bench) Opened() int64 { return b.opened }

// Left is the sum of what is left of the opened packs.
func (b *Bench) Left() (sum num.Qty) {
	for _, r := range b.rests {
		sum = sum.Add(r.length.Times(num.Whole(r.count)))
	}
	return sum
}
