package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/rivo/uniseg"
)

func TestThousandsAreGrouped(t *testing.T) {
	for in, want := range map[string]string{
		"0": "0", "999": "999", "1000": "1,000", "-1000": "-1,000", "1234567.891": "1,234,567.891", "0.0001": "0.0001", "-0.5": "-0.5", "100": "100", "board": "board", "": "",
	} {
		if got := grouped(in); got != want {
			t.Errorf("grouped(%q) = %q, want %q", in, got, want)
		}
	}
}

// What a spreadsheet could run is protected, and numbers stay numbers, "-3" above all.
func TestCSVIsProtectedAgainstFormulas(t *testing.T) {
	for in, want := range map[string]string{
		"=1+1": "'=1+1", "+1": "'+1", "-3": "-3", "-3.25": "-3.25", "-3 sheets": "'-3 sheets", "@home": "'@home", "\tx": "'\tx", "\rx": "'\rx", "board": "board", "12": "12", "": "", "-": "'-", "'=x": "''=x",
	} {
		if got := escapeCell(in); got != want {
			t.Errorf("escapeCell(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestTablesFitTheTerminal(t *testing.T) {
	g := &grid{columns: []column{{head: "Item"}, {head: "Name", flexible: true}, {head: "On hand", figure: true}}}
	g.add(plain("board"), plain("Board stiffener, cut from sheets of grey board on the big table"), figure("1200"))
	g.add(plain("seal"), plain("Siegel, rund, sehr klein, für Umschläge 封筒の小さな丸いシール"), figure("-3"))
	for _, width := range []int{0, 30, 40, 60, 200} {
		m := &Main{Width: width, Getenv: func(string) string { return "" }}
		text := m.layOut(g)
		for line := range strings.Lines(text) {
			line = strings.TrimSuffix(line, "\n")
			if w := uniseg.StringWidth(line); width > 0 && w > max(width, 12+5+7+4) {
				t.Errorf("at width %d a line has %d: %q", width, w, line)
			}
			if strings.HasSuffix(line, " ") {
				t.Errorf("a line ends with spaces: %q", line)
			}
		}
		for _, word := range []string{"big", "table", "1,200", "シール"} {
			if !strings.Contains(strings.ReplaceAll(text, "\n", ""), word) && width != 30 && width != 40 {
				t.Errorf("at width %d %q is missing:\n%s", width, word, text)
			}
		}
	}
}

func TestColourOnlyOnATerminal(t *testing.T) {
	g := &grid{columns: []column{{head: "Item"}}}
	g.add(plain("board"))
	for _, c := range []struct {
		terminal bool
		noColor  string
		want     bool
	}{{false, "", false}, {true, "", true}, {true, "1", false}} {
		m := &Main{Terminal: c.terminal, Getenv: func(string) string { return c.noColor }}
		if got := strings.Contains(m.layOut(g), "\x1b["); got != c.want {
			t.Errorf("terminal %v, NO_COLOR %q: colour %v", c.terminal, c.noColor, got)
		}
	}
}

// A name in the ledger can't move the cursor of whoever reads a report.
func TestNoControlCharactersReachTheTerminal(t *testing.T) {
	var out bytes.Buffer
	m := &Main{Stdout: &out, Getenv: func(string) string { return "" }}
	g := &grid{columns: []column{{head: "Item"}}}
	g.add(plain("bo\x1b[2Jard\u2028x"))
	if err := m.printTable("", g, ""); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(out.String(), "\x1b\u2028") {
		t.Errorf("%q", out.String())
	}
}
