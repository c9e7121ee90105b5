package fill

import (
	"countback/projections/chance"
	"countback/projections/fold"
	"countback/projections/report"
)

// Row is how an item's counted deliveries from one supplier came, in base units. Shares are estimates.
type Row struct {
	Item       string   `json:"item"`
	Name       string   `json:"name"`
	Unit       string   `json:"unit"`
	Supplier   string   `json:"supplier"`
	Deliveries int      `json:"deliveries"`
	Promised   string   `json:"promised"`
	Found      string   `json:"found"`
	Short      string   `json:"short"`       // promised - found: above 0 something lacked
	ShortShare string   `json:"short_share"` // the mean of each delivery's own share
	Low        string   `json:"low"`         // of that mean, 95 %; empty for a single delivery
	High       string   `json:"high"`
	Signal     bool     `json:"signal"` // they hold less than they promise, and not by chance
	Events     []string `json:"events"`
}

// Report lists the counted deliveries by item and supplier.
type Report struct {
	report.Head
	Items []Row `json:"items"`
}

// ReportOf writes the counted deliveries up to a state's instant.
func ReportOf(l *fold.Log, s *fold.State, st report.Style) Report {
	r := Report{Head: report.HeadOf(s, st), Items: []Row{}}
	for _, line := range Of(l, s.AsOf) {
		it := l.Catalog.Items[line.Item]
		v := line.Share
		row := Row{
			Item: it.ID, Name: s.View.Def(line.Item).Name, Unit: it.Unit(), Supplier: line.Supplier, Deliveries: line.Deliveries,
			Promised: line.Promised.String(), Found: line.Found.String(), Short: line.Promised.Sub(line.Found).String(),
			ShortShare: chance.Text(-v.Mean), Signal: v.Short,
		}
		if v.Enough {
			row.Low, row.High = chance.Text(-v.Mean-v.Limit), chance.Text(-v.Mean+v.Limit)
		}
		for _, id := range line.Events {
			row.Events = append(row.Events, id.String())
		}
		r.Items = append(r.Items, row)
	}
	return r
}
