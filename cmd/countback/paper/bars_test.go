package paper_test

import (
	"bytes"
	"testing"

	"countback/cmd/countback/paper"
)

func barred(bars ...paper.Bar) paper.Sheet {
	t := paper.Table{Columns: []paper.Column{{Head: "Part"}, {Bars: true}}, Bars: bars}
	for range bars {
		t.Rows = append(t.Rows, []string{"more orders", ""})
	}
	return paper.Sheet{Title: "Audit", Tables: []paper.Table{t}}
}

// What a bar shows is on the paper: where it begins, where it ends and how it is filled.
func TestBars(t *testing.T) {
	level := paper.Bar{To: 1, Ink: paper.Thin}
	first := pdf(t, barred(level, paper.Bar{From: 1, To: 0.4, Ink: paper.Full}))
	for name, b := range map[string]paper.Bar{
		"ends elsewhere": {From: 1, To: 0.5, Ink: paper.Full}, "begins elsewhere": {From: 0.9, To: 0.4, Ink: paper.Full},
		"brings": {From: 1, To: 0.4, Ink: paper.Outline}, "is a level": {From: 1, To: 0.4, Ink: paper.Thin},
	} {
		if bytes.Equal(pdf(t, barred(level, b)), first) {
			t.Errorf("a bar that %s looks like one that does not", name)
		}
	}
	below := barred(level)
	below.Tables[0].Zero = 0.2
	if bytes.Equal(pdf(t, below), pdf(t, barred(level))) {
		t.Error("zero has no line where something lies below it")
	}
	outside := pdf(t, barred(paper.Bar{From: -3, To: 9, Ink: paper.Full}))
	if !bytes.Equal(outside, pdf(t, barred(paper.Bar{From: 0, To: 1, Ink: paper.Full}))) {
		t.Error("a bar leaves its column")
	}
}

// A column of bars takes width from text that can break, and none of its own is taken.
func TestBarsBesideLongText(t *testing.T) {
	s := barred(paper.Bar{To: 1, Ink: paper.Full})
	s.Tables[0].Rows[0][0] = "what nobody wrote down in all that time, what was given away, what fell, and what was never there in the first place, all of it together"
	if pages(pdf(t, s)) != 1 {
		t.Error("one row takes more than a sheet")
	}
}
