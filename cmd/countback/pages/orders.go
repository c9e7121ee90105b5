package pages

import (
	"cmp"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"countback/cmd/countback/pages/chart"
	"countback/cmd/countback/words"
	"countback/ledger/near"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/orders"
)

// ordersPages are about orders and what they cost.
var ordersPages = []route{
	{pattern: "GET /orders", serve: serveOrders},
	{pattern: "GET /orders/{number}", serve: serveOrder},
}

// ordersState is the state with what each order cost.
func (l *Look) ordersState() *fold.State {
	s, _ := once(l, "orders state", func() (*fold.State, error) {
		run := l.Run
		run.Orders = true
		return l.Log.Run(run), nil
	})
	return s
}

// costs are the reports of what orders cost, as the command prints them.
type costs struct {
	All     orders.Report
	ByItem  orders.Grouped
	ByMonth orders.Grouped

	recent []int // places in All, the latest packed first
}

func (l *Look) costs() (*costs, error) {
	return once(l, "costs", func() (*costs, error) {
		s := l.ordersState()
		c := &costs{All: orders.Of(s, l.Style, ""), ByItem: orders.ByItem(s, l.Style, ""), ByMonth: orders.ByMonth(s, l.Style, "")}
		c.recent = make([]int, len(c.All.Orders))
		for i := range c.recent {
			c.recent[i] = i
		}
		slices.SortStableFunc(c.recent, func(a, b int) int { return cmp.Compare(c.All.Orders[b].Packed, c.All.Orders[a].Packed) })
		return c, nil
	})
}

// ordersPage is what orders cost.
type ordersPage struct {
	Costs    *costs
	Costing  string
	Currency string
	Five     *chart.Five
	Spread   template.HTML
	Months   template.HTML
	Drivers  template.HTML
	Rows     []orders.Order
	Month    string // whose orders are listed; "" for all
	Months2  []orders.Group
	Asked    string
	Count    int
	Before   string
	After    string
	Open     int
}

// ordersAPage is how many orders are listed at once.
const ordersAPage = 40

func serveOrders(v *view) error {
	q := v.r.URL.Query()
	if n := strings.TrimSpace(q.Get("order")); n != "" {
		return v.redirect("/orders/" + url.PathEscape(n))
	}
	c, err := soon(v, "costs", (*Look).costs)
	if err != nil {
		return err
	}
	type pictures struct {
		five                    *chart.Five
		spread, months, drivers template.HTML
	}
	p, err := once(v.look, "costs drawn", func() (pictures, error) {
		five, spread := spreadOf(c)
		return pictures{five, spread, monthsOf(c), driversOf(v.look, c)}, nil
	})
	if err != nil {
		return err
	}
	d := &ordersPage{Costs: c, Costing: costingWords(c.All.Costing), Currency: c.All.Currency, Five: p.five, Spread: p.spread, Months: p.months, Drivers: p.drivers, Month: q.Get("month")}
	d.Months2 = slices.Clone(c.ByMonth.Groups)
	slices.Reverse(d.Months2)
	list := c.recent
	if d.Month != "" {
		list = slices.DeleteFunc(slices.Clone(list), func(i int) bool { return !strings.HasPrefix(c.All.Orders[i].Packed, d.Month) })
	}
	page, _ := strconv.Atoi(q.Get("page"))
	from := min(max(page, 0)*ordersAPage, len(list))
	to := min(from+ordersAPage, len(list))
	for _, i := range list[from:to] {
		d.Rows = append(d.Rows, c.All.Orders[i])
	}
	d.Count = len(list)
	link := func(n int) string {
		q := url.Values{}
		if d.Month != "" {
			q.Set("month", d.Month)
		}
		if n > 0 {
			q.Set("page", strconv.Itoa(n))
		}
		return address("/orders", q) + "#list"
	}
	if from > 0 {
		d.Before = link(page - 1)
	}
	if to < len(list) {
		d.After = link(page + 1)
	}
	return v.render("orders", d)
}

func costingWords(costing string) string {
	if costing == "fifo" {
		return "first in, first out"
	}
	return "at weighted average cost"
}

// spreadOf draws how many orders cost how much.
func spreadOf(c *costs) (*chart.Five, template.HTML) {
	var values []num.Money
	for i := range c.All.Orders {
		if m, err := num.ParseMoney(c.All.Orders[i].Material); err == nil {
			values = append(values, m)
		}
	}
	if len(values) < 2 {
		return nil, ""
	}
	five := chart.FiveOf(values)
	show := func(m num.Money) string { return words.Grouped(m.String()) }
	desc := fmt.Sprintf("Half of %s cost at most %s %s; nine in ten lie between %s and %s.", words.Count(len(values), "order", "orders"), show(five.P50), c.All.Currency, show(five.P5), show(five.P95))
	h := chart.Histogram{ID: "spread", Title: "How many orders cost how much in materials", Desc: desc, What: "orders", Of: "material of an order, " + c.All.Currency, Values: values, Show: show}
	return &five, h.Figure().HTML()
}

// monthsOf draws goods and packing by month.
func monthsOf(c *costs) template.HTML {
	m := chart.Months{ID: "months", Title: "Material cost by month", Unit: c.ByMonth.Currency + " a month; above a column: an order",
		Desc:  "Goods and packing of each month, and what an order cost on average.",
		Parts: []chart.Part{{Name: "goods", Fill: chart.Light}, {Name: "packing", Fill: chart.Hatched}}, Show: func(q num.Qty) string { return words.Grouped(q.String()) }}
	for _, g := range c.ByMonth.Groups {
		row := chart.Month{Name: g.Name, Full: words.Month(g.Name), Link: "/orders?month=" + url.QueryEscape(g.Name) + "#list", Extra: words.Quantity(g.PerOrder).StringFixed(2),
			Amounts: []chart.Amount{{At: words.Quantity(g.Goods), Shown: words.Grouped(g.Goods)}, {At: words.Quantity(g.Packing), Shown: words.Grouped(g.Packing)}}}
		if t, err := time.Parse("2006-01", g.Name); err == nil {
			row.Name = t.Format("Jan")
			if t.Month() == time.January {
				row.Name = t.Format("2006")
			}
		}
		m.Rows = append(m.Rows, row)
	}
	if len(m.Rows) == 0 {
		return ""
	}
	return m.Figure("An order").HTML()
}

// mostDrivers is how many items are drawn.
const mostDrivers = 12

// driversOf draws which items make up the cost.
func driversOf(l *Look, c *costs) template.HTML {
	list := slices.Clone(c.ByItem.Groups)
	slices.SortStableFunc(list, func(a, b orders.Group) int {
		return words.Quantity(b.Material).Cmp(words.Quantity(a.Material))
	})
	b := chart.Bars{ID: "drivers", Title: "What the cost is made of", Head: "Item", Parts: []chart.Part{{Name: c.ByItem.Currency, Fill: chart.Hatched}},
		Desc: fmt.Sprintf("The items that cost most over all orders, in %s, out of %s in all.", c.ByItem.Currency, words.Grouped(c.ByItem.Total))}
	for i, g := range list {
		if i == mostDrivers {
			b.Desc += fmt.Sprintf(" %s more cost less.", words.Count(len(list)-mostDrivers, "item", "items"))
			break
		}
		b.Rows = append(b.Rows, chart.Bar{Text: l.nameOf(g.Name), Link: "/item/" + url.PathEscape(g.Name), Amounts: []chart.Amount{{At: words.Quantity(g.Material), Shown: words.Grouped(g.Material)}}})
	}
	if len(b.Rows) == 0 {
		return ""
	}
	return b.Figure().HTML()
}

// nameOf is an item's name, or its id where it has none.
func (l *Look) nameOf(id string) string {
	if def := l.Def(id); def != nil && def.Name != "" {
		return def.Name
	}
	return id
}

// orderPage is one order by line.
type orderPage struct {
	orders.Order
	Costing, Currency string
	Names             map[string]string
	Provisional       bool
	Open              bool   // some of it waits to be packed
	Never             bool   // nothing has left with it yet
	Placed            string // where it has been placed: when
}

func serveOrder(v *view) error {
	number := v.r.PathValue("number")
	s, err := soon(v, "orders state", func(l *Look) (*fold.State, error) { return l.ordersState(), nil })
	if err != nil {
		return err
	}
	o, ok := s.Orders[number]
	if !ok {
		return v.look.noOrder(s, number)
	}
	d := &orderPage{Order: orders.Order{Order: number}, Names: map[string]string{}, Open: len(o.Remaining()) > 0, Never: o.Packs == 0 && o.Runs == 0}
	if o.PlacedMs != 0 {
		d.Placed = v.look.Style.Time(o.PlacedMs)
	}
	r := orders.Of(s, v.look.Style, number)
	d.Costing, d.Currency = costingWords(r.Costing), r.Currency
	if len(r.Orders) == 1 {
		d.Order = r.Orders[0]
	}
	for _, l := range d.Lines {
		d.Names[l.Item] = v.look.nameOf(l.Item)
		d.Provisional = d.Provisional || l.Provisional
	}
	return v.render("order", d)
}

// noOrder says that there is no order of a number, and which may have been meant.
func (l *Look) noOrder(s *fold.State, number string) error {
	var numbers []string
	for n := range s.Orders {
		numbers = append(numbers, n)
	}
	slices.Sort(numbers)
	p := &Problem{What: fmt.Sprintf("there is no order %q", clipped(number)), Hint: "check the number", Status: 404}
	if alike := near.Names(number, numbers); len(alike) > 0 {
		p.Hint = "near it: " + strings.Join(alike, ", ")
	}
	return p
}
