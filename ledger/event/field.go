package event

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"countback/ledger/num"
)

// checker keeps the first fault found.
type checker struct {
	at  string
	err *FieldError
}

func (c *checker) fail(field, why string, args ...any) {
	if c.err == nil {
		c.err = &FieldError{c.at + field, fmt.Sprintf(why, args...)}
	}
}

// in runs check with field as a prefix of the fields it names.
func (c *checker) in(field string, check func()) {
	old := c.at
	c.at += field + "."
	check()
	c.at = old
}

func (c *checker) require(field string, given bool) {
	if !given {
		c.fail(field, "is missing")
	}
}

// name takes 1 to MaxName characters without control characters or spaces at its ends.
func (c *checker) name(field, s string) {
	c.require(field, s != "")
	c.optName(field, s)
}

func (c *checker) optName(field, s string) { c.text(field, s, MaxName) }

func (c *checker) text(field, s string, most int) {
	switch {
	case len(s) > most && utf8.RuneCountInString(s) > most:
		c.fail(field, "is longer than %d characters", most)
	case strings.ContainsFunc(s, isControl):
		c.fail(field, "holds a control character; write it without")
	case strings.HasPrefix(s, " ") || strings.HasSuffix(s, " "):
		c.fail(field, "begins or ends with a space; write %q", strings.Trim(s, " "))
	}
}

func isControl(r rune) bool {
	return r < 0x20 || r >= 0x7f && r <= 0x9f || r == 0x2028 || r == 0x2029
}

func (c *checker) note(s string) { c.text("note", s, MaxText) }

func (c *checker) oneOf(field, s string, choices ...string) {
	if s == "" {
		c.fail(field, "is missing: one of %s", strings.Join(choices, ", "))
	} else {
		c.optOneOf(field, s, choices...)
	}
}

func (c *checker) optOneOf(field, s string, choices ...string) {
	if s != "" && !slices.Contains(choices, s) {
		c.fail(field, "is %q; it can be one of %s", clip(s), strings.Join(choices, ", "))
	}
}

// above0 takes a required number above 0.
func (c *checker) above0(field string, q num.Qty) {
	if q.Sign() <= 0 {
		c.fail(field, "must be given and above 0")
	}
}

func (c *checker) whole(field string, q num.Qty) {
	c.above0(field, q)
	if !q.IsWhole() {
		c.fail(field, "must be whole pieces; %s is not", q)
	}
}

func optAbove0[T interface{ Sign() int }](c *checker, field string, v *T) {
	if v != nil && (*v).Sign() <= 0 {
		c.fail(field, "must be above 0; leave it out where it does not apply")
	}
}

func optFrom0[T interface{ Sign() int }](c *checker, field string, v *T) {
	if v != nil && (*v).Sign() < 0 {
		c.fail(field, "must not be below 0")
	}
}

func from0[T interface{ Sign() int }](c *checker, field string, v *T) {
	c.require(field, v != nil)
	optFrom0(c, field, v)
}

func listOf[T any](c *checker, field string, list []T, required bool, each func(*T)) {
	switch {
	case list == nil && required:
		c.fail(field, "is missing")
	case list != nil && len(list) == 0:
		c.fail(field, "is empty; give at least one, or leave it out")
	case len(list) > MaxList:
		c.fail(field, "has more than %d entries", MaxList)
	}
	for i := range list {
		if c.err != nil {
			return
		}
		c.in(fmt.Sprintf("%s[%d]", field, i), func() { each(&list[i]) })
	}
}

func (c *checker) names(field string, list []string) {
	listOf(c, field, list, false, func(s *string) {
		c.at = strings.TrimSuffix(c.at, ".")
		c.name("", *s)
	})
}

func (c *checker) units(field string, m map[string]num.Qty) {
	if len(m) > MaxList {
		c.fail(field, "has more than %d entries", MaxList)
	}
	for _, k := range slices.Sorted(maps.Keys(m)) {
		c.in(field, func() {
			c.name(k, k)
			c.above0(k, m[k])
		})
	}
}

func (c *checker) goods(field string, lines []Goods, required bool) {
	listOf(c, field, lines, required, func(l *Goods) {
		c.name("item", l.Item)
		c.whole("qty", l.Qty)
	})
}

func (c *checker) currencyAndRate(currency string, rate *num.Rate) {
	c.currency("currency", currency)
	if (currency == "") != (rate == nil) {
		c.fail("rate", "goes with currency: give both or neither")
	}
	optAbove0(c, "rate", rate)
}

func (c *checker) currency(field, s string) {
	if s != "" && !matches(s, 3, 3, "A", "Z") {
		c.fail(field, "is %q; give the three letters of ISO 4217, like CAD", clip(s))
	}
}

func (c *checker) device(field, s string) {
	if !matches(s, 26, 26, "a", "z", "2", "7") {
		c.fail(field, "is not a device id (26 characters of a-z and 2-7)")
	}
}

func (c *checker) hash(field, s string) {
	if !isHash(s) {
		c.fail(field, "is not a SHA-256 in 64 lower-case hexadecimal digits")
	}
}

func (c *checker) signature(field, s string) {
	if !isSignature(s) {
		c.fail(field, "is not a signature (86 characters of base64url)")
	}
}

func isHash(s string) bool { return matches(s, 64, 64, "0", "9", "a", "f") }

// isSignature reports whether s is 64 bytes in base64url without padding. The last character holds two bits of the signature and four that are 0:
// were they free, one signature would have sixteen spellings, and one event as many hashes.
func isSignature(s string) bool {
	return matches(s, sigLen, sigLen, "A", "Z", "a", "z", "0", "9", "-", "-", "_", "_") && strings.IndexByte("AQgw", s[sigLen-1]) >= 0
}

// matches reports whether s has from least to most bytes, each within one of the ranges given as pairs.
func matches(s string, least, most int, ranges ...string) bool {
	if len(s) < least || len(s) > most {
		return false
	}
next:
	for i := range len(s) {
		for k := 0; k < len(ranges); k += 2 {
			if s[i] >= ranges[k][0] && s[i] <= ranges[k+1][0] {
				continue next
			}
		}
		return false
	}
	return true
}
