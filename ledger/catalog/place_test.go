package catalog_test

import (
	"slices"
	"testing"

	"countback/ledger/catalog"
	"pgregory.net/rapid"
)

func TestComparePlaces(t *testing.T) {
	want := []string{"01 drawer", "1 drawer", "2 drawer", "10 drawer", "cart", "cart 9", "cart 9b", "cart 10", "cart 010 b", "shelf", ""}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, catalog.ComparePlaces)
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestComparePlacesIsAnOrder(t *testing.T) {
	name := rapid.StringMatching(`[a1-30 ]{0,5}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := name.Draw(t, "a"), name.Draw(t, "b"), name.Draw(t, "c")
		ab, ba, bc, ac := catalog.ComparePlaces(a, b), catalog.ComparePlaces(b, a), catalog.ComparePlaces(b, c), catalog.ComparePlaces(a, c)
		if ab != -ba || ab == 0 && a != b {
			t.Fatalf("%q %q: %d and %d", a, b, ab, ba)
		}
		if ab < 0 && bc < 0 && ac >= 0 {
			t.Fatalf("%q < %q < %q, but not the first before the last", a, b, c)
		}
	})
}
