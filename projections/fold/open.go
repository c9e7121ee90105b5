package fold

import "countback/projections/parcel"

// Rest is the pack that would finish the order: everything that was placed and isn't packed yet, under the zone and the options as placed. It is empty where
// the order isn't open.
func (o *Order) Rest() parcel.Job {
	if !o.Open {
		return parcel.Job{}
	}
	job := parcel.Job{First: o.Packs == 0, Opening: !o.parcels}
	if o.placed.basket != nil {
		job.Zone, job.Options = o.placed.zone, o.placed.options
	}
	for _, u := range o.Remaining() {
		n, _ := u.Qty.Int()
		job.Units = append(job.Units, parcel.Units{Item: u.Item, Count: int64(n)})
	}
	return job
}

// Supplied is what print runs for the order made and no pack of it has used: those pieces need not come from stock.
func (o *Order) Supplied() []parcel.Use {
	var out []parcel.Use
	for _, g := range o.seen().supplied {
		if g.qty.Sign() > 0 {
			out = append(out, parcel.Use{Item: g.item, Qty: g.qty})
		}
	}
	return out
}
