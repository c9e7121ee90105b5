package paper_test

import (
	"bytes"
	"testing"
	"time"

	"countback/cmd/countback/paper"
)

func chequered(x, y int) bool { return (x+y)%2 == 0 }

func TestEveryLabelSheetFits(t *testing.T) {
	at := time.Date(2026, 3, 31, 18, 0, 0, 0, time.UTC)
	for _, s := range paper.LabelSheets {
		if err := s.Fits(); err != nil {
			t.Errorf("%s: %v", s.Name, err)
		}
		list := make([]paper.Label, s.Across*s.Down+1)
		for i := range list {
			list[i] = paper.Label{Code: chequered, Size: 37, Name: "Žlutá karta, a name that takes more than one line of a label", Below: "cart 2"}
		}
		for skip, want := range map[int]int{0: 2, s.Across * s.Down: 2, s.Across*s.Down - 1: 2} {
			doc, err := paper.Labels(s, list, skip, "Labels", at)
			if err != nil {
				t.Fatal(err)
			}
			if got := pages(doc); got != want {
				t.Errorf("%s after %d: %d sheets, not %d", s.Name, skip, got, want)
			}
			if again, err := paper.Labels(s, list, skip, "Labels", at); err != nil || !bytes.Equal(doc, again) {
				t.Error("the same labels gave other bytes", err)
			}
		}
	}
}

func TestACodeTooFineIsRefused(t *testing.T) {
	s := paper.LabelSheet{Name: "20x15", Paper: "A4", Across: 1, Down: 1, Width: 20, Height: 15, StepX: 20, StepY: 15}
	if _, err := paper.Labels(s, []paper.Label{{Code: chequered, Size: 57, Name: "x"}}, 0, "Labels", time.Time{}); err == nil {
		t.Error("a code that no phone reads was printed")
	}
}
