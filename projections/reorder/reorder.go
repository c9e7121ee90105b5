package reorder

import (
	"math"
	"slices"
	"strconv"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/outlook"
	"countback/projections/replenish"
	"countback/projections/report"
)

// Report says what runs out when and what to order. Items are in the order in which they run out; those that nothing takes come last.
type Report struct {
	report.Head
	Currency string  `json:"currency"`
	Service  string  `json:"service"` // per cent
	Cover    int     `json:"cover_days"`
	Until    string  `json:"until"` // the last day looked at; a run-out or day to order beyond it is empty
	Orders   int     `json:"orders"`
	Season   string  `json:"season,omitempty"` // how many times as many orders a day the coming eight weeks had a year ago as the last eight had
	Items    []Item  `json:"items"`
	Late     []Late  `json:"late"`  // purchases that are no more counted on
	Stale    []Order `json:"stale"` // open orders that nothing is kept for

	Today int `json:"-"` // days since 1970-01-01
}

// Order names an order.
type Order struct {
	Order string `json:"order"`
}

// Late is a purchase that was due long ago.
type Late struct {
	Purchase string `json:"purchase"`
	Supplier string `json:"supplier"`
	Ref      string `json:"ref,omitempty"`
	Item     string `json:"item"`
	Qty      string `json:"qty"`
	Due      string `json:"due,omitempty"`
}

// Item is how one item stands. Quantities are in base units, days are dates.
type Item struct {
	Item      string `json:"item"`
	Name      string `json:"name"`
	Type      string `json:"type"`
	Unit      string `json:"unit"`
	Supplier  string `json:"supplier,omitempty"`
	OnHand    string `json:"on_hand"`
	Promised  string `json:"promised"` // to open orders
	OnOrder   string `json:"on_order"`
	UsePerDay string `json:"use_per_day"` // mean over the next four weeks
	RunsOut   Days   `json:"runs_out"`
	OrderBy   string `json:"order_by"` // of what is printed here: to print
	Buy       Buy    `json:"buy"`
	Now       bool   `json:"now"`
	Make      *Make  `json:"make,omitempty"`
	LeadDays  *int   `json:"lead_days,omitempty"`
	LeadMost  *int   `json:"lead_days_max,omitempty"`
	LeadFrom  string `json:"lead_from,omitempty"` // item, deliveries, assumed, printed here
	Basis     string `json:"basis"`               // history, estimate or none
	Demand    string `json:"demand"`              // smooth, erratic, intermittent, lumpy or none
	Hurry     bool   `json:"hurry,omitempty"`     // enough is on order, but comes too late

	P10, P50, P90 int  `json:"-"` // days ahead; one beyond what was looked at: later
	By            int  `json:"-"` // days ahead, if HasBy
	HasBy         bool `json:"-"`

	cost     num.Money
	each     num.Qty
	packs    int64
	unitCost bought
}

// Days are the days by which an item has run out in a tenth, half and nine tenths of cases; empty where that is beyond what was looked at.
type Days struct {
	P10 string `json:"p10"`
	P50 string `json:"p50"`
	P90 string `json:"p90"`
}

// Buy is what to buy, in whole packs; without a pack's name in base units.
type Buy struct {
	Qty   string `json:"qty"` // base units
	Packs string `json:"packs"`
	Pack  string `json:"pack"`
	Cost  string `json:"cost,omitempty"` // at the last landed cost
}

// Make is a print run.
type Make struct {
	Pieces string `json:"pieces"` // to run off
}

// Of reports on an outlook, which comes from the same log.
func Of(l *fold.Log, o *outlook.Outlook, st report.Style, t Terms) *Report {
	s := o.State
	r := &Report{
		Head: report.HeadOf(s, st), Currency: s.Catalog.Shop.Currency, Service: percent(t.Service), Cover: t.Cover,
		Until: dateText(o.Today + o.Horizon), Orders: o.Orders, Items: []Item{}, Late: []Late{}, Stale: []Order{}, Today: o.Today,
	}
	if o.Season > 0 {
		r.Season = digits(o.Season)
	}
	b := pastBuying(l, s.AsOf)
	for i := range o.Items {
		r.Items = append(r.Items, item(o, &o.Items[i], &b, st, t))
	}
	slices.SortStableFunc(r.Items, func(a, b Item) int { return byCover(&a, &b) })
	for _, n := range o.Stale {
		r.Stale = append(r.Stale, Order{n})
	}
	for _, x := range o.Late {
		r.Late = append(r.Late, Late{x.Purchase.String(), x.Supplier, x.Ref, s.Catalog.Items[x.Item].ID, x.OnOrder.String(), string(x.Due)})
	}
	return r
}

func item(o *outlook.Outlook, it *outlook.Item, b *buying, st report.Style, t Terms) Item {
	s := o.State
	def := s.View.Def(it.Index)
	last := b.last[it.Index]
	x := Item{
		Item: s.Catalog.Items[it.Index].ID, Name: def.Name, Type: def.Type, Unit: def.Unit, Supplier: def.Supplier,
		OnHand: it.OnHand.String(), Promised: it.Promised.String(), OnOrder: it.OnOrder.String(), UsePerDay: digits(it.PerDay()),
		Basis: string(it.Basis), Demand: it.Class.Name(), unitCost: last,
	}
	if x.Supplier == "" {
		x.Supplier = last.supplier
	}
	x.P10, x.P50, x.P90 = it.RunOut.Quantile(0.1), it.RunOut.Quantile(0.5), it.RunOut.Quantile(0.9)
	if it.Basis == outlook.None {
		x.P10, x.P50, x.P90 = o.Horizon+1, o.Horizon+1, o.Horizon+1
	}
	day := func(d int) string {
		if d > o.Horizon {
			return ""
		}
		return dateText(o.Today + d)
	}
	x.RunsOut = Days{day(x.P10), day(x.P50), day(x.P90)}
	made := s.View.Make(it.Index) != nil
	ld := b.lead(def, x.Supplier, t)
	if made {
		x.Supplier, ld = "", printing
	}
	if ld.from != "" {
		x.LeadDays, x.LeadMost, x.LeadFrom = &ld.usual, &ld.most, ld.from
		if it.Basis != outlook.None {
			x.By, x.HasBy = ld.by(it.RunOut, t.Service)
		}
		if x.HasBy {
			x.OrderBy, x.Now = dateText(o.Today+x.By), x.By <= 0
		}
	}
	x.buy(s, it, b, ld, made, st, t)
	return x
}

// buy works out how much is missing, and in what packs it comes.
func (x *Item) buy(s *fold.State, it *outlook.Item, b *buying, ld lead, made bool, st report.Style, t Terms) {
	have := it.OnHand.Sub(it.Promised).Float() + it.Counted
	need := it.Need(ld.most+t.Cover) - have
	x.Buy = Buy{Qty: "0", Packs: "0"}
	if made {
		x.make(s, it, it.Need(ld.most+min(t.Cover, printCover))-have)
		return
	}
	name, each := b.packOf(s, it.Index, s.View.Def(it.Index))
	x.each, x.Buy.Pack = each, name
	packs := int64(math.Ceil(need/each.Float() - 1e-9))
	if packs <= 0 {
		x.Hurry = x.Now && it.Counted > 0
		return
	}
	x.packs = max(packs, economic(it, x.unitCost, each, t))
	qty := each.Times(num.Whole(x.packs))
	x.Buy.Qty, x.Buy.Packs = qty.String(), strconv.FormatInt(x.packs, 10)
	if !x.unitCost.units.IsZero() {
		x.cost = x.costOf(x.packs)
		x.Buy.Cost = st.Money(x.cost, s.Digits())
	}
}

// costOf is what a number of packs costs at the last landed cost.
func (x *Item) costOf(packs int64) num.Money {
	return x.unitCost.money.Part(x.each.Times(num.Whole(packs)), x.unitCost.units)
}

// printCover is the number of days for which to print at most: paper keeps better unprinted.
const printCover = 28

// make rounds a run up to whole cycles; a run is at least as large as runs used to be.
func (x *Item) make(s *fold.State, it *outlook.Item, need float64) {
	if need <= 0 {
		return
	}
	spec := s.View.Make(it.Index).Data
	good := 1.0
	if spec.NormalSpoilage != nil {
		good -= spec.NormalSpoilage.Float()
	}
	pieces := num.Whole(int64(math.Ceil(need/math.Max(0.01, good) - 1e-9)))
	pieces = num.Max(spec.Pieces.Times(pieces.Ceil(spec.Pieces)), it.Batch)
	x.Make = &Make{pieces.String()}
}

// economic is the economic order quantity in packs: of the two whole numbers beside it the one that costs less in a year. 0 where it isn't asked for.
func economic(it *outlook.Item, last bought, each num.Qty, t Terms) int64 {
	if t.OrderCost == nil || last.units.IsZero() {
		return 0
	}
	perPack := float64(last.money.Float()/last.units.Float()) * each.Float()
	year := float64(it.PerDay()*365) / each.Float()
	order, hold := t.OrderCost.Float(), float64(t.Holding*perPack)
	q := replenish.Economic(year, order, hold)
	if q <= 0 || math.IsInf(q, 1) {
		return 0
	}
	low, high := math.Max(1, math.Floor(q)), math.Ceil(q)
	if replenish.YearlyCost(low, year, order, hold) <= replenish.YearlyCost(high, year, order, hold) {
		return int64(low)
	}
	return int64(high)
}

// percent writes a share as per cent, without zeros at the end.
func percent(share float64) string { return digits(share * 100) }

// digits writes an estimate with four significant digits.
func digits(x float64) string {
	if x <= 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return "0"
	}
	places := max(0, 3-int(math.Floor(math.Log10(x))))
	scale := math.Pow10(min(places, 6))
	n := num.QtyMillionths(int64(math.Round(x*scale) / scale * 1e6))
	return n.Round(min(places, 6)).String()
}
