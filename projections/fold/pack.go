package fold

import (
	"cmp"
	"encoding/binary"
	"slices"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/parcel"
)

const day = 24 * 60 * 60 * 1000

// packOrder moves the stock of a pack, or leaves it pending.
func (s *State) packOrder(rc *rec) error {
	d, o, err := s.decodePack(rc)
	if err != nil {
		return err
	}
	as := s.know(o)
	var lines []goods
	switch {
	case d.Lines != nil:
		if lines, err = s.goods(d.Lines); err != nil {
			return err
		}
	case as == nil:
		return voidf("order %s isn't there, and the pack doesn't say what it held", d.Order)
	default:
		lines = as.lines
	}
	var spec *event.PackSpec
	if now := s.View.Spec(); now != nil {
		spec = now.Data
	}
	if !d.Spec.IsZero() {
		var ok bool
		if spec, ok = s.View.Named(d.Spec); !ok {
			return voidf("packing spec %s isn't there", d.Spec)
		}
	}
	resend := d.Resend != nil
	job := parcel.Job{First: o.Packs == 0, Opening: !o.parcels && (!resend || o.Packs == 0), Given: d.Parcels, Joined: d.Joined != ""}
	job.Zone, job.Options = d.Zone, d.Options
	if as != nil {
		job.Zone = cmp.Or(d.Zone, as.zone)
		if len(as.options) > 0 {
			job.Options = append(slices.Clone(as.options), d.Options...)
		}
	}
	out, err := s.resolve(spec, job, lines, d.Changes)
	if err != nil {
		return err
	}
	moves, why := s.moves(o, as, lines, resend)
	if !moves {
		if why != "" {
			o.Pending = append(o.Pending, rc.key.ID)
			id := rc.key.ID.String()
			s.note("pending", d.Order, why, "countback decide "+id+" keep", "countback decide "+id+" drop")
		}
		return nil
	}
	s.tellPack(o, spec, job, lines)
	s.belowZero(out.below)
	if o.placed.basket == nil {
		if as != nil {
			o.placed = *as
			if o.Placed.IsZero() && as != &o.seen().reversed && !s.log.reversed[as.id] {
				o.Placed, o.PlacedMs, o.Open = as.id, as.ms, true
			}
		} else {
			o.placed = placed{event.ID{}, rc.key.Ms, &basket{d.Zone, lines, slices.Clone(d.Options)}}
		}
	}
	if !resend {
		o.use(lines)
	}
	if len(s.log.devices) > 1 {
		m := o.more()
		m.past = append(m.past, packed{rc.dev, rc.key.Ms, lines})
	}
	s.moveOut(o, out)
	if o.Packs == 0 {
		o.Packed = rc.key.Ms
	}
	o.Packs++
	o.Zone = job.Zone
	o.Parcels += out.parcels
	o.parcels = o.parcels || out.parcels > 0
	if d.Postage != nil {
		o.Postage = o.Postage.Add(*d.Postage)
	}
	for _, u := range out.left {
		id := s.Catalog.Items[u.Item].ID
		s.note("no_parcel", d.Order, "no parcel format takes "+num.Whole(u.Count).String()+" of "+id, "correct the packing spec, or the item's class and points")
	}
	return nil
}

// moves says whether a pack moves stock; why is empty where a person dropped it.
func (s *State) moves(o *Order, as *placed, lines []goods, resend bool) (moves bool, why string) {
	if keep, decided := s.log.decided[s.cur.key.ID]; decided {
		return keep, ""
	}
	if resend {
		return true, ""
	}
	if as == nil {
		return true, ""
	}
	for _, p := range o.seen().past {
		if p.dev != s.cur.dev && s.cur.key.Ms-p.ms <= day && sameGoods(p.lines, lines) {
			return false, "order " + o.Number + " was packed with the same goods on two devices within a day; the earlier entry counts"
		}
	}
	for _, l := range lines {
		ordered, used := sumOf(as.lines, l.item), sumOf(o.used(), l.item)
		if ordered.Less(used.Add(l.qty)) {
			return false, tooMany(o.Number, s.Catalog.Items[l.item].ID, l.qty, ordered, used)
		}
	}
	return true, ""
}

// tooMany says by how much a pack goes beyond its order: beyond what was ordered, or beyond what earlier packs left of that.
func tooMany(order, item string, packed, ordered, used num.Qty) string {
	why := "order " + order + " was packed with " + packed.String() + " " + item
	switch {
	case ordered.IsZero():
		return why + ", and it has none"
	case used.IsZero():
		return why + ", more than the " + ordered.String() + " that it has"
	}
	return why + ", more than it has left (" + used.String() + " of " + ordered.String() + " were packed before)"
}

// sameGoods reports whether two lists, each summed by item, are equal.
func sameGoods(a, b []goods) bool {
	if len(a) != len(b) {
		return false
	}
	for _, g := range a {
		if sumOf(b, g.item).Cmp(g.qty) != 0 {
			return false
		}
	}
	return true
}

// takeOut issues every item once, goods and packing together, and splits the cost between them by quantity. What print runs supplied need not come from
// stock; takes says whether to keep what each good cost.
func (s *State) takeOut(o *Order, out *resolved, supplied []goods, takes bool) {
	if s.keep && o.Lines == nil {
		o.Lines = make([]OrderLine, 0, len(out.issues))
	}
	for i := range out.issues {
		u := &out.issues[i]
		good := u.good
		if len(supplied) > 0 && good.Sign() > 0 {
			for k := range supplied {
				if sp := &supplied[k]; sp.item == u.item {
					used := num.Min(sp.qty, good)
					sp.qty = sp.qty.Sub(used)
					good = good.Sub(used)
				}
			}
		}
		total := good.Add(u.packing)
		if total.IsZero() {
			continue
		}
		var cost, part book.Amounts
		onHand := s.Items[u.item].Account.Take(total, &cost)
		if !onHand {
			is := s.issue(u.item, total)
			cost, onHand = is.Cost, !is.Provisional
		}
		sold, used := &cost, &cost
		if !good.IsZero() && !u.packing.IsZero() {
			part = cost.Part(good, total)
			rest := cost.Sub(part)
			sold, used = &part, &rest
		}
		if !good.IsZero() {
			o.Goods.Raise(sold)
			if takes {
				m := o.more()
				m.takes = append(m.takes, take{u.item, good, *sold})
			}
			s.told = u.goods
			s.moved(u.item, Sold, good, sold, o.Number)
		}
		if !u.packing.IsZero() {
			o.Packing.Raise(used)
			s.told = u.uses
			s.moved(u.item, Packed, u.packing, used, o.Number)
		}
		if s.keep {
			o.line(u.item, total, cost, !onHand)
		}
	}
	s.told = nil
}

// resolved is a pack worked out: what it takes, before print runs for the order are looked at.
type resolved struct {
	issues  []issue
	parcels int64
	left    []parcel.Units
	below   []int
}

type issue struct {
	item          int
	good, packing num.Qty
	goods, uses   []Single // where the run asks for them
}

// packCache keeps worked-out packs: most orders are like another one. It holds for one state of the definitions.
type packCache struct {
	epoch int
	spec  *event.PackSpec
	byJob map[string]*resolved
	key   []byte
}

const cacheLimit = 1 << 16

func (s *State) resolve(spec *event.PackSpec, job parcel.Job, lines []goods, changes []event.Change) (*resolved, error) {
	if job.Given != nil || changes != nil {
		return s.workOut(spec, job, lines, changes)
	}
	c := &s.cache
	if c.byJob == nil || c.epoch != s.View.Epoch() || c.spec != spec || len(c.byJob) > cacheLimit {
		c.epoch, c.spec, c.byJob = s.View.Epoch(), spec, map[string]*resolved{}
	}
	k := c.key[:0]
	var flags byte
	for i, f := range [3]bool{job.First, job.Opening, job.Joined} {
		if f {
			flags |= 1 << i
		}
	}
	k = append(k, flags)
	k = append(append(k, job.Zone...), 0)
	for _, o := range job.Options {
		k = append(append(k, o...), 0)
	}
	k = append(k, 1)
	for _, l := range lines {
		n, _ := l.qty.Scaled()
		k = binary.AppendVarint(binary.AppendUvarint(k, uint64(l.item)), n)
	}
	c.key = k
	if r, ok := c.byJob[string(k)]; ok {
		return r, nil
	}
	r, err := s.workOut(spec, job, lines, nil)
	if err != nil {
		return nil, err
	}
	c.byJob[string(k)] = r
	return r, nil
}

func (s *State) workOut(spec *event.PackSpec, job parcel.Job, lines []goods, changes []event.Change) (*resolved, error) {
	asUse := make([]parcel.Use, len(lines))
	for i, l := range lines {
		n, _ := l.qty.Int()
		job.Units = append(job.Units, parcel.Units{Item: l.item, Count: int64(n)})
		asUse[i] = parcel.Use{Item: l.item, Qty: l.qty}
	}
	var each singles
	if s.singles {
		each = singles{c: s.Catalog, v: s.View}
		job.Tell = each.tell(Line{Pack: spec})
	}
	res, err := parcel.Resolve(s.Catalog, s.View, spec, job)
	if err != nil {
		return nil, err
	}
	use, below, err := parcel.Apply(s.Catalog, s.View, res.Use, changes)
	if err != nil {
		return nil, err
	}
	if use, err = parcel.Parts(s.Catalog, s.View, use); err != nil {
		return nil, err
	}
	sold, err := parcel.Parts(s.Catalog, s.View, asUse)
	if err != nil {
		return nil, err
	}
	r := &resolved{left: res.Left, below: below}
	for _, p := range res.Parcels {
		r.parcels += p.Times
	}
	for _, u := range sold {
		r.issues = append(r.issues, issue{item: u.Item, good: u.Qty})
	}
	for _, u := range use {
		k := slices.IndexFunc(r.issues, func(i issue) bool { return i.item == u.Item })
		if k < 0 {
			k = len(r.issues)
			r.issues = append(r.issues, issue{item: u.Item})
		}
		r.issues[k].packing = u.Qty
	}
	if s.singles {
		for _, p := range res.Parcels {
			for _, u := range p.Units {
				each.add(u.Item, num.Whole(u.Count), num.Whole(p.Times), Line{})
			}
		}
		for i := range r.issues {
			u := &r.issues[i]
			u.goods, u.uses = each.of(u.item, u.good, true), each.of(u.item, u.packing, false)
		}
	}
	return r, nil
}
