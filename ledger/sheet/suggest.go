package sheet

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"
)

// guesses are names that columns often bear, by the map's word; letters and digits in lower case only. (Common practice.)
var guesses = []struct {
	word  string
	names string
}{
	{"order", "order ordernumber orderno orderid ordernr number invoice invoicenumber invoiceno receipt receiptid saleid reference"},
	{"date", "date orderdate ordered orderedon orderedat datetime created createdat placed placedat saledate datepaid paidat timestamp invoicedate time ordertime"},
	{"time", "time ordertime timeofday saletime"},
	{"item", "sku item itemcode itemnumber itemid code product productcode productid article articlenumber variant stockcode productsku"},
	{"items", "items skus products articles orderlines goods contents"},
	{"quantity", "quantity qty pieces count units amountofitems number numberofitems ordered"},
	{"unit price", "unitprice price itemprice priceeach each singleprice"},
	{"line value", "linevalue linetotal lineamount itemtotal linesum"},
	{"order value", "ordervalue ordertotal total subtotal goodstotal ordersum grandtotal"},
	{"shipping", "shipping shippingcost shippingprice shippingtotal postage delivery deliverycost freight"},
	{"zone", "zone country shipcountry shippingcountry deliverycountry destination shipto region"},
	{"options", "options option extras giftwrap"},
	{"status", "status orderstatus state"},
}

// Suggest writes a map for a table from its columns' names and its first rows: a beginning to check and complete, with a remark where
// something has to be decided. It is complete, and readable by ParseMap, if every needed column was found.
func Suggest(t *Table) string {
	s := suggestion{t: t, column: map[string]int{}}
	s.find()
	s.line("# How to read this file. Check every line; lines that begin with # are remarks.")
	s.file()
	s.rows()
	s.dates()
	s.zones()
	s.cancelled()
	s.noGoods()
	return s.text.String()
}

type suggestion struct {
	t      *Table
	column map[string]int
	text   strings.Builder
}

func (s *suggestion) line(format string, args ...any) {
	fmt.Fprintf(&s.text, format+"\n", args...)
}

// find gives each word the first column with a name for it that no word before has taken.
func (s *suggestion) find() {
	taken := map[int]bool{}
	for _, g := range guesses {
		for _, name := range strings.Fields(g.names) {
			i := slices.IndexFunc(s.t.Header, func(h string) bool { return bare(h) == name })
			if i < 0 || taken[i] {
				continue
			}
			if _, err := s.t.column(s.t.Header[i]); err == nil {
				s.column[g.word], taken[i] = i, true
				break
			}
		}
	}
	if _, one := s.column["item"]; one {
		delete(s.column, "items")
	}
}

func bare(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, s)
}

// values are the different texts of a column in the first rows, by how often they stand there.
func (s *suggestion) values(word string) map[string]int {
	seen := map[string]int{}
	if c, ok := s.column[word]; ok {
		for _, row := range s.t.Rows[:min(len(s.t.Rows), 20_000)] {
			if v := strings.TrimSpace(row[c]); v != "" {
				seen[v]++
			}
		}
	}
	return seen
}

// name writes a column for the map, and a remark with the columns there are where it was not found.
func (s *suggestion) name(word string, needed bool) {
	i, ok := s.column[word]
	switch {
	case ok:
		s.line("%s = %s", word, quoted(s.t.Header[i], false))
	case needed:
		s.line("# needed: %s = one of these columns: %s", word, strings.ReplaceAll(join(s.t.Header), "\n", " "))
	}
}

// quoted puts a text between quotation marks where the map would misread it.
func quoted(v string, inKey bool) string {
	if v != strings.TrimSpace(v) || strings.ContainsAny(v, `",`) || strings.HasPrefix(v, "always ") || inKey && strings.ContainsAny(v, "=") {
		return `"` + strings.ReplaceAll(v, `"`, `""`) + `"`
	}
	return v
}

func (s *suggestion) file() {
	for _, d := range delimiters {
		if d.mark == s.t.Options.Delimiter {
			s.line("delimiter = %s", d.word)
		}
	}
	s.line("encoding = %s", s.t.Options.Encoding)
	if s.t.Options.Decimal == ',' {
		s.line("decimal = comma")
	}
	if s.t.HeaderRow > 1 {
		s.line("header row = %d", s.t.HeaderRow)
	}
	for _, word := range []string{"unit price", "line value", "order value", "shipping"} {
		for v := range s.values(word) {
			sign := strings.TrimFunc(v, func(r rune) bool { return !unicode.Is(unicode.Sc, r) })
			if sign != "" && len([]rune(sign)) == 1 {
				s.line("money sign = %s", sign)
				return
			}
		}
	}
}

func (s *suggestion) rows() {
	s.name("order", true)
	if _, ok := s.column["items"]; ok {
		s.line("rows = one per order")
		s.name("items", true)
		s.line("items look like = ITEM x QTY")
		s.line("items separator = ;")
	} else {
		s.line("rows = one per line")
		s.name("item", true)
		s.name("quantity", true)
		s.name("unit price", false)
		if _, ok := s.column["unit price"]; !ok {
			s.name("line value", false)
		}
	}
	s.name("order value", false)
	s.name("shipping", false)
	s.name("options", false)
}

// dateLayouts are tried on a column, in this order; the first that reads every value is suggested.
var dateLayouts = strings.Split("YYYY-MM-DD hh:mm:ss|YYYY-MM-DD hh:mm|YYYY-MM-DDThh:mm:ssZZ|YYYY-MM-DD|DD.MM.YYYY hh:mm:ss|DD.MM.YYYY hh:mm|DD.MM.YYYY|"+
	"DD/MM/YYYY hh:mm:ss|DD/MM/YYYY hh:mm|DD/MM/YYYY|MM/DD/YYYY hh:mm:ss|MM/DD/YYYY hh:mm|MM/DD/YYYY|D/M/YYYY hh:mm|D/M/YYYY|M/D/YYYY hh:mm|M/D/YYYY|"+
	"M/D/YYYY h:mm|M/D/YYYY h:mm AM|D/M/YYYY h:mm|DD-MM-YYYY|MM/DD/YY|M/D/YY|D MMM YYYY|MMM D, YYYY|DD MMM YYYY hh:mm", "|")

func (s *suggestion) dates() {
	s.name("date", true)
	s.name("time", false)
	values := s.values("date")
	var fit []string
	for _, text := range dateLayouts {
		if len(values) > 0 && readsAll(text, values) {
			fit = append(fit, text)
		}
	}
	if len(fit) > 0 {
		s.line("date layout = %s", fit[0])
		if i := slices.IndexFunc(fit, func(f string) bool { return f[0] != fit[0][0] }); i > 0 {
			s.line("# every date reads as %s too: decide which is right", fit[i])
		}
	} else if len(values) > 0 {
		s.line("# needed: date layout = how the dates are written, like DD/MM/YYYY hh:mm")
	}
	s.line("# time zone = the zone of these times, like Europe/Vienna or UTC; without it they are the shop's")
}

func readsAll(text string, values map[string]int) bool {
	l, err := parseLayout(text)
	for v := range values {
		var c civil
		if err != nil || l.read(v, &c) != nil || c.check() != nil {
			return false
		}
	}
	return true
}

func (s *suggestion) zones() {
	s.name("zone", true)
	values := slices.Sorted(maps.Keys(s.values("zone")))
	for _, v := range values[:min(len(values), 40)] {
		if checkName(v) == nil {
			s.line("zone %s = %s", quoted(v, true), quoted(v, true))
		}
	}
	if len(values) > 0 {
		s.line("# any other zone = the name for all that are not listed")
	}
}

// cancelled looks for order numbers with a letter before them on rows with quantities below zero, and for such quantities elsewhere.
func (s *suggestion) cancelled() {
	s.name("status", false)
	if v := slices.Sorted(maps.Keys(s.values("status"))); len(v) > 0 {
		s.line("# statuses in this file: %s. Say which to leave out: skip status = …", strings.ReplaceAll(join(v), "\n", " "))
	}
	order, ok1 := s.column["order"]
	quantity, ok2 := s.column["quantity"]
	if !ok1 || !ok2 {
		return
	}
	prefixes := map[string]int{}
	below := 0
	for _, row := range s.t.Rows {
		if !strings.HasPrefix(strings.TrimSpace(row[quantity]), "-") {
			continue
		}
		below++
		number := strings.TrimSpace(row[order])
		if p := number[:len(number)-len(strings.TrimLeftFunc(number, unicode.IsLetter))]; p != "" && p != number {
			prefixes[p]++
		}
	}
	for _, p := range slices.Sorted(maps.Keys(prefixes)) {
		if prefixes[p]*2 > below {
			s.line("cancelled number begins with = %s", p)
			s.line("# or: cancelled = return")
			s.line("cancelled = skip")
			return
		}
	}
	if below > 0 {
		s.line("cancelled quantity = negative")
		s.line("# or: cancelled = return")
		s.line("cancelled = skip")
	}
}

// noGoods remarks on item codes without digits, where nearly all have some.
func (s *suggestion) noGoods() {
	values := s.values("item")
	var odd []string
	for v := range values {
		if !strings.ContainsFunc(v, unicode.IsDigit) && checkName(v) == nil {
			odd = append(odd, quoted(v, true))
		}
	}
	if len(odd) > 0 && len(odd)*5 < len(values) {
		slices.Sort(odd)
		s.line("# codes without digits may be fees or postage; take the # off where they are no goods")
		s.line("# no goods = %s", strings.Join(odd[:min(len(odd), 40)], ", "))
	}
}
