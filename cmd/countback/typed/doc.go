// Package typed reads what a person typed, at the command line and on the desk pages alike: an amount in the packs, measures and units of an item, a day or a
// time in the shop's zone, a number with either decimal sign. Both ways of recording therefore make the same fact of the same words.
//
// # Numbers
//
// Number takes a point or a comma as decimal sign, and marks between thousands (a space, an apostrophe, or whichever of point and comma the decimal sign
// isn't). A number that could be meant in two ways is refused, never guessed: "1,234" and "1.234" may be twelve hundred or one and a bit, so they are
// asked for again as 1234 or 1.2340; "12,5", "0.125" and "1,234.5" can be one thing only.
//
// # Moments
//
// A day without a time is an instant of that day in the shop's zone, by what is recorded at it (PartOf). A time of day that the clocks jumped over is the
// first instant after the jump, one that they showed twice is the first of the two.
package typed

// Error says what is wrong with something typed, and what to do about it.
type Error struct {
	What string
	Hint string // may be empty
	Err  error  // the cause, for errors.Is; may be nil
}

// Error is both in one line.
func (e *Error) Error() string {
	if e.Hint == "" {
		return e.What
	}
	return e.What + "; " + e.Hint
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }
