package parcel

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
)

// Units is a number of equal pieces of one item.
type Units struct {
	Item  int // index in the catalog
	Count int64
}

// Parcel is a number of parcels with the same content.
type Parcel struct {
	Format string
	Times  int64
	Units  []Units // of one of them
}

// Job is what is to be packed.
type Job struct {
	Units   []Units // of the pack, items in any order
	Zone    string
	Options []string
	First   bool // no pack of the order moved before: the spec's own lines per order apply
	Opening bool // no parcel of the order went before: a format's lines per order apply to the first one
	Given   []event.Parcel
	Joined  bool         // travels in another order's parcel
	Tell    func(Single) // called for what each line uses; nil: not at all
}

// Use is a quantity of one item, in base units.
type Use struct {
	Item int
	Qty  num.Qty
}

// Single is what one line of a spec uses at a time, and how often: once for each parcel, cycle or piece that it applies to.
type Single struct {
	Item   int     // by its name in the spec: a prepared item is not yet parts
	Qty    num.Qty // of one use, in base units
	Times  num.Qty
	Format int // index of the line's format, -1 for the spec's own lines
	Line   int // index of the line
}

// Result is what a job comes to.
type Result struct {
	Parcels []Parcel
	Left    []Units // no format takes them
	Use     []Use   // by name in the spec: prepared items are not yet parts
}

// ErrVoid is wrapped by errors that make the event void.
var ErrVoid = errors.New("void")

// Resolve applies a packing spec, which may be nil, to a job.
func Resolve(c *catalog.Catalog, v *catalog.View, spec *event.PackSpec, job Job) (Result, error) {
	var res Result
	if spec == nil {
		spec = &event.PackSpec{}
	}
	units := merge(job.Units)
	switch {
	case job.Given != nil:
		var err error
		if res.Parcels, err = given(c, spec, job.Given, units); err != nil {
			return Result{}, err
		}
	case !job.Joined && len(spec.Formats) > 0:
		res.Parcels, res.Left = split(c, v, spec.Formats, units)
	}
	u := user{c: c, v: v, job: &job, pack: units}
	for i := range spec.Lines {
		l := &spec.Lines[i]
		if l.Per == "order" && !job.First {
			continue
		}
		if err := u.line(l, units, 1, -1, i); err != nil {
			return Result{}, err
		}
	}
	for i, p := range res.Parcels {
		n := format(spec, p.Format)
		if n < 0 {
			continue
		}
		f := &spec.Formats[n]
		for k := range f.Lines {
			l := &f.Lines[k]
			scope, times := p.Units, p.Times
			if l.Per == "order" {
				if !job.Opening || i > 0 {
					continue
				}
				scope, times = units, 1
			}
			if err := u.line(l, scope, times, n, k); err != nil {
				return Result{}, err
			}
		}
	}
	res.Parcels = slices.DeleteFunc(res.Parcels, func(p Parcel) bool { return p.Format == "none" })
	res.Use = u.use
	return res, nil
}

// format returns the index of a format, -1 where the spec has none of that name.
func format(spec *event.PackSpec, name string) int {
	return slices.IndexFunc(spec.Formats, func(f event.Format) bool { return f.Format == name })
}

func merge(units []Units) []Units {
	out := slices.Clone(units)
	slices.SortFunc(out, func(a, b Units) int { return cmp.Compare(a.Item, b.Item) })
	n := 0
	for _, u := range out {
		if n > 0 && out[n-1].Item == u.Item {
			out[n-1].Count += u.Count
			continue
		}
		out[n] = u
		n++
	}
	return out[:n]
}

// given takes the split that a person gave: exactly the pack's units, in formats of the spec or "none".
func given(c *catalog.Catalog, spec *event.PackSpec, list []event.Parcel, units []Units) ([]Parcel, error) {
	var all []Units
	var parcels []Parcel
	for _, g := range list {
		if g.Format != "none" && format(spec, g.Format) < 0 {
			return nil, fmt.Errorf("%w: the packing spec has no format %s", ErrVoid, g.Format)
		}
		p := Parcel{Format: g.Format, Times: 1}
		for _, l := range g.Lines {
			it, ok := c.Find(l.Item)
			if !ok {
				return nil, fmt.Errorf("%w: item %s is not defined", ErrVoid, l.Item)
			}
			n, _ := l.Qty.Int()
			p.Units = append(p.Units, Units{it.Index, int64(n)})
		}
		p.Units = merge(p.Units)
		all = append(all, p.Units...)
		parcels = append(parcels, p)
	}
	if !slices.Equal(merge(all), units) {
		return nil, fmt.Errorf("%w: the parcels don't hold exactly what the pack holds", ErrVoid)
	}
	// "none" last, so that the first parcel of all is a real one
	slices.SortStableFunc(parcels, func(a, b Parcel) int {
		return cmp.Compare(none(a), none(b))
	})
	return parcels, nil
}

func none(p Parcel) int {
	if p.Format == "none" {
		return 1
	}
	return 0
}

// piece is a group of equal units while they are dealt out.
type piece struct {
	item   int
	count  int64
	points num.Qty
	class  string
}

func split(c *catalog.Catalog, v *catalog.View, formats []event.Format, units []Units) (parcels []Parcel, left []Units) {
	rest := make([]piece, len(units))
	for i, u := range units {
		d := v.Def(u.Item)
		rest[i] = piece{u.Item, u.Count, d.Points, d.Class}
	}
	slices.SortStableFunc(rest, func(a, b piece) int {
		if k := b.points.Cmp(a.points); k != 0 {
			return k
		}
		return cmp.Compare(a.item, b.item)
	})
	for len(rest) > 0 {
		if f := takesAll(formats, rest); f != nil {
			p := Parcel{Format: f.Format, Times: 1}
			for _, r := range rest {
				p.Units = append(p.Units, Units{r.item, r.count})
			}
			return appendParcel(parcels, p), left
		}
		f := holdsMost(formats, rest[0])
		if f == nil {
			left = append(left, Units{rest[0].item, rest[0].count})
			rest = rest[1:]
			continue
		}
		parcels = appendParcel(parcels, fill(formats, f, rest))
		rest = slices.DeleteFunc(rest, func(r piece) bool { return r.count == 0 })
	}
	return parcels, left
}

func accepts(f *event.Format, class string) bool {
	return f.Accepts == nil || class != "" && slices.Contains(f.Accepts, class)
}

func acceptsAll(f *event.Format, rest []piece) bool {
	return !slices.ContainsFunc(rest, func(r piece) bool { return !accepts(f, r.class) })
}

func sum(rest []piece) (points num.Qty) {
	for _, r := range rest {
		points = points.Add(r.points.Times(num.Whole(r.count)))
	}
	return points
}

func takesAll(formats []event.Format, rest []piece) *event.Format {
	points := sum(rest)
	for i := range formats {
		if f := &formats[i]; (f.Holds == nil || !f.Holds.Less(points)) && acceptsAll(f, rest) {
			return f
		}
	}
	return nil
}

func holdsMost(formats []event.Format, p piece) (best *event.Format) {
	for i := range formats {
		f := &formats[i]
		if !accepts(f, p.class) || f.Holds != nil && f.Holds.Less(p.points) {
			continue
		}
		switch {
		case best == nil,
			best.Holds != nil && (f.Holds == nil || best.Holds.Less(*f.Holds)):
			best = f
		}
	}
	return best
}

// fill puts into parcels of the format, in order, every unit that it accepts and still holds, and takes them out of rest: one parcel, or at once as many equal
// ones as would follow one another.
func fill(formats []event.Format, f *event.Format, rest []piece) Parcel {
	p := Parcel{Format: f.Format, Times: math.MaxInt64}
	var used num.Qty
	in := make([]int64, len(rest)) // of each piece in one parcel
	for i, r := range rest {
		if !accepts(f, r.class) {
			continue
		}
		n := r.count
		if f.Holds != nil && r.points.Sign() > 0 {
			n = fits(f.Holds.Sub(used), r.points, n)
		}
		if n > 0 {
			in[i] = n
			used = used.Add(r.points.Times(num.Whole(n)))
			p.Times = min(p.Times, r.count/n) // the next parcel is the same while each of its pieces is there as often
			p.Units = append(p.Units, Units{r.item, n})
		}
	}
	if p.Times > 1 {
		p.Times = min(p.Times, untilOneTakesAll(formats, rest, used))
	}
	for i := range rest {
		rest[i].count -= in[i] * p.Times
	}
	return p
}

// untilOneTakesAll returns after how many parcels, each with used points out of rest, some format takes everything that is left.
func untilOneTakesAll(formats []event.Format, rest []piece, used num.Qty) int64 {
	times := int64(math.MaxInt64)
	points := sum(rest)
	for i := range formats {
		if f := &formats[i]; f.Holds != nil && used.Sign() > 0 && acceptsAll(f, rest) {
			times = min(times, max(1, whole(points.Sub(*f.Holds).Ceil(used))))
		}
	}
	return times
}

// fits returns how many pieces of the given points fit into room, at most most.
func fits(room, points num.Qty, most int64) int64 {
	if !room.Less(points.Times(num.Whole(most))) {
		return most
	}
	up := room.Ceil(points)
	if room.Less(points.Times(up)) {
		return whole(up) - 1
	}
	return whole(up)
}

// whole returns a whole number of pieces or parcels, at most the largest that fits: far above what an event can hold.
func whole(q num.Qty) int64 {
	if n, ok := q.Int(); ok {
		return int64(n)
	}
	n, err := strconv.ParseInt(q.String(), 10, 64)
	if err != nil {
		return math.MaxInt64
	}
	return n
}

func appendParcel(list []Parcel, p Parcel) []Parcel {
	slices.SortFunc(p.Units, func(a, b Units) int { return cmp.Compare(a.Item, b.Item) })
	if n := len(list); n > 0 && list[n-1].Format == p.Format && slices.Equal(list[n-1].Units, p.Units) {
		list[n-1].Times += p.Times
		return list
	}
	return append(list, p)
}

// user adds up what lines use.
type user struct {
	c    *catalog.Catalog
	v    *catalog.View
	job  *Job
	pack []Units
	use  []Use
}

// line applies one line to the units of its scope, a number of times. Its limits look at all units of the parcel, or, of a line per order, of the pack.
// format and index say which line it is.
func (u *user) line(l *event.Line, scope []Units, times int64, format, index int) error {
	it, ok := u.c.Find(l.Item)
	if !ok {
		return fmt.Errorf("%w: item %s is not defined", ErrVoid, l.Item)
	}
	if l.Zones != nil && (u.job.Zone == "" || !slices.Contains(l.Zones, u.job.Zone)) {
		return nil
	}
	if l.Option != "" && !slices.Contains(u.job.Options, l.Option) {
		return nil
	}
	var all, match int64
	for _, s := range scope {
		all += s.Count
		if (l.Class == "" || u.v.Def(s.Item).Class == l.Class) && (l.Good == "" || u.c.Items[s.Item].ID == l.Good) {
			match += s.Count
		}
	}
	if l.From != nil && num.Whole(all).Less(*l.From) || l.To != nil && l.To.Less(num.Whole(all)) || match == 0 {
		return nil
	}
	by := num.Whole(1)
	switch {
	case l.Every != nil:
		by = num.Whole(match).Ceil(*l.Every)
	case l.Per == "unit":
		by = num.Whole(match)
	}
	each, ok := u.v.Units(it.Index, l.Qty, l.Measure, l.Pack)
	if !ok {
		return fmt.Errorf("%w: item %s has no %s", ErrVoid, l.Item, l.Measure+l.Pack)
	}
	one := each.Times(by)
	u.use = add(u.use, it.Index, one.Times(num.Whole(times)))
	if u.job.Tell != nil {
		u.job.Tell(Single{it.Index, one, num.Whole(times), format, index})
	}
	return nil
}

func add(list []Use, item int, qty num.Qty) []Use {
	for i := range list {
		if list[i].Item == item {
			list[i].Qty = list[i].Qty.Add(qty)
			return list
		}
	}
	return append(list, Use{item, qty})
}

// Run applies a make spec, which may be nil, to a run of n pieces. cycles is nil where it follows from the pieces. tell, where it isn't nil, is called for what
// each line uses.
func Run(c *catalog.Catalog, v *catalog.View, spec *event.MakeSpec, n num.Qty, cycles *num.Qty, tell func(Single)) ([]Use, error) {
	if spec == nil {
		return nil, nil
	}
	runs := n.Ceil(spec.Pieces)
	if cycles != nil {
		runs = *cycles
	}
	var use []Use
	for i, l := range spec.Lines {
		it, ok := c.Find(l.Item)
		if !ok {
			return nil, fmt.Errorf("%w: item %s is not defined", ErrVoid, l.Item)
		}
		each, ok := v.Units(it.Index, l.Qty, l.Measure, l.Pack)
		if !ok {
			return nil, fmt.Errorf("%w: item %s has no %s", ErrVoid, l.Item, l.Measure+l.Pack)
		}
		by := runs
		if l.Per == "piece" {
			by = n
		}
		if l.Every != nil {
			by = by.Ceil(*l.Every)
		}
		use = add(use, it.Index, each.Times(by))
		if tell != nil {
			tell(Single{it.Index, each, by, -1, i})
		}
	}
	return use, nil
}

// Apply applies changes to what a spec uses. below lists the items that would have come to less than 0.
func Apply(c *catalog.Catalog, v *catalog.View, use []Use, changes []event.Change) (changed []Use, below []int, err error) {
	use = slices.Clone(use)
	set := func(item int, qty num.Qty) {
		for i := range use {
			if use[i].Item == item {
				use[i].Qty = qty
				return
			}
		}
		use = append(use, Use{item, qty})
	}
	find := func(id string) (int, error) {
		it, ok := c.Find(id)
		if !ok {
			return 0, fmt.Errorf("%w: item %s is not defined", ErrVoid, id)
		}
		return it.Index, nil
	}
	for step := range 3 {
		for i := range changes {
			ch := &changes[i]
			if kind(ch) != step {
				continue
			}
			item, err := find(ch.Item)
			if err != nil {
				return nil, nil, err
			}
			given := ch.Qty
			if given == nil {
				given = ch.Total
			}
			qty, ok := v.Units(item, *given, ch.Measure, "")
			if !ok {
				return nil, nil, fmt.Errorf("%w: item %s has no %s", ErrVoid, ch.Item, ch.Measure)
			}
			switch step {
			case 0:
				other, err := find(ch.InsteadOf)
				if err != nil {
					return nil, nil, err
				}
				set(other, num.Qty{})
				use = add(use, item, qty)
			case 1:
				set(item, qty)
			case 2:
				use = add(use, item, qty)
			}
		}
	}
	for i := range use {
		if use[i].Qty.Sign() < 0 {
			below = append(below, use[i].Item)
			use[i].Qty = num.Qty{}
		}
	}
	return use, below, nil
}

// kind returns the step in which a change acts.
func kind(ch *event.Change) int {
	switch {
	case ch.InsteadOf != "":
		return 0
	case ch.Total != nil:
		return 1
	}
	return 2
}

// Parts turns prepared items into what they stand for and drops what isn't used.
func Parts(c *catalog.Catalog, v *catalog.View, use []Use) ([]Use, error) {
	out := make([]Use, 0, len(use))
	for _, u := range use {
		if u.Qty.IsZero() {
			continue
		}
		ok := v.Parts(u.Item, u.Qty, func(item int, qty num.Qty) { out = add(out, item, qty) })
		if !ok {
			return nil, fmt.Errorf("%w: prepared item %s has no parts", ErrVoid, c.Items[u.Item].ID)
		}
	}
	return out, nil
}
