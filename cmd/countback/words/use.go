package words

import (
	"strings"
	"time"

	"countback/projections/use"
)

// Measure is the measure of a proposed quantity, behind it.
func Measure(p *use.Proposal) string {
	if p.Measure == "" {
		return ""
	}
	return " " + p.Measure
}

// Pattern says in what way real use differs from the spec.
func Pattern(it use.Item) string {
	switch it.Pattern {
	case "agrees":
		return "agrees"
	case "drift":
		if strings.HasPrefix(it.High, "0.") {
			return "less a time"
		}
		return "more a time"
	case "steady":
		return "lost day by day"
	case "both":
		return "more a time, and day by day"
	}
	return "drift or steady loss"
}

// SpecLine says which line of a spec a proposal is about.
func SpecLine(p *use.Proposal) string {
	where := "packing spec"
	if p.Made != "" {
		where = "make spec of " + p.Made
	} else if p.Format != "" {
		where += ", format " + p.Format
	}
	return where + ", per " + p.Per
}

// SinceDay is the first whole day after a count at the end of one.
func SinceDay(from string) string {
	t, err := time.Parse(time.RFC3339, from)
	if err != nil {
		return from
	}
	return use.SinceDay(t)
}
