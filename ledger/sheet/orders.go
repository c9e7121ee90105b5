package sheet

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"countback/ledger/num"
)

// group is the rows of one order number, in the file's order.
type group struct {
	number string
	rows   []int
	status string // the first status that one of them shows
}

// entry is what one row, or one entry of an items cell, says of an item.
type entry struct {
	row  int
	item string
	qty  num.Qty // above 0
}

// Orders turns a table into facts: orders, and returns where the map asks for them. The error says that map and table don't go together; what is
// wrong in single rows is listed in the result, which then holds no facts.
func Orders(t *Table, m *Map, ctx Context) (*Result, error) {
	if ctx.Location == nil {
		return nil, errors.New("the import needs the shop's time zone")
	}
	r, err := newReader(t, m, ctx)
	if err != nil {
		return nil, err
	}
	r.out.Problems = slices.Clone(t.Ragged)
	groups := r.groups()
	known := make(map[string]bool, len(groups))
	for _, g := range groups {
		known[g.number] = true
	}
	returns := newReturns(r, known)
	for _, g := range groups {
		r.group(g, returns)
	}
	returns.finish()
	return r.finish(), nil
}

// groups gathers rows by order number, in the order of first appearance.
func (r *reader) groups() []*group {
	var list []*group
	at := map[string]*group{}
	for i := range r.t.Rows {
		if r.t.blankRow(i) {
			r.fate[i] = "left out: blank"
			continue
		}
		number := r.cell(i, &r.m.order)
		if number == "" {
			r.problem(i, &r.m.order, "", "has no order number; fill it in, or take the row out")
			continue
		}
		if err := checkName(number); err != nil {
			r.problem(i, &r.m.order, "", err.Error())
			continue
		}
		g := at[number]
		if g == nil {
			g = &group{number: number}
			at[number] = g
			list = append(list, g)
		}
		g.rows = append(g.rows, i)
		if g.status == "" {
			g.status = r.cell(i, &r.m.status)
		}
	}
	return list
}

// group sorts the rows of one number into goods of the order, cancelled goods, and what is left out, and builds the order.
func (r *reader) group(g *group, returns *returns) {
	if r.m.perOrder && len(g.rows) > 1 {
		r.fate[g.rows[0]] = RowsWithProblems
		for _, i := range g.rows[1:] {
			r.problem(i, &r.m.order, g.number, fmt.Sprintf("stands on row %d too; with one order a row a number stands once", r.t.Number[g.rows[0]]))
		}
		return
	}
	var kept []entry
	var called []int
	for _, i := range g.rows {
		status := r.cell(i, &r.m.status)
		if status == "" {
			status = g.status
		}
		if hasFold(r.m.skipStatus, status) {
			r.fate[i] = "left out: status " + strings.ToLower(clip(status))
			continue
		}
		goods, below, ok := r.goods(i)
		if !ok {
			continue
		}
		how := r.howCancelled(g, status, below)
		switch {
		case how == "" && below:
			r.problem(i, &r.m.quantity, r.cell(i, &r.m.quantity), "is below zero; say in the map how cancelled rows are told apart (cancelled quantity = negative), or correct it")
			continue
		case how == "":
			kept = append(kept, goods...)
			r.fate[i] = "goods of an order"
			continue
		case r.m.cancelled == "skip":
			r.fate[i] = "left out: cancelled (" + how + ")"
			called = append(called, i)
			continue
		case how == howStatus: // what was called off later was ordered first
			kept = append(kept, goods...)
		}
		returns.add(g, i, goods, how)
	}
	if len(kept) > 0 {
		r.order(g, kept)
	} else if len(called) > 0 && (r.m.prefix == "" || !strings.HasPrefix(g.number, r.m.prefix)) {
		r.calledOff(g, called)
	}
}

const howStatus = "by its status"

// howCancelled says how a row is told to be cancelled, or nothing.
func (r *reader) howCancelled(g *group, status string, below bool) string {
	switch {
	case r.m.cancelled == "":
		return ""
	case r.m.prefix != "" && strings.HasPrefix(g.number, r.m.prefix):
		return "its number begins with " + r.m.prefix
	case r.m.negative && below:
		return "its quantity is negative"
	case hasFold(r.m.cancelledStatus, status):
		return howStatus
	}
	return ""
}

// goods reads what row i says of goods. ok is false where the row is left out or has a problem; below tells a quantity below zero.
func (r *reader) goods(i int) (list []entry, below, ok bool) {
	if r.m.perOrder {
		list, ok = r.itemsCell(i)
		return list, false, ok
	}
	code := r.cell(i, &r.m.item)
	if code == "" {
		r.problem(i, &r.m.item, "", "has no item; fill it in, or take the row out")
		return nil, false, false
	}
	if p, not := r.noGoods(code); not {
		r.fate[i] = "left out: no goods (" + p + ")"
		return nil, false, false
	}
	if r.m.skipZero {
		zero, ok := r.zeroPrice(i)
		if zero {
			r.fate[i] = "left out: price of zero"
		}
		if zero || !ok {
			return nil, false, false
		}
	}
	text := r.cell(i, &r.m.quantity)
	n := r.n
	if r.m.quantity.fixed != "" {
		n = numbers{decimal: '.'}
	}
	qty, err := n.pieces(text)
	if err == nil && qty.IsZero() {
		err = errors.New("is no quantity; an order is of one piece or more")
	}
	if err != nil {
		r.problem(i, &r.m.quantity, text, err.Error())
		return nil, false, false
	}
	item, ok := r.known(i, &r.m.item, code)
	return []entry{{i, item, qty.Abs()}}, qty.Sign() < 0, ok
}

func (r *reader) noGoods(code string) (pattern string, not bool) {
	for _, p := range r.m.noGoods {
		if matches(p, code) {
			return p, true
		}
	}
	return "", false
}

// zeroPrice reads the price of row i alone.
func (r *reader) zeroPrice(i int) (zero, ok bool) {
	f := &r.m.unitPrice
	if !f.given() {
		f = &r.m.lineValue
	}
	text := r.cell(i, f)
	v, err := r.money.money(text)
	if err != nil {
		r.problem(i, f, text, err.Error())
		return false, false
	}
	return v.IsZero(), true
}

// known gives an item the name that the map has for it, and checks that the shop knows it.
func (r *reader) known(i int, f *field, code string) (string, bool) {
	item := code
	if a, ok := r.m.aliases[code]; ok {
		item = a
	}
	if err := checkName(item); err != nil {
		r.problem(i, f, "", err.Error())
		return "", false
	}
	if !r.names.known(item) {
		r.problem(i, f, code, fmt.Sprintf("is not a known item%s; add it to the catalog, or to the map as item %s = its name here, or as no goods = %s", r.names.hint(item), clip(code), clip(code)))
		return "", false
	}
	return item, true
}

// itemsCell takes the items cell of row i apart.
func (r *reader) itemsCell(i int) (list []entry, ok bool) {
	text := r.cell(i, &r.m.items)
	ok = true
	found := 0
	for _, part := range strings.Split(text, r.m.itemsSeparator) {
		if strings.TrimSpace(part) == "" {
			continue
		}
		found++
		code, qty, readable := r.m.pattern.read(part)
		if !readable {
			r.problem(i, &r.m.items, strings.TrimSpace(part), "is not written as "+r.m.pattern.text)
			ok = false
			continue
		}
		if p, not := r.noGoods(code); not {
			r.parts.add("left out: no goods ("+p+")", 1)
			continue
		}
		q, err := (numbers{decimal: '.'}).pieces(qty)
		if err == nil && q.IsZero() {
			err = errors.New("is no quantity; an order is of one piece or more")
		}
		if err != nil {
			r.problem(i, &r.m.items, strings.TrimSpace(part), err.Error())
			ok = false
			continue
		}
		item, known := r.known(i, &r.m.items, code)
		ok = ok && known
		list = append(list, entry{i, item, q})
		r.parts.add("goods of an order", 1)
	}
	switch {
	case found == 0:
		r.problem(i, &r.m.items, text, "names no item; fill it in, or take the row out")
		return nil, false
	case ok && len(list) == 0:
		r.fate[i] = "left out: holds no goods"
		return nil, false
	}
	return list, ok
}

// finish counts what was done and gives the result.
func (r *reader) finish() *Result {
	var done tallies
	for _, f := range r.fate {
		done.add(f, 1)
	}
	if n := len(r.t.Ragged); n > 0 {
		done.add(RowsWithProblems, n)
	}
	r.out.Done = done.list
	r.out.Entries = r.parts.list
	return r.out.seal()
}
