package typed_test

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/cmd/countback/typed"
	"countback/ledger/num"
)

func TestNumbersWithEitherSign(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"12", "12"}, {" 12 ", "12"}, {"12.5", "12.5"}, {"12,5", "12.5"}, {"12,50", "12.5"}, {"0,125", "0.125"}, {"0.125", "0.125"}, {".5", "0.5"}, {",5", "0.5"},
		{"-3", "-3"}, {"−3", "-3"}, {"+3", "3"}, {"-0", "0"}, {"007", "7"}, {"1,234.5", "1234.5"}, {"1.234,5", "1234.5"}, {"1 234", "1234"}, {"1\u202f234,50", "1234.5"},
		{"1'234.50", "1234.5"}, {"1,234,567", "1234567"}, {"1.234.567", "1234567"}, {"1234,567", "1234.567"}, {"1,2340", "1.234"}, {"12.3456", "12.3456"},
		{"1.234.567,125", "1234567.125"},
	} {
		if got, err := typed.Number(c.text); err != nil || got != c.want {
			t.Errorf("%q: %q, %v, want %q", c.text, got, err, c.want)
		}
	}
}

func TestNumbersThatAreAskedForAgain(t *testing.T) {
	for _, text := range []string{"1,234", "1.234", "12.345", "999,001", "-1,234"} {
		_, err := typed.Number(text)
		var e *typed.Error
		if !errors.As(err, &e) || !strings.Contains(e.What, "two ways") {
			t.Errorf("%q was taken: %v", text, err)
			continue
		}
		// Both spellings that the answer offers are taken, and mean different things.
		first, second, ok := strings.Cut(strings.TrimPrefix(e.Hint, "write "), ", or ")
		a, err1 := typed.Number(first)
		b, err2 := typed.Number(second)
		if !ok || err1 != nil || err2 != nil || a == b {
			t.Errorf("%q: %q offers %q (%v) and %q (%v)", text, e.Hint, a, err1, b, err2)
		}
	}
	for _, text := range []string{"", " ", "-", ".", ",", "5.", "5,", "1,2,3", "12,34,567", "1 23", "1e5", "0x1", "½", "12 box", "1.2.3", "--1", "1.234,567,8", "NaN", "1'2"} {
		if got, err := typed.Number(text); err == nil {
			t.Errorf("%q was taken as %q", text, got)
		}
	}
}

// What a page writes into a field is read back as it was, for every number that the ledger takes.
func TestFieldsAreReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := num.QtyMillionths(rapid.Int64Range(-9e17, 9e17).Draw(t, "millionths"))
		got, err := typed.Number(typed.Field(q.String()))
		if err != nil || got != q.String() {
			t.Fatalf("%s became %q, %v", q, got, err)
		}
	})
}

// What Number takes is canonical text: the ledger's own parser takes it, unless it is too long, and prints it the same.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"12", "1,234.5", "1.234,5", "-0,5", "1 234", "1,234", ".5", "00,10"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := typed.Number(text)
		if err != nil {
			var e *typed.Error
			if !errors.As(err, &e) || e.What == "" {
				t.Fatalf("%q: %v is no *Error", text, err)
			}
			return
		}
		if again, err := typed.Number(typed.Field(got)); err != nil || again != got {
			t.Fatalf("%q became %q, and that %q, %v", text, got, again, err)
		}
		if q, err := num.ParseQty(got); err == nil && q.String() != got {
			t.Fatalf("%q became %q, the ledger writes %q", text, got, q)
		}
	})
}

func TestNumberAndWord(t *testing.T) {
	for _, c := range []struct{ text, number, word string }{
		{"2 box", "2", "box"}, {"310mm", "310", "mm"}, {"1 234,5 mm", "1234.5", "mm"}, {"12", "12", ""}, {"2 small box", "2", "small box"}, {"8.5 in", "8.5", "in"},
	} {
		if n, w, err := typed.CutNumber(c.text); err != nil || n != c.number || w != c.word {
			t.Errorf("%q: %q %q %v", c.text, n, w, err)
		}
	}
	for _, text := range []string{"box", "", "two box", "1,234 mm"} {
		if _, _, err := typed.CutNumber(text); err == nil {
			t.Errorf("%q was taken", text)
		}
	}
}
