package currency_test

import (
	"encoding/json"
	"os"
	"slices"
	"testing"

	"countback/ledger/currency"
)

// Source: ISO 4217 table A.1 of 2024-06-25, in testdata/checks, example t8-09.
func TestDigitsAreThoseOfTheTable(t *testing.T) {
	b, err := os.ReadFile("../../testdata/checks/8-units-codes-dates.json")
	if err != nil {
		t.Fatal(err)
	}
	var checks []struct {
		ID       string          `json:"id"`
		Expected json.RawMessage `json:"expected"`
	}
	if err := json.Unmarshal(b, &checks); err != nil {
		t.Fatal(err)
	}
	want := map[string]int{}
	for _, c := range checks {
		if c.ID == "t8-09" {
			if err := json.Unmarshal(c.Expected, &want); err != nil {
				t.Fatal(err)
			}
		}
	}
	if len(want) < 29 {
		t.Fatalf("t8-09 has %d currencies, want 29", len(want))
	}
	for code, digits := range want {
		if got, ok := currency.Digits(code); !ok || got != digits {
			t.Errorf("%s: %d, %v; want %d", code, got, ok, digits)
		}
	}
}

func TestFundsCodesWithFourPlacesAndNewCodes(t *testing.T) {
	for code, digits := range map[string]int{"CLF": 4, "UYW": 4, "UYI": 0, "XCG": 2, "ZWG": 2, "SLE": 2, "BYN": 2, "MRU": 2, "STN": 2, "VES": 2} {
		if got, ok := currency.Digits(code); !ok || got != digits {
			t.Errorf("%s: %d, %v; want %d", code, got, ok, digits)
		}
	}
}

func TestWithdrawnAndUnpricedCodesAreUnknown(t *testing.T) {
	for _, code := range []string{"", "cad", "CA", "CADS", "XAU", "XDR", "XXX", "XTS", "ANG", "HRK", "LTL", "SLL", "ZWL", "VEF", "BYR", "CUC", "DEM"} {
		if n, ok := currency.Digits(code); ok || n != 0 {
			t.Errorf("%q: %d, %v; want unknown", code, n, ok)
		}
	}
}

func TestCodesAreThreeCapitalsOnceEachInOrder(t *testing.T) {
	codes := currency.Codes()
	// Table A.1 as read: 165 codes with a minor unit.
	if len(codes) != 165 {
		t.Errorf("%d codes, want 165", len(codes))
	}
	if !slices.IsSorted(codes) || len(slices.Compact(slices.Clone(codes))) != len(codes) {
		t.Error("not in order, or doubled")
	}
	for _, c := range codes {
		if len(c) != 3 || c[0] < 'A' || c[0] > 'Z' || c[1] < 'A' || c[1] > 'Z' || c[2] < 'A' || c[2] > 'Z' {
			t.Errorf("%q is not three capitals", c)
		}
		if _, ok := currency.Digits(c); !ok {
			t.Errorf("%s has no digits", c)
		}
	}
	codes[0] = "???"
	if currency.Codes()[0] == "???" {
		t.Error("a caller can change the table")
	}
}
