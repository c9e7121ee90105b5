// Package stock answers what is on hand, what a unit costs and what it is all worth.
package stock

import (
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/report"
)

// Item is one line of the report: all items but prepared ones, which have no stock.
type Item struct {
	Item      string `json:"item"`
	Name      string `json:"name"`
	Type      string `json:"type"`
	Unit      string `json:"unit"`
	OnHand    string `json:"on_hand"`
	UnitCost  string `json:"unit_cost"` // value ÷ on hand; at or below zero the provisional one
	Value     string `json:"value"`
	LastCount string `json:"last_count,omitempty"`
	OnOrder   string `json:"on_order,omitempty"` // at suppliers, above 0; see AddOnOrder

	Place   string  `json:"-"`
	Short   bool    `json:"-"` // more left than came
	Retired bool    `json:"-"`
	Qty     num.Qty `json:"-"`
}

// Report is the stock at an instant.
type Report struct {
	report.Head
	Currency string `json:"currency"`
	Costing  string `json:"costing"`
	Items    []Item `json:"items"`
	Total    string `json:"total"` // of value: what the items' values add up to
}

// Of reports on a state, by item id. If item is not empty, on that one alone.
func Of(s *fold.State, st report.Style, item string) Report {
	c, d := s.Costing(), s.Digits()
	r := Report{Head: report.HeadOf(s, st), Currency: s.Catalog.Shop.Currency, Costing: c.String(), Items: []Item{}}
	var values []num.Money
	for _, it := range s.Catalog.Items {
		if it.Prepared() || item != "" && it.ID != item {
			continue
		}
		def, state := s.View.Def(it.Index), &s.Items[it.Index]
		unit, _ := state.Account.UnitCost(def.UnitCost)
		q := state.Account.OnHand()
		line := Item{
			Item: it.ID, Name: def.Name, Type: def.Type, Unit: def.Unit,
			OnHand: q.String(), UnitCost: st.UnitCost(unit[c], d),
			Place: def.Place, Short: q.Sign() < 0, Retired: s.View.Retired(it.Index), Qty: q,
		}
		if state.Counted {
			line.LastCount = st.Time(state.LastCount)
		}
		r.Items = append(r.Items, line)
		values = append(values, state.Account.Value()[c])
	}
	lines, total := st.Lines(values, d)
	for i := range r.Items {
		r.Items[i].Value = lines[i]
	}
	r.Total = total
	return r
}

// AddOnOrder fills in what is on order of each item, by id and in base units, as the package purchases finds it. What isn't above 0 is left out.
func (r *Report) AddOnOrder(on map[string]num.Qty) {
	for i := range r.Items {
		if q := on[r.Items[i].Item]; q.Sign() > 0 {
			r.Items[i].OnOrder = q.String()
		}
	}
}
