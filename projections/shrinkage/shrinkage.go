package shrinkage

import (
	"cmp"
	"slices"
	"time"

	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/chance"
	"countback/projections/fold"
	"countback/projections/interval"
	"countback/projections/noise"
	"countback/projections/report"
)

// Stretch is an interval, or several that follow one another, in base units.
type Stretch struct {
	From         string `json:"from"`
	To           string `json:"to"`
	Opening      string `json:"opening"`
	In           string `json:"in"`            // bought, made and returned, less what went back
	Used         string `json:"used"`          // sold, packed and used by runs
	RecordedLoss string `json:"recorded_loss"` // written off, given away, own use
	Book         string `json:"book"`
	Counted      string `json:"counted"`
	Unknown      string `json:"unknown"`       // book - counted: above 0 is a loss
	UnknownValue string `json:"unknown_value"` // by the shop's costing
	ShareOfUse   string `json:"share_of_use"`  // unknown ÷ used; empty where nothing was used
	Low          string `json:"low"`
	High         string `json:"high"`
	Usual        string `json:"usual"` // the usual waste that is part of it

	RecordedValue string `json:"recorded_value"`
	Values        Pair   `json:"values"`              // of the unknown, under both costings
	Uncounted     bool   `json:"uncounted,omitempty"` // it begins with a first delivery: what was there before was never counted
}

// Pair is one amount under both costings.
type Pair struct {
	Average string `json:"average"`
	FIFO    string `json:"fifo"`
}

// Item is one line of the report.
type Item struct {
	Item string `json:"item"`
	Stretch
	Signal     bool   `json:"signal"`
	Detectable string `json:"detectable"`

	SignalFrom string    `json:"signal_from"` // the signal is about the time from here to "to"
	Unit       string    `json:"unit"`
	Name       string    `json:"name"`
	Intervals  []Stretch `json:"intervals"`

	Gain  bool      `json:"-"` // more was counted than chance explains
	Value num.Money `json:"-"`
}

// Group is what some intervals add up to in money, by the shop's costing.
type Group struct {
	Name          string `json:"name"` // empty for those without one
	Items         int    `json:"items"`
	Intervals     int    `json:"intervals"`
	RecordedValue string `json:"recorded_value"`
	UnknownValue  string `json:"unknown_value"`

	Of       []string `json:"-"` // the items, by id
	From, To int64    `json:"-"` // the instants (ms) between which the intervals lie
}

// Report is the shrinkage of a time. Items stand by id, groups by name.
type Report struct {
	report.Head
	Currency  string   `json:"currency"`
	Costing   string   `json:"costing"`
	Items     []Item   `json:"items"`
	Places    []Group  `json:"places"`
	Suppliers []Group  `json:"suppliers"`
	Kinds     []Group  `json:"kinds"` // the class of goods, else the type
	Months    []Group  `json:"months"`
	Total     Group    `json:"total"`
	Reasons   []Reason `json:"reasons"` // of write-offs; filled in by whoever wants them, with ReasonsOf
	Judged    int      `json:"judged"`  // items that were tested together, those that aren't shown included
}

// What is asked for. Zero fields ask for everything; an interval is in the time if its last count is.
type What struct {
	From, To int64 // ms, both inclusive
	Item     string
}

// Of reports on a table of intervals. The whole table is judged together, whichever item is asked for.
func Of(t *interval.Table, st report.Style, what What) Report {
	s := t.State
	all := make([]noise.Series, len(t.Chains))
	chains := make([][]interval.Interval, len(t.Chains))
	for i, ch := range t.Chains {
		if what.To != 0 {
			n := 0
			for n < len(ch.Intervals) && ch.Intervals[n].To.Ms <= what.To {
				n++
			}
			ch.Intervals = ch.Intervals[:n]
		}
		chains[i] = ch.Intervals
		all[i] = noise.SeriesOf(ch)
		switch {
		case what.From != 0:
			for all[i].From < len(ch.Intervals) && ch.Intervals[all[i].From].To.Ms < what.From {
				all[i].From++
			}
		case what.Item == "" && s.View.Retired(i) && s.Items[i].Account.OnHand().IsZero():
			all[i].From = len(ch.Intervals)
		}
	}
	b := builder{s: s, st: st, costing: s.Costing(), digits: s.Digits()}
	usual := noise.Others(all)
	var rows []row
	judged := 0
	for i, v := range noise.Judge(all) {
		if v.Tested == 0 {
			continue
		}
		judged++
		if it := s.Catalog.Items[i]; what.Item == "" || it.ID == what.Item {
			first := v.From
			if what.From != 0 {
				first = all[i].From
			}
			rows = append(rows, b.row(i, chains[i], all[i], usual[i], v, first))
		}
	}
	r := Report{Head: report.HeadOf(s, st), Currency: s.Catalog.Shop.Currency, Costing: b.costing.String(), Items: []Item{}, Judged: judged, Reasons: []Reason{}}
	b.fill(&r, rows)
	return r
}

type builder struct {
	s       *fold.State
	st      report.Style
	costing book.Costing
	digits  int
}

// row is an item's line with the figures that are written last, together.
type row struct {
	item              Item
	list              []interval.Interval
	recorded, unknown book.Amounts
	kind              string
}

func (b *builder) row(i int, list []interval.Interval, series noise.Series, u noise.Usual, v noise.Verdict, first int) row {
	def := b.s.View.Def(i)
	r := row{list: list[first:], kind: def.Type}
	sum := list[first]
	for _, n := range list[first+1:] {
		sum.To = n.To
		sum.In, sum.Used, sum.Recorded = sum.In.Add(n.In), sum.Used.Add(n.Used), sum.Recorded.Add(n.Recorded)
		sum.Counted = n.Counted
		sum.Unknown = sum.Unknown.Add(n.Unknown)
		sum.RecordedValue, sum.UnknownValue = sum.RecordedValue.Add(n.RecordedValue), sum.UnknownValue.Add(n.UnknownValue)
	}
	sum.Book = sum.Opening.Add(sum.In).Sub(sum.Used).Sub(sum.Recorded) // as if nobody had counted between
	r.recorded, r.unknown = sum.RecordedValue, sum.UnknownValue
	r.item = Item{
		Item: b.s.Catalog.Items[i].ID, Name: def.Name, Unit: def.Unit,
		Stretch: b.stretch(&sum, u.Sum(series.Spans[first:], series.Piece)),
		Signal:  v.Signal, Detectable: chance.Text(v.Detectable), SignalFrom: b.st.Time(list[v.From].From.Ms),
		Value: sum.UnknownValue[b.costing],
	}
	_, high := v.Sum.Bounds()
	r.item.Gain = high < 0
	for k := first; k < len(list); k++ {
		r.item.Intervals = append(r.item.Intervals, b.stretch(&list[k], u.Sum(series.Spans[k:k+1], series.Piece)))
	}
	return r
}

func (b *builder) stretch(n *interval.Interval, sum noise.Sum) Stretch {
	low, high := sum.Bounds()
	out := Stretch{
		From: b.st.Time(n.From.Ms), To: b.st.Time(n.To.Ms),
		Opening: n.Opening.String(), In: n.In.String(), Used: n.Used.String(), RecordedLoss: n.Recorded.String(),
		Book: n.Book.String(), Counted: n.Counted.String(), Unknown: n.Unknown.String(),
		UnknownValue: b.st.Money(n.UnknownValue[b.costing], b.digits),
		Low:          chance.Text(low), High: chance.Text(high), Usual: chance.Text(sum.Waste),
		RecordedValue: b.st.Money(n.RecordedValue[b.costing], b.digits),
		Values:        Pair{b.st.Money(n.UnknownValue[book.Average], b.digits), b.st.Money(n.UnknownValue[book.FIFO], b.digits)},
		Uncounted:     n.Uncounted,
	}
	if n.Used.Sign() > 0 {
		out.ShareOfUse = num.Whole(1).Part(n.Unknown, n.Used).String()
	}
	return out
}

// fill writes the amounts of the rows so that they add up, and the groups.
func (b *builder) fill(r *Report, rows []row) {
	var unknown, recorded []num.Money
	groups := [4]sums{}
	total := sums{}
	for _, w := range rows {
		unknown, recorded = append(unknown, w.unknown[b.costing]), append(recorded, w.recorded[b.costing])
		for i := range w.list {
			n := &w.list[i]
			kind := cmp.Or(n.Class, w.kind)
			month := time.UnixMilli(n.To.Ms).In(b.st.Zone).Format("2006-01")
			for g, name := range [4]string{n.Place, n.Supplier, kind, month} {
				groups[g].add(name, w.item.Item, n, b.costing)
			}
			total.add("", w.item.Item, n, b.costing)
		}
	}
	values, _ := b.st.Lines(unknown, b.digits)
	written, _ := b.st.Lines(recorded, b.digits)
	for i, w := range rows {
		w.item.UnknownValue, w.item.RecordedValue = values[i], written[i]
		r.Items = append(r.Items, w.item)
	}
	r.Places, r.Suppliers, r.Kinds, r.Months = groups[0].write(b), groups[1].write(b), groups[2].write(b), groups[3].write(b)
	r.Total = Group{UnknownValue: b.st.Money(num.Money{}, b.digits), RecordedValue: b.st.Money(num.Money{}, b.digits)}
	if len(total) > 0 {
		r.Total = total.write(b)[0]
	}
}

// sums are groups while they are added up.
type sums []groupSum

type groupSum struct {
	name              string
	items             []string
	intervals         int
	from, to          int64
	recorded, unknown num.Money
}

func (s *sums) add(name, item string, n *interval.Interval, c book.Costing) {
	k := slices.IndexFunc(*s, func(g groupSum) bool { return g.name == name })
	if k < 0 {
		k = len(*s)
		*s = append(*s, groupSum{name: name, from: n.From.Ms, to: n.To.Ms})
	}
	g := &(*s)[k]
	g.from, g.to = min(g.from, n.From.Ms), max(g.to, n.To.Ms)
	if !slices.Contains(g.items, item) {
		g.items = append(g.items, item)
	}
	g.intervals++
	g.recorded, g.unknown = g.recorded.Add(n.RecordedValue[c]), g.unknown.Add(n.UnknownValue[c])
}

func (s sums) write(b *builder) []Group {
	slices.SortFunc(s, func(x, y groupSum) int { return cmp.Compare(x.name, y.name) })
	var recorded, unknown []num.Money
	for _, g := range s {
		recorded, unknown = append(recorded, g.recorded), append(unknown, g.unknown)
	}
	written, _ := b.st.Lines(recorded, b.digits)
	values, _ := b.st.Lines(unknown, b.digits)
	out := make([]Group, len(s))
	for i, g := range s {
		out[i] = Group{g.name, len(g.items), g.intervals, written[i], values[i], slices.Sorted(slices.Values(g.items)), g.from, g.to}
	}
	return out
}
