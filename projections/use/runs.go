package use

import (
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/chance"
	"countback/projections/fold"
	"countback/projections/report"
)

// Runs is what the print runs of one item spoiled, against what its make spec calls normal.
type Runs struct {
	Item    string `json:"item"`
	Runs    int    `json:"runs"`
	Pieces  string `json:"pieces"` // good and spoiled
	Spoiled string `json:"spoiled"`
	Normal  string `json:"normal"` // share, by the make spec in force
	Share   string `json:"share"`  // of the pieces of all runs but the odd ones
	Low     string `json:"low"`    // 95 %, E. B. Wilson's score interval
	High    string `json:"high"`
	More    bool   `json:"more"` // the interval lies above what is normal
	Odd     []Odd  `json:"odd"`  // in fold order
}

// Odd is a run that spoiled more than the control limit of its item: the mean share and three standard deviations of a run of that size (NIST/SEMATECH e-Handbook
// of Statistical Methods, 6.3.3.2).
type Odd struct {
	Event   string `json:"event"`
	Time    string `json:"time"`
	Pieces  string `json:"pieces"`
	Spoiled string `json:"spoiled"`
}

// RunsOf reports on the print runs up to the state's as-of, by item; if item is not empty, on those of that one alone.
func RunsOf(l *fold.Log, s *fold.State, st report.Style, item string) []Runs {
	lists := make([][]*event.Event, len(s.Catalog.Items))
	l.Events(func(e *event.Event, reversed bool) {
		d, ok := e.Data.(*event.Reprint)
		if !ok || reversed || s.AsOf != 0 && e.Time.Ms() > s.AsOf {
			return
		}
		if it, ok := s.Catalog.Find(d.Item); ok && !it.Prepared() && (item == "" || item == d.Item) {
			lists[it.Index] = append(lists[it.Index], e)
		}
	})
	out := []Runs{}
	for i, list := range lists {
		if len(list) > 0 {
			out = append(out, runsOf(s, st, i, list))
		}
	}
	return out
}

func runsOf(s *fold.State, st report.Style, i int, list []*event.Event) Runs {
	r := Runs{Item: s.Catalog.Items[i].ID, Runs: len(list), Normal: "0", Odd: []Odd{}}
	normal := 0.0
	if m := s.View.Make(i); m != nil && m.Data.NormalSpoilage != nil {
		normal = m.Data.NormalSpoilage.Float()
		r.Normal = m.Data.NormalSpoilage.String()
	}
	var pieces, spoiled num.Qty
	for _, e := range list {
		d := e.Data.(*event.Reprint)
		pieces, spoiled = pieces.Add(*d.Good).Add(*d.Spoiled), spoiled.Add(*d.Spoiled)
	}
	r.Pieces, r.Spoiled = pieces.String(), spoiled.String()
	n, bad := pieces.Float(), spoiled.Float()
	mean := bad / n
	for _, e := range list {
		d := e.Data.(*event.Reprint)
		of := d.Good.Add(*d.Spoiled)
		if d.Spoiled.Float()/of.Float() > chance.SharesChart(mean, of.Float()).High {
			r.Odd = append(r.Odd, Odd{e.ID.String(), st.Time(e.Time.Ms()), of.String(), d.Spoiled.String()})
			n, bad = n-of.Float(), bad-d.Spoiled.Float()
		}
	}
	if n <= 0 {
		return r
	}
	low, high := chance.Wilson(bad, n, 0.95)
	r.Share, r.Low, r.High = chance.Text(bad/n), chance.Text(low), chance.Text(high)
	r.More = low > normal
	return r
}
