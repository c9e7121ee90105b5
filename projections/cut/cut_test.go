package cut_test

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/num"
	"countback/projections/cut"
)

func size(w, h string) cut.Size { return cut.Size{Width: num.MustQty(w), Height: num.MustQty(h)} }

func text(l cut.Layout) string {
	var parts []string
	for _, b := range l.Blocks {
		s := fmt.Sprintf("%d by %d", b.Across, b.Down)
		if b.Turned {
			s += " turned"
		}
		parts = append(parts, s)
	}
	joint := " over "
	if l.Beside {
		joint = " beside "
	}
	return fmt.Sprintf("%d: %s, over %s by %s", l.Pieces(), strings.Join(parts, joint), l.Over.Width, l.Over.Height)
}

func TestSheets(t *testing.T) {
	for _, c := range []struct {
		name          string
		sheet, piece  cut.Size
		gap, margin   string
		fixed         bool
		best, offcut  string
		upright, turn int64
	}{
		{"an A4 sheet gives four A6", size("210", "297"), size("105", "148"), "0", "0", false, "4: 2 by 2, over 0 by 1", "210", 4, 2},
		{"with a margin of 5 only two, turned", size("210", "297"), size("105", "148"), "0", "5", false, "2: 1 by 2 turned, over 52 by 77", "31290", 1, 2},
		{"cards with a gap", size("210", "297"), size("100", "140"), "2", "5", false, "2: 1 by 2, over 100 by 5", "34370", 2, 2},
		{"a third of the row fits with its gaps", size("200", "10"), size("66.333333", "10"), "0.5", "0", false, "3: 3 by 1, over 0.000001 by 0", "10.00001", 3, 0},
		{"a millionth more doesn't", size("200", "10"), size("66.333334", "10"), "0.5", "0", false, "2: 2 by 1, over 66.833332 by 0", "673.33332", 2, 0},
		{"turned is better", size("100", "60"), size("30", "50"), "0", "0", false, "4: 2 by 2 turned, over 0 by 0", "0", 3, 4},
		{"and may be forbidden", size("100", "60"), size("30", "50"), "0", "0", true, "3: 3 by 1, over 10 by 10", "1500", 3, 0},
		{"two blocks", size("70", "50"), size("20", "30"), "0", "0", false, "5: 3 by 1 over 2 by 1 turned, over 10 by 0", "500", 3, 4},
		{"two blocks side by side", size("50", "70"), size("30", "20"), "0", "0", false, "5: 1 by 3 beside 1 by 2 turned, over 0 by 10", "500", 3, 4},
		{"a piece that doesn't fit", size("70", "50"), size("80", "90"), "0", "0", false, "0: , over 0 by 0", "3500", 0, 0},
		{"margins wider than the sheet", size("70", "50"), size("10", "10"), "0", "36", false, "0: , over 0 by 0", "3500", 0, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := cut.Sheet{Sheet: c.sheet, Piece: c.piece, Gap: num.MustQty(c.gap), Margin: num.MustQty(c.margin), Fixed: c.fixed}.Cut()
			if err != nil {
				t.Fatal(err)
			}
			if text(got.Best) != c.best || got.Offcut.String() != c.offcut || got.Upright.Pieces() != c.upright || got.Turned.Pieces() != c.turn {
				t.Errorf("%s, %s mm² off, %d upright, %d turned\nwant %s, %s, %d, %d", text(got.Best), got.Offcut, got.Upright.Pieces(), got.Turned.Pieces(), c.best, c.offcut, c.upright, c.turn)
			}
		})
	}
}

func TestISO216(t *testing.T) {
	a := func(n int) cut.Size {
		s, ok := cut.Paper(fmt.Sprint("a", n))
		if !ok {
			t.Fatalf("no A%d", n)
		}
		return s
	}
	// The rule of ISO 216: the next size is the half, its millimetres rounded down. The tables keep it but for C, whose sizes are rounded means.
	for _, letter := range "AB" {
		for n := range 10 {
			big, _ := cut.Paper(fmt.Sprint(string(letter), n))
			small, ok := cut.Paper(fmt.Sprint(string(letter), n+1))
			if half := cut.Floor(big.Height, num.Whole(2)); !ok || small.Height.Cmp(big.Width) != 0 || small.Width.Cmp(num.Whole(half)) != 0 {
				t.Errorf("%c%d is %v, the half of %v", letter, n+1, small, big)
			}
		}
	}
	for n := range 10 { // C lies between A and B
		x, y, z := a(n), size("0", "0"), size("0", "0")
		y, _ = cut.Paper(fmt.Sprint("C", n))
		z, _ = cut.Paper(fmt.Sprint("B", n))
		if !x.Width.Less(y.Width) || !y.Width.Less(z.Width) || !x.Height.Less(y.Height) || !y.Height.Less(z.Height) {
			t.Errorf("A%d %v, C %v, B %v", n, x, y, z)
		}
	}
	// So each size gives two of the next, four of the one after, and 2^n of the n-th; the millimetres rounded off add up to further pieces after eight steps.
	for n := range 11 {
		for k := n; k <= min(n+7, 10); k++ {
			got, err := cut.Sheet{Sheet: a(n), Piece: a(k)}.Cut()
			if err != nil || got.Best.Pieces() != 1<<(k-n) {
				t.Errorf("A%d gives %d of A%d, %v", n, got.Best.Pieces(), k, err)
			}
		}
	}
	for _, bad := range []string{"", "A", "A11", "A-1", "D4", "A4x", "A04"} {
		if s, ok := cut.Paper(bad); ok {
			t.Errorf("%q is %v", bad, s)
		}
	}
	if s, ok := cut.Paper("Letter"); !ok || s.Width.String() != "215.9" || s.Height.String() != "279.4" {
		t.Error(s)
	}
}

func small(t *rapid.T, name string, from, to int) num.Qty {
	return num.Whole(int64(rapid.IntRange(from, to).Draw(t, name)))
}

// A sheet of squares is filled piece by piece: the arithmetic finds what laying them out finds.
func TestSheetsByLayingOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := cut.Sheet{
			Sheet: cut.Size{Width: small(t, "width", 1, 60), Height: small(t, "height", 1, 60)},
			Piece: cut.Size{Width: small(t, "piece width", 1, 25), Height: small(t, "piece height", 1, 25)},
			Gap:   small(t, "gap", 0, 3), Margin: small(t, "margin", 0, 4), Fixed: rapid.Bool().Draw(t, "fixed"),
		}
		got, err := s.Cut()
		if err != nil {
			t.Fatal(err)
		}
		n := func(q num.Qty) int { i, _ := q.Int(); return i }
		w, h, g := n(s.Sheet.Width)-2*n(s.Margin), n(s.Sheet.Height)-2*n(s.Margin), n(s.Gap)
		pw, ph := n(s.Piece.Width), n(s.Piece.Height)
		if up := laid(w, pw, g) * laid(h, ph, g); got.Upright.Pieces() != up {
			t.Errorf("upright %d, laid out %d", got.Upright.Pieces(), up)
		}
		best := laid(w, pw, g) * laid(h, ph, g)
		if !s.Fixed {
			turned := laid(w, ph, g) * laid(h, pw, g)
			if got.Turned.Pieces() != turned {
				t.Errorf("turned %d, laid out %d", got.Turned.Pieces(), turned)
			}
			best = max(best, turned)
			for y := 0; y <= h; y++ { // a cut at every millimetre, the gap behind it
				best = max(best, laid(w, pw, g)*laid(y, ph, g)+laid(w, ph, g)*laid(h-y-g, pw, g))
			}
			for x := 0; x <= w; x++ {
				best = max(best, laid(x, pw, g)*laid(h, ph, g)+laid(w-x-g, ph, g)*laid(h, pw, g))
			}
		}
		if got.Best.Pieces() != best {
			t.Errorf("best %s, laid out %d", text(got.Best), best)
		}
		if area := int64(n(s.Sheet.Width)*n(s.Sheet.Height)) - best*int64(pw*ph); got.Offcut.Cmp(num.Whole(area)) != 0 {
			t.Errorf("offcut %s, %d", got.Offcut, area)
		}
		if best > 0 && (got.Best.Over.Width.Sign() < 0 || got.Best.Over.Height.Sign() < 0) {
			t.Errorf("over the edge: %s", text(got.Best))
		}
		draw(t, s, got.Best, w, h, g)
	})
}

// laid puts pieces into a row one by one.
func laid(length, piece, gap int) (n int64) {
	for at := 0; at+piece <= length; at += piece + gap {
		n++
	}
	return n
}

// draw puts every piece of a layout on squared paper: none lies on another, none over the edge, and between two is the gap.
func draw(t *rapid.T, s cut.Sheet, l cut.Layout, w, h, g int) {
	paper := map[[2]int]bool{}
	x0, y0 := 0, 0
	for _, b := range l.Blocks {
		pw, _ := s.Piece.Width.Int()
		ph, _ := s.Piece.Height.Int()
		if b.Turned {
			pw, ph = ph, pw
		}
		for i := range int(b.Across) {
			for k := range int(b.Down) {
				for x := range pw + g {
					for y := range ph + g {
						at := [2]int{x0 + i*(pw+g) + x, y0 + k*(ph+g) + y}
						if x < pw && y < ph && (at[0] >= w || at[1] >= h) {
							t.Fatalf("a piece lies over the edge at %v: %s", at, text(l))
						}
						if paper[at] {
							t.Fatalf("two pieces lie on %v: %s", at, text(l))
						}
						paper[at] = true
					}
				}
			}
		}
		if l.Beside {
			x0 += int(b.Across) * (pw + g)
		} else {
			y0 += int(b.Down) * (ph + g)
		}
	}
}

func TestRolls(t *testing.T) {
	q := num.MustQty
	for _, c := range []struct {
		name string
		roll cut.Roll
		want string
	}{
		{"a roll of 50 m", cut.Roll{Length: q("50000"), Piece: q("310")}, "1 by 161, 90 left, side 0, each 310"},
		{"nothing left", cut.Roll{Length: q("300"), Piece: q("100")}, "1 by 3, 0 left, side 0, each 100"},
		{"the last piece needs no cut", cut.Roll{Length: q("304"), Piece: q("100"), Blade: q("2")}, "1 by 3, 0 left, side 0, each 102"},
		{"a cut of half a blade", cut.Roll{Length: q("305"), Piece: q("100"), Blade: q("2")}, "1 by 3, 0 left, side 0, each 102"},
		{"cuts add up", cut.Roll{Length: q("303"), Piece: q("100"), Blade: q("2")}, "1 by 2, 99 left, side 0, each 102"},
		{"slit into lanes", cut.Roll{Length: q("50000"), Piece: q("310"), Width: q("600"), Across: q("140"), Fixed: true}, "4 by 161, 90 left, side 40, each 77.5"},
		{"turned", cut.Roll{Length: q("50000"), Piece: q("310"), Width: q("650"), Across: q("140")}, "2 by 357, 20 left, side 30, each 70, turned"},
		{"as many both ways", cut.Roll{Length: q("600"), Piece: q("300"), Width: q("600"), Across: q("200")}, "3 by 2, 0 left, side 0, each 100"},
		{"a third", cut.Roll{Length: q("1000"), Piece: q("100"), Width: q("90"), Across: q("30"), Fixed: true}, "3 by 10, 0 left, side 0, each 33.333333, rounded"},
		{"too long", cut.Roll{Length: q("300"), Piece: q("301")}, "0 by 0, 0 left, side 0, each 0, rounded"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := c.roll.Cut()
			got := fmt.Sprintf("%d by %d, %s left, side %s, each %s", r.Lanes, r.Along, r.Offcut, r.Side, r.Each)
			if r.Turned {
				got += ", turned"
			}
			if !r.Exact {
				got += ", rounded"
			}
			if err != nil || got != c.want {
				t.Errorf("%s, %v\nwant %s", got, err, c.want)
			}
		})
	}
}

// A roll is cut strip by strip, with a blade.
func TestRollsStripByStrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := cut.Roll{Length: small(t, "length", 1, 400), Piece: small(t, "piece", 1, 60), Blade: small(t, "blade", 0, 5)}
		got, err := r.Cut()
		if err != nil {
			t.Fatal(err)
		}
		left, n := r.Length, int64(0)
		for !left.Less(r.Piece) {
			left = left.Sub(r.Piece)
			left = left.Sub(num.Min(left, r.Blade))
			n++
		}
		if got.Pieces() != n || n > 0 && got.Offcut.Cmp(left) != 0 {
			t.Errorf("%d pieces and %s left, strip by strip %d and %s", got.Pieces(), got.Offcut, n, left)
		}
	})
}

// Pieces of several lengths come from packs one by one, each from the first that still holds it.
func TestBenchPieceByPiece(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pack := small(t, "pack", 1, 50)
		b := cut.NewBench(pack)
		var opened []num.Qty
		var used num.Qty
		for range rapid.IntRange(1, 5).Draw(t, "cuts") {
			n, length := int64(rapid.IntRange(0, 40).Draw(t, "pieces")), small(t, "length", 0, 60)
			ok := b.Cut(n, length)
			if fits := length.Sign() > 0 && !pack.Less(length); ok != fits {
				t.Fatalf("%s from %s: %v", length, pack, ok)
			}
			if !ok {
				continue
			}
			for range n {
				at := 0
				for at < len(opened) && opened[at].Less(length) {
					at++
				}
				if at == len(opened) {
					opened = append(opened, pack)
				}
				opened[at] = opened[at].Sub(length)
				used = used.Add(length)
			}
		}
		if b.Opened() != int64(len(opened)) {
			t.Errorf("%d packs opened, piece by piece %d", b.Opened(), len(opened))
		}
		if want := pack.Times(num.Whole(b.Opened())).Sub(used); b.Left().Cmp(want) != 0 {
			t.Errorf("%s left of the packs, want %s", b.Left(), want)
		}
	})
}

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		do   func() error
		want string
	}{
		{func() error { _, err := cut.Sheet{Sheet: size("0", "10"), Piece: size("1", "1")}.Cut(); return err }, "the sheet's width is 0 mm"},
		{func() error { _, err := cut.Sheet{Sheet: size("10", "10"), Piece: size("1", "-1")}.Cut(); return err }, "the piece's height is -1 mm"},
		{func() error {
			_, err := cut.Sheet{Sheet: size("10", "10"), Piece: size("1", "1"), Gap: num.MustQty("-1")}.Cut()
			return err
		}, "the gap is -1 mm"},
		{func() error {
			_, err := cut.Sheet{Sheet: size("10", "10"), Piece: size("1", "1"), Margin: num.MustQty("-1")}.Cut()
			return err
		}, "the margin is -1 mm"},
		{func() error {
			_, err := cut.Sheet{Sheet: size("999999999999", "10"), Piece: size("0.000001", "1")}.Cut()
			return err
		}, "check the units"},
		{func() error { _, err := cut.Roll{Length: num.Whole(0), Piece: num.Whole(1)}.Cut(); return err }, "the roll's length is 0 mm"},
		{func() error {
			_, err := cut.Roll{Length: num.Whole(9), Piece: num.Whole(1), Width: num.Whole(5)}.Cut()
			return err
		}, "the piece's width is 0 mm"},
		{func() error {
			_, err := cut.Roll{Length: num.Whole(999_999_999_999), Piece: num.MustQty("0.000001")}.Cut()
			return err
		}, "check the units"},
		{func() error {
			_, err := cut.Roll{Length: num.Whole(9), Piece: num.Whole(1), Blade: num.Whole(-1)}.Cut()
			return err
		}, "the blade is -1 mm"},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
}
