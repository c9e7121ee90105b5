package main

import (
	"strings"
	"testing"

	"countback/ledger/event"
)

// An item with nothing to change is shown, and nothing is recorded.
func TestLookingAtAnItem(t *testing.T) {
	b := newBench(t)
	b.must("init", "--shop", "Paper", "--currency", "CAD", "--zone", "America/Halifax")
	b.must("item", "cord", "--name", "Cotton cord", "--type", "supply", "--unit", "mm", "--pack", "spool=50 m", "--measure", "tie=30 cm", "--tolerance", "2%", "--lead-days", "8", "--place", "cart 2")
	before := b.must("export", "events")
	out := b.must("item", "cord")
	for _, want := range []string{"Cotton cord", "spool = 50 m", "tie = 300 mm", "cart 2", "2%"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q isn't in\n%s", want, out)
		}
	}
	if out := b.must("item", "cord", "--json"); !strings.Contains(out, `"spool": "50000"`) || !strings.Contains(out, `"lead_days": 8`) {
		t.Error(out)
	}
	b.refused(statusUse, []string{"item", "crod"}, "crod", "the nearest known name is cord")
	b.refused(statusUse, []string{"item", "cord", "--note", "why"}, "changes nothing", "countback item cord")
	b.refused(statusUse, []string{"item", "cord", "--drop-pack", "reel"}, "no pack", "it has spool")
	if after := b.must("export", "events"); after != before {
		t.Error("something was recorded")
	}
}

// What can't be read is said in words, with what to do.
func TestWordsForWhatCantBeRead(t *testing.T) {
	b := newBench(t).shop()
	for _, c := range []struct {
		args  string
		words []string
	}{
		{"reorder --lead-days x", []string{`--lead-days: "x" isn't a whole number`}},
		{"reorder --within 99999999999999999999", []string{"--within", "too large a number"}},
		{"count board -4", []string{"-4 is below 0", "reverse"}},
		{"credit 01KJPWDMX05F6YMVZZMZ1R4DV3 board -4", []string{"-4 is below 0", "--bill"}},
		{"help nosuch", []string{`"nosuch" is not a command`, "--help"}},
		{"help import order", []string{`"order" is not a command`, "did you mean orders"}},
		{"pack 9999", []string{"order 9999 is not known here", "countback import orders FILE", "countback pack 9999 ITEM=N --to ZONE"}},
	} {
		b.refused(statusUse, strings.Fields(c.args), c.words...)
	}
}

// The examples of specs in the help are specs.
func TestSpecsOfTheHelp(t *testing.T) {
	b := newBench(t)
	for kind, command := range map[event.Kind]string{event.KindPackSpec: "packspec", event.KindMakeSpec: "makespec"} {
		help := b.must(command, "--help")
		from := strings.Index(help, "\n  {\"")
		if from < 0 {
			t.Fatal(help)
		}
		text, _, _ := strings.Cut(help[from:], "\n\n")
		if _, err := event.DecodeData(kind, []byte(strings.TrimSpace(text))); err != nil {
			t.Errorf("%s: %v in %s", command, err, text)
		}
	}
}

// The history of an item names the purchases that owe some of it, for the delivery to name.
func TestHistorySaysWhatIsOnOrder(t *testing.T) {
	b := newBench(t).shop()
	id := b.id(b.must("purchase", "board", "2", "box", "--supplier", "Tarnwick Board", "--due", "2026-03-20", "--ref", "Q17"))
	if out := b.must("history", "board"); !strings.Contains(out, "from Tarnwick Board, Q17, due Fri 20 Mar 2026. The purchase is "+id+".") {
		t.Error(out)
	}
	b.must("restock", "board", "2", "box", "--cost", "60", "--purchase", id, "--final")
	if out := b.must("history", "board"); strings.Contains(out, "On order") {
		t.Error(out)
	}
}

// A folder that isn't there is named, and not the file.
func TestNoFolder(t *testing.T) {
	b := newBench(t).shop()
	for _, args := range [][]string{{"backup", "/nowhere/backup"}, {"count", "sheet", "--pdf", "/nowhere/sheet.pdf"}} {
		b.refused(statusUse, args, "there is no folder /nowhere")
	}
}

// Sentences are wrapped to the terminal's width; what was recorded is printed as it was.
func TestSentencesFit(t *testing.T) {
	b := newBench(t).shop()
	id := b.id(b.must("damage", "board", "1", "--reason", "damaged", "--note", strings.Repeat("one corner crushed and ", 10)+"wet"))
	b.setUp = func(m *Main) { m.Width = 60 }
	if out := b.must("history", id); !strings.Contains(out, strings.Repeat("one corner crushed and ", 10)+"wet\"") {
		t.Error(out)
	}
	for line := range strings.Lines(b.must("item", "board")) {
		if len([]rune(line)) > 61 {
			t.Errorf("%q is too wide", line)
		}
	}
}
