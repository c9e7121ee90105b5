package pages

import (
	"errors"
	"slices"
	"strings"

	"countback/ledger/sheet"
)

// The form of a map: which column of a file of orders is what.

// columnWord is a word of the map that names a column.
type columnWord struct{ word, field, label, hint string }

var columnWords = []columnWord{
	{"order", "order", "Order's number", ""}, {"date", "date", "Date", ""}, {"time", "time", "Time of day", "where it has a column of its own"},
	{"item", "item", "Item", "one item a row"}, {"quantity", "quantity", "Quantity", "one item a row"},
	{"items", "items", "All items of the order", "one order a row"},
	{"unit price", "unit_price", "Price of one", ""}, {"line value", "line_value", "Price of the line", ""}, {"order value", "order_value", "Value of the order", "instead of the sum of its lines"},
	{"shipping", "shipping", "Paid for shipping", ""}, {"zone", "zone", "Where it goes", ""}, {"options", "options", "Options", ""}, {"status", "status", "Status", ""},
	{"cancelled order", "cancelled_order", "Order that a cancellation is about", ""}, {"cancelled date", "cancelled_date", "Day of the cancellation", ""},
}

// alwaysOne is the choice for a file in which each row is one piece.
const alwaysOne = "always 1"

func (f *form) columnInput(t *sheet.Table, field string) input {
	i := slices.IndexFunc(columnWords, func(w columnWord) bool { return w.field == field })
	w := columnWords[i]
	options := []option{{Value: "", Label: "–"}}
	if field == "quantity" {
		options = append(options, option{Value: alwaysOne, Label: "no column: one piece a row"})
	}
	if t != nil {
		for _, h := range t.Header {
			if name := strings.Join(strings.Fields(h), " "); name != "" {
				options = append(options, option{Value: name, Label: name})
			}
		}
	}
	in := f.choiceInput(field, w.label, options...)
	in.Hint = w.hint
	return in
}

// mapBlocks ask which column is what.
func (f *form) mapBlocks(t *sheet.Table) []block {
	col := func(field string) input { return f.columnInput(t, field) }
	names := func(list, of, value, suggestions string) *inputList {
		return f.listInput(list, "More names", func(row string) []input {
			in := f.textInput(row+".value", value).listed(suggestions)
			if suggestions == "items" {
				in = f.itemInput(row+".value", value)
			}
			return []input{f.textInput(row+".of", of), in}
		})
	}
	word := func(name, label string, values ...string) input {
		options := []option{{Value: "", Label: "found out from the file"}}
		for _, v := range values {
			options = append(options, option{Value: v, Label: v})
		}
		return f.choiceInput(name, label, options...)
	}
	written := folded(block{Title: "How the file is written", Fields: []input{
		word("delimiter", "Columns are parted by", "comma", "semicolon", "tab", "pipe"), word("encoding", "Encoding", sheet.UTF8, sheet.UTF16LE, sheet.UTF16BE, sheet.Windows1252),
		word("decimal", "Decimal sign", "point", "comma"), word("thousands", "Between thousands", "comma", "point", "space", "apostrophe"), f.textInput("money_sign", "Sign beside amounts"),
		f.textInput("header_row", "Row with the columns' names"), f.choiceInput("quotes", "Quotation marks", option{Value: "", Label: "around fields"}, option{Value: "loose", Label: "inside fields too"}),
		col("time"), f.textInput("time_layout", "How the time is written"), f.textInput("time_zone", "Time zone").hint("like Europe/Vienna or UTC; the shop's where it is empty"),
	}})
	// What is found out from the file is seldom wrong, so it stays folded.
	written.Open = slices.ContainsFunc(written.Fields, func(i input) bool { return i.Wrong != "" })
	return []block{
		{Title: "The order", Fields: []input{
			col("order").needed(), f.choiceInput("rows", "A row is", option{Value: "one per line", Label: "one item of an order"}, option{Value: "one per order", Label: "a whole order"}),
			col("date").needed(), f.textInput("date_layout", "How the date is written").hint("like DD.MM.YYYY hh:mm; without: 2026-05-02 14:30"),
		}},
		{Title: "What was ordered", Fields: []input{col("item"), col("quantity"), col("items"), f.textInput("items_look_like", "How they are written").hint("like ITEM x QTY"), f.textInput("items_separator", "What parts them").hint("like ; or new line")}},
		{Title: "Where it goes", Lead: "Zones are what packing specs ask for, such as home and abroad.", Fields: []input{
			col("zone"), f.textInput("zone_always", "Or always to").listed("zones"), f.textInput("any_other_zone", "Everything that isn't named below").listed("zones"),
		}, List: names("zones", "Where the column says", "it is the zone", "zones")},
		folded(block{Title: "Codes of the file that are called otherwise here", List: names("aliases", "Code in the file", "Item", "items"), Fields: []input{
			f.textInput("no_goods", "Codes that are no goods").wide().hint("parted by commas; * stands for any text, like POST, BANK*"),
		}}),
		folded(block{Title: "Prices, shipping, options", Fields: []input{
			col("unit_price"), col("line_value"), col("order_value"), col("shipping"), col("options"), f.textInput("options_separator", "What parts options"),
			f.choiceInput("zero_price", "Rows with a price of 0", option{Value: "", Label: "are goods"}, option{Value: "skip", Label: "are left out"}),
		}}),
		folded(block{Title: "Status and cancellations", Fields: []input{
			col("status"), f.textInput("skip_status", "Statuses to leave out").hint("parted by commas"),
			f.choiceInput("cancelled", "What was cancelled", option{Value: "", Label: "isn't told apart"}, option{Value: "skip", Label: "is left out"}, option{Value: "return", Label: "comes back to its order"}),
			f.textInput("cancelled_number_begins_with", "Cancelled: the number begins with"),
			f.choiceInput("cancelled_quantity", "Cancelled: the quantity is", option{Value: "", Label: "not looked at"}, option{Value: "negative", Label: "below 0"}),
			f.textInput("cancelled_status", "Cancelled: the status is").hint("parted by commas"), col("cancelled_order"), col("cancelled_date"),
			f.choiceInput("returned_goods", "Goods that came back are", option{Value: "", Label: "saleable"}, option{Value: "scrap", Label: "scrap"}),
		}}),
		written,
		{Fields: []input{f.textInput("person", "Who records it")}},
	}
}

// fieldOfWord is a word of the map as a field's name.
func fieldOfWord(word string) string { return strings.ReplaceAll(word, " ", "_") }

// fillMap puts a map into a form.
func (f *form) fillMap(text []byte) {
	entries, err := sheet.Entries(text)
	if err != nil {
		return
	}
	columns := set{}
	for _, w := range columnWords {
		columns.add(w.word)
	}
	for _, e := range entries {
		field := fieldOfWord(e.Word)
		always, fixed := strings.CutPrefix(e.Value, "always ")
		switch {
		case e.Of != "":
			list := map[string]string{"zone": "zones", "item": "aliases"}[e.Word]
			row := rowName(list, rowsOf(f.values, list))
			f.set(row+".of", e.Of)
			f.set(row+".value", e.Value)
		case fixed && e.Word == "zone":
			f.set("zone_always", sheet.Unquote(strings.TrimSpace(always)))
		case fixed:
			f.set(field, e.Value)
		case columns[e.Word]:
			f.set(field, strings.Join(strings.Fields(sheet.Unquote(e.Value)), " "))
		case f.has(field): // a word that may stand on several lines
			f.set(field, f.text(field)+", "+e.Value)
		default:
			f.set(field, e.Value)
		}
	}
}

// mapText writes the map that a form asks for. fields names the field of each of its lines.
func (f *form) mapText() (text string, fields []string) {
	columns := set{}
	for _, w := range columnWords {
		columns.add(w.word)
	}
	var entries []sheet.Entry
	add := func(field string, e sheet.Entry) {
		entries, fields = append(entries, e), append(fields, field)
	}
	for _, word := range sheet.Words() {
		field := fieldOfWord(word)
		value := f.text(field)
		switch {
		case word == "zone" && value == "" && f.has("zone_always"):
			add("zone_always", sheet.Entry{Word: word, Value: "always " + sheet.Quote(f.text("zone_always"))})
		case value == "":
		case columns[word] && !(word == "quantity" && value == alwaysOne):
			add(field, sheet.Entry{Word: word, Value: sheet.Quote(value)})
		default:
			add(field, sheet.Entry{Word: word, Value: value})
		}
		for list, of := range map[string]string{"zones": "zone", "aliases": "item"} {
			if of != word {
				continue
			}
			for _, row := range f.rows(list) {
				if f.has(row+".of") && f.has(row+".value") {
					add(row+".value", sheet.Entry{Word: word, Of: f.text(row + ".of"), Value: f.text(row + ".value")})
				}
			}
		}
	}
	text, _ = sheet.WriteMap(entries)
	return text, fields
}

// mapWrong puts a fault of the map at the field that wrote its line, or at the one that is missing.
func (f *form) mapWrong(err error, fields []string) {
	var me *sheet.MapError
	if !errors.As(err, &me) {
		f.failed("", err)
		return
	}
	what, hint, _ := strings.Cut(me.Why, "; ")
	if me.Line > 0 && me.Line <= len(fields) {
		f.fail(fields[me.Line-1], what, hint)
		return
	}
	// What is missing is named by the example at the end of the advice.
	if _, example, ok := strings.Cut(me.Why, "add a line like "); ok {
		word, _, _ := strings.Cut(example, " =")
		for _, w := range columnWords {
			if w.word == word {
				f.fail(w.field, "choose the column", "")
				return
			}
		}
		if word == "items look like" {
			f.fail("items_look_like", "say how items are written, like ITEM x QTY", "")
			return
		}
	}
	f.fail("", "The map "+what, hint)
}
