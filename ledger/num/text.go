package num

import (
	"errors"
	"fmt"
	"strings"
)

// ErrNumber is matched (errors.Is) by every error of parsing.
var ErrNumber = errors.New("not a number that the ledger takes")

// textError is an error of parsing whose text stands for itself.
type textError string

func (e textError) Error() string        { return string(e) }
func (e textError) Is(target error) bool { return target == ErrNumber }

// Parse reads a number in the text form of the package comment.
func Parse[S scale](text string) (Fixed[S], error) {
	var s S
	fail := func(why string) (Fixed[S], error) {
		article := "a"
		if s.noun() == "amount" {
			article = "an"
		}
		return Fixed[S]{}, textError(fmt.Sprintf("%q can't be read as %s %s: %s", clip(text), article, s.noun(), why))
	}
	body, neg := strings.CutPrefix(text, "-")
	whole, frac, point := strings.Cut(body, ".")
	switch {
	case whole == "" || point && frac == "":
		return fail("write digits on both sides of the point, like 12.5")
	case len(whole) > 1 && whole[0] == '0':
		return fail("leave out leading zeros")
	case len(whole) > s.digits():
		return fail(fmt.Sprintf("at most %d digits may stand before the point", s.digits()))
	case len(frac) > s.places():
		return fail(fmt.Sprintf("at most %d digits may stand after the point", s.places()))
	}
	var n int64
	for _, part := range [2]string{whole, frac} {
		for i := range len(part) {
			c := part[i]
			if c < '0' || c > '9' {
				return fail("write only digits, at most one point and a leading minus sign, like 12.5")
			}
			n = n*10 + int64(c-'0')
		}
	}
	n *= pow10(s.places() - len(frac))
	if neg {
		if n == 0 {
			return fail("write 0 without a sign")
		}
		n = -n
	}
	return Fixed[S]{n: n}, nil
}

func clip(s string) string {
	if len(s) > 40 {
		return strings.ToValidUTF8(s[:40], "") + "…"
	}
	return s
}

// ParseQty reads a quantity.
func ParseQty(s string) (Qty, error) { return Parse[qtyScale](s) }

// ParseMoney reads an amount.
func ParseMoney(s string) (Money, error) { return Parse[moneyScale](s) }

// ParseRate reads a rate.
func ParseRate(s string) (Rate, error) { return Parse[rateScale](s) }

// MustQty is for constants and tests; it panics on bad text.
func MustQty(s string) Qty { return must(ParseQty(s)) }

// MustMoney is for constants and tests; it panics on bad text.
func MustMoney(s string) Money { return must(ParseMoney(s)) }

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// AppendText appends the canonical text.
func (a Fixed[S]) AppendText(b []byte) ([]byte, error) {
	var s S
	return a.append(b, s.places(), true), nil
}

// append writes a with all places of the scale, or without trailing zeros if trim, or cut after places.
func (a Fixed[S]) append(b []byte, places int, trim bool) []byte {
	var s S
	var digits []byte
	if a.x != nil {
		digits = a.x.Append(nil, 10)
		if digits[0] == '-' {
			digits = digits[1:]
		}
	} else {
		var buf [20]byte
		i, u := len(buf), size(a.n)
		for {
			i--
			buf[i] = byte('0' + u%10)
			if u /= 10; u == 0 {
				break
			}
		}
		digits = buf[i:]
	}
	if a.Sign() < 0 {
		b = append(b, '-')
	}
	point := len(digits) - s.places()
	if point <= 0 {
		b = append(b, '0')
	} else {
		b = append(b, digits[:point]...)
	}
	frac := make([]byte, 0, 10)
	for i := point; i < len(digits) && i-point < places; i++ {
		if i < 0 {
			frac = append(frac, '0')
		} else {
			frac = append(frac, digits[i])
		}
	}
	if trim {
		for len(frac) > 0 && frac[len(frac)-1] == '0' {
			frac = frac[:len(frac)-1]
		}
	}
	if len(frac) > 0 {
		b = append(append(b, '.'), frac...)
	}
	return b
}

// String returns the canonical text, without trailing zeros.
func (a Fixed[S]) String() string {
	var s S
	return string(a.append(nil, s.places(), true))
}

// StringFixed returns a rounded half to even to the given number of places, with all of them written: 12.50. Places are
// those of Round; beyond the scale's own there is nothing to write.
func (a Fixed[S]) StringFixed(places int) string {
	r := a.Round(places)
	return string(r.append(nil, max(places, 0), false))
}

// MarshalText writes the canonical text. It has a value receiver, so a copy inside a struct is never lost.
func (a Fixed[S]) MarshalText() ([]byte, error) { return a.AppendText(nil) }

// UnmarshalText reads what Parse reads, and leaves a alone if it fails.
func (a *Fixed[S]) UnmarshalText(text []byte) error {
	v, err := Parse[S](string(text))
	if err != nil {
		return err
	}
	*a = v
	return nil
}
