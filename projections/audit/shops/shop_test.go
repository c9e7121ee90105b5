package shops_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/foldtest"
)

// supply is one supply, how it is used and kept.
type supply struct {
	id     string
	length bool // in mm
	qty    int  // of one use
	per    string
	class  string // of units
	format string // of parcels
	zone   string // only for it
	run    bool   // used by print runs
	pack   int    // base units in a pack
	lots   int    // packs in a delivery
	every  int    // days between deliveries
	waste  float64
	phase  int // day of the first delivery
	tol    float64
	price  float64
}

// shop is a year and more of an invented shop. What is planted is worked out before a fact is written, so that true stock and records differ by it alone.
type shop struct {
	*rand.Rand
	days     int
	supplies []supply
	goods    []string // by class: good of class c is goods[c]
	phi      float64
	mu       float64
	rate     float64
	season   float64
	phase    float64
	counts   []int // days, at their end
	orders   []order
	runs     []run
	item     int // audited
	asOf     int

	from, to   int // counts that the window lies between: indices
	box        int // day of the last delivery of the item
	lost       [][]float64
	facts      []*event.Event
	seq        int64
	skipPack   map[int]bool
	skipOrder  map[int]bool
	fakes      []fake
	entered    map[int]fake // deliveries of the item entered otherwise, by day
	misread    map[int]float64
	shortShare float64
	shortFrom  int
	opening    []int
	lines      foldtest.Lines
}

type order struct {
	placed, packed int
	zone           string
	units          []int // by class
}

type run struct{ day, good, pieces, spoiled int }

// fake is a delivery of the item that was entered otherwise than it came, or once more.
type fake struct{ day, lots, pack, truth int }

const perSheet = 4

func newShop(seed uint64) *shop {
	s := &shop{Rand: rand.New(rand.NewPCG(seed, 77)), skipPack: map[int]bool{}, skipOrder: map[int]bool{}, entered: map[int]fake{}, misread: map[int]float64{}, shortFrom: 1 << 30}
	s.phi = 0.008 * math.Pow(5, s.Float64())
	s.mu = 0.02 * s.Float64()
	s.rate = 3 + 5*s.Float64()
	s.season = 0.2 + 0.08*s.Float64() // at least 1.5-fold
	s.phase = 2 * math.Pi * s.Float64()
	n := 13 + s.IntN(4)
	for k := range n {
		s.counts = append(s.counts, 2+30*k+s.IntN(5))
	}
	s.days = s.counts[n-1] + 1 + s.IntN(15)
	s.asOf = s.days
	classes := 2 + s.IntN(3)
	for c := range classes {
		s.goods = append(s.goods, fmt.Sprintf("good%c", 'a'+c))
	}
	s.catalog(12 + s.IntN(13))
	return s
}

func (s *shop) catalog(n int) {
	add := func(x supply) {
		x.id = fmt.Sprintf("s%02d", len(s.supplies))
		x.waste = s.mu * (0.5 + s.Float64())
		x.tol = -1
		x.price = 0.05 + s.Float64()
		s.supplies = append(s.supplies, x)
	}
	add(supply{per: "parcel", format: "flat", qty: 1})
	add(supply{per: "parcel", format: "box", qty: 1})
	for c := range s.goods {
		add(supply{run: true, qty: 1, class: string(rune('a' + c))})
	}
	for len(s.supplies) < n {
		switch s.IntN(7) {
		case 0:
			add(supply{per: "order", qty: 1 + s.IntN(2)})
		case 1:
			add(supply{per: "parcel", format: []string{"flat", "box"}[s.IntN(2)], qty: 1 + s.IntN(3)})
		case 2:
			add(supply{per: "parcel", format: []string{"flat", "box"}[s.IntN(2)], qty: 100 + s.IntN(300), length: true})
		case 3, 4:
			add(supply{per: "unit", class: string(rune('a' + s.IntN(len(s.goods)))), qty: 1})
		case 5:
			add(supply{per: "unit", class: string(rune('a' + s.IntN(len(s.goods)))), qty: 200 + s.IntN(300), length: true})
		case 6:
			add(supply{per: "order", zone: []string{"home", "abroad"}[s.IntN(2)], qty: 1})
		}
	}
}

func (s *shop) rateAt(day int) float64 {
	return s.rate * (1 + s.season*math.Sin(2*math.Pi*float64(day)/365+s.phase))
}

func (s *shop) poisson(mean float64) int {
	n := 0
	for t := s.ExpFloat64(); t < mean; t += s.ExpFloat64() {
		n++
	}
	return n
}

// trade draws the orders and print runs. more multiplies the rate from a day on, heavy adds units of a class to orders from then on, spoil adds spoiled pieces.
func (s *shop) trade(from int, more, heavy float64, heavyClass int) {
	s.orders, s.runs = nil, nil
	sold := make([]int, len(s.goods))
	for d := 3; d < s.days; d++ {
		rate := s.rateAt(d)
		if d > from {
			rate *= 1 + more
		}
		for range s.poisson(rate) {
			o := order{placed: d, packed: d + s.IntN(4), zone: "home", units: make([]int, len(s.goods))}
			if s.IntN(3) == 0 {
				o.zone = "abroad"
			}
			n := 1 + s.IntN(3)
			if s.IntN(4) == 0 {
				n += 2 + s.IntN(3)
			}
			for range n {
				o.units[s.IntN(len(s.goods))]++
			}
			if d > from && heavy > 0 {
				o.units[heavyClass] += s.poisson(heavy)
			}
			for c, u := range o.units {
				sold[c] += u
			}
			s.orders = append(s.orders, o)
		}
		for c := range sold {
			if sold[c] >= 60 {
				sold[c] -= 60
				s.runs = append(s.runs, run{d, c, 60, s.poisson(1.5)})
			}
		}
	}
}

// anyFormat is that of a supply that every parcel takes, by a line of each format.
const anyFormat = "any"

func (o *order) format() string {
	n := 0
	for _, u := range o.units {
		n += u
	}
	if n > 4 {
		return "box"
	}
	return "flat"
}

// use is what an order takes of a supply by the spec: single uses of a size.
func (x *supply) use(o *order, classes int) int {
	format := o.format()
	switch {
	case x.run:
		return 0
	case x.zone != "" && x.zone != o.zone:
		return 0
	case x.per == "parcel":
		if x.format != format && x.format != anyFormat {
			return 0
		}
		return x.qty
	case x.per == "unit":
		return x.qty * o.units[x.class[0]-'a']
	}
	return x.qty
}

func (x *supply) useOfRun(r *run) int {
	if !x.run || int(x.class[0]-'a') != r.good {
		return 0
	}
	return r.pieces + r.spoiled
}

// usage is used and Σq² of a supply in each interval between counts, and by day.
func (s *shop) usage(i int) (used, squares []float64, perDay []int) {
	x := &s.supplies[i]
	used, squares, perDay = make([]float64, len(s.counts)), make([]float64, len(s.counts)), make([]int, s.days+5)
	book := func(d, q, single int) {
		if q == 0 || d >= s.days {
			return
		}
		perDay[d] += q
		k := s.interval(d)
		if k < 0 {
			return
		}
		used[k] += float64(q)
		squares[k] += float64(q) * float64(single)
	}
	for j := range s.orders {
		q := x.use(&s.orders[j], len(s.goods))
		book(s.orders[j].packed, q, q)
	}
	for j := range s.runs {
		book(s.runs[j].day, x.useOfRun(&s.runs[j]), 1)
	}
	return used, squares, perDay
}

// interval is the interval that a day lies in: k ends with count k; 0 and what lies behind the last count are none.
func (s *shop) interval(d int) int {
	for k := 1; k < len(s.counts); k++ {
		if d > s.counts[k-1] && d <= s.counts[k] {
			return k
		}
	}
	return -1
}

// stockUp plans deliveries: a fixed rhythm and lots that keep pace with what is used. deliveries of the item come at least four times.
func (s *shop) stockUp() {
	for i := range s.supplies {
		x := &s.supplies[i]
		used, _, _ := s.usage(i)
		total := 0.0
		for _, u := range used {
			total += u
		}
		perDay := max(total/float64(s.counts[len(s.counts)-1]-s.counts[0]), 0.02)
		x.every = 35 + s.IntN(50)
		x.phase = 5 + s.IntN(x.every)
		lot := perDay * float64(x.every)
		switch {
		case x.length:
			x.pack = []int{10000, 25000, 50000}[s.IntN(3)]
		case lot > 300:
			x.pack = []int{50, 100, 150, 250}[s.IntN(4)]
		default:
			x.pack = []int{10, 20, 25, 50}[s.IntN(4)]
		}
		x.lots = max(1, int(math.Round(lot/float64(x.pack))))
		s.opening = append(s.opening, int(lot*1.5)+x.pack)
	}
}

func (x *supply) deliveries(until int) (days []int) {
	for d := x.phase; d < until; d += x.every {
		days = append(days, d)
	}
	return days
}

// choose picks the item and works out its window: from the count before its last delivery to the last count.
func (s *shop) choose(ok func(x *supply) bool) bool {
	var list []int
	for i := range s.supplies {
		if ok(&s.supplies[i]) {
			list = append(list, i)
		}
	}
	if len(list) == 0 {
		return false
	}
	s.item = list[s.IntN(len(list))]
	return true
}

func (s *shop) window() {
	x := &s.supplies[s.item]
	last := s.counts[len(s.counts)-1]
	days := x.deliveries(last + 1)
	s.box = days[len(days)-1]
	s.to = len(s.counts) - 1
	s.from = 0
	for k, d := range s.counts {
		if d < s.box {
			s.from = k
		}
	}
}

// sd is the standard deviation of the item's unknown over the window where nothing is planted.
func (s *shop) sd() float64 {
	x := &s.supplies[s.item]
	used, squares, perDay := s.usage(s.item)
	v := 0.0
	for k := s.from + 1; k <= s.to; k++ {
		v += s.phi*squares[k] + x.waste*used[k]*x.unit()
	}
	stock := float64(s.opening[s.item])
	day := 0
	for k, d := range s.counts {
		for ; day <= d; day++ {
			stock -= float64(perDay[day])
			if slices.Contains(x.deliveries(d+1), day) {
				stock += float64(x.lots * x.pack)
			}
		}
		if k == s.from || k == s.to {
			v += math.Pow(s.sigma(x, stock), 2)
		}
	}
	return math.Sqrt(v)
}

func (x *supply) unit() float64 {
	if x.length {
		return float64(x.qty)
	}
	return 1
}

func (s *shop) sigma(x *supply, figure float64) float64 {
	switch {
	case x.tol >= 0:
		return x.tol / 1.96
	case x.length:
		return max(0.02*figure, float64(x.qty)/4) / 1.96
	}
	return max(0.5, 0.005*figure) / 1.96
}

func (s *shop) lose(item int) []float64 {
	if s.lost == nil {
		s.lost = make([][]float64, len(s.supplies))
	}
	if s.lost[item] == nil {
		s.lost[item] = make([]float64, s.days+5)
	}
	return s.lost[item]
}

var epoch = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)

func at(day int, hour float64) event.Time {
	return event.TimeOf(epoch.AddDate(0, 0, day).Add(time.Duration(hour * float64(time.Hour))))
}

func (s *shop) emit(t event.Time, d event.Data) {
	s.seq++
	var id event.ID
	ms := t.Ms()
	for i := range 6 {
		id[i] = byte(ms >> (8 * (5 - i)))
	}
	id[12], id[13], id[14], id[15] = byte(s.seq>>24), byte(s.seq>>16), byte(s.seq>>8), byte(s.seq)
	s.facts = append(s.facts, &event.Event{ID: id, Shop: foldtest.Devices[0], Device: foldtest.Devices[0], Version: 1, Seq: s.seq, Kind: d.Kind(), Time: t, Data: d})
}

func whole(n int) *num.Qty { q := num.Whole(int64(n)); return &q }
func money(x float64) *num.Money {
	m := num.MoneyUnits(int64(math.Round(x*100)) * 1_000_000)
	return &m
}

// record writes the facts.
func (s *shop) record() *fold.Log {
	start := at(0, 8)
	s.emit(start, &event.Shop{Name: "Fennimoor", Currency: "CAD", Zone: "UTC", Costing: "average"})
	for c, g := range s.goods {
		s.emit(start, &event.Item{Item: g, Name: g, Type: "good", Unit: "each", Class: string(rune('a' + c))})
	}
	for i := range s.supplies {
		x := &s.supplies[i]
		d := &event.Item{Item: x.id, Name: x.id, Type: "supply", Unit: "each", Supplier: "Quillmark", Packs: map[string]num.Qty{"box": num.Whole(int64(x.pack)), "half": num.Whole(int64(x.pack / 2))}}
		if x.length {
			d.Unit = "mm"
		}
		if x.tol >= 0 {
			d.Tolerance = &event.Tolerance{Value: num.QtyMillionths(int64(x.tol * 1e6))}
		}
		s.emit(start, d)
	}
	s.specs(start)
	for i := range s.supplies {
		s.emit(at(1, 9), &event.Count{Item: s.supplies[i].id, Qty: whole(s.opening[i]), Cost: money(float64(s.opening[i]) * s.supplies[i].price)})
	}
	for _, g := range s.goods {
		s.emit(at(1, 9), &event.Count{Item: g, Qty: whole(500), Cost: money(200)})
	}
	for j := range s.orders {
		o := &s.orders[j]
		if o.packed >= s.days {
			continue
		}
		number := fmt.Sprint(1000 + j)
		var lines []event.Goods
		for c, n := range o.units {
			if n > 0 {
				lines = append(lines, event.Goods{Item: s.goods[c], Qty: num.Whole(int64(n))})
			}
		}
		if !s.skipOrder[j] {
			s.emit(at(o.placed, 10), &event.Order{Order: number, Zone: o.zone, Lines: lines})
		}
		if !s.skipPack[j] {
			s.emit(at(o.packed, 15), &event.Pack{Order: number})
		}
	}
	for j := range s.runs {
		r := &s.runs[j]
		s.emit(at(r.day, 11), &event.Reprint{Item: s.goods[r.good], Good: whole(r.pieces), Spoiled: whole(r.spoiled)})
	}
	s.deliver()
	s.count()
	s.lines = foldtest.Events(s.facts)
	log, err := fold.Read(context.Background(), s.lines, fold.Choice{})
	if err != nil {
		panic(err)
	}
	return log
}

func (s *shop) specs(t event.Time) {
	spec := &event.PackSpec{Formats: []event.Format{{Format: "flat", Holds: whole(4)}, {Format: "box", Holds: whole(400)}}}
	for i := range s.supplies {
		x := &s.supplies[i]
		l := event.Line{Item: x.id, Qty: num.Whole(int64(x.qty)), Per: x.per, Class: x.class}
		if x.zone != "" {
			l.Zones = []string{x.zone}
		}
		switch {
		case x.run:
		case x.format == anyFormat:
			for i := range spec.Formats {
				spec.Formats[i].Lines = append(spec.Formats[i].Lines, l)
			}
		case x.format == "flat":
			spec.Formats[0].Lines = append(spec.Formats[0].Lines, l)
		case x.format == "box":
			spec.Formats[1].Lines = append(spec.Formats[1].Lines, l)
		default:
			spec.Lines = append(spec.Lines, l)
		}
	}
	s.emit(t, spec)
	for c, g := range s.goods {
		mk := &event.MakeSpec{Item: g, Pieces: num.Whole(perSheet)}
		for i := range s.supplies {
			if x := &s.supplies[i]; x.run && x.class == string(rune('a'+c)) {
				mk.Lines = append(mk.Lines, event.Line{Item: x.id, Qty: num.Whole(1), Per: "piece"})
			}
		}
		s.emit(t, mk)
	}
}

func (s *shop) deliver() {
	for i := range s.supplies {
		x := &s.supplies[i]
		for n, d := range x.deliveries(s.days) {
			e := fake{d, x.lots, x.pack, x.lots * x.pack}
			if i == s.item {
				if f, ok := s.entered[d]; ok {
					e = f
				}
			}
			pack := "box"
			if e.pack != x.pack {
				pack = "half"
			}
			if e.pack == 1 {
				pack = ""
			}
			cost := float64(e.truth) * x.price * (1 + 0.05*s.NormFloat64())
			r := &event.Restock{Supplier: "Quillmark", Ref: fmt.Sprintf("D-%02d%03d", i, n), Lines: []event.RestockLine{{Item: x.id, Qty: whole(e.lots), Pack: pack, Cost: money(max(cost, 0.01))}}}
			s.emit(at(d, 9), r)
			if i == s.item {
				for _, f := range s.fakes {
					if f.day == d {
						again := *r
						again.Ref = ""
						s.emit(at(d+1+s.IntN(2), 9), &again)
					}
				}
			}
		}
	}
}

// count keeps the shelf and counts it.
func (s *shop) count() {
	for i := range s.supplies {
		x := &s.supplies[i]
		used, squares, perDay := s.usage(i)
		stock := float64(s.opening[i])
		day := 0
		for k, d := range s.counts {
			for ; day <= d; day++ {
				stock -= float64(perDay[day])
				if slices.Contains(x.deliveries(d+1), day) {
					came := float64(x.lots * x.pack)
					if f, ok := s.entered[day]; ok && i == s.item {
						came = float64(f.truth)
					}
					if i == s.item && day >= s.shortFrom {
						came = math.Round(came * (1 - s.shortShare))
					}
					stock += came
				}
				if s.lost != nil && s.lost[i] != nil {
					stock -= s.lost[i][day]
				}
			}
			if k > 0 {
				if x.length {
					stock -= x.waste*used[k] + math.Sqrt(s.phi*squares[k])*s.NormFloat64()
				} else {
					stock -= float64(s.poisson(x.waste*used[k])) + math.Round(math.Sqrt(s.phi*squares[k])*s.NormFloat64())
				}
			}
			stock = max(stock, 0)
			seen := math.Round(stock + s.sigma(x, stock)*s.NormFloat64())
			if i == s.item {
				seen += s.misread[k]
			}
			seen = max(0, seen)
			s.emit(at(d, 23.5), &event.Count{Item: x.id, Qty: whole(int(seen)), Session: fmt.Sprintf("c%02d", k)})
		}
	}
}
