// Package orders answers what each order cost in materials, and what drives that.
package orders

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/report"
)

// Line is what an order took of one item; goods, packing and returns are netted.
type Line struct {
	Item        string `json:"item"`
	Qty         string `json:"qty"`
	Cost        string `json:"cost"`
	Provisional bool   `json:"provisional"` // some of it left before it came, at a cost that a later restock did not change here
}

// Order is the material cost of one order. Postage stands apart.
type Order struct {
	Order    string `json:"order"`
	Packed   string `json:"packed,omitempty"` // first pack that moved
	Zone     string `json:"zone,omitempty"`
	Parcels  int64  `json:"parcels"`
	Goods    string `json:"goods"`
	Packing  string `json:"packing"`
	Material string `json:"material"`
	Postage  string `json:"postage"`
	Lines    []Line `json:"lines"`

	material num.Money
}

// Report is the cost of orders, by number.
type Report struct {
	report.Head
	Costing  string  `json:"costing"`
	Currency string  `json:"currency"`
	Orders   []Order `json:"orders"`
	Total    string  `json:"total"` // of material, as printed

	Exactly  string   `json:"-"` // what all cost, rounded once; empty where that is Total
	Unpriced []string `json:"-"` // items of the orders that count as 0, as nothing says what they cost
}

// Of reports on the orders that a pack moved or a print run was made for. The run must have kept lines. If order is not empty, on that one alone.
func Of(s *fold.State, st report.Style, order string) Report {
	c, d := s.Costing(), s.Digits()
	r := Report{Head: report.HeadOf(s, st), Costing: c.String(), Currency: s.Catalog.Shop.Currency, Orders: []Order{}}
	var total, exact num.Money
	unpriced := unpricedIn(s)
	for _, o := range chosen(s, order) {
		halves, material := st.Lines([]num.Money{o.Goods[c], o.Packing[c]}, d)
		out := Order{
			Order: o.Number, Zone: o.Zone, Parcels: o.Parcels,
			Goods: halves[0], Packing: halves[1], Material: material,
			Postage: st.Money(o.Postage, d), Lines: []Line{},
			material: num.MustMoney(material),
		}
		if o.Packs > 0 {
			out.Packed = st.Time(o.Packed)
		}
		lines := slices.Clone(o.Lines)
		slices.SortFunc(lines, func(a, b fold.OrderLine) int { return cmp.Compare(a.Item, b.Item) })
		costs := make([]num.Money, len(lines))
		for i, l := range lines {
			costs[i] = l.Cost[c]
		}
		texts, _ := st.Lines(costs, d)
		for i, l := range lines {
			id := s.Catalog.Items[l.Item].ID
			out.Lines = append(out.Lines, Line{id, l.Qty.String(), texts[i], l.Provisional})
			if unpriced[id] && l.Qty.Sign() > 0 && costs[i].IsZero() && !slices.Contains(r.Unpriced, id) {
				r.Unpriced = append(r.Unpriced, id)
			}
		}
		total = total.Add(out.material)
		exact = exact.Add(o.Goods[c]).Add(o.Packing[c])
		r.Orders = append(r.Orders, out)
	}
	r.Total = st.Money(total, d)
	if e := st.Money(exact, d); e != r.Total {
		r.Exactly = e
	}
	slices.Sort(r.Unpriced)
	return r
}

// unpricedIn names the items that were used while nothing said what they cost.
func unpricedIn(s *fold.State) map[string]bool {
	out := map[string]bool{}
	for _, n := range s.Notices {
		if n.Topic == "no_cost" {
			out[n.About] = true
		}
	}
	return out
}

func chosen(s *fold.State, order string) []*fold.Order {
	var list []*fold.Order
	for _, o := range s.Orders {
		if (o.Packs > 0 || o.Runs > 0) && (order == "" || o.Number == order) {
			list = append(list, o)
		}
	}
	slices.SortFunc(list, func(a, b *fold.Order) int { return strings.Compare(a.Number, b.Number) })
	return list
}

// Group is what a group of orders, or one item over all orders, cost.
type Group struct {
	Name     string `json:"name"` // an item id, or a month such as 2026-03
	Orders   int    `json:"orders"`
	Qty      string `json:"qty,omitempty"` // by item
	Goods    string `json:"goods,omitempty"`
	Packing  string `json:"packing,omitempty"`
	Material string `json:"material"`
	PerOrder string `json:"per_order"`
	Postage  string `json:"postage,omitempty"`
}

// Grouped is the cost of orders by item or by month.
type Grouped struct {
	report.Head
	Costing  string  `json:"costing"`
	Currency string  `json:"currency"`
	By       string  `json:"by"`
	Groups   []Group `json:"groups"`
	Total    string  `json:"total"`
}

type sums struct {
	name                    string
	orders                  int
	qty                     num.Qty
	goods, packing, postage num.Money
}

// ByMonth groups orders by the month, in the shop's zone, of their first pack.
func ByMonth(s *fold.State, st report.Style, order string) Grouped {
	c := s.Costing()
	return grouped(s, st, "month", order, func(o *fold.Order, add func(string) *sums) {
		month := "not packed"
		if o.Packs > 0 {
			month = time.UnixMilli(o.Packed).In(st.Zone).Format("2006-01")
		}
		g := add(month)
		g.orders++
		g.goods = g.goods.Add(o.Goods[c])
		g.packing = g.packing.Add(o.Packing[c])
		g.postage = g.postage.Add(o.Postage)
	})
}

// ByItem groups what orders took by item: what drives their cost.
func ByItem(s *fold.State, st report.Style, order string) Grouped {
	c := s.Costing()
	return grouped(s, st, "item", order, func(o *fold.Order, add func(string) *sums) {
		for _, l := range o.Lines {
			g := add(s.Catalog.Items[l.Item].ID)
			g.orders++
			g.qty = g.qty.Add(l.Qty)
			g.goods = g.goods.Add(l.Cost[c])
		}
	})
}

func grouped(s *fold.State, st report.Style, by, order string, each func(*fold.Order, func(string) *sums)) Grouped {
	d := s.Digits()
	r := Grouped{Head: report.HeadOf(s, st), Costing: s.Costing().String(), Currency: s.Catalog.Shop.Currency, By: by, Groups: []Group{}}
	groups := map[string]*sums{}
	for _, o := range chosen(s, order) {
		each(o, func(name string) *sums {
			g := groups[name]
			if g == nil {
				g = &sums{name: name}
				groups[name] = g
			}
			return g
		})
	}
	list := make([]*sums, 0, len(groups))
	for _, g := range groups {
		list = append(list, g)
	}
	slices.SortFunc(list, func(a, b *sums) int { return strings.Compare(a.name, b.name) })
	materials := make([]num.Money, len(list))
	for i, g := range list {
		materials[i] = g.goods.Add(g.packing)
	}
	texts, total := st.Lines(materials, d)
	r.Total = total
	for i, g := range list {
		out := Group{Name: g.name, Orders: g.orders, Material: texts[i]}
		out.PerOrder = st.UnitCost(materials[i].Part(num.Whole(1), num.Whole(int64(max(1, g.orders)))), d)
		if by == "item" {
			out.Qty = g.qty.String()
		} else {
			halves := []num.Money{g.goods, g.packing}
			if st.Exact {
				out.Goods, out.Packing = halves[0].StringFixed(8), halves[1].StringFixed(8)
			} else {
				goods := g.goods.Round(d)
				out.Goods, out.Packing = goods.StringFixed(d), num.MustMoney(texts[i]).Sub(goods).StringFixed(d)
			}
			out.Postage = st.Money(g.postage, d)
		}
		r.Groups = append(r.Groups, out)
	}
	return r
}
