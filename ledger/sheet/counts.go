package sheet

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"countback/ledger/event"
	"countback/ledger/unit"
)

// CountColumns are the columns of a count sheet. Only item is needed; order and case are free. "unit" names what was counted: a pack or a
// measure of the item, a unit of length, mass or volume that converts to its base unit, or nothing for base units. "name" and "book" are there for the person with the sheet and
// are not read.
var CountColumns = []string{"item", "name", "place", "book", "counted", "unit", "gross", "tare", "weight_unit", "session", "at", "note"}

// NotCounted is the reason under which rows without a figure are tallied.
const NotCounted = "left out: not counted"

type figure struct{ item, place, form, session string }

// Counts turns a filled count sheet into count facts. Rows without a figure are left out. A day in "at" is its last millisecond in the shop's
// zone; without "at" a count is of ctx.Now. Ids come from what a row says, so a sheet with times can be imported twice.
func Counts(t *Table, ctx Context) (*Result, error) {
	if ctx.Now.IsZero() || ctx.Location == nil {
		return nil, errors.New("the import of counts needs a time and the shop's time zone")
	}
	o := newOwn(t, ctx, "item", CountColumns)
	seen := map[figure]int{}
	for i := range t.Rows {
		if t.blankRow(i) {
			o.fate[i] = "left out: blank"
			continue
		}
		if o.cell(i, "counted") == "" && o.cell(i, "gross") == "" {
			o.fate[i] = NotCounted
			continue
		}
		o.count(i, seen)
	}
	return o.finish(), nil
}

func (o *own) zone() *time.Location {
	if o.ctx.Location == nil {
		return time.UTC
	}
	return o.ctx.Location
}

// count makes the fact of one row.
func (o *own) count(i int, seen map[figure]int) {
	before := len(o.out.Problems)
	d := &event.Count{Item: o.cell(i, "item"), Place: o.cell(i, "place"), Session: o.cell(i, "session"), Note: o.cell(i, "note")}
	switch {
	case d.Item == "":
		o.problem(i, "item", "", "has no item; fill it in, or empty the row")
		return
	case !o.names.known(d.Item):
		o.problem(i, "item", d.Item, "is not a known item"+o.names.hint(d.Item)+"; correct it, or add it to the catalog")
		return
	}
	if o.cell(i, "gross") != "" {
		o.weighed(i, d)
	} else {
		o.counted(i, d)
	}
	at := o.countedAt(i)
	if len(o.out.Problems) > before {
		return
	}
	fig := figure{d.Item, d.Place, d.Measure + "\n" + d.Pack, d.Session}
	if first, twice := seen[fig]; twice {
		o.problem(i, "item", d.Item, fmt.Sprintf("is counted on row %d too, at the same place and in the same form; add the two up in one row", o.t.Number[first]))
		return
	}
	seen[fig] = i
	o.fate[i] = "count"
	f := event.Fact{Time: event.TimeOf(at), Data: d}
	f.ID = factID(at, o.ctx.ShopID, event.KindCount, d.Item, d.Place, fig.form, d.Session, ContentKey(f))
	if why := checkFact(f); why != "" {
		o.problem(i, "", "", why)
		return
	}
	o.out.add(f, o.t.Number[i])
}

func (o *own) weighed(i int, d *event.Count) {
	if v := o.cell(i, "counted"); v != "" {
		o.problem(i, "counted", v, "stands beside a weight; count by number or by weight")
	}
	if v := o.cell(i, "unit"); v != "" {
		o.problem(i, "unit", v, "goes with a number, not with a weight; give the weight's unit in weight_unit")
	}
	d.Gross = optional(o, i, "gross", o.n.qty)
	if d.Tare = optional(o, i, "tare", o.n.qty); d.Tare == nil && o.cell(i, "tare") == "" {
		o.problem(i, "tare", "", "is missing; write 0 where nothing but the pieces was weighed")
	}
	if d.WeightUnit = strings.ToLower(o.cell(i, "weight_unit")); d.WeightUnit == "" {
		o.problem(i, "weight_unit", "", "is missing; it can be g, kg, oz or lb")
	}
	if d.Gross != nil && d.Tare != nil && d.Gross.Less(*d.Tare) {
		o.problem(i, "gross", o.cell(i, "gross"), "is less than the tare; look whether the two were mixed up")
	}
}

// counted reads a number and what it counts.
func (o *own) counted(i int, d *event.Count) {
	if o.cell(i, "tare") != "" {
		o.problem(i, "tare", o.cell(i, "tare"), "goes with a gross weight; fill in gross, or empty tare")
	}
	q := optional(o, i, "counted", o.n.qty)
	if q == nil {
		return
	}
	if q.Sign() < 0 {
		o.problem(i, "counted", o.cell(i, "counted"), "is below zero; a count is 0 or more")
		return
	}
	d.Qty = q
	if form := o.cell(i, "unit"); form != "" {
		if err := o.form(d, form); err != nil {
			o.problem(i, "unit", form, err.Error())
		}
	}
}

// form finds out what a name in the unit column means for the item.
func (o *own) form(d *event.Count, name string) error {
	var def *event.Item
	if o.ctx.Current != nil {
		def = o.ctx.Current(d.Item)
	}
	if def == nil {
		def = &event.Item{}
	}
	_, pack := def.Packs[name]
	_, measure := def.Measures[name]
	switch {
	case pack && measure:
		return errors.New("is both a pack and a measure of the item; count in base units instead")
	case pack:
		d.Pack = name
		return nil
	case measure:
		d.Measure = name
		return nil
	case name == def.Unit:
		return nil
	}
	if def.Unit != "" {
		if q, err := unit.Convert(*d.Qty, name, def.Unit); err == nil {
			d.Qty = &q
			return nil
		}
	}
	forms := []string{def.Unit}
	for n := range def.Packs {
		forms = append(forms, n)
	}
	for n := range def.Measures {
		forms = append(forms, n)
	}
	return fmt.Errorf("is no pack or measure of %s and no unit that it can be counted in; it has %s", clip(d.Item), join(slices.Sorted(slices.Values(forms))))
}

// countedAt reads "at", or takes ctx.Now.
func (o *own) countedAt(i int) time.Time {
	text := o.cell(i, "at")
	t := o.ctx.Now.In(o.zone()).Truncate(time.Millisecond)
	if text == "" {
		return t
	}
	var c civil
	err := readAny(isoLayouts, text, &c, "2026-05-02 or 2026-05-02 14:30")
	if err == nil {
		err = c.check()
	}
	if err != nil {
		o.problem(i, "at", text, err.Error())
		return t
	}
	if c.clock {
		t = c.in(o.zone())
	} else {
		t = lastOfDay(c, o.zone())
	}
	if why := checkTime(t, o.ctx.Now); why != "" {
		o.problem(i, "at", text, why)
	}
	return t
}

// lastOfDay is the last millisecond before the next day begins.
func lastOfDay(c civil, loc *time.Location) time.Time {
	next := time.Date(c.year, time.Month(c.month), c.day+1, 0, 0, 0, 0, time.UTC)
	return localTime(next, loc).Add(-time.Millisecond)
}
