package words

import "countback/projections/tally"

// CountedAs says what a row of a count sheet counts.
func CountedAs(r *tally.Row) string {
	switch {
	case r.Pack != "" && r.Base != "each":
		return r.Pack + " of " + Grouped(r.Holds.String()) + " " + r.Base
	case r.Pack != "":
		return r.Pack + " of " + Grouped(r.Holds.String())
	case r.Base == "each" && !r.First:
		return "loose"
	case r.Base == "each":
		return "pieces"
	case !r.First:
		return r.Base + ", opened"
	}
	return r.Base
}
