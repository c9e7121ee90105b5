package fold

import "countback/projections/parcel"

// Whole is the pack that would hold the order as it was placed, all of it and for the first time, under its zone and options. Its units are empty where nobody
// knows what was placed.
func (o *Order) Whole() parcel.Job {
	job := parcel.Job{First: true, Opening: true}
	if o.placed.basket == nil {
		return job
	}
	job.Zone, job.Options = o.placed.zone, o.placed.options
	for _, u := range o.PlacedLines() {
		n, _ := u.Qty.Int()
		job.Units = append(job.Units, parcel.Units{Item: u.Item, Count: int64(n)})
	}
	return job
}
