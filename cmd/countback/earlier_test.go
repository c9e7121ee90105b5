package main

import (
	"strings"
	"testing"
	"time"
)

// What is recorded at an earlier time, or counted, tells what it changes today, and what it puts in question.
func TestWhatAnEarlierEntryChanges(t *testing.T) {
	b := newBench(t)
	b.must("init", "--shop", "Paper", "--currency", "CAD", "--zone", "America/Halifax")
	b.must("item", "pen", "--name", "Pen", "--type", "good", "--unit", "each", "--pack", "box=10")
	b.must("restock", "pen", "10", "--cost", "10", "--at", "2026-02-01")
	for _, c := range []struct {
		args string
		want []string
		not  string
	}{
		{"count pen 8 --at 2026-02-10", []string{"pen       -2        8"}, "Note"},
		{"restock pen 5 --cost 5 --at 2026-02-05", []string{"pen        0        8", "pen was counted on Tue 10 Feb 2026, after this, and that count stands"}, ""},
		{"restock pen 5 --cost 5 --at 2026-02-20", []string{"pen       +5       13"}, "Note"},
		{"pack Z1 pen=1 --to home", []string{"pen       -1       12"}, "Note"},
		{"pack Z1 pen=1 --at 2026-02-25", []string{"pen        0       12", "an entry that counted before now waits for a decision: order Z1", "countback decide"}, ""},
		{"count pen 1 box --session march --place cart", []string{"pen       -2       10"}, "Note"},
		{"count pen 2 --session march --place shelf", []string{"pen       +2       12"}, "Note"},
		{"count pen 3 --session march --place shelf", []string{"pen       +1       13"}, "Note"},
	} {
		b.now = b.now.Add(time.Minute)
		out := b.must(strings.Fields(c.args)...)
		for _, w := range c.want {
			if !strings.Contains(out, w) {
				t.Errorf("%s: %q isn't in\n%s", c.args, w, out)
			}
		}
		if c.not != "" && strings.Contains(out, c.not) {
			t.Errorf("%s:\n%s", c.args, out)
		}
	}
}

// A run of an item without a make spec says that it used nothing.
func TestARunFromNothing(t *testing.T) {
	b := newBench(t)
	b.must("init", "--shop", "Paper", "--currency", "CAD", "--zone", "America/Halifax")
	for _, id := range []string{"pen", "sheet"} {
		b.must("item", id, "--name", id, "--type", "good", "--unit", "each")
	}
	b.must("restock", "sheet", "100", "--cost", "10")
	run := []string{"reprint", "pen", "--good", "5", "--spoiled", "0"}
	const note = "nothing says what a run of pen uses"
	if out := b.must(run...); !strings.Contains(out, note) {
		t.Error(out)
	}
	if out := b.must(append(run, "--with", "sheet=2")...); strings.Contains(out, note) {
		t.Error(out)
	}
	b.must("makespec", b.file("pen.json", `{"item":"pen","pieces":"1","lines":[{"item":"sheet","qty":"1","per":"piece"}]}`))
	if out := b.must(run...); strings.Contains(out, note) {
		t.Error(out)
	}
}
