package use

import (
	"fmt"
	"math"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/chance"
	"countback/projections/fold"
	"countback/projections/interval"
	"countback/projections/noise"
	"countback/projections/report"
)

// Item is one line of the report.
type Item struct {
	Item      string    `json:"item"`
	SpecQty   string    `json:"spec_qty"`   // what the specs, and changes, made of it; base units
	ActualQty string    `json:"actual_qty"` // what really went
	Ratio     string    `json:"ratio"`
	Low       string    `json:"low"`
	High      string    `json:"high"`
	Proposed  *Proposal `json:"proposed,omitempty"`

	Name      string `json:"name"`
	Unit      string `json:"unit"`
	From      string `json:"from"`
	To        string `json:"to"`
	Intervals int    `json:"intervals"`
	Changed   bool   `json:"changed,omitempty"` // before From it was another ratio
	Usual     string `json:"usual"`             // usual waste as a share of use, which is part of the ratio
	Pattern   string `json:"pattern"`           // agrees, drift, steady, both, unclear
	PerDay    string `json:"per_day,omitempty"` // lost a day beside the ratio; base units
	Why       string `json:"why"`

	FromMs int64 `json:"-"`
}

// Proposal is a line of a spec with another quantity, in the line's own pack or measure.
type Proposal struct {
	Spec   string `json:"spec"` // the event that stands for the spec in force
	Line   string `json:"line"` // where in its data, like formats[1].lines[0]
	QtyNow string `json:"qty_now"`
	Qty    string `json:"qty"`
	Low    string `json:"low"`
	High   string `json:"high"`

	Kind    string `json:"kind"`             // packspec or makespec
	Made    string `json:"made,omitempty"`   // of a make spec
	Format  string `json:"format,omitempty"` // of the line, where it belongs to one
	Per     string `json:"per"`
	Measure string `json:"measure,omitempty"` // or pack

	At  fold.Line `json:"-"`
	New num.Qty   `json:"-"`
}

// Report is use against spec, items by id.
type Report struct {
	report.Head
	Items   []Item   `json:"items"`
	Waiting []string `json:"waiting"` // items that were used, with fewer than three intervals between counts
	Runs    []Runs   `json:"runs"`    // filled in by whoever wants them, with RunsOf
}

// Of reports on a table of intervals; if item is not empty, on that one alone.
func Of(t *interval.Table, st report.Style, item string) Report {
	s := t.State
	r := Report{Head: report.HeadOf(s, st), Items: []Item{}, Waiting: []string{}, Runs: []Runs{}}
	all := make([]noise.Series, len(t.Chains))
	for i, ch := range t.Chains {
		all[i] = noise.SeriesOf(ch)
	}
	specs := specsOf(s)
	for i, u := range noise.Others(all) {
		it := s.Catalog.Items[i]
		if it.Prepared() || item == "" && s.View.Retired(i) || item != "" && item != it.ID {
			continue
		}
		ratio, err := u.Ratio(all[i])
		if err != nil {
			if used(t.Chains[i]) {
				r.Waiting = append(r.Waiting, it.ID)
			}
			continue
		}
		list := t.Chains[i].Intervals[ratio.From:ratio.To]
		line := Item{
			Item: it.ID, Name: s.View.Def(i).Name, Unit: it.Unit(),
			Ratio: chance.Text(ratio.Ratio), Low: chance.Text(ratio.Low), High: chance.Text(ratio.High), Usual: chance.Text(ratio.Usual),
			From: st.Time(list[0].From.Ms), To: st.Time(list[len(list)-1].To.Ms), FromMs: list[0].From.Ms,
			Intervals: len(list), Changed: ratio.Began, Pattern: string(ratio.Pattern),
		}
		if ratio.PerDay != 0 {
			line.PerDay = chance.Text(ratio.PerDay)
		}
		var spec, actual num.Qty
		for k := range list {
			spec = spec.Add(list[k].Used)
			actual = actual.Add(list[k].Used).Add(list[k].Unknown)
		}
		line.SpecQty, line.ActualQty = spec.String(), actual.String()
		if ratio.Excludes1() {
			line.Proposed = specs.propose(list, ratio, it.Unit())
		}
		line.Why = why(ratio, line.Proposed != nil, line.From[:len("2026-01-02")])
		r.Items = append(r.Items, line)
	}
	return r
}

func used(ch interval.Chain) bool {
	for i := range ch.Intervals {
		if ch.Intervals[i].Used.Sign() > 0 {
			return true
		}
	}
	return ch.Since.Used.Sign() > 0
}

// why says in words what the ratio means. day is that of the count with which it begins.
func why(r noise.Ratio, proposed bool, day string) string {
	text := ""
	switch {
	case r.Pattern == noise.Agrees && r.Low > 1:
		return "a little more went than the specs say, no more than usual waste or a few lost pieces explain"
	case r.Pattern == noise.Agrees:
		return "use and specs agree, as far as these counts can tell"
	case r.Pattern == noise.Steady:
		return "something is lost day by day, whatever is packed; the specs are not the reason"
	case r.Pattern == noise.Unclear:
		text = "drift or steady loss: can't be told apart yet"
	case r.Low > 1:
		text = "each use takes more than the specs say"
	default:
		text = "each use takes less than the specs say"
	}
	if r.Pattern == noise.Both {
		text += ", and something is lost day by day beside it"
	}
	if r.Began {
		text += "; it was otherwise before the count of " + day
	}
	if !proposed {
		text += "; no line of the specs in force makes up half of the use, or it would hardly change"
	}
	return text
}

// specs are the lines in force that could be changed.
type specs struct {
	state *fold.State
	makes map[*event.MakeSpec]makeOf
}

type makeOf struct{ made, by string }

func specsOf(s *fold.State) specs {
	out := specs{s, map[*event.MakeSpec]makeOf{}}
	for i, it := range s.Catalog.Items {
		if m := s.View.Make(i); m != nil {
			out.makes[m.Data] = makeOf{it.ID, m.By.String()}
		}
	}
	return out
}

const (
	smallest = 0.02 // share of a quantity by which a proposal moves it at least, if not by a piece
	figures  = 3    // digits of a proposal in lengths, weights and volumes
)

// propose finds the line and its quantity; nil if there is none to offer.
func (p specs) propose(list []interval.Interval, r noise.Ratio, unit string) *Proposal {
	line, share := p.most(list)
	out, now := p.describe(line)
	if out == nil || share <= 0 {
		return nil
	}
	waste := r.Usual
	if r.Ratio < 1 {
		waste = 0
	}
	scale := func(ratio float64) float64 { return now.Float() * (1 + (ratio-1-waste)/share) }
	low, high := scale(r.Low), scale(r.High)
	pieces := unit == "each" && out.Measure == ""
	qty := round(scale(r.Ratio), low, high, pieces)
	moved := math.Abs(qty - now.Float())
	if qty <= 0 || moved < smallest*now.Float() && !(pieces && moved >= 1) {
		return nil
	}
	out.Qty, out.Low, out.High = chance.Text(qty), chance.Text(max(0, low)), chance.Text(high)
	var err error
	if out.New, err = num.ParseQty(out.Qty); err != nil || out.New.Sign() <= 0 {
		return nil
	}
	return out
}

// round gives a quantity that a person would write into a spec.
func round(x, low, high float64, pieces bool) float64 {
	if pieces {
		if whole := math.Round(x); whole >= low && whole <= high && whole > 0 {
			return whole
		}
		return math.Round(x*100) / 100
	}
	if x <= 0 {
		return x
	}
	step := math.Pow(10, math.Floor(math.Log10(x))-(figures-1))
	return math.Round(x/step) * step
}

// most returns the line in force that used most, if it is the most of all, and its share of the use in the intervals in which it was in force.
func (p specs) most(list []interval.Interval) (best fold.Line, share float64) {
	var lines []fold.Line
	var sums []num.Qty
	for _, n := range list {
		for _, l := range n.Lines {
			k := 0
			for k < len(lines) && lines[k] != l.Line {
				k++
			}
			if k == len(lines) {
				lines, sums = append(lines, l.Line), append(sums, num.Qty{})
			}
			sums[k] = sums[k].Add(l.Qty)
		}
	}
	top := -1
	for k := range lines {
		if p.inForce(lines[k]) && (top < 0 || sums[top].Less(sums[k])) {
			top = k
		}
	}
	if top < 0 {
		return fold.Line{}, 0
	}
	var all num.Qty
	for _, n := range list {
		for _, l := range n.Lines {
			if l.Line == lines[top] {
				all = all.Add(n.Used)
			}
		}
	}
	if sums[top].Add(sums[top]).Less(all) {
		return fold.Line{}, 0
	}
	return lines[top], sums[top].Float() / all.Float()
}

func (p specs) inForce(l fold.Line) bool {
	if l.Make != nil {
		_, ok := p.makes[l.Make]
		return ok
	}
	now := p.state.View.Spec()
	return l.Pack != nil && now != nil && now.Data == l.Pack
}

// describe says which line it is, and its quantity now.
func (p specs) describe(l fold.Line) (*Proposal, num.Qty) {
	if !p.inForce(l) {
		return nil, num.Qty{}
	}
	out := &Proposal{At: l, Line: fmt.Sprintf("lines[%d]", l.Index)}
	var line *event.Line
	if l.Make != nil {
		m := p.makes[l.Make]
		out.Kind, out.Spec, out.Made = string(event.KindMakeSpec), m.by, m.made
		line = &l.Make.Lines[l.Index]
	} else {
		out.Kind, out.Spec = string(event.KindPackSpec), p.state.View.Spec().By.String()
		if l.Format < 0 {
			line = &l.Pack.Lines[l.Index]
		} else {
			f := &l.Pack.Formats[l.Format]
			line = &f.Lines[l.Index]
			out.Format = f.Format
			out.Line = fmt.Sprintf("formats[%d].lines[%d]", l.Format, l.Index)
		}
	}
	out.Per, out.Measure, out.QtyNow = line.Per, line.Measure+line.Pack, line.Qty.String()
	return out, line.Qty
}

// SinceDay is the day from which on a spec that was put right holds, where its use changed at an instant: the first whole day after a count at the end of one.
func SinceDay(at time.Time) string {
	return at.Add(time.Millisecond).Add(12 * time.Hour).Format(time.DateOnly)
}
