package unit

import (
	"math/big"
	"slices"
	"strings"
	"testing"
)

// The chain of definitions in UCUM essence 2.2 and NIST SP 811; the US liquid chain is a gallon of 231 cubic inches and its parts.
func TestFactorsFollowFromTheDefinitions(t *testing.T) {
	rat := func(s string) *big.Rat {
		r, ok := new(big.Rat).SetString(s)
		if !ok {
			t.Fatal(s)
		}
		return r
	}
	chain := []struct{ code, times, of string }{
		{"mm", "1", ""}, {"um", "1/1000", "mm"}, {"cm", "10", "mm"}, {"dm", "10", "cm"}, {"m", "10", "dm"}, {"km", "1000", "m"},
		{"[in_i]", "2.54", "cm"}, {"[ft_i]", "12", "[in_i]"}, {"[yd_i]", "3", "[ft_i]"}, {"[mi_i]", "5280", "[ft_i]"}, {"[mil_i]", "0.001", "[in_i]"},
		{"g", "1", ""}, {"mg", "1/1000", "g"}, {"kg", "1000", "g"},
		{"[gr]", "64.79891", "mg"}, {"[lb_av]", "7000", "[gr]"}, {"[oz_av]", "1/16", "[lb_av]"},
		{"ml", "1", ""}, {"cl", "10", "ml"}, {"dl", "10", "cl"}, {"L", "10", "dl"},
		{"[gal_us]", "231", "cubic inch"}, {"[qt_us]", "1/4", "[gal_us]"}, {"[pt_us]", "1/2", "[qt_us]"}, {"[gil_us]", "1/4", "[pt_us]"},
		{"[foz_us]", "1/4", "[gil_us]"}, {"[tbs_us]", "1/2", "[foz_us]"}, {"[tsp_us]", "1/3", "[tbs_us]"}, {"[cup_us]", "16", "[tbs_us]"},
	}
	inch := rat("25.4")
	values := map[string]*big.Rat{"": rat("1")}
	cubic := new(big.Rat).Mul(inch, new(big.Rat).Mul(inch, inch))
	values["cubic inch"] = cubic.Quo(cubic, rat("1000")) // mm³ to ml
	for _, c := range chain {
		if values[c.of] == nil {
			t.Fatalf("%s comes before %s", c.code, c.of)
		}
		values[c.code] = new(big.Rat).Mul(rat(c.times), values[c.of])
	}
	for _, m := range measures {
		var want *big.Rat
		for code := range strings.SplitSeq(m.codes, "|") {
			if v := values[code]; v != nil {
				want = v
			}
		}
		if want == nil {
			t.Errorf("%s is not in the chain", m.codes)
		} else if got := big.NewRat(m.n, m.d); got.Cmp(want) != 0 {
			t.Errorf("%s is %s, want %s", m.codes, got.RatString(), want.RatString())
		}
	}
	if len(measures) != len(chain) {
		t.Errorf("%d units, %d in the chain", len(measures), len(chain))
	}
}

func TestEveryNameMeansOneUnit(t *testing.T) {
	seen := map[string]string{}
	for _, m := range measures {
		for name := range strings.SplitSeq(m.codes+"|"+m.words, "|") {
			if other, ok := seen[name]; ok {
				t.Errorf("%q is in %s and in %s", name, other, m.codes)
			}
			seen[name] = m.codes
			if _, ok := doubtful[strings.ToLower(name)]; ok {
				t.Errorf("%q of %s is listed as doubtful", name, m.codes)
			}
		}
		for word := range strings.SplitSeq(m.words, "|") {
			if word == "" || word != strings.ToLower(word) {
				t.Errorf("word %q of %s is not in lower case", word, m.codes)
			}
			// A word is read in any case, so no code of another unit may equal it but for case.
			for _, o := range measures {
				if o.codes != m.codes && slices.ContainsFunc(strings.Split(o.codes, "|"), func(c string) bool { return strings.EqualFold(c, word) }) {
					t.Errorf("word %q of %s is a code of %s in another case", word, m.codes, o.codes)
				}
			}
		}
	}
}
