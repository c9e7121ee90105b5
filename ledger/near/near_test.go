package near_test

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/near"
)

func TestNearNamesBestFirst(t *testing.T) {
	ids := []string{"card-fern", "card-fern-gold", "card-tern", "cord", "mailer", "mailer-large", "seal", "ästchen"}
	for _, c := range []struct{ rule, id, want string }{
		{"case does not count", "MAILER", "mailer mailer-large"},
		{"two letters swapped are one change", "mialer", "mailer"},
		{"a letter more", "seall", "seal"},
		{"a letter less", "cor", "cord"},
		{"fewest changes first", "card-gern", "card-fern card-tern"},
		{"a beginning", "mail", "mailer mailer-large"},
		{"a part", "fern", "card-fern card-fern-gold"},
		{"the name with more behind it", "mailer-2026", "mailer"},
		{"letters, not bytes", "astchen", "ästchen"},
		{"at most three", "card", "cord card-fern card-fern-gold"},
		{"nothing alike", "quill", ""},
		{"no name", "", ""},
	} {
		t.Run(c.rule, func(t *testing.T) {
			if got := strings.Join(near.Names(c.id, ids), " "); got != c.want {
				t.Errorf("near %q: got %q, want %q", c.id, got, c.want)
			}
		})
	}
}

func TestANameOneSlipAwayIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[a-z]{4,12}`).Draw(t, "name")
		others := rapid.SliceOfN(rapid.StringMatching(`[0-9]{20,30}`), 0, 5).Draw(t, "others")
		at := rapid.IntRange(0, len(name)-2).Draw(t, "at")
		typed := rapid.SampledFrom([]string{
			name[:at] + name[at+1:at+2] + name[at:at+1] + name[at+2:],
			name[:at] + name[at+1:],
			name[:at] + "q" + name[at:],
			name[:at] + "Q" + name[at+1:],
		}).Draw(t, "typed")
		got := near.Names(typed, append(others, name))
		if !slices.Equal(got, []string{name}) {
			t.Errorf("near %s: got %v, want %s", typed, got, name)
		}
	})
}
