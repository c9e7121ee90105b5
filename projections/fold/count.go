package fold

import (
	"cmp"
	"slices"
	"sort"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/unit"
	"countback/projections/book"
	"countback/projections/parcel"
)

// sessions says what each count event asserts. A count without a session asserts its own figure; in a session the figures that
// stand are added up and asserted at the last one of the item.
type sessions struct {
	asserts map[int][]assertion // by index of the count's record
	starts  map[int][]int       // where an item's first figure of a session stands: indices into watched
	void    map[int]error
	watched []watch
	spans   []span
	waiting []int64 // of prepared pieces' figures that begin no session, as nothing counts their parts so far
}

// span is how far a session reaches.
type span struct {
	name  string
	first int64
	last  event.Key
}

type assertion struct {
	item    int
	figure  num.Qty
	parts   []Figure // what the figure was added up from
	cost    *num.Money
	watch   int // index into watched, -1 without a session
	session string
}

// watch notices whether an item moved between its first and last figure of a session.
type watch struct{ moves int64 }

// figure is one count event, in base units.
type figure struct {
	at       int // its record
	ms       int64
	item     int
	qty      num.Qty
	place    string
	form     string
	seen     Figure
	cost     *num.Money
	prepared bool
	parts    []parcel.Use
}

// sessionSpan is how long a session takes figures, from its first one of any item.
const sessionSpan = day

// findSessions goes through the counts that a fold up to until will meet.
func (s *State) findSessions(until int64) sessions {
	out := sessions{asserts: map[int][]assertion{}, starts: map[int][]int{}, void: map[int]error{}}
	view := s.Catalog.Start()
	byName := map[string][]figure{}
	var names []string
	for i := range s.log.recs {
		rc := &s.log.recs[i]
		if rc.kind != isCount || rc.off {
			continue
		}
		if rc.key.Ms > until {
			break
		}
		view.To(rc.key)
		d := s.log.event(rc).Data.(*event.Count)
		f, err := figureOf(s.Catalog, view, d)
		if err != nil {
			out.void[i] = err
			continue
		}
		f.at, f.ms = i, rc.key.Ms
		if d.Session == "" || s.begun(d.Session) {
			out.alone(f)
			continue
		}
		if byName[d.Session] == nil {
			names = append(names, d.Session)
		}
		byName[d.Session] = append(byName[d.Session], f)
	}
	for _, name := range names {
		in, after := out.split(byName[name])
		if n := len(in); n > 0 {
			out.addSession(name, in)
			out.spans = append(out.spans, span{name, in[0].ms, s.log.recs[in[n-1].at].key})
		}
		for _, f := range after {
			out.alone(f)
		}
	}
	for i := range out.asserts {
		slices.SortFunc(out.asserts[i], func(a, b assertion) int { return cmp.Compare(a.item, b.item) })
	}
	return out
}

// alone is a count that is the whole of its item.
func (out *sessions) alone(f figure) {
	if f.prepared {
		out.void[f.at] = voidf("a prepared item is counted in a session in which each of its parts is counted too")
		return
	}
	a := assertion{item: f.item, figure: f.qty, parts: []Figure{f.seen}, watch: -1}
	if f.qty.Sign() > 0 {
		a.cost = f.cost
	}
	out.asserts[f.at] = append(out.asserts[f.at], a)
}

// split parts a session's figures from those that come after its end and stand alone. A void figure starts no session.
func (out *sessions) split(list []figure) (in, after []figure) {
	for len(list) > 0 {
		n := sort.Search(len(list), func(i int) bool { return list[i].ms-list[0].ms > sessionSpan })
		in, after = list[:n], list[n:]
		if !out.lacksParts(in[0], in) {
			return in, after
		}
		out.waiting = append(out.waiting, list[0].ms)
		list = list[1:]
	}
	return nil, nil
}

// begun reports whether a session began before the snapshot that the run starts from; what still belongs to it stands there too.
func (s *State) begun(session string) bool {
	if s.from == nil {
		return false
	}
	_, ok := s.from.Sessions[session]
	return ok
}

// lacksParts reports whether f is a prepared item's figure and one of its parts has no figure of its own in the session; it is then void.
func (out *sessions) lacksParts(f figure, in []figure) bool {
	if !f.prepared {
		return false
	}
	lacks := slices.ContainsFunc(f.parts, func(u parcel.Use) bool {
		return !slices.ContainsFunc(in, func(x figure) bool { return !x.prepared && x.item == u.Item })
	})
	if lacks {
		out.void[f.at] = voidf("a prepared item counts only where each of its parts is counted in the same session")
	}
	return lacks
}

// figureOf reads a count in base units.
func figureOf(c *catalog.Catalog, v *catalog.View, d *event.Count) (figure, error) {
	it, ok := c.Find(d.Item)
	if !ok {
		return figure{}, voidf("item %s is not defined", d.Item)
	}
	f := figure{item: it.Index, place: d.Place, form: "loose", cost: d.Cost, prepared: it.Prepared()}
	switch {
	case d.Qty != nil:
		if f.qty, ok = v.Units(it.Index, *d.Qty, d.Measure, d.Pack); !ok {
			return figure{}, voidf("item %s has no %s", d.Item, d.Measure+d.Pack)
		}
		if d.Measure != "" {
			f.form = "measure " + d.Measure
		} else if d.Pack != "" {
			f.form = "pack " + d.Pack
		}
	default:
		weight := v.Def(it.Index).PieceWeight
		switch {
		case weight == nil && it.Unit() == "g":
			one := num.Whole(1)
			weight = &one
		case weight == nil:
			return figure{}, voidf("item %s has no piece_weight, so a weight says nothing about its number", d.Item)
		}
		var err error
		if f.qty, err = unit.Pieces(*d.Gross, *d.Tare, d.WeightUnit, *weight, it.Unit() == "each"); err != nil {
			return figure{}, voidf("%w", err)
		}
	}
	f.seen = Figure{f.qty, mannerOf(d, it.Unit()), d.Tolerance}
	if f.prepared {
		f.cost = nil
		var err error
		if f.parts, err = parcel.Parts(c, v, []parcel.Use{{Item: it.Index, Qty: f.qty}}); err != nil {
			return figure{}, err
		}
		if len(f.parts) == 0 { // a figure of 0 still asks for its parts to be counted
			if f.parts, err = parcel.Parts(c, v, []parcel.Use{{Item: it.Index, Qty: num.Whole(1)}}); err != nil {
				return figure{}, err
			}
			for i := range f.parts {
				f.parts[i].Qty = num.Qty{}
			}
		}
	}
	return f, nil
}

// mannerOf says how a figure came about: what isn't kept in pieces was measured, if it wasn't weighed.
func mannerOf(d *event.Count, unit string) Manner {
	switch {
	case d.Gross != nil:
		return ByWeight
	case d.Pack != "":
		return ByPack
	case unit != "each":
		return ByMeasure
	}
	return ByNumber
}

func (out *sessions) addSession(name string, figures []figure) {
	type slot struct {
		item        int
		place, form string
	}
	stands := map[slot]figure{}
	touched := map[int][2]int{} // item to its first and last figure
	touch := func(item, at int) {
		t, ok := touched[item]
		if !ok {
			t[0] = at
		}
		t[1] = at
		touched[item] = t
	}
	for _, f := range figures {
		if f.prepared {
			if out.lacksParts(f, figures) {
				continue
			}
			for _, u := range f.parts {
				touch(u.Item, f.at)
			}
		} else {
			touch(f.item, f.at)
		}
		stands[slot{f.item, f.place, f.form}] = f
	}
	sums := map[int]*assertion{}
	for item := range touched {
		sums[item] = &assertion{item: item, watch: -1, session: name}
	}
	for _, f := range figures { // in their order, not the map's
		if at, ok := stands[slot{f.item, f.place, f.form}]; !ok || at.at != f.at {
			continue
		}
		if f.prepared {
			for _, u := range f.parts {
				a := sums[u.Item]
				a.figure = a.figure.Add(u.Qty)
				a.parts = append(a.parts, Figure{u.Qty, f.seen.Manner, f.seen.Tolerance})
			}
			continue
		}
		a := sums[f.item]
		a.figure = a.figure.Add(f.qty)
		a.parts = append(a.parts, f.seen)
		if f.cost != nil && f.qty.Sign() > 0 {
			cost := *f.cost
			if a.cost != nil {
				cost = cost.Add(*a.cost)
			}
			a.cost = &cost
		}
	}
	for item, t := range touched {
		a := *sums[item]
		if t[0] != t[1] {
			a.watch = len(out.watched)
			out.watched = append(out.watched, watch{})
			out.starts[t[0]] = append(out.starts[t[0]], a.watch, item)
		}
		out.asserts[t[1]] = append(out.asserts[t[1]], a)
	}
}

// count makes on hand what was seen.
func (s *State) count() error {
	if err := s.sessions.void[s.at]; err != nil {
		return err
	}
	for _, a := range s.sessions.asserts[s.at] {
		s.assert(a)
	}
	for st := s.sessions.starts[s.at]; len(st) > 0; st = st[2:] {
		s.sessions.watched[st[0]].moves = s.Items[st[1]].moves
		if s.counted != nil {
			s.counted(Counted{Event: s.cur.key.ID, Ms: s.cur.key.Ms, Item: st[1], Begun: true})
		}
	}
	return nil
}

func (s *State) assert(a assertion) {
	it := &s.Items[a.item]
	if a.watch >= 0 && s.sessions.watched[a.watch].moves != it.moves {
		id := s.Catalog.Items[a.item].ID
		s.note("moved_while_counted", id, id+" moved between its first and its last figure in count session "+a.session, "count "+id+" again, or take the difference as less sure")
	}
	opening := !it.opened
	if s.counted != nil {
		s.counted(Counted{
			Event: s.cur.key.ID, Ms: s.cur.key.Ms, Item: a.item, Figure: a.figure, Figures: a.parts, Session: a.session, Opens: opening, Def: s.View.Def(a.item),
		})
	}
	it.opened, it.Counted, it.LastCount = true, true, s.cur.key.Ms
	diff := a.figure.Sub(it.Account.OnHand())
	switch {
	case diff.Sign() < 0:
		n := diff.Neg()
		out := s.issue(a.item, n)
		if opening {
			s.move(a.item, Opened, diff, out.Cost.Neg(), "")
		} else {
			s.move(a.item, Lost, n, out.Cost, "")
		}
	case diff.Sign() > 0 && opening && a.cost != nil:
		cost := book.Same(a.cost.Part(diff, a.figure))
		adjusted := it.Account.Receive(diff, cost, s.cur.key.ID)
		s.move(a.item, Opened, diff, cost, "")
		s.adjust(a.item, adjusted, "")
	case diff.Sign() > 0:
		value, known := it.Account.Gain(diff, s.estimate(a.item), s.cur.key.ID)
		if !known {
			s.noCost(a.item)
		}
		col := Gained
		if opening {
			col = Opened
		}
		s.move(a.item, col, diff, value, "")
	default: // a count that agrees moves nothing, but stands in the item's timeline
		if s.observe != nil {
			s.tell(a.item, Gained, Entry{}, "")
		}
	}
}
