package plan

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/report"
	"countback/projections/reprint"
	"countback/projections/review"
)

// Report is the plan of a packing day.
type Report struct {
	report.Head
	Orders  []Order        `json:"orders"`  // oldest first
	Pull    []Pull         `json:"pull"`    // in walking order, then by item
	Prepare []Prepare      `json:"prepare"` // what is made up, then what is cut, in walking order, the longest pieces first
	Zones   []Zone         `json:"zones"`   // of the orders that are ready, by name
	Options []Option       `json:"options"` // of the orders that are ready, by name
	Make    []reprint.Item `json:"make"`    // what is short and could be printed
	Choice  Choice         `json:"choice"`
	Notes   []string       `json:"notes"`
}

// Order is one order of the plan.
type Order struct {
	Order   string   `json:"order"`
	Zone    string   `json:"zone"`
	Placed  string   `json:"placed"`
	Options []string `json:"options"`
	Parcels []Parcel `json:"parcels"`
	Ready   bool     `json:"ready"`           // it can go out complete together with all others that are ready
	Lacks   []string `json:"lacks"`           // items of which the others that are ready don't leave enough
	Waits   bool     `json:"waits,omitempty"` // for a decision about a pack of it; it needs nothing here
	Why     string   `json:"why,omitempty"`   // it can't go out as things are, whatever is there
}

// Parcel is a number of parcels with the same content.
type Parcel struct {
	Format string `json:"format"`
	Lines  []Line `json:"lines"` // of one of them
	Times  int64  `json:"times"`
}

// Line is a quantity of one item.
type Line struct {
	Item string `json:"item"`
	Qty  string `json:"qty"`
}

// Pull is what is needed of one item.
type Pull struct {
	Item   string `json:"item"`
	Name   string `json:"name"`
	Unit   string `json:"unit"`
	Place  string `json:"place"`
	Need   string `json:"need"` // for all orders of the plan
	OnHand string `json:"on_hand"`
	Short  string `json:"short"` // max(0, need − on hand)
	Take   string `json:"take"`  // for the orders that are ready

	OnOrder string `json:"on_order,omitempty"` // at suppliers, where the asker knows it
}

// What is done to prepare a piece.
const (
	MakeUp = "make up" // a prepared piece, from its parts
	Cut    = "cut"
	Weigh  = "weigh out"
	Pour   = "measure out"
)

// Prepare is a number of equal pieces to be made ready beforehand.
type Prepare struct {
	Item    string `json:"item"`
	Name    string `json:"name"`
	Unit    string `json:"unit"`
	Place   string `json:"place"`
	Measure string `json:"measure"` // "" for a length that has no name, and for prepared pieces
	Pieces  string `json:"pieces"`  // for all orders of the plan
	Now     string `json:"now"`     // for the orders that are ready
	Work    string `json:"work"`
	Size    string `json:"size,omitempty"`   // base units in a piece
	Takes   string `json:"takes,omitempty"`  // base units that the pieces "now" take
	Pack    string `json:"pack,omitempty"`   // it is cut from
	Packs   int64  `json:"packs,omitempty"`  // whole ones to take for them, beyond those taken for longer pieces of the item
	Offcut  string `json:"offcut,omitempty"` // base units left of all packs taken of the item, at most what is left on hand; on its last line only
}

// Zone is what goes to one zone.
type Zone struct {
	Zone    string       `json:"zone"`
	Orders  int          `json:"orders"`
	Parcels int64        `json:"parcels"` // labels
	Formats []FormatSum  `json:"formats"` // by name
	Items   []NamedTotal `json:"items"`   // that the spec uses for this zone, like stamps, by id
}

// FormatSum is a number of parcels of one format.
type FormatSum struct {
	Format  string `json:"format"`
	Parcels int64  `json:"parcels"`
}

// NamedTotal is a quantity of one item with its name.
type NamedTotal struct {
	Item string `json:"item"`
	Name string `json:"name"`
	Unit string `json:"unit"`
	Qty  string `json:"qty"`
}

// Option is what orders with one option want: cards to write, presents to wrap.
type Option struct {
	Option string       `json:"option"`
	Orders []string     `json:"orders"`
	Items  []NamedTotal `json:"items"`   // that the spec uses for it
	Spec   bool         `json:"in_spec"` // a line of the packing spec asks for it
}

// How the orders that are ready were chosen.
const (
	Exact  = "exact"
	Greedy = "greedy"
	Oldest = "oldest first"
)

// Choice says how the orders that are ready were chosen.
type Choice struct {
	Open      int    `json:"open"`      // orders of the plan
	Ready     int    `json:"ready"`     // of these
	Contested int    `json:"contested"` // orders that had to be chosen among, since together they need more than is there
	Method    string `json:"method"`
}

// Ask is what is planned.
type Ask struct {
	Orders      []string // numbers; none: all that are open
	OldestFirst bool
}

// NotOpen says why an order that was asked for can't be planned.
type NotOpen struct {
	Order string
	State string // "unknown", "packed", "reversed" or "later"
	Ms    int64  // when it was packed, or will be placed
}

// Error says it in words.
func (e *NotOpen) Error() string {
	return "order " + e.Order + " is not open"
}

// Of plans a packing day on a state. It fails only on an order that isn't open (*NotOpen).
func Of(s *fold.State, st report.Style, ask Ask) (Report, error) {
	orders, err := Open(s, ask)
	if err != nil {
		return Report{}, err
	}
	p := planner{s: s, st: st}
	if sp := s.View.Spec(); sp != nil {
		p.spec = sp.Data
	}
	for _, o := range orders {
		p.works = append(p.works, workOut(s, p.spec, o))
	}
	r := Report{Head: report.HeadOf(s, st), Make: []reprint.Item{}, Notes: []string{}}
	p.total = make([]num.Qty, len(s.Items))
	for _, w := range p.works {
		for _, u := range w.need {
			p.total[u.Item] = p.total[u.Item].Add(u.Qty)
		}
	}
	r.Choice = p.choose(ask.OldestFirst)
	r.Orders = p.orders()
	r.Pull = p.pull()
	r.Prepare = p.prepare()
	r.Zones, r.Options = p.zones(), p.options()
	for item, need := range p.total {
		if need.Sign() > 0 && p.onHand(item).Less(need) && !s.View.Retired(item) {
			if row, ok := reprint.Row(s, item, func(n int) num.Qty { return p.onHand(n).Sub(p.total[n]) }); ok {
				r.Make = append(r.Make, row)
			}
		}
	}
	r.Notes = append(append(r.Notes, p.retired()...), p.stale()...)
	if p.spec == nil && len(orders) > 0 {
		r.Notes = append(r.Notes, "there is no packing spec yet, so only goods are planned; record one with countback packspec FILE")
	}
	return r, nil
}

// Open lists the orders to be planned, oldest first. It fails on a number that was asked for and isn't open (*NotOpen).
func Open(s *fold.State, ask Ask) ([]*fold.Order, error) {
	var out []*fold.Order
	isOpen := func(o *fold.Order) bool { return len(o.Remaining()) > 0 && (s.AsOf == 0 || o.PlacedMs <= s.AsOf) }
	if len(ask.Orders) == 0 {
		for _, o := range s.Orders {
			if isOpen(o) {
				out = append(out, o)
			}
		}
	}
	for _, number := range ask.Orders {
		o, ok := s.Orders[number]
		switch {
		case !ok:
			return nil, &NotOpen{number, "unknown", 0}
		case isOpen(o):
			if !slices.Contains(out, o) {
				out = append(out, o)
			}
		case len(o.Remaining()) > 0:
			return nil, &NotOpen{number, "later", o.PlacedMs}
		case o.Packs > 0:
			return nil, &NotOpen{number, "packed", o.Packed}
		default:
			return nil, &NotOpen{number, "reversed", 0}
		}
	}
	slices.SortFunc(out, func(a, b *fold.Order) int {
		return cmp.Or(cmp.Compare(a.PlacedMs, b.PlacedMs), strings.Compare(a.Number, b.Number))
	})
	return out, nil
}

// retired says which goods that open orders hold are retired.
func (p *planner) retired() (notes []string) {
	orders := map[int][]string{}
	for _, w := range p.works {
		for _, item := range w.retired {
			orders[item] = append(orders[item], w.order.Number)
		}
	}
	for _, item := range slices.Sorted(maps.Keys(orders)) {
		notes = append(notes, p.id(item)+" is retired, and open orders hold it: "+strings.Join(orders[item], ", "))
	}
	return notes
}

// stale asks after orders that have waited so long that they were more likely packed and never entered. An order of which something went out is a part shipment.
func (p *planner) stale() []string {
	var old []string
	for _, w := range p.works {
		if w.order.Packs == 0 && !w.waits && p.s.AsOf-w.order.PlacedMs > review.StaleDays*24*60*60*1000 {
			old = append(old, w.order.Number)
		}
	}
	if len(old) == 0 {
		return nil
	}
	const most = 6
	names := strings.Join(old[:min(most, len(old))], ", ")
	if len(old) > most {
		names += fmt.Sprintf(" and %d more", len(old)-most)
	}
	return []string{fmt.Sprintf("placed more than %d days ago and not recorded as packed: %s; if they went out, record it with countback pack ORDER --at DAY, and see countback review", review.StaleDays, names)}
}

// AddOnOrder puts beside each item what is on order of it at suppliers, by item id, in base units.
func (r *Report) AddOnOrder(on map[string]num.Qty) {
	for i := range r.Pull {
		if q := on[r.Pull[i].Item]; q.Sign() > 0 {
			r.Pull[i].OnOrder = q.String()
		}
	}
}

type planner struct {
	s     *fold.State
	st    report.Style
	spec  *event.PackSpec
	works []*work   // oldest first
	total []num.Qty // needed, by item
	left  []num.Qty // by item, once those that are ready have theirs
}

func (p *planner) onHand(item int) num.Qty { return p.s.Items[item].Account.OnHand() }
func (p *planner) id(item int) string      { return p.s.Catalog.Items[item].ID }
func (p *planner) def(item int) *catalog.Def {
	return p.s.View.Def(item)
}

// choose marks the orders that are ready.
func (p *planner) choose(oldest bool) Choice {
	p.left = make([]num.Qty, len(p.total))
	for i := range p.left {
		p.left[i] = num.Max(num.Qty{}, p.onHand(i))
	}
	var can []*work
	var claims [][]Claim
	for _, w := range p.works {
		if w.why != "" {
			continue
		}
		can = append(can, w)
		var list []Claim
		for _, u := range w.need {
			list = append(list, Claim{u.Item, u.Qty})
		}
		claims = append(claims, list)
	}
	c := Choice{Open: len(p.works), Method: Exact}
	chosen, contested, exact := Largest(p.left, claims)
	c.Contested = contested
	switch {
	case oldest:
		chosen, c.Method = OldestFirst(p.left, claims), Oldest
	case !exact:
		c.Method = Greedy
	}
	for i, w := range can {
		if w.ready = chosen[i]; !w.ready {
			continue
		}
		c.Ready++
		for _, u := range w.need {
			p.left[u.Item] = p.left[u.Item].Sub(u.Qty)
		}
	}
	return c
}

func (p *planner) orders() []Order {
	out := []Order{}
	for _, w := range p.works {
		o := Order{
			Order: w.order.Number, Zone: w.job.Zone, Placed: p.st.Time(w.order.PlacedMs), Options: append([]string{}, w.job.Options...),
			Parcels: []Parcel{}, Ready: w.ready, Lacks: []string{}, Waits: w.waits, Why: w.why,
		}
		for _, pc := range w.parcels {
			lines := []Line{}
			for _, u := range pc.Units {
				lines = append(lines, Line{p.id(u.Item), num.Whole(u.Count).String()})
			}
			o.Parcels = append(o.Parcels, Parcel{pc.Format, lines, pc.Times})
		}
		if !w.ready {
			for _, u := range w.need {
				if p.left[u.Item].Less(u.Qty) {
					o.Lacks = append(o.Lacks, p.id(u.Item))
				}
			}
			slices.Sort(o.Lacks)
		}
		out = append(out, o)
	}
	return out
}

// walk orders items as one walks past their places.
func (p *planner) walk(a, b int) int {
	return cmp.Or(catalog.ComparePlaces(p.def(a).Place, p.def(b).Place), cmp.Compare(a, b))
}

func (p *planner) pull() []Pull {
	take := make([]num.Qty, len(p.total))
	for _, w := range p.works {
		for _, u := range w.need {
			if w.ready {
				take[u.Item] = take[u.Item].Add(u.Qty)
			}
		}
	}
	var items []int
	for i, q := range p.total {
		if q.Sign() > 0 {
			items = append(items, i)
		}
	}
	slices.SortFunc(items, p.walk)
	out := []Pull{}
	for _, i := range items {
		short := num.Max(num.Qty{}, p.total[i].Sub(p.onHand(i)))
		out = append(out, Pull{
			Item: p.id(i), Name: p.def(i).Name, Unit: p.s.Catalog.Items[i].Unit(), Place: p.def(i).Place,
			Need: p.total[i].String(), OnHand: p.onHand(i).String(), Short: short.String(), Take: take[i].String(),
		})
	}
	return out
}

func (p *planner) named(item int, qty num.Qty) NamedTotal {
	return NamedTotal{p.id(item), p.def(item).Name, p.s.Catalog.Items[item].Unit(), qty.String()}
}

func (p *planner) zones() []Zone {
	type sum struct {
		z       Zone
		formats map[string]int64
		items   map[int]num.Qty
	}
	all := map[string]*sum{}
	for _, w := range p.works {
		if !w.ready {
			continue
		}
		t := all[w.job.Zone]
		if t == nil {
			t = &sum{Zone{Zone: w.job.Zone, Formats: []FormatSum{}, Items: []NamedTotal{}}, map[string]int64{}, map[int]num.Qty{}}
			all[w.job.Zone] = t
		}
		t.z.Orders++
		for _, pc := range w.parcels {
			t.z.Parcels += pc.Times
			t.formats[pc.Format] += pc.Times
		}
		for _, u := range w.zoned {
			t.items[u.Item] = t.items[u.Item].Add(u.Qty)
		}
	}
	out := []Zone{}
	for _, name := range slices.Sorted(maps.Keys(all)) {
		t := all[name]
		for _, f := range slices.Sorted(maps.Keys(t.formats)) {
			t.z.Formats = append(t.z.Formats, FormatSum{f, t.formats[f]})
		}
		for _, i := range slices.Sorted(maps.Keys(t.items)) {
			t.z.Items = append(t.z.Items, p.named(i, t.items[i]))
		}
		out = append(out, t.z)
	}
	return out
}

func (p *planner) options() []Option {
	type sum struct {
		o     Option
		items map[int]num.Qty
	}
	all := map[string]*sum{}
	of := func(name, order string, in bool) *sum {
		t := all[name]
		if t == nil {
			t = &sum{Option{Option: name, Orders: []string{}, Items: []NamedTotal{}, Spec: in}, map[int]num.Qty{}}
			all[name] = t
		}
		if !slices.Contains(t.o.Orders, order) {
			t.o.Orders = append(t.o.Orders, order)
		}
		return t
	}
	for _, w := range p.works {
		if !w.ready {
			continue
		}
		for _, u := range w.options {
			t := of(u.option, w.order.Number, true)
			t.items[u.use.Item] = t.items[u.use.Item].Add(u.use.Qty)
		}
		for _, name := range w.unknown {
			of(name, w.order.Number, false)
		}
	}
	out := []Option{}
	for _, name := range slices.Sorted(maps.Keys(all)) {
		t := all[name]
		for _, i := range slices.Sorted(maps.Keys(t.items)) {
			t.o.Items = append(t.o.Items, p.named(i, t.items[i]))
		}
		out = append(out, t.o)
	}
	return out
}

// Text says in a sentence what can go out.
func (c Choice) Text() string {
	switch {
	case c.Open == 0:
		return "No order is open."
	case c.Ready == c.Open:
		return fmt.Sprintf("%d of %d orders can go out complete.", c.Ready, c.Open)
	}
	how := "the largest number possible"
	switch c.Method {
	case Greedy:
		how = "chosen one by one, those that need least of what is short first; perhaps not the largest number possible"
	case Oldest:
		how = "oldest first"
	}
	text := fmt.Sprintf("%d of %d orders can go out complete", c.Ready, c.Open)
	if c.Contested > 0 || c.Method == Oldest {
		text += ", " + how
	}
	return text + "."
}
