package closing

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"hash"
	"maps"
	"slices"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
	"countback/projections/fold"
)

// Row is one item's roll-forward over a period.
type Row struct {
	Item, Name, Unit string
	Opening, Closing fold.Entry
	Columns          [fold.Columns]fold.Entry
	ForOrders        book.Amounts             // the part of into_runs that print runs for orders took
	Earlier          [fold.Columns]fold.Entry // the part of the columns that comes from earlier periods
	Counted          bool                     // in the period
	Retired          bool                     // at its end
}

// Material is what left with orders: sold, packed, and what print runs for orders took.
func (r *Row) Material() book.Amounts {
	return r.Columns[fold.Sold].Value.Add(r.Columns[fold.Packed].Value).Add(r.ForOrders)
}

// Still reports whether nothing of the item was there and nothing moved.
func (r *Row) Still() bool {
	still := zero(r.Opening) && zero(r.Closing)
	for _, e := range r.Columns {
		still = still && zero(e)
	}
	return still
}

func zero(e fold.Entry) bool { return e.Qty.IsZero() && e.Value.IsZero() }

// Figures are the figures of a period: closed ones, or, of a period that isn't closed yet, those that a close now would have.
type Figures struct {
	Period   Period
	From, To int64                    // first and last instant, in milliseconds
	Close    *Close                   // nil if it isn't closed
	Upto     map[string]event.LogHead // what is covered
	Rows     []Row                    // by item; all but prepared ones
	Digest   event.Digests            // of these figures
	Earlier  []Late                   // events from earlier periods, in fold order
	Late     []Late                   // of a closed period: events about it and those before it that no close up to its own covers, in fold order
	Log      *fold.Log                // what is covered
	State    *fold.State              // at the end of the period
}

// Same reports whether the figures are those that were closed.
func (f *Figures) Same() bool { return f.Close == nil || f.Digest == f.Close.Data.Digest }

// total is an item's running total.
type total struct {
	columns   [fold.Columns]fold.Entry
	forOrders book.Amounts
}

func (t *total) balance() (e fold.Entry) {
	for c := range fold.Columns {
		if c.In() {
			e.Qty, e.Value = e.Qty.Add(t.columns[c].Qty), e.Value.Add(t.columns[c].Value)
		} else {
			e.Qty, e.Value = e.Qty.Sub(t.columns[c].Qty), e.Value.Sub(t.columns[c].Value)
		}
	}
	return e
}

// covered is a ledger of which only some events are there.
type covered struct {
	upto map[string]event.LogHead
	log  *fold.Log
	cuts map[int64]*cut
}

// cut is what a fold up to an instant says.
type cut struct {
	totals map[string]*total
	moved  map[event.ID]bool // of the events that were asked about
	print  [sha256.Size]byte // of all movements
	state  *fold.State
}

func (v *covered) covers(device string, seq int64) bool { return covers(v.upto, device, seq) }

// read reads the events that are covered. The last three stay at hand: a period's end is the next one's beginning, and what is held is asked for again.
func (l *Ledger) read(ctx context.Context, upto map[string]event.LogHead) (*covered, error) {
	for _, v := range l.kept {
		if maps.Equal(v.upto, upto) {
			return v, nil
		}
	}
	v := &covered{upto: upto, cuts: map[int64]*cut{}}
	var err error
	if v.log, err = fold.Read(ctx, l.src, fold.Choice{Covers: v.covers}); err != nil {
		return nil, err
	}
	l.kept = append(l.kept, v)
	if n := len(l.kept); n > 3 {
		l.kept = slices.Clone(l.kept[n-3:])
	}
	return v, nil
}

// at folds up to an instant. ask names the events of which it is to be noted whether they moved stock.
func (v *covered) at(end int64, ask map[event.ID]bool) *cut {
	if c := v.cuts[end]; c != nil && len(ask) == 0 {
		return c
	}
	c := &cut{totals: map[string]*total{}, moved: map[event.ID]bool{}}
	items := v.log.Catalog.Items
	forOrders := make([]book.Amounts, len(items))
	print := movements{sum: sha256.New()}
	c.state = v.log.Run(fold.Run{AsOf: end, Observe: func(m fold.Movement) {
		if m.Column == fold.IntoRuns && m.Order != "" {
			forOrders[m.Item] = forOrders[m.Item].Add(m.Value)
		}
		if ask[m.Event] {
			c.moved[m.Event] = true
		}
		print.add(items[m.Item].ID, m)
	}})
	copy(c.print[:], print.sum.Sum(nil))
	for i, it := range items {
		if !it.Prepared() {
			c.totals[it.ID] = &total{c.state.Items[i].Totals, forOrders[i]}
		}
	}
	v.cuts[end] = c
	return c
}

// movements takes the fingerprint of all movements of a fold.
type movements struct {
	sum hash.Hash
	buf []byte
}

func (p *movements) add(item string, m fold.Movement) {
	if m.Qty.IsZero() && m.Value.IsZero() {
		return
	}
	b := append(p.buf[:0], item...)
	b = append(b, 0, byte(m.Column))
	b = append(b, m.Event[:]...)
	for _, text := range []func([]byte) ([]byte, error){m.Qty.AppendText, m.Value[0].AppendText, m.Value[1].AppendText} {
		b, _ = text(b) // a number always has a text
		b = append(b, ' ')
	}
	p.buf = b
	p.sum.Write(b)
}

// figures works out a period's figures: those of the events up to upto, less what was closed before.
func (l *Ledger) figures(ctx context.Context, p Period, upto map[string]event.LogHead, before *Close) (*Figures, error) {
	f := &Figures{Period: p, Upto: upto}
	f.From, f.To = p.Span(l.zone)
	was := &cut{totals: map[string]*total{}}
	var old *covered
	if before != nil {
		var err error
		if old, err = l.read(ctx, before.Data.Upto); err != nil {
			return nil, err
		}
		was = old.at(f.From-1, nil)
	}
	now, err := l.read(ctx, upto)
	if err != nil {
		return nil, err
	}
	anew := was // the periods before, as they look now
	if old != nil {
		if f.Earlier, anew, err = l.late(ctx, old, now, f.From-1); err != nil {
			return nil, err
		}
	}
	is := now.at(f.To, nil)
	f.Log, f.State = now.log, is.state
	ids := map[string]bool{}
	for _, c := range []*cut{was, anew, is} {
		for id := range c.totals {
			ids[id] = true
		}
	}
	for _, id := range slices.Sorted(maps.Keys(ids)) {
		f.Rows = append(f.Rows, f.row(id, was, anew, is))
	}
	f.Digest = event.Digests{Average: digest(f.Rows, book.Average), FIFO: digest(f.Rows, book.FIFO)}
	return f, nil
}

func (f *Figures) row(id string, was, anew, is *cut) Row {
	at := func(c *cut) *total {
		if t := c.totals[id]; t != nil {
			return t
		}
		return new(total)
	}
	a, b, z := at(was), at(anew), at(is)
	r := Row{Item: id, Opening: a.balance(), Closing: z.balance(), ForOrders: z.forOrders.Sub(a.forOrders)}
	for c := range fold.Columns {
		r.Columns[c] = less(z.columns[c], a.columns[c])
		r.Earlier[c] = less(b.columns[c], a.columns[c])
	}
	if it, ok := f.State.Catalog.Find(id); ok {
		def, state := f.State.View.Def(it.Index), &f.State.Items[it.Index]
		r.Name, r.Unit = def.Name, def.Unit
		r.Counted = state.Counted && state.LastCount >= f.From
		r.Retired = f.State.View.Retired(it.Index)
	}
	return r
}

func less(a, b fold.Entry) fold.Entry {
	return fold.Entry{Qty: a.Qty.Sub(b.Qty), Value: a.Value.Sub(b.Value)}
}

// digest is the digest of rows under a costing.
func digest(rows []Row, c book.Costing) string {
	sum := sha256.New()
	var line []byte
	for i := range rows {
		r := &rows[i]
		line = append(line[:0], r.Item...)
		add := func(e fold.Entry) {
			line = append(append(line, ' '), e.Qty.String()...)
			line = append(append(line, ' '), e.Value[c].StringFixed(8)...)
		}
		add(r.Opening)
		for _, e := range r.Columns {
			add(e)
		}
		add(r.Closing)
		sum.Write(append(line, '\n'))
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// Totals adds rows up in money: quantities are of different units and have no sum.
func Totals(rows []Row) (sum Row) {
	for i := range rows {
		sum.add(&rows[i])
	}
	strip := func(e *fold.Entry) { e.Qty = num.Qty{} }
	strip(&sum.Opening)
	strip(&sum.Closing)
	for c := range fold.Columns {
		strip(&sum.Columns[c])
		strip(&sum.Earlier[c])
	}
	return sum
}

// add adds what moved in a row, and its balances.
func (r *Row) add(o *Row) {
	more := func(to *fold.Entry, e fold.Entry) { to.Qty, to.Value = to.Qty.Add(e.Qty), to.Value.Add(e.Value) }
	more(&r.Opening, o.Opening)
	more(&r.Closing, o.Closing)
	r.ForOrders = r.ForOrders.Add(o.ForOrders)
	for c := range fold.Columns {
		more(&r.Columns[c], o.Columns[c])
		more(&r.Earlier[c], o.Earlier[c])
	}
}
