package typed

import (
	"fmt"
	"strings"

	"countback/ledger/num"
	"countback/ledger/unit"
	"countback/projections/cut"
)

// Size reads a width and a height, "210x297mm" or "8.5 in x 11 in", or the name of a paper. A unit behind the second length alone is meant for both.
func Size(text string) (cut.Size, error) {
	if s, ok := cut.Paper(text); ok {
		return s, nil
	}
	const hint = "write it like 210x297mm, 8.5x11in or A4"
	a, b, ok := strings.Cut(strings.ReplaceAll(text, "×", "x"), "x")
	if !ok {
		return cut.Size{}, &Error{What: fmt.Sprintf("%q is no width and height", clip(text)), Hint: hint}
	}
	if number, word := Cut(a); word == "" {
		_, word = Cut(b)
		a = number + " " + word
	}
	var s cut.Size
	var err error
	if s.Width, err = unit.ParseQty(strings.TrimSpace(a), "mm"); err == nil {
		s.Height, err = unit.ParseQty(strings.TrimSpace(b), "mm")
	}
	if err != nil {
		what, more, _ := strings.Cut(err.Error(), "; ")
		if more == "" {
			more = hint
		}
		return s, &Error{What: what, Hint: more, Err: err}
	}
	return s, nil
}

// Lengths reads what a roll and a piece measure, into r: two lengths, like 50m and 310mm, or two sizes, like 600mmx50m and 140x310mm. field says which of the
// two an error is about: "roll", "piece", or neither.
func Lengths(r *cut.Roll, roll, piece string) (field string, err error) {
	wide := func(s string) bool { return strings.ContainsAny(s, "x×") }
	if wide(roll) != wide(piece) {
		return "", &Error{What: fmt.Sprintf("only one of %s and %s has a width", clip(roll), clip(piece)),
			Hint: "write both as lengths, like 50m 310mm, or both as width x length, like 600mmx50m 140x310mm"}
	}
	if !wide(roll) {
		if r.Length, err = length(roll, "50m"); err != nil {
			return "roll", err
		}
		r.Piece, err = length(piece, "310mm")
		return "piece", err
	}
	of, err := Size(roll)
	if err != nil {
		return "roll", err
	}
	one, err := Size(piece)
	if err != nil {
		return "piece", err
	}
	r.Width, r.Length, r.Across, r.Piece = of.Width, of.Height, one.Width, one.Height
	return "", nil
}

func length(text, example string) (num.Qty, error) {
	q, err := unit.ParseQty(text, "mm")
	if err != nil {
		what, hint, _ := strings.Cut(err.Error(), "; ")
		if hint == "" {
			hint = "write it like " + example
		}
		return q, &Error{What: what, Hint: hint, Err: err}
	}
	return q, nil
}
