package sheet

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"countback/ledger/event"
)

// returns gathers cancelled rows into facts: one of each cancellation that has a number of its own, and one of each row that bears its order's
// number, so that a later export with more cancelled rows adds to the earlier one and repeats nothing.
type returns struct {
	r     *reader
	known map[string]bool
	at    map[returnKey]*returned
	list  []*returned
	seen  map[string]int
}

type returnKey struct {
	own, order string
	ms         int64
}

type returned struct {
	own, order string
	at         time.Time
	goods      []entry
}

func newReturns(r *reader, known map[string]bool) *returns {
	return &returns{r: r, known: known, at: map[returnKey]*returned{}, seen: map[string]int{}}
}

// add takes a cancelled row of group g.
func (rs *returns) add(g *group, i int, goods []entry, how string) {
	r := rs.r
	order, ok := rs.orderOf(g, i)
	if !ok {
		return
	}
	date := &r.m.date
	if r.m.cancelledDate.given() && r.cell(i, &r.m.cancelledDate) != "" {
		date = &r.m.cancelledDate
	} else if how == howStatus {
		r.problem(i, &r.m.cancelledDate, "", "has no date of cancellation; fill it in")
		return
	}
	t, ok := rs.when(g, i, date)
	if !ok {
		return
	}
	r.fate[i] = "return: cancelled (" + how + ")"
	if how == howStatus {
		r.fate[i] = "goods of an order, and return: cancelled (" + how + ")"
	}
	if !rs.known[order] {
		r.fate[i] += ", its order is not in this file"
	}
	key := returnKey{g.number, order, t.UnixMilli()}
	if old := rs.at[key]; old != nil && g.number != order {
		old.goods = append(old.goods, goods...)
		return
	}
	ret := &returned{g.number, order, t, goods}
	rs.at[key] = ret
	rs.list = append(rs.list, ret)
}

// orderOf finds the order that a cancelled row belongs to: by its column, else by the number without the prefix.
func (rs *returns) orderOf(g *group, i int) (string, bool) {
	r := rs.r
	order := g.number
	if r.m.cancelledOrder.given() {
		if order = r.cell(i, &r.m.cancelledOrder); order == "" {
			r.problem(i, &r.m.cancelledOrder, "", "doesn't say which order is cancelled; fill it in")
			return "", false
		}
	} else if r.m.prefix != "" {
		order = strings.TrimSpace(strings.TrimPrefix(g.number, r.m.prefix))
	}
	if order == "" {
		r.problem(i, &r.m.order, g.number, "has nothing behind the prefix; say cancelled order in the map")
		return "", false
	}
	return order, true
}

// when is the date of row i, or where it has none, of the first row of its number that has one.
func (rs *returns) when(g *group, i int, f *field) (time.Time, bool) {
	r := rs.r
	if r.cell(i, f) != "" {
		return r.date(i, f)
	}
	for _, k := range g.rows {
		if r.cell(k, f) != "" {
			return r.date(k, f)
		}
	}
	r.problem(i, f, "", fmt.Sprintf("cancellation %s has no date; fill it in", clip(g.number)))
	return time.Time{}, false
}

// finish makes the facts.
func (rs *returns) finish() {
	r := rs.r
	for _, ret := range rs.list {
		d := &event.Return{Order: ret.order}
		rows := ""
		for _, g := range sumGoods(ret.goods) {
			d.Lines = append(d.Lines, event.ReturnLine{Item: g.Item, Qty: g.Qty, Condition: r.m.condition})
			rows += g.Item + "\t" + g.Qty.String() + "\n"
		}
		if ret.own != ret.order {
			d.Note = "cancellation " + ret.own
		}
		// Two rows that say the same are two returns; the second has a number of its own.
		said := strings.Join([]string{ret.own, ret.order, strconv.FormatInt(ret.at.UnixMilli(), 10), rows}, "\n")
		rs.seen[said]++
		f := event.Fact{
			ID:   factID(ret.at, r.ctx.ShopID, event.KindReturn, ret.order, ret.own, rows, strconv.Itoa(rs.seen[said])),
			Time: event.TimeOf(ret.at), Data: d,
		}
		if why := checkFact(f); why != "" {
			r.problem(ret.goods[0].row, nil, "", fmt.Sprintf("cancellation %s %s", clip(ret.own), why))
			continue
		}
		r.out.add(f, r.t.Number[ret.goods[0].row])
	}
}
