package fold

import (
	"slices"

	"countback/ledger/event"
	"countback/projections/parcel"
)

// PackSeen tells of a pack that moves stock, before it moves anything.
type PackSeen struct {
	Key      event.Key
	Order    string
	First    bool            // no pack of the order moved before
	Spec     *event.PackSpec // that it was packed by, as it stands after restatements; nil: there was none
	Job      parcel.Job      // with all its units
	Supplied []parcel.Use    // pieces that print runs for the order made and no pack has used yet
	Epoch    int             // of the view, for telling definitions apart
}

// tellPack calls the run's Pack.
func (s *State) tellPack(o *Order, spec *event.PackSpec, job parcel.Job, lines []goods) {
	if s.packing == nil {
		return
	}
	job.Units, job.Options = make([]parcel.Units, 0, len(lines)), slices.Clone(job.Options)
	for _, l := range lines {
		n, _ := l.qty.Int()
		job.Units = append(job.Units, parcel.Units{Item: l.item, Count: int64(n)})
	}
	p := PackSeen{Key: s.cur.key, Order: o.Number, First: o.Packs == 0, Spec: spec, Job: job, Epoch: s.View.Epoch()}
	if len(o.seen().supplied) > 0 {
		p.Supplied = o.Supplied()
	}
	s.packing(p)
}
