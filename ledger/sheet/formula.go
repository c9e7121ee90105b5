package sheet

import "strings"

// Escape protects text in a CSV file against being taken for a formula by a spreadsheet: a quotation mark ' goes before text
// that begins with =, +, - or @, and before text that begins with such marks already, so that Unescape gives back every text. A plain
// decimal number stays a number, "-3" above all.
func Escape(text string) string {
	if plainDecimal(text) || !formula(text) {
		return text
	}
	return "'" + text
}

// Unescape undoes Escape.
func Unescape(text string) string {
	if strings.HasPrefix(text, "'") && formula(text) {
		return text[1:]
	}
	return text
}

// formula reports whether text begins with any number of ' and then one of = + - @.
func formula(text string) bool {
	rest := strings.TrimLeft(text, "'")
	return rest != "" && strings.IndexByte("=+-@", rest[0]) >= 0
}

// plainDecimal reports whether text is a number as the ledger writes it: -3, 0.25, 1200.
func plainDecimal(text string) bool {
	whole, frac, point := strings.Cut(strings.TrimPrefix(text, "-"), ".")
	return digits(whole) && (!point || digits(frac))
}

func digits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}
