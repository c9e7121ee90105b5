package reprint

import (
	"errors"
	"strings"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/parcel"
	"countback/projections/report"
)

// Report says of each item that is made here how many pieces could be printed from what is on hand.
type Report struct {
	report.Head
	Items []Item `json:"items"` // by id
}

// Item is what could be printed of one item.
type Item struct {
	Item      string    `json:"item"`
	Name      string    `json:"name"`
	OnHand    string    `json:"on_hand"`
	Pieces    string    `json:"pieces,omitempty"` // that could be run off; left out where nothing limits them, and where Why says what is wrong
	Good      string    `json:"good,omitempty"`   // of these after normal spoilage
	Cycles    string    `json:"cycles,omitempty"` // that they take
	Limits    []Lacking `json:"limited_by"`       // what one piece more would lack
	First     []Before  `json:"first"`            // what is made before, in this order
	Unlimited bool      `json:"unlimited,omitempty"`
	Why       string    `json:"why,omitempty"` // there is no figure
}

// Lacking is a supply that isn't enough for one piece more.
type Lacking struct {
	Item string `json:"item"`
	Have string `json:"have"`
	Need string `json:"need"`
}

// Before is a home-made supply that a run needs made first.
type Before struct {
	Item   string `json:"item"`
	Pieces string `json:"pieces"`
}

// All reports on every item with a make spec that isn't retired, or on one item, whatever it is.
func All(s *fold.State, st report.Style, only string) Report {
	r := Report{Head: report.HeadOf(s, st), Items: []Item{}}
	for _, it := range s.Catalog.Items {
		if only == "" && s.View.Retired(it.Index) || only != "" && only != it.ID {
			continue
		}
		if row, ok := Row(s, it.Index, func(n int) num.Qty { return s.Items[n].Account.OnHand() }); ok {
			r.Items = append(r.Items, row)
		}
	}
	return r
}

// Row is one item of the report; false where it has no make spec. have is what is there for it of each item.
func Row(s *fold.State, item int, have func(int) num.Qty) (Item, bool) {
	id := func(n int) string { return s.Catalog.Items[n].ID }
	able, ok, err := Of(s.Catalog, s.View, item, have)
	row := Item{Item: id(item), Name: s.View.Def(item).Name, OnHand: s.Items[item].Account.OnHand().String(), Limits: []Lacking{}, First: []Before{}, Unlimited: able.Free}
	var circle *Circle
	switch {
	case errors.As(err, &circle):
		row.Why = "its make spec goes in a circle: " + strings.Join(circle.Names(s.Catalog), " is made with ")
	case err != nil:
		row.Why = strings.TrimPrefix(err.Error(), parcel.ErrVoid.Error()+": ")
	case !able.Free:
		row.Pieces, row.Good, row.Cycles = able.Pieces.String(), able.Good.String(), able.Cycles.String()
	}
	for _, l := range able.Limits {
		row.Limits = append(row.Limits, Lacking{id(l.Item), num.Max(num.Qty{}, l.Have).String(), l.Need.String()})
	}
	for _, f := range able.First {
		row.First = append(row.First, Before{id(f.Item), f.Pieces.String()})
	}
	return row, ok
}
