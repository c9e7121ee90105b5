package pages

import (
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"countback/cmd/countback/typed"
	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
)

// form is what a person typed on a page, and what is wrong with it. It reads each field as the commands read the same words, so that both record the same fact.
type form struct {
	look   *Look
	now    time.Time // in the shop's zone
	read   typed.Reader
	values url.Values // without empty rows
	wrong  map[string]string
	order  []string // the fields that are wrong, as they were found
	notes  []string // what is wrong and belongs to no field
}

// newForm reads what was sent. Rows that nobody filled in are gone, and the others are numbered anew.
func newForm(l *Look, now time.Time, values url.Values) *form {
	return &form{look: l, now: now.In(l.Zone), read: typed.Reader{Catalog: l.Catalog, View: l.View}, values: compact(values), wrong: map[string]string{}}
}

// bad reports whether anything is wrong.
func (f *form) bad() bool { return len(f.wrong)+len(f.notes) > 0 }

// fail puts a fault at a field; the first one of a field counts.
func (f *form) fail(field, what, hint string) {
	text := what
	if hint != "" {
		text += "; " + hint
	}
	if field == "" {
		f.notes = append(f.notes, text)
		return
	}
	if _, ok := f.wrong[field]; !ok {
		f.wrong[field] = text
		f.order = append(f.order, field)
	}
}

// failed puts an error at a field.
func (f *form) failed(field string, err error) {
	var e *typed.Error
	if errors.As(err, &e) {
		f.fail(field, e.What, e.Hint)
		return
	}
	f.fail(field, err.Error(), "")
}

// has reports whether anything stands in a field.
func (f *form) has(field string) bool { return f.values.Get(field) != "" }

func (f *form) text(field string) string { return f.values.Get(field) }

func (f *form) set(field, value string) {
	if value == "" {
		f.values.Del(field)
		return
	}
	f.values.Set(field, value)
}

// needText is text that must be there.
func (f *form) needText(field, what, hint string) string {
	if !f.has(field) {
		f.fail(field, what, hint)
	}
	return f.text(field)
}

func (f *form) ticked(field string) bool { return f.has(field) }

// number reads a field's number into canonical text; ok is false where there is none or it is wrong.
func (f *form) number(field string) (text string, ok bool) {
	if !f.has(field) {
		return "", false
	}
	text, err := typed.Number(f.text(field))
	if err != nil {
		f.failed(field, err)
		return "", false
	}
	return text, true
}

// parsed reads a number of some scale.
func parsed[T any](f *form, field string, parse func(string) (T, error)) *T {
	text, ok := f.number(field)
	if !ok {
		return nil
	}
	v, err := parse(text)
	if err != nil {
		f.failed(field, err)
		return nil
	}
	return &v
}

func (f *form) qty(field string) *num.Qty     { return parsed(f, field, num.ParseQty) }
func (f *form) money(field string) *num.Money { return parsed(f, field, num.ParseMoney) }
func (f *form) rate(field string) *num.Rate   { return parsed(f, field, num.ParseRate) }

// days reads a whole number of days.
func (f *form) days(field string) *int {
	return parsed(f, field, func(text string) (int, error) {
		n, err := strconv.Atoi(text)
		if err != nil {
			return 0, &typed.Error{What: "must be whole days"}
		}
		return n, nil
	})
}

// tolerance reads 3 or 2 %.
func (f *form) tolerance(field string) *event.Tolerance {
	if !f.has(field) {
		return nil
	}
	text, percent := strings.CutSuffix(f.text(field), "%")
	text, err := typed.Number(text)
	if err != nil {
		f.failed(field, err)
		return nil
	}
	if percent {
		text += "%"
	}
	t := new(event.Tolerance)
	if err := t.UnmarshalText([]byte(text)); err != nil {
		f.failed(field, err)
		return nil
	}
	return t
}

// id reads the id of an event.
func (f *form) id(field string) event.ID {
	if !f.has(field) {
		return event.ID{}
	}
	id, err := event.ParseID(strings.ToUpper(f.text(field)))
	if err != nil {
		f.fail(field, fmt.Sprintf("%q is not the id of an event", clipped(f.text(field))), "choose one, or copy an id from what was recorded")
	}
	return id
}

// date reads a day without a time.
func (f *form) date(field string) event.Date {
	if !f.has(field) {
		return ""
	}
	d, err := event.ParseDate(f.text(field))
	if err != nil {
		f.fail(field, fmt.Sprintf("%q is not a day", clipped(f.text(field))), "write it like 2026-03-02")
	}
	return d
}

// list cuts a field at its commas.
func (f *form) list(field string) []string {
	var out []string
	for part := range strings.SplitSeq(f.text(field), ",") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// rows are the names of a list's rows.
func (f *form) rows(list string) []string {
	var out []string
	for i := range rowsOf(f.values, list) {
		out = append(out, rowName(list, i))
	}
	return out
}

// needRows is rows of a list that must have one at least.
func (f *form) needRows(list, field, what string) []string {
	rows := f.rows(list)
	if len(rows) == 0 {
		f.fail(rowName(list, 0)+"."+field, what, "")
	}
	return rows
}

// item reads an item that must be there. Where somebody typed an item's name instead of its id, the id is meant.
func (f *form) item(field string) *catalog.Item {
	if !f.has(field) {
		f.fail(field, "which item is missing", "")
		return nil
	}
	it, err := f.read.Item(f.text(field))
	if err != nil {
		if named := f.named(f.text(field)); named != nil {
			f.set(field, named.ID)
			return named
		}
		f.failed(field, err)
		return nil
	}
	return it
}

// named finds the one item of a name, in any case.
func (f *form) named(name string) (found *catalog.Item) {
	for _, it := range f.look.Catalog.Items {
		if strings.EqualFold(f.look.View.Def(it.Index).Name, name) {
			if found != nil {
				return nil
			}
			found = it
		}
	}
	return found
}

// optItem is item where one may be left out.
func (f *form) optItem(field string) string {
	if !f.has(field) {
		return ""
	}
	if it := f.item(field); it != nil {
		return it.ID
	}
	return f.text(field)
}

// amount reads a row's quantity of an item: a number, and what it counts, behind it or in the field beside it. what is said where it is missing.
func (f *form) amount(row string, it *catalog.Item, what string) (a typed.Amount, ok bool) {
	return f.amountOf(row+".qty", row+".in", it, what)
}

func (f *form) amountOf(field, in string, it *catalog.Item, what string) (a typed.Amount, ok bool) {
	if !f.has(field) {
		f.fail(field, what, "")
		return a, false
	}
	number, word, err := typed.CutNumber(f.text(field))
	chosen := f.text(in)
	switch {
	case err != nil:
		f.failed(field, err)
		return a, false
	case it == nil:
		return a, false // the item's own fault says enough
	case word != "" && chosen != "" && word != chosen:
		f.fail(field, fmt.Sprintf("%q and %q both say what is counted", clipped(word), chosen), "leave one of the two out")
		return a, false
	}
	if word == "" {
		word = chosen
	}
	if a, err = f.read.Amount(it, number, word, ""); err != nil {
		f.failed(field, err)
		return a, false
	}
	return a, true
}

// goods reads a row as goods of an order.
func (f *form) goods(row string) (g event.Goods, ok bool) {
	it := f.item(row + ".item")
	a, ok := f.amount(row, it, "how many is missing")
	if !ok {
		return g, false
	}
	g, err := f.read.Goods(it, a, f.text(row+".qty"))
	if err != nil {
		f.failed(row+".qty", err)
		return g, false
	}
	return g, true
}

// goodsOf reads a list of goods; nil where there is none.
func (f *form) goodsOf(list string) (out []event.Goods) {
	for _, row := range f.rows(list) {
		if g, ok := f.goods(row); ok {
			out = append(out, g)
		}
	}
	return out
}

// when reads day and clock: now where there is no day, else the instant that the day means for a kind, or the time of that day.
func (f *form) when(kind event.Kind) event.Time {
	day, clock := f.text("day"), f.text("clock")
	if day == "" && clock != "" {
		day = f.now.Format(time.DateOnly)
	}
	if day == "" {
		return event.TimeOf(f.now)
	}
	if clock != "" {
		at, err := typed.Clock(day, clock, f.look.Zone)
		if err != nil {
			field := "clock"
			if _, err := time.Parse(time.DateOnly, day); err != nil {
				field = "day"
			}
			f.failed(field, err)
		}
		return event.TimeOf(at)
	}
	at, err := typed.Moment(day, typed.PartOf(kind), f.look.Zone)
	if err != nil {
		f.failed("day", err)
		return event.Time{}
	}
	return event.TimeOf(at)
}

// refuse puts a refusal of the ledger at the field that it is about. at says where that stands in this form; it may be nil.
func (f *form) refuse(r *Refusal, at func(index int, field string) string) {
	field := r.Field
	if at != nil {
		field = at(r.Index, field)
	}
	f.fail(f.shown(field), r.What, r.Hint)
}

// shown is the field of the page for one of a fact's data: packs and measures are chosen in one place, words in a list stand in one field, and what is wrong with a
// whole row or list stands at its first field.
func (f *form) shown(field string) string {
	if field == "time" {
		return "day"
	}
	head, last := "", field
	if at := strings.LastIndexByte(field, '.'); at >= 0 {
		head, last = field[:at+1], field[at+1:]
	}
	name, index, ok := splitIndex(last)
	if name == "" {
		name, index = last, -1
	}
	switch name {
	case "pack", "measure":
		return head + "in"
	case "options", "accepts", "zones":
		return head + name
	case "lines", "changes", "parts":
		return head + rowName(name, max(index, 0)) + ".item"
	case "formats", "parcels":
		return head + rowName(name, max(index, 0)) + ".format"
	}
	if !ok {
		return field
	}
	return head + last
}

func clipped(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
