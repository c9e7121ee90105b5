package sheet

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"countback/ledger/event"
	"countback/ledger/num"
)

// CatalogColumns are the columns of a catalog file: the fields of an item fact. Only item is needed; order and case are free.
var CatalogColumns = []string{"item", "name", "type", "unit", "packs", "measures", "class", "points", "place", "supplier", "lead_days", "lead_days_max",
	"tolerance", "piece_weight", "unit_cost", "barcode", "price", "parts", "note"}

// Catalog turns a table into item facts, dated ctx.Now and without ids. An empty cell says nothing. For an item that ctx.Current knows, the
// fact names only what differs from the definition in force, and there is none if nothing does: a second import of a file records nothing. A
// note alone changes nothing.
func Catalog(t *Table, ctx Context) (*Result, error) {
	if ctx.Now.IsZero() {
		return nil, errors.New("the import of a catalog needs a time")
	}
	o := newOwn(t, ctx, "item", CatalogColumns)
	rows := map[string]int{}
	for i := range t.Rows {
		if item := o.cell(i, "item"); item != "" {
			if _, ok := rows[item]; !ok {
				rows[item] = i
			}
		}
	}
	for i := range t.Rows {
		if t.blankRow(i) {
			o.fate[i] = "left out: blank"
			continue
		}
		item := o.cell(i, "item")
		if item == "" {
			o.problem(i, "item", "", "has no item; give it an id, or take the row out")
			continue
		}
		if first := rows[item]; first != i {
			o.problem(i, "item", item, fmt.Sprintf("stands on row %d too; keep one of the two", t.Number[first]))
			continue
		}
		o.item(i, item, rows)
	}
	return o.finish(), nil
}

// item makes the fact of one row.
func (o *own) item(i int, item string, rows map[string]int) {
	var old *event.Item
	if o.ctx.Current != nil {
		old = o.ctx.Current(item)
	}
	before := len(o.out.Problems)
	d := o.definition(i, item, old)
	for _, p := range d.Parts {
		_, here := rows[p.Item]
		if !here && !o.names.known(p.Item) {
			o.problem(i, "parts", p.Item, "is not a known item"+o.names.hint(p.Item)+"; add it to the catalog, or correct it")
		}
	}
	o.settled(i, d, old)
	if len(o.out.Problems) > before {
		return
	}
	o.fate[i] = "new item"
	if old != nil {
		o.fate[i] = "changed item"
		if !keepChanges(d, old) {
			o.fate[i] = "item as it is already"
			return
		}
	}
	f := event.Fact{Time: event.TimeOf(o.ctx.Now.In(o.zone())), Data: d}
	if why := checkFact(f); why != "" {
		o.problem(i, "", "", why)
		return
	}
	o.out.add(f, o.t.Number[i])
}

// settled checks what a first definition must say and a later one may not change.
func (o *own) settled(i int, d, old *event.Item) {
	for _, f := range []struct{ column, now, was, choices string }{
		{"name", d.Name, "", "the name that people read"},
		{"type", d.Type, typeOf(old), "good, supply or prepared"},
		{"unit", d.Unit, unitOf(old), "each, mm, g or ml"},
	} {
		if old == nil && f.now == "" {
			o.problem(i, f.column, "", fmt.Sprintf("is missing; a new item needs it: %s", f.choices))
		}
		if f.was != "" && f.now != "" && f.now != f.was {
			o.problem(i, f.column, f.now, fmt.Sprintf("differs from %s, which can't change; give the item a new id", f.was))
		}
	}
}

func typeOf(d *event.Item) string {
	if d == nil {
		return ""
	}
	return d.Type
}

func unitOf(d *event.Item) string {
	if d == nil {
		return ""
	}
	return d.Unit
}

// definition reads the cells of one row.
func (o *own) definition(i int, item string, old *event.Item) *event.Item {
	d := &event.Item{Item: item, Name: o.cell(i, "name"), Type: strings.ToLower(o.cell(i, "type")), Unit: strings.ToLower(o.cell(i, "unit")),
		Class: o.cell(i, "class"), Place: o.cell(i, "place"), Supplier: o.cell(i, "supplier"), Note: o.cell(i, "note")}
	base := d.Unit
	if base == "" {
		base = unitOf(old)
	}
	if base == "" {
		base = "each" // the missing unit is listed by settled
	}
	units := func(s string) (map[string]num.Qty, error) {
		m := map[string]num.Qty{}
		return m, pairs(s, func(name, value string) (err error) { m[name], err = o.exact(value, base); return err })
	}
	if p := optional(o, i, "packs", units); p != nil {
		d.Packs = *p
	}
	if p := optional(o, i, "measures", units); p != nil {
		d.Measures = *p
	}
	d.Points = optional(o, i, "points", o.n.qty)
	d.LeadDays = optional(o, i, "lead_days", o.days)
	d.LeadDaysMax = optional(o, i, "lead_days_max", o.days)
	d.Tolerance = optional(o, i, "tolerance", o.tolerance)
	d.PieceWeight = optional(o, i, "piece_weight", func(s string) (num.Qty, error) { return o.amount(s, "g") })
	d.UnitCost = optional(o, i, "unit_cost", o.n.money)
	d.Price = optional(o, i, "price", o.n.money)
	if d.Barcode = o.cell(i, "barcode"); mangled(d.Barcode) {
		o.problem(i, "barcode", d.Barcode, "was turned into a number by a spreadsheet; format the column as text and enter the barcode again")
	}
	if p := optional(o, i, "parts", o.partList); p != nil {
		d.Parts = *p
	}
	return d
}

// mangled tells a barcode that a spreadsheet took for a large number: 5.90123E+12.
func mangled(s string) bool {
	at := strings.IndexAny(s, "eE")
	return at > 0 && strings.ContainsAny(s[:at], ".,") && strings.HasPrefix(s[at+1:], "+") && strings.Trim(s[:at]+s[at+2:], "0123456789.,") == ""
}

func (o *own) days(s string) (int, error) {
	q, err := o.n.qty(s)
	n, ok := q.Int()
	if err == nil && (!ok || !q.IsWhole() || n < 0 || n > 3650) {
		err = errors.New("is not a number of whole days from 0 to 3650")
	}
	return n, err
}

func (o *own) tolerance(s string) (tol event.Tolerance, err error) {
	text, percent := strings.CutSuffix(s, "%")
	plain, err := o.n.plain(text)
	if err != nil {
		return tol, err
	}
	if percent {
		plain += "%"
	}
	if tol.UnmarshalText([]byte(plain)) != nil {
		err = errors.New("is not a tolerance; write it like 3 or 2%")
	}
	return tol, err
}

func (o *own) partList(s string) (list []event.Part, err error) {
	err = pairs(s, func(name, value string) error {
		q, err := o.n.qty(value)
		if err == nil && q.Sign() <= 0 {
			err = errors.New("must be above 0")
		}
		list = append(list, event.Part{Item: name, Qty: q})
		return err
	})
	return list, err
}

// keepChanges takes out of d what old says already, and reports whether anything but a note is left.
func keepChanges(d, old *event.Item) bool {
	changed := false
	for _, f := range []struct{ now, was *string }{{&d.Name, &old.Name}, {&d.Type, &old.Type}, {&d.Unit, &old.Unit}, {&d.Class, &old.Class},
		{&d.Place, &old.Place}, {&d.Supplier, &old.Supplier}, {&d.Barcode, &old.Barcode}} {
		if *f.now == *f.was {
			*f.now = ""
		}
		changed = changed || *f.now != ""
	}
	sameQty := func(a, b num.Qty) bool { return a.Cmp(b) == 0 }
	if maps.EqualFunc(d.Packs, old.Packs, sameQty) {
		d.Packs = nil
	}
	if maps.EqualFunc(d.Measures, old.Measures, sameQty) {
		d.Measures = nil
	}
	if slices.EqualFunc(d.Parts, old.Parts, func(a, b event.Part) bool { return a.Item == b.Item && sameQty(a.Qty, b.Qty) }) {
		d.Parts = nil
	}
	d.Points = unlessSame(d.Points, old.Points, sameQty)
	d.PieceWeight = unlessSame(d.PieceWeight, old.PieceWeight, sameQty)
	sameMoney := func(a, b num.Money) bool { return a.Cmp(b) == 0 }
	d.UnitCost = unlessSame(d.UnitCost, old.UnitCost, sameMoney)
	d.Price = unlessSame(d.Price, old.Price, sameMoney)
	sameInt := func(a, b int) bool { return a == b }
	d.LeadDays = unlessSame(d.LeadDays, old.LeadDays, sameInt)
	d.LeadDaysMax = unlessSame(d.LeadDaysMax, old.LeadDaysMax, sameInt)
	d.Tolerance = unlessSame(d.Tolerance, old.Tolerance, func(a, b event.Tolerance) bool { return a.Percent == b.Percent && sameQty(a.Value, b.Value) })
	return changed || d.Packs != nil || d.Measures != nil || d.Parts != nil || d.Points != nil || d.PieceWeight != nil || d.UnitCost != nil ||
		d.Price != nil || d.LeadDays != nil || d.LeadDaysMax != nil || d.Tolerance != nil
}

func unlessSame[T any](now, was *T, same func(a, b T) bool) *T {
	if now != nil && was != nil && same(*now, *was) {
		return nil
	}
	return now
}
