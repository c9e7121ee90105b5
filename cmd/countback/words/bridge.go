package words

import (
	"countback/ledger/num"
	"countback/projections/bridge"
)

// Step is one line of a bridge's picture: a level or a part.
type Step struct {
	Text       string
	Part       string // as projections/bridge names it; "" for a level
	Qty, Value string // rounded for the eye, so that what is shown adds up; without a sign
	From, To   num.Qty
	Level      bool
}

// Steps leads from expected to actual. Quantities are rounded for the eye, so that what is shown still adds up.
func Steps(f *bridge.Figures, unit string) []Step {
	at := Quantity(f.Expected)
	list := []Step{{Text: "Expected", Value: f.ExpectedValue, To: at, Level: true}}
	if f.NoExpectation != "" {
		list[0].Text = "There at the start"
	}
	shown := []num.Money{AsMoney(at)}
	for _, l := range f.Bridge {
		q := Quantity(l.Qty)
		if q.IsZero() {
			continue
		}
		list = append(list, Step{Text: Part(l.Part, l.Qty, f.NoExpectation != ""), Part: l.Part, Value: l.Value, From: at, To: at.Add(q)})
		shown = append(shown, AsMoney(q))
		at = at.Add(q)
	}
	places := 0
	if unit != "mm" && at.Abs().Less(num.Whole(100)) && Quantity(f.Expected).Abs().Less(num.Whole(100)) {
		places = 1
	}
	rounded, total := num.RoundLines(shown, places)
	for i := range list {
		list[i].Qty = rounded[i].String()
	}
	return append(list, Step{Text: "There was", Qty: total.String(), Value: f.ActualValue, To: Quantity(f.Actual), Level: true})
}

// StepQty writes a step's quantity: a level as it is, a part with its sign.
func StepQty(s Step) string {
	if s.Level || s.Qty == "" {
		return Grouped(s.Qty)
	}
	return Signed(s.Qty)
}

// StepValue writes a step's value likewise.
func StepValue(s Step) string {
	if s.Level {
		return Grouped(s.Value)
	}
	return Signed(s.Value)
}
