// Package report holds what every report shares: its head, and how money and times are written.
package report

import (
	"maps"
	"slices"
	"time"

	"countback/ledger/num"
	"countback/projections/fold"
)

// Engine is the version of the rules by which figures are computed. It changes when a figure could.
const Engine = "countback-figures-1"

// Head stands in every report.
type Head struct {
	AsOf       string      `json:"as_of"`
	Engine     string      `json:"engine"`
	Incomplete *Incomplete `json:"incomplete,omitempty"`
}

// Incomplete says that the ledger holds what this program doesn't understand.
type Incomplete struct {
	Events int      `json:"events"`
	Kinds  []string `json:"kinds"`
}

// Style is how figures are written.
type Style struct {
	Zone  *time.Location // the shop's
	Exact bool           // money with 8 places
}

// HeadOf returns the head of a report on a state.
func HeadOf(s *fold.State, st Style) Head {
	h := Head{AsOf: st.Time(s.AsOf), Engine: Engine}
	if len(s.Unknown) > 0 {
		h.Incomplete = &Incomplete{Kinds: slices.Sorted(maps.Keys(s.Unknown))}
		for _, n := range s.Unknown {
			h.Incomplete.Events += n
		}
	}
	return h
}

// Time writes an instant, in milliseconds, in the shop's zone.
func (st Style) Time(ms int64) string {
	t := time.UnixMilli(ms).In(st.Zone)
	if t.Nanosecond() != 0 {
		return t.Format("2006-01-02T15:04:05.000Z07:00")
	}
	return t.Format(time.RFC3339)
}

// Money writes an amount in minor units, or with 8 places.
func (st Style) Money(m num.Money, digits int) string {
	if st.Exact {
		return m.StringFixed(8)
	}
	return m.StringFixed(digits)
}

// UnitCost writes a cost per base unit: four places beyond the minor unit, since a millimetre of cord costs next to nothing.
func (st Style) UnitCost(m num.Money, digits int) string {
	if st.Exact {
		return m.StringFixed(8)
	}
	return m.StringFixed(min(digits+4, 8))
}

// Lines writes amounts so that they add up to the total beside them: in minor units by largest remainder, or exactly.
func (st Style) Lines(amounts []num.Money, digits int) (lines []string, total string) {
	if st.Exact {
		var sum num.Money
		for _, m := range amounts {
			lines = append(lines, m.StringFixed(8))
			sum = sum.Add(m)
		}
		return lines, sum.StringFixed(8)
	}
	rounded, sum := num.RoundLines(amounts, digits)
	for _, m := range rounded {
		lines = append(lines, m.StringFixed(digits))
	}
	return lines, sum.StringFixed(digits)
}
