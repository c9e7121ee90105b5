package typed

import (
	"fmt"
	"strings"
)

// marks are written as people and other programs write them between thousands and before numbers.
var marks = strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2009", " ", "\u2212", "-", "\u2019", "'")

// Number turns a number with either decimal sign into the ledger's text (package num): digits, a point, a leading minus. The error is an *Error.
func Number(text string) (string, error) {
	s := strings.TrimSpace(marks.Replace(text))
	body, minus := strings.CutPrefix(s, "-")
	if !minus {
		body = strings.TrimPrefix(body, "+")
	}
	if body == "" || strings.Trim(body, "0123456789., '") != "" || strings.Trim(body, "., '") == "" {
		return "", notNumber(text)
	}
	whole, frac, err := parts(body)
	if err != nil {
		return "", err
	}
	if whole = strings.TrimLeft(whole, "0"); whole == "" {
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

func notNumber(text string) error {
	return &Error{What: fmt.Sprintf("%q is not a number", clip(strings.TrimSpace(text))), Hint: "write it like 12 or 12.5"}
}

// parts divides a number at its decimal sign and takes the marks between thousands out.
func parts(body string) (whole, frac string, err error) {
	at := strings.LastIndexAny(body, ".,")
	if at < 0 {
		whole, err = thousands(body, body)
		return whole, "", err
	}
	sign := body[at : at+1]
	head, tail := body[:at], body[at+1:]
	other := strings.Trim(head, "0123456789") // what stands before the last sign besides digits
	switch {
	case strings.Contains(head, sign):
		// One mark stands twice: between thousands, and there is no fraction.
		if strings.Trim(other, sign) != "" {
			return "", "", notNumber(body)
		}
		whole, err = thousands(body, body)
		return whole, "", err
	case other == "" && len(tail) == 3 && digits(tail) && len(head) >= 1 && len(head) <= 3 && head[0] != '0':
		return "", "", &Error{What: fmt.Sprintf("%q can be read in two ways", body), Hint: fmt.Sprintf("write %s%s, or %s%s%s0", head, tail, head, sign, tail)}
	case !digits(tail) || head == "" && tail == "":
		return "", "", notNumber(body)
	}
	if head == "" {
		return "", tail, nil // .5
	}
	whole, err = thousands(head, body)
	return whole, tail, err
}

// thousands takes the marks out of a whole number: one kind of mark, and three digits behind each.
func thousands(whole, all string) (string, error) {
	if digits(whole) {
		return whole, nil
	}
	at := strings.IndexAny(whole, "., '")
	groups := strings.Split(whole, whole[at:at+1])
	for i, g := range groups {
		if !digits(g) || i > 0 && len(g) != 3 || len(g) > 3 {
			return "", notNumber(all)
		}
	}
	return strings.Join(groups, ""), nil
}

// digits reports whether s holds digits only, and one at least.
func digits(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }

// Field writes a canonical number so that Number reads it back: with a nought more where it could be read in two ways.
func Field(canonical string) string {
	if _, err := Number(canonical); err != nil {
		return canonical + "0"
	}
	return canonical
}

// CutNumber cuts "2 box", "1 234,5 mm" or "310mm" into a canonical number and a word.
func CutNumber(text string) (number, word string, err error) {
	text = strings.TrimSpace(marks.Replace(text))
	at := 0
	for at < len(text) && strings.IndexByte("-+.,' 0123456789", text[at]) >= 0 {
		at++
	}
	number, err = Number(text[:at])
	if err != nil && strings.TrimSpace(text[:at]) == "" {
		err = notNumber(text)
	}
	return number, strings.TrimSpace(text[at:]), err
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
