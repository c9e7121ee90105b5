package pages

import (
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/interval"
	"countback/projections/outlook"
	"countback/projections/plan"
	"countback/projections/purchases"
	"countback/projections/reorder"
	"countback/projections/review"
	"countback/projections/stock"
	"countback/projections/use"
)

// The reports that several pages show are worked out once for each look, as the commands without flags do.

// OnOrder is what is on order at suppliers, by item and in base units; items of which nothing is are left out.
func (l *Look) OnOrder() map[string]num.Qty {
	on, _ := once(l, "on order", func() (map[string]num.Qty, error) {
		on := map[string]num.Qty{}
		for item, q := range purchases.OnOrder(purchases.Open(l.Log, l.Run.AsOf)) {
			if q.Sign() > 0 {
				on[l.Catalog.Items[item].ID] = q
			}
		}
		return on, nil
	})
	return on
}

// Stock is what is on hand, with what is on order.
func (l *Look) Stock() stock.Report {
	r, _ := once(l, "stock", func() (stock.Report, error) {
		r := stock.Of(l.State(), l.Style, "")
		r.AddOnOrder(l.OnOrder())
		return r, nil
	})
	return r
}

// Review is what needs a decision.
func (l *Look) Review() (review.Report, error) {
	return once(l, "review", func() (review.Report, error) {
		var beside []fold.Notice
		if l.Beside != nil {
			var err error
			if beside, err = l.Beside(); err != nil {
				return review.Report{}, err
			}
		}
		r, _ := review.Of(l.Log, l.Run, l.Style, beside...)
		return r, nil
	})
}

// Plan is the packing day of all open orders.
func (l *Look) Plan() (plan.Report, error) {
	return once(l, "plan", func() (plan.Report, error) {
		r, err := plan.Of(l.State(), l.Style, plan.Ask{})
		if err == nil {
			r.AddOnOrder(l.OnOrder())
		}
		return r, err
	})
}

// Intervals are what happened to each item between two counts.
func (l *Look) Intervals() *interval.Table {
	t, _ := once(l, "intervals", func() (*interval.Table, error) { return interval.Read(l.Log, l.Run), nil })
	return t
}

// Use is real use against the specs.
func (l *Look) Use() use.Report {
	r, _ := once(l, "use", func() (use.Report, error) { return use.Of(l.Intervals(), l.Style, ""), nil })
	return r
}

// Outlook is how use goes on, with the terms that reorder has when nothing is said.
func (l *Look) Outlook() (*outlook.Outlook, error) {
	return once(l, "outlook", func() (*outlook.Outlook, error) {
		r := l.Use()
		return outlook.Of(l.Log, l.Run, outlook.Ask{Zone: l.Zone, Ratio: r.Measured(l.Catalog), Paths: reorder.Paths(reorder.UsualService)})
	})
}

// Reorder is what runs out when and what to order.
func (l *Look) Reorder() (*reorder.Report, error) {
	return once(l, "reorder", func() (*reorder.Report, error) {
		o, err := l.Outlook()
		if err != nil {
			return nil, err
		}
		return reorder.Of(l.Log, o, l.Style, UsualTerms), nil
	})
}

// UsualTerms are those of reorder where nothing is said.
var UsualTerms = reorder.Terms{Service: reorder.UsualService, Cover: reorder.UsualCover, Holding: 0.2}
