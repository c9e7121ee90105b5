package sheet

import (
	"errors"
	"fmt"
	"strings"

	"countback/ledger/num"
)

// numbers is how a file writes numbers.
type numbers struct {
	decimal   byte   // . or , or 0 where the file doesn't show it
	thousands string // one of , . ' or a space, or empty
	sign      string // the currency's sign beside amounts, or empty
	mapped    bool   // remedies may speak of the map
}

var spaces = strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ", "\u2212", "-", "\u2019", "'")

// plain turns a number as the file writes it into the ledger's text: digits, a point, a leading minus.
func (n numbers) plain(s string) (string, error) {
	s = strings.TrimSpace(spaces.Replace(s))
	if s == "" {
		return "", errors.New("is empty; a number is needed")
	}
	body, minus := strings.CutPrefix(s, "-")
	if n.sign != "" {
		body = strings.TrimSpace(strings.TrimPrefix(body, n.sign))
		body = strings.TrimSpace(strings.TrimSuffix(body, n.sign))
		if rest, ok := strings.CutPrefix(body, "-"); ok && !minus {
			body, minus = rest, true
		}
	}
	if !minus {
		body = strings.TrimPrefix(body, "+")
	}
	if n.decimal == 0 && n.thousands == "" && strings.Contains(body, ",") {
		return "", errors.New(n.remedy("may be meant with a decimal comma or with a comma between thousands", "decimal = comma or thousands = comma"))
	}
	whole, frac, err := n.split(body)
	if err != nil {
		return "", err
	}
	whole = strings.TrimLeft(whole, "0")
	if whole == "" {
		whole = "0"
	}
	if frac = strings.TrimRight(frac, "0"); frac != "" {
		whole += "." + frac
	}
	if minus && whole != "0" {
		whole = "-" + whole
	}
	return whole, nil
}

// split divides the digits at the decimal mark and takes the marks between thousands out.
func (n numbers) split(body string) (whole, frac string, err error) {
	decimal := "."
	if n.decimal == ',' || n.decimal == 0 && n.thousands == "." {
		decimal = ","
	}
	whole, frac, point := strings.Cut(body, decimal)
	if n.thousands != "" && n.thousands != decimal && strings.Contains(whole, n.thousands) {
		groups := strings.Split(whole, n.thousands)
		for i, g := range groups {
			if !digits(g) || i > 0 && len(g) != 3 || len(g) > 3 {
				return "", "", errors.New("is not divided into thousands; correct it")
			}
		}
		whole = strings.Join(groups, "")
	}
	if digits(whole) && (!point || digits(frac)) {
		return whole, frac, nil
	}
	switch {
	case strings.ContainsAny(body, "eE") && strings.Trim(body, "eE+-.,0123456789") == "":
		err = errors.New("is written with an exponent; write the number out")
	case strings.Trim(body, " ,.'0123456789") != "":
		err = errors.New(n.remedy("is not a number", "money sign if it stands beside amounts"))
	case strings.ContainsAny(body, ",."):
		err = errors.New(n.remedy(fmt.Sprintf("is not a number with %q as decimal mark", decimal), "decimal and thousands"))
	default:
		err = errors.New(n.remedy("is not a number", "thousands"))
	}
	return "", "", err
}

func (n numbers) remedy(why, words string) string {
	if n.mapped {
		return why + "; correct it, or say " + words + " in the map"
	}
	return why + "; write it like 12.5"
}

func (n numbers) qty(s string) (num.Qty, error)     { return parseNumber(n, s, num.ParseQty) }
func (n numbers) money(s string) (num.Money, error) { return parseNumber(n, s, num.ParseMoney) }

func parseNumber[T any](n numbers, s string, parse func(string) (T, error)) (T, error) {
	var zero T
	text, err := n.plain(s)
	if err != nil {
		return zero, err
	}
	v, err := parse(text)
	if err != nil {
		whole, frac, _ := strings.Cut(text, ".")
		return zero, fmt.Errorf("has %d digits before and %d after the decimal mark, more than the ledger takes; shorten it", len(strings.TrimPrefix(whole, "-")), len(frac))
	}
	return v, nil
}

// pieces reads a whole number of pieces; it may be 0 or below.
func (n numbers) pieces(s string) (num.Qty, error) {
	q, err := n.qty(s)
	if err == nil && !q.IsWhole() {
		err = errors.New("is not a whole number of pieces; goods are ordered in whole pieces")
	}
	return q, err
}
