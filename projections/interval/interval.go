// Package interval cuts the history of each item at its counts: what was there, what came in, what was used and written off, what the book said then, and what
// was counted. Everything is exact.
//
// A chain of intervals begins where shrinkage can begin: at the count that opens an item, or at the first receipt or make of it, with what was on hand before. Each
// further count that asserts the whole of the item ends one interval and begins the next; a count session counts once. Of every interval, exactly,
//
//	opening + in - used - recorded = book,  book - counted = unknown,  counted = opening of the next
//
// and over a chain, with what moved since its last count, the same quantities as the columns of the fold: in = bought + made + returned - credited,
// used = sold (before returns) + packed + into_runs, recorded = write-offs + given + own_use, unknown = losses - gains of counts.
package interval

import (
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
)

// Count is one end of an interval. Of an interval that begins with a receipt it is zero but for Ms.
type Count struct {
	Event     event.ID
	Ms        int64
	Figure    num.Qty
	Figures   []fold.Figure    // what it was added up from
	Tolerance *event.Tolerance // the item's own, in force at it
	Moved     num.Qty          // how much moved between its first and its last figure
	Session   string
}

// LineUse is what one line of a spec used; the zero line holds goods and changes.
type LineUse struct {
	Line fold.Line
	Qty  num.Qty
}

// Interval is what happened to one item between two counts, in base units.
type Interval struct {
	From, To  Count
	Uncounted bool // it begins with a receipt: what was on hand before it was never counted

	Opening, In, Used, Recorded, Book, Counted, Unknown num.Qty

	Given         num.Qty      // the part of Recorded that was given away or taken for own use
	RecordedValue book.Amounts // under each costing
	UnknownValue  book.Amounts // what the book lost by the count, under each costing
	Squares       num.Qty      // Σq² of single uses: one parcel's line, one cycle or piece of a run, one good of a parcel
	Lines         []LineUse    // what was used, by the line that asked for it, in the order of first use
	Place         string       // the item's own, in force at the count that ends the interval
	Supplier      string
	Class         string
}

// Chain is the history of one item. Since runs from its last count to the end of the fold: Counted and Unknown, and its last end, are empty.
type Chain struct {
	Begun     bool
	Intervals []Interval
	Since     Interval
}

// Table holds a chain for each item, by the catalog's index.
type Table struct {
	Chains []Chain
	State  *fold.State
}

// Read runs a log and cuts it. It starts from nothing and needs run.Observe, run.Count and run.Singles for itself.
func Read(l *fold.Log, run fold.Run) *Table {
	c := &cutter{items: make([]cut, len(l.Catalog.Items))}
	run.Observe, run.Count, run.Singles, run.From = c.move, c.count, true, nil
	s := l.Run(run)
	t := &Table{Chains: make([]Chain, len(c.items)), State: s}
	for i := range c.items {
		it := &c.items[i]
		it.close(&it.now)
		t.Chains[i] = Chain{it.begun, it.done, it.now}
	}
	return t
}

type cutter struct{ items []cut }

// cut is one item on the way.
type cut struct {
	begun   bool
	done    []Interval
	now     Interval
	gross   num.Qty // all that ever moved, regardless of its direction, but by counts
	marked  num.Qty // gross at the first figure of a session that is still open
	mark    bool
	pending fold.Counted
	def     struct{ place, supplier, class string }
}

func (c *cutter) count(k fold.Counted) {
	it := &c.items[k.Item]
	if k.Begun {
		it.marked, it.mark = it.gross, true
		return
	}
	it.pending = k
	it.def.place, it.def.supplier, it.def.class = k.Def.Place, k.Def.Supplier, k.Def.Class
	it.pending.Def = nil
	tolerance := k.Def.Tolerance
	end := Count{Event: k.Event, Ms: k.Ms, Figure: k.Figure, Figures: k.Figures, Tolerance: tolerance, Session: k.Session}
	if it.mark && k.Session != "" {
		end.Moved = it.gross.Sub(it.marked)
		it.mark = false
	}
	it.now.To = end
}

func (c *cutter) move(m fold.Movement) {
	it := &c.items[m.Item]
	if m.Kind == event.KindCount {
		if m.Column != fold.Adjusted {
			it.counted(m)
		}
		return
	}
	it.gross = it.gross.Add(m.Qty.Abs())
	if !it.begun && m.Qty.Sign() > 0 && (m.Column == fold.Bought || m.Column == fold.Made) {
		it.begin(Count{Ms: m.Ms}, m.OnHand.Sub(m.Qty))
		it.now.Uncounted = true
	}
	if it.begun {
		it.now.add(m)
	}
}

func (it *cut) begin(at Count, opening num.Qty) {
	it.begun = true
	it.now = Interval{From: at, Opening: opening}
}

// counted ends an interval by what a count moved.
func (it *cut) counted(m fold.Movement) {
	end := it.now.To
	if it.pending.Opens || !it.begun {
		it.begin(end, end.Figure)
		return
	}
	it.close(&it.now)
	n := &it.now
	n.Counted = end.Figure
	n.Unknown = n.Book.Sub(n.Counted)
	n.UnknownValue = m.Value
	if m.Column == fold.Gained {
		n.UnknownValue = m.Value.Neg()
	}
	n.Place, n.Supplier, n.Class = it.def.place, it.def.supplier, it.def.class
	it.done = append(it.done, *n)
	it.begin(end, end.Figure)
}

func (it *cut) close(n *Interval) {
	n.Book = n.Opening.Add(n.In).Sub(n.Used).Sub(n.Recorded)
}

func (n *Interval) add(m fold.Movement) {
	switch m.Column {
	case fold.Bought, fold.Made:
		n.In = n.In.Add(m.Qty)
	case fold.Credited:
		n.In = n.In.Sub(m.Qty)
	case fold.Sold:
		if m.Qty.Sign() < 0 { // it came back
			n.In = n.In.Sub(m.Qty)
			return
		}
		n.use(m)
	case fold.Packed, fold.IntoRuns:
		n.use(m)
	case fold.Given, fold.OwnUse:
		n.Given = n.Given.Add(m.Qty)
		n.record(m)
	case fold.Lost:
		n.record(m)
	}
}

func (n *Interval) record(m fold.Movement) {
	n.Recorded = n.Recorded.Add(m.Qty)
	n.RecordedValue = n.RecordedValue.Add(m.Value)
}

func (n *Interval) use(m fold.Movement) {
	n.Used = n.Used.Add(m.Qty)
	for _, s := range m.Singles {
		n.Squares = n.Squares.Add(s.Qty.Times(s.Qty).Times(s.Times))
		n.line(s.Line, s.Qty.Times(s.Times))
	}
}

func (n *Interval) line(l fold.Line, qty num.Qty) {
	for i := range n.Lines {
		if n.Lines[i].Line == l {
			n.Lines[i].Qty = n.Lines[i].Qty.Add(qty)
			return
		}
	}
	n.Lines = append(n.Lines, LineUse{l, qty})
}
