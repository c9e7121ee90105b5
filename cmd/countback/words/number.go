package words

import (
	"strconv"
	"strings"

	"countback/ledger/num"
)

// Percent shows a share in per cent, with one decimal.
func Percent(share string) string {
	q, err := num.ParseQty(share)
	if err != nil {
		return ""
	}
	return q.Times(num.Whole(100)).StringFixed(1) + " %"
}

// Short shows an estimate to whole units, or to a tenth below ten: more digits would say more than it knows.
func Short(estimate string) string {
	q, err := num.ParseQty(estimate)
	if err != nil {
		return estimate
	}
	places := 0
	if q.Abs().Less(num.Whole(10)) {
		places = 1
	}
	return Grouped(q.Round(places).String())
}

// Span writes the bounds of an estimate; nothing where one is missing.
func Span(low, high string) string {
	if low == "" || high == "" {
		return ""
	}
	return Short(low) + " to " + Short(high)
}

// Ratio shows a ratio, or a quantity of a spec, with two decimals.
func Ratio(estimate string) string {
	q, err := num.ParseQty(estimate)
	if err != nil {
		return estimate
	}
	return q.StringFixed(2)
}

// BehindUnit is a unit as it stands behind a number; pieces have none.
func BehindUnit(unit string) string {
	if unit == "each" {
		return ""
	}
	return " " + unit
}

// ShortQty shows a quantity without more decimals than matter beside it.
func ShortQty(text string) string {
	q, err := num.ParseQty(text)
	if err != nil {
		return text
	}
	if q.Abs().Less(num.Whole(100)) {
		return Grouped(q.Round(1).String())
	}
	return Grouped(q.Round(0).String())
}

// Metres writes a quantity as people say it: lengths from a metre on in metres, to the millimetre; weights and volumes to two places.
func Metres(q, unit string) string {
	n, err := num.ParseQty(q)
	switch {
	case err != nil || unit == "each":
		return Grouped(q)
	case unit == "mm" && !n.Abs().Less(num.Whole(1000)):
		return Grouped(n.Part(num.Whole(1), num.Whole(1000)).Round(3).String()) + " m"
	}
	return Grouped(n.Round(2).String()) + " " + unit
}

// Quantity is a decimal of a report.
func Quantity(s string) num.Qty {
	q, err := num.ParseQty(s)
	if err != nil {
		return num.Qty{} // a sum beyond what can be entered
	}
	return q
}

// Signed writes a quantity with its sign; 0 has none.
func Signed(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	if strings.HasPrefix(s, "-") {
		return strings.Replace(Grouped(s), "-", "−", 1)
	}
	return "+" + Grouped(s)
}

// InUnit writes a quantity as people say it, with its unit.
func InUnit(qty, unit string) string {
	if unit == "each" {
		return Grouped(qty)
	}
	return Metres(qty, unit)
}

// AsMoney writes a quantity as an amount: both are decimals, and amounts can be rounded so that they add up.
func AsMoney(q num.Qty) num.Money {
	m, err := num.ParseMoney(q.Round(6).String())
	if err != nil {
		return num.Money{}
	}
	return m
}

// Units is the head of quantities in a unit.
func Units(unit string) string {
	if unit == "each" {
		return "Pieces"
	}
	return "In " + unit
}

// Grouped puts a comma between the thousands of a canonical decimal.
func Grouped(s string) string {
	sign := ""
	if strings.HasPrefix(s, "-") {
		sign, s = "-", s[1:]
	}
	whole, frac, point := strings.Cut(s, ".")
	if strings.Trim(whole, "0123456789") != "" || len(whole) <= 3 {
		return sign + s
	}
	var b strings.Builder
	b.WriteString(sign)
	for i, r := range whole {
		if i > 0 && (len(whole)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteRune(r)
	}
	if point {
		b.WriteString("." + frac)
	}
	return b.String()
}

// Count writes a number with its noun: 1 order, 2 orders.
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return Grouped(strconv.Itoa(n)) + " " + many
}

func decimal(n int64) string { return strconv.FormatInt(n, 10) }
