package phone

import (
	"context"
	"fmt"
	"maps"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/store"
	"countback/projections/fold"
	"countback/projections/orders"
	"countback/projections/plan"
	"countback/projections/purchases"
	"countback/projections/report"
	"countback/projections/resume"
	"countback/projections/stock"
)

// fold folds from the latest checkpoint that holds. What it leaves for the next one is saved behind the answer.
func (p *Phone) fold(ctx context.Context, run fold.Run, whole bool) (*resume.Result, error) {
	run.Progress = p.breathe()
	r, err := resume.Job{Store: p.Store, Build: p.Build, Now: p.Now().UnixMilli(), Whole: whole, Run: run}.Fold(ctx)
	if err != nil {
		return nil, err
	}
	go func() { _ = r.Leave(context.WithoutCancel(ctx)) }() // a checkpoint that can't be saved is one that isn't there
	return r, nil
}

// folded is a state that was folded last, which answers again as long as the ledger is the same.
type folded struct {
	last, asOf int64
	heads      map[string]store.Head
	state      *fold.State
}

// state is what stands at an instant (ms), 0 for all that is known. It is only to be read.
func (p *Phone) state(ctx context.Context, asOf int64) (*fold.State, error) {
	last, heads, err := p.ends(ctx)
	if err != nil {
		return nil, err
	}
	if f := p.folded.Load(); f != nil && f.last == last && f.asOf == asOf && maps.Equal(f.heads, heads) {
		return f.state, nil
	}
	r, err := p.fold(ctx, fold.Run{AsOf: asOf}, false)
	if err != nil {
		return nil, err
	}
	p.remember(last, asOf, heads, r.State)
	return r.State, nil
}

// ends tells one state of the ledger from another.
func (p *Phone) ends(ctx context.Context) (last int64, heads map[string]store.Head, err error) {
	if last, err = p.Store.Last(ctx); err == nil {
		heads, err = p.Store.Heads(ctx)
	}
	return last, heads, err
}

func (p *Phone) remember(last, asOf int64, heads map[string]store.Head, s *fold.State) {
	p.folded.Store(&folded{last, asOf, heads, s})
}

// today is the end of the shop's day, up to which figures are shown.
func (p *Phone) today(ctx context.Context) (report.Style, int64, error) {
	st, err := p.style(ctx, false)
	if err != nil {
		return st, 0, err
	}
	return st, endOfDay(p.Now().In(st.Zone)), nil
}

// style is how this shop's reports are written.
func (p *Phone) style(ctx context.Context, exact bool) (report.Style, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return report.Style{}, err
	}
	if p.face.Shop.Zone == "" {
		return report.Style{}, &Refusal{Message: "the shop's ledger isn't here yet", Hint: "keep the recorder open near the desk until it has come", Kind: "empty"}
	}
	zone, err := p.zone()
	return report.Style{Zone: zone, Exact: exact}, err
}

// endOfDay is the last millisecond of an instant's day.
func endOfDay(t time.Time) int64 {
	y, m, d := t.Date()
	return time.Date(y, m, d+1, 0, 0, 0, 0, t.Location()).UnixMilli() - 1
}

// Stock is what is on hand, today's entries for later today included. If item isn't empty, of that one alone.
func (p *Phone) Stock(ctx context.Context, item string) (stock.Report, error) {
	st, until, err := p.today(ctx)
	if err != nil {
		return stock.Report{}, err
	}
	s, err := p.state(ctx, until)
	if err != nil {
		return stock.Report{}, err
	}
	return stock.Of(s, st, item), nil
}

// OpenOrder is an order that waits to be packed, or the rest of it.
type OpenOrder struct {
	Order   string      `json:"order"`
	Zone    string      `json:"zone"`
	Placed  string      `json:"placed"`
	Lines   []OrderLine `json:"lines"`
	Options []string    `json:"options"`
	Short   bool        `json:"short"` // it can't go out complete together with those before it
	Lacks   []string    `json:"lacks"` // items of which too little is there
	Waits   bool        `json:"waits"` // for a decision at the desk about a pack of it
}

// OrderLine is a quantity of one good.
type OrderLine struct {
	Item string `json:"item"`
	Name string `json:"name"`
	Qty  string `json:"qty"`
}

// OpenOrders lists the open orders, oldest first.
func (p *Phone) OpenOrders(ctx context.Context) ([]OpenOrder, error) {
	st, until, err := p.today(ctx)
	if err != nil {
		return nil, err
	}
	s, err := p.state(ctx, until)
	if err != nil {
		return nil, err
	}
	day, err := plan.Of(s, st, plan.Ask{OldestFirst: true})
	if err != nil {
		return nil, err
	}
	out := []OpenOrder{}
	for _, o := range day.Orders {
		x := OpenOrder{o.Order, o.Zone, o.Placed, []OrderLine{}, append([]string{}, o.Options...), !o.Ready, append([]string{}, o.Lacks...), o.Waits}
		for _, u := range s.Orders[o.Order].Remaining() {
			x.Lines = append(x.Lines, OrderLine{s.Catalog.Items[u.Item].ID, s.View.Def(u.Item).Name, u.Qty.String()})
		}
		out = append(out, x)
	}
	return out, nil
}

// Reports are exact reports as the desk prints them with --format json --exact --as-of TIME.
type Reports struct {
	Stock string `json:"stock"`
	Cost  string `json:"cost"`
}

// VerifyReports folds the whole ledger up to an instant, from its first event, and writes the exact reports.
func (p *Phone) VerifyReports(ctx context.Context, asOf time.Time) (out Reports, err error) {
	st, err := p.style(ctx, true)
	if err != nil {
		return out, err
	}
	log, err := fold.Read(ctx, fold.Stored(p.Store), fold.Choice{})
	if err != nil {
		return out, err
	}
	s := log.Run(fold.Run{AsOf: asOf.UnixMilli(), Orders: true, Progress: p.breathe()})
	r := stock.Of(s, st, "")
	if err := p.addOnOrder(ctx, &r, asOf.UnixMilli()); err != nil {
		return out, err
	}
	if out.Stock, err = printed(r); err != nil {
		return out, err
	}
	out.Cost, err = printed(orders.Of(s, st, ""))
	return out, err
}

func (p *Phone) addOnOrder(ctx context.Context, r *stock.Report, asOf int64) error {
	log, err := fold.Read(ctx, purchases.Of(p.Store), fold.Choice{})
	if err != nil {
		return err
	}
	on := map[string]num.Qty{}
	for item, q := range purchases.OnOrder(purchases.Open(log, asOf)) {
		on[log.Catalog.Items[item].ID] = q
	}
	r.AddOnOrder(on)
	return nil
}

// printed writes a report byte for byte as the desk does.
func printed(v any) (string, error) {
	b, err := json.Marshal(v, jsontext.WithIndent("  "), jsontext.EscapeForJS(true))
	if err != nil {
		return "", fmt.Errorf("print a report: %w", err)
	}
	return string(b) + "\n", nil
}

// moves gathers what some events move.
type moves struct {
	ids   map[event.ID]bool
	items map[int]bool
}

func (v *moves) see(m fold.Movement) {
	if v.ids[m.Event] {
		v.items[m.Item] = true
	}
}
