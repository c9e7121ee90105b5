package bridge

import (
	"encoding/binary"
	"sort"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/parcel"
)

// Record is a ledger as bridges need it: what moved of each item, and what each pack was. It serves bridges of all items.
type Record struct {
	Log   *fold.Log
	State *fold.State
	Begun int64 // ms of the first movement of stock; 0: there is none

	moves []moves // by item
	packs []pack  // that moved, in fold order
	jobs  []parcel.Job
	revs  []*revision // under which packs were packed
	cuts  map[cutKey][]parcel.Use
}

type moves []fold.Movement

// pack is a pack that moved.
type pack struct {
	key      event.Key
	job, rev int32
	first    bool // of its order
	supplied []parcel.Use
}

// revision is what a pack goes by: a spec, and the definitions at one place.
type revision struct {
	catalog *catalog.Catalog
	at      event.Key
	view    *catalog.View // made when it is first needed
	spec    *event.PackSpec
	index   int
}

type revKey struct {
	spec  *event.PackSpec
	epoch int
}

type cutKey struct{ job, rev int }

// Read runs a log and remembers what bridges need. It needs run.Observe and run.Pack for itself.
func Read(l *fold.Log, run fold.Run) *Record {
	r := &Record{Log: l, moves: make([]moves, len(l.Catalog.Items)), cuts: map[cutKey][]parcel.Use{}}
	jobs := map[string]int{}
	revs := map[revKey]int{}
	var buf []byte
	run.Pack = func(p fold.PackSeen) {
		buf = jobKey(buf[:0], p.Job)
		j, ok := jobs[string(buf)]
		if !ok {
			j = len(r.jobs)
			jobs[string(buf)] = j
			r.jobs = append(r.jobs, p.Job)
		}
		k := revKey{p.Spec, p.Epoch}
		v, ok := revs[k]
		if !ok {
			v = len(r.revs)
			revs[k] = v
			r.revs = append(r.revs, &revision{catalog: l.Catalog, at: p.Key, spec: p.Spec, index: v})
		}
		r.packs = append(r.packs, pack{p.Key, int32(j), int32(v), p.First, p.Supplied})
	}
	run.Observe = func(m fold.Movement) {
		m.Singles = nil
		if r.Begun == 0 {
			r.Begun = m.Ms
		}
		if m.Column != fold.Adjusted {
			r.moves[m.Item] = append(r.moves[m.Item], m)
		} else if n := len(r.moves[m.Item]); n > 0 { // a change of value alone: it stands with what brought it
			last := &r.moves[m.Item][n-1]
			last.OnHand, last.Balance = m.OnHand, m.Balance
		}
	}
	run.From, run.Singles, run.Count = nil, false, nil
	r.State = l.Run(run)
	return r
}

// jobKey is the same for packs that say the same.
func jobKey(k []byte, job parcel.Job) []byte {
	var flags byte
	for i, f := range [3]bool{job.First, job.Opening, job.Joined} {
		if f {
			flags |= 1 << i
		}
	}
	text := func(s string) { k = append(binary.AppendUvarint(k, uint64(len(s))), s...) }
	k = append(k, flags)
	text(job.Zone)
	k = binary.AppendUvarint(k, uint64(len(job.Options)))
	for _, o := range job.Options {
		text(o)
	}
	k = binary.AppendUvarint(k, uint64(len(job.Units)))
	for _, u := range job.Units {
		k = binary.AppendUvarint(binary.AppendUvarint(k, uint64(u.Item)), uint64(u.Count))
	}
	for _, g := range job.Given {
		text(g.Format)
		k = binary.AppendUvarint(k, uint64(len(g.Lines)))
		for _, l := range g.Lines {
			text(l.Item)
			text(l.Qty.String())
		}
	}
	return k
}

// between returns the packs after one place up to another.
func (r *Record) between(from, to event.Key) []pack {
	i := sort.Search(len(r.packs), func(i int) bool { return from.Before(r.packs[i].key) })
	k := sort.Search(len(r.packs), func(i int) bool { return to.Before(r.packs[i].key) })
	return r.packs[i:max(i, k)]
}

// take returns what a pack takes from stock of every item under a revision, before changes, and before what print runs supplied is taken off. Where a
// person split the goods into formats that the revision doesn't have, its own rule splits them.
func (r *Record) take(job int, rev *revision) []parcel.Use {
	k := cutKey{job, rev.index}
	if u, ok := r.cuts[k]; ok {
		return u
	}
	if rev.view == nil {
		rev.view = rev.catalog.At(rev.at)
	}
	j := r.jobs[job]
	res, err := parcel.Resolve(rev.catalog, rev.view, rev.spec, j)
	if err != nil && j.Given != nil {
		j.Given = nil
		res, err = parcel.Resolve(rev.catalog, rev.view, rev.spec, j)
	}
	var out []parcel.Use
	if err == nil {
		out, _ = parcel.Parts(rev.catalog, rev.view, res.Use) // what has no parts under these definitions takes nothing
	}
	r.cuts[k] = out
	return out
}

// goodsOf returns what a pack's goods are under a revision's definitions, sets as their parts.
func (r *Record) goodsOf(job int, rev *revision) []parcel.Use {
	k := cutKey{-1 - job, rev.index}
	if u, ok := r.cuts[k]; ok {
		return u
	}
	if rev.view == nil {
		rev.view = rev.catalog.At(rev.at)
	}
	var sold []parcel.Use
	for _, u := range r.jobs[job].Units {
		sold = append(sold, parcel.Use{Item: u.Item, Qty: num.Whole(u.Count)})
	}
	sold, _ = parcel.Parts(rev.catalog, rev.view, sold)
	r.cuts[k] = sold
	return sold
}

// of is what a pack takes of one item under a revision.
func (r *Record) of(p *pack, rev *revision, item int) num.Qty {
	good := qtyOf(r.goodsOf(int(p.job), rev), item)
	if p.supplied != nil {
		good = good.Sub(num.Min(good, qtyOf(p.supplied, item)))
	}
	return good.Add(qtyOf(r.take(int(p.job), rev), item))
}

func qtyOf(list []parcel.Use, item int) num.Qty {
	for _, u := range list {
		if u.Item == item {
			return u.Qty
		}
	}
	return num.Qty{}
}

// was is the revision that a pack went by.
func (r *Record) was(p *pack) *revision { return r.revs[p.rev] }

// known returns S0: the specs and definitions in force at a place, without the restatements that were made after it.
func (r *Record) known(at event.Key) *revision {
	var in []catalog.Input
	later := false
	r.Log.Events(func(e *event.Event, reversed bool) {
		if e.Key().Rank != 0 {
			return
		}
		if at.Before(e.Key()) && !event.Restated(e.Data).IsZero() {
			later = true
			return
		}
		in = append(in, catalog.Input{Event: e, Reversed: reversed})
	})
	c := r.Log.Catalog
	if later {
		if built := catalog.Build(in); len(built.Items) == len(c.Items) {
			c = built
		}
	}
	rev := &revision{catalog: c, at: at, view: c.At(at), index: len(r.revs)}
	if s := rev.view.Spec(); s != nil {
		rev.spec = s.Data
	}
	r.revs = append(r.revs, rev)
	return rev
}
