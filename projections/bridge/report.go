package bridge

import (
	"math/big"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/report"
)

// SubLine is a Sub as it is printed.
type SubLine struct {
	Name   string   `json:"name"`
	Qty    string   `json:"qty"`
	Events []string `json:"events"`
}

// Line is a part as it is printed. Of price, which is about money alone, Qty is 0.
type Line struct {
	Part   string    `json:"part"`
	Qty    string    `json:"qty"`
	Value  string    `json:"value"`
	Events []string  `json:"events"`
	Sub    []SubLine `json:"sub"`
}

// Figures are a bridge as it is printed. Quantities are in base units; those of the parts add up to actual - expected, exactly, and the printed values to
// that of actual less that of expected.
type Figures struct {
	From        string `json:"from"`
	To          string `json:"to"`
	Opening     string `json:"opening"`
	ExpectedIn  string `json:"expected_in"`
	ExpectedOut string `json:"expected_out"`
	ActualOut   string `json:"actual_out"` // all that left, returns netted and what counts found missing included
	Expected    string `json:"expected"`
	Actual      string `json:"actual"`
	Bridge      []Line `json:"bridge"`

	ExpectedValue  string `json:"expected_value"`
	ActualValue    string `json:"actual_value"`
	UnitCost       string `json:"unit_cost"` // where the window begins
	Box            string `json:"box,omitempty"`
	RanOut         bool   `json:"ran_out"`
	DaysEarly      string `json:"days_early,omitempty"` // of a window that ran out, to a tenth: below 0 it lasted longer than was expected
	Orders         int    `json:"orders"`
	BaselineOrders int    `json:"baseline_orders"`
	BaselineDays   string `json:"baseline_days"`             // to a tenth
	NoExpectation  string `json:"no_expectation,omitempty"`  // why nothing is expected
	LastCount      string `json:"last_count,omitempty"`      // in the window; without one nothing is known to be unknown
	UncountedSince bool   `json:"uncounted_since,omitempty"` // the window goes on behind its last count
}

// Report is the bridge of one item with the windows before it beside it, the latest first.
type Report struct {
	report.Head
	Item     string `json:"item"`
	Name     string `json:"name"`
	Unit     string `json:"unit"`
	Currency string `json:"currency"`
	Costing  string `json:"costing"`
	Figures
	Earlier []Figures `json:"earlier,omitempty"`
}

// ReportOf writes bridges of one item, the first being what was asked about.
func (r *Record) ReportOf(st report.Style, list []Bridge) Report {
	item := list[0].Item
	out := Report{
		Head: report.HeadOf(r.State, st), Item: r.Log.Catalog.Items[item].ID, Name: r.State.View.Def(item).Name, Unit: r.Log.Catalog.Items[item].Unit(),
		Currency: r.Log.Catalog.Shop.Currency, Costing: r.State.Costing().String(), Figures: r.figures(st, &list[0]),
	}
	for i := range list[1:] {
		out.Earlier = append(out.Earlier, r.figures(st, &list[1+i]))
	}
	return out
}

func (r *Record) figures(st report.Style, b *Bridge) Figures {
	c, digits := r.State.Costing(), r.State.Digits()
	f := Figures{
		From: st.Time(b.FromMs), To: st.Time(b.ToMs), Opening: b.Opening.String(), ExpectedIn: b.ExpectedIn.String(), ExpectedOut: b.ExpectedOut.String(),
		ActualOut: b.ActualOut.String(), Expected: b.Expected.String(), Actual: b.Actual.String(),
		UnitCost: st.UnitCost(b.UnitCost[c], digits), RanOut: b.RanOut,
		Orders: b.Orders, BaselineOrders: b.BaselineOrders, BaselineDays: tenth(big.NewRat(b.BaselineMs, day)), NoExpectation: b.Why,
	}
	if !b.Box.IsZero() {
		f.Box = b.Box.String()
	}
	if b.Early != nil {
		f.DaysEarly = tenth(b.Early)
	}
	if b.CountedTo != 0 {
		f.LastCount = st.Time(b.CountedTo)
	}
	f.UncountedSince = !b.Counted
	// Expected, the parts and price lead to actual: what is printed has to add up as well.
	amounts := []num.Money{b.ExpectedValue[c]}
	for i := range b.Parts {
		amounts = append(amounts, b.Parts[i].Value[c])
	}
	lines, total := st.Lines(append(amounts, b.Price[c]), digits)
	f.ExpectedValue, f.ActualValue = lines[0], total
	for i := range b.Parts {
		p := &b.Parts[i]
		l := Line{Part: p.Name, Qty: p.Qty.String(), Value: lines[1+i], Events: ids(p.Events), Sub: []SubLine{}}
		for _, s := range p.Sub {
			l.Sub = append(l.Sub, SubLine{s.Name, s.Qty.String(), ids(s.Events)})
		}
		f.Bridge = append(f.Bridge, l)
	}
	f.Bridge = append(f.Bridge, Line{Part: Price, Qty: "0", Value: lines[len(lines)-1], Events: ids(b.Prices()), Sub: []SubLine{}})
	return f
}

// tenth writes a number rounded to one decimal.
func tenth(x *big.Rat) string { return rounded(x).Round(1).String() }

func ids(list []event.ID) []string {
	out := make([]string, len(list))
	for i, id := range list {
		out[i] = id.String()
	}
	return out
}

// Costing is the shop's own.
func (b *Bridge) Costing() book.Costing { return b.costing }
