package bridge

import (
	"math/big"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
)

// Step is what one movement did to the day on which an item runs out, at the pace at which it was used in the 90 days before (packs and print runs; all history where
// that is shorter).
type Step struct {
	Event   event.ID
	Column  fold.Column
	PerDay  num.Qty  // the pace; 0 where there is none yet
	Days    *big.Rat // by how many days it moved the run-out: below 0 is sooner; nil without a pace
	RunsOut int64    // ms, after it; 0 without a pace
}

// Trail lists the steps of an item's movements, in their order. There is no pace in the first 14 days of a ledger.
func (r *Record) Trail(item int) []Step {
	list := r.moves[item]
	out := make([]Step, len(list))
	from := 0
	var used num.Qty
	for i := range list {
		m := &list[i]
		for ; from < i && list[from].Ms < m.Ms-baselineDays*day; from++ {
			used = used.Sub(usedBy(&list[from]))
		}
		s := Step{Event: m.Event, Column: m.Column}
		length := min(m.Ms-r.Begun, baselineDays*day)
		if used.Sign() > 0 && length >= leastDays*day {
			perMs := new(big.Rat).Quo(ratOf(used), big.NewRat(length, 1))
			s.PerDay = rounded(new(big.Rat).Mul(perMs, big.NewRat(day, 1)))
			qty := m.Qty
			if !m.Column.In() {
				qty = qty.Neg()
			}
			s.Days = new(big.Rat).Quo(ratOf(qty), perMs)
			s.Days.Quo(s.Days, big.NewRat(day, 1))
			left := new(big.Rat).Quo(ratOf(num.Max(num.Qty{}, m.OnHand)), perMs)
			ms := new(big.Int).Quo(left.Num(), left.Denom())
			if ms.IsInt64() && ms.Int64() < 200*365*day { // beyond that nothing is said
				s.RunsOut = m.Ms + ms.Int64()
			}
		}
		out[i] = s
		used = used.Add(usedBy(m))
	}
	return out
}

// usedBy is what a movement used in packs or print runs; what came back is none.
func usedBy(m *fold.Movement) num.Qty {
	switch m.Column {
	case fold.Sold, fold.Packed, fold.IntoRuns:
		return num.Max(num.Qty{}, m.Qty)
	}
	return num.Qty{}
}

// Tenths writes the days of a step to a tenth; empty without a pace.
func (s *Step) Tenths() string {
	if s.Days == nil {
		return ""
	}
	return tenth(s.Days)
}
