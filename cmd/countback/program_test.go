package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
)

var update = flag.Bool("update", false, "write the transcripts anew")

// bench is a whole program over a folder of its own, with a clock that moves a minute a command and a source of chance that is always the same.
type bench struct {
	t      *testing.T
	dir    string // of files
	data   string // of the ledger
	now    time.Time
	chance *rand.ChaCha8
	setUp  func(*Main)
	after  func(stdin string, args []string, o outcome) // each command
}

func newBench(t *testing.T) *bench {
	t.Helper()
	dir := t.TempDir()
	return &bench{
		t: t, dir: dir, data: filepath.Join(dir, "ledger"),
		now:    time.Date(2026, 3, 2, 13, 0, 0, 0, time.UTC),
		chance: rand.NewChaCha8([32]byte([]byte("countback's tests, always alike!"))),
	}
}

type outcome struct {
	status      int
	out, errors string
}

func (b *bench) main(stdin string, args ...string) (*Main, *bytes.Buffer, *bytes.Buffer) {
	var out, errs bytes.Buffer
	m := &Main{
		Args: args, Stdin: strings.NewReader(stdin), Stdout: &out, Stderr: &errs,
		Getenv: func(name string) string {
			if name == "COUNTBACK_DATA" {
				return b.data
			}
			return ""
		},
		Now:     func() time.Time { return b.now },
		Entropy: b.chance,
		Version: "test",
	}
	if b.setUp != nil {
		b.setUp(m)
	}
	return m, &out, &errs
}

// run runs one command, with the files' folder as the working folder of relative names.
func (b *bench) run(args ...string) outcome { return b.feed("", args...) }

func (b *bench) feed(stdin string, args ...string) outcome {
	b.t.Helper()
	m, out, errs := b.main(stdin, args...)
	o := outcome{m.Run(context.Background()), out.String(), errs.String()}
	if b.after != nil {
		b.after(stdin, args, o)
	}
	b.now = b.now.Add(time.Minute)
	return o
}

// must runs a command that has to succeed and returns what it prints.
func (b *bench) must(args ...string) string {
	b.t.Helper()
	o := b.run(args...)
	if o.status != 0 {
		b.t.Fatalf("countback %s: status %d\n%s", strings.Join(args, " "), o.status, o.errors)
	}
	return o.out
}

// refused runs a command that has to fail in one line that holds all of the words.
func (b *bench) refused(status int, args []string, words ...string) {
	b.t.Helper()
	o := b.run(args...)
	if o.status != status {
		b.t.Errorf("countback %s: status %d, want %d\n%s%s", strings.Join(args, " "), o.status, status, o.out, o.errors)
	}
	line, rest, _ := strings.Cut(o.errors, "\n")
	if rest != "" || !strings.HasPrefix(line, "countback: ") {
		b.t.Errorf("countback %s: the error isn't one line: %q", strings.Join(args, " "), o.errors)
	}
	for _, w := range words {
		if !strings.Contains(line, w) {
			b.t.Errorf("countback %s: %q doesn't say %q", strings.Join(args, " "), line, w)
		}
	}
}

func (b *bench) file(name, text string) string {
	b.t.Helper()
	path := filepath.Join(b.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
	return path
}

// id returns the event id that a recording command printed first.
func (b *bench) id(out string) string {
	b.t.Helper()
	id := ulidText.FindString(out)
	if _, err := event.ParseID(id); err != nil {
		b.t.Fatalf("no event id in %q", out)
	}
	return id
}

// shop starts the small shop of the tests.
func (b *bench) shop() *bench {
	b.t.Helper()
	b.must("init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	b.must("item", "board", "--name", "Board stiffener", "--type", "supply", "--unit", "each", "--pack", "box=150", "--at", "2026-01-01")
	b.must("item", "cord", "--name", "Cotton cord", "--type", "supply", "--unit", "mm", "--pack", "spool=50 m", "--measure", "wrap=310 mm", "--at", "2026-01-01")
	b.must("item", "fern-card", "--name", "Card, fern", "--type", "good", "--unit", "each", "--price", "6.50", "--at", "2026-01-01")
	return b
}

var (
	ulidText   = regexp.MustCompile(`\b[0-7][0-9A-HJKMNP-TV-Z]{25}\b`)
	deviceText = regexp.MustCompile(`\b[a-z2-7]{26}\b`)
)

// names gives ids, which mean nothing to a reader, names in the order of their appearance.
type names struct {
	of   map[string]string
	back map[string]string
}

func (n *names) hide(text string, what *regexp.Regexp, word string) string {
	text = what.ReplaceAllStringFunc(text, func(id string) string {
		if n.of[id] == "" {
			name := fmt.Sprintf("%s%d", word, len(n.of)+1)
			n.of[id], n.back[name] = name, id
		}
		return n.of[id]
	})
	return text
}

// lineUp gives a name in the first column the room of the id that it stands for.
func lineUp(text string) string {
	return inColumn.ReplaceAllStringFunc(text, func(cell string) string { return fmt.Sprintf("%-28s", strings.TrimSpace(cell)) })
}

var (
	inColumn = regexp.MustCompile(`(?m)^(EVENT|device)[0-9]+  `)
	hashText = regexp.MustCompile(`\b[0-9a-f]{16}\b`)
)

// TestTranscripts plays every transcript of testdata. A transcript holds files, between "--- name" and "---", and commands behind "$ "; what a command
// prints follows it, errors behind "! " and a status other than 0 behind "= "; remarks stand behind "## ",
// and "@ " sets the clock.
func TestTranscripts(t *testing.T) {
	list, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(list) == 0 {
		t.Fatal("no transcripts in testdata", err)
	}
	for _, path := range list {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
			t.Parallel()
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			got := play(newBench(t), string(want))
			if *update {
				if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			} else if got != string(want) {
				t.Errorf("%s differs; look at it and run go test -update\n%s", path, firstDifference(string(want), got))
			}
		})
	}
}

func firstDifference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range min(len(w), len(g)) {
		if w[i] != g[i] {
			return fmt.Sprintf("line %d\nwant: %s\ngot:  %s", i+1, w[i], g[i])
		}
	}
	return "one ends before the other"
}

// play runs a transcript's commands and returns it with what they print now.
func play(b *bench, script string) string {
	var out strings.Builder
	n := &names{map[string]string{}, map[string]string{}}
	lines := strings.Split(strings.TrimSuffix(script, "\n"), "\n")
	for i := 0; i < len(lines); i++ {
		l := lines[i]
		switch {
		case strings.HasPrefix(l, "--- "):
			var text []string
			from := i
			for i++; i < len(lines) && lines[i] != "---"; i++ {
				text = append(text, lines[i])
			}
			b.file(strings.TrimPrefix(l, "--- "), n.show(strings.Join(text, "\n"))+"\n")
			out.WriteString(strings.Join(lines[from:min(i+1, len(lines))], "\n") + "\n")
		case strings.HasPrefix(l, "@ "):
			at, err := time.Parse(time.RFC3339, strings.TrimPrefix(l, "@ "))
			if err != nil {
				b.t.Fatal(err)
			}
			b.now = at
			out.WriteString("\n" + l + "\n")
		case strings.HasPrefix(l, "## "):
			out.WriteString("\n" + l + "\n")
		case strings.HasPrefix(l, "$ countback"):
			out.WriteString("\n" + l + "\n")
			args, input := splitCommand(strings.TrimPrefix(l, "$ countback"))
			for k := range args {
				args[k] = strings.ReplaceAll(n.show(args[k]), "DIR", b.dir)
			}
			stdin := ""
			if input != "" {
				text, err := os.ReadFile(strings.ReplaceAll(input, "DIR", b.dir))
				if err != nil {
					b.t.Fatal(err)
				}
				stdin = string(text)
			}
			o := b.feed(stdin, args...)
			hide := func(s string) string {
				s = lineUp(n.hide(n.hide(s, ulidText, "EVENT"), deviceText, "device"))
				return strings.ReplaceAll(hashText.ReplaceAllString(s, "................"), b.dir, "DIR")
			}
			out.WriteString(hide(o.out))
			for e := range strings.Lines(hide(o.errors)) {
				out.WriteString("! " + e)
			}
			if o.status != 0 {
				fmt.Fprintf(&out, "= %d\n", o.status)
			}
		}
	}
	return strings.TrimPrefix(out.String(), "\n")
}

var named = regexp.MustCompile(`\b(EVENT|device)[0-9]+\b`)

func (n *names) show(text string) string {
	return named.ReplaceAllStringFunc(text, func(name string) string {
		if id := n.back[name]; id != "" {
			return id
		}
		return name
	})
}

// splitCommand splits a command line at spaces outside quotation marks, and takes off "< FILE".
func splitCommand(line string) (args []string, input string) {
	var word strings.Builder
	quoted, any := false, false
	for _, r := range line + " " {
		switch {
		case r == '"':
			quoted, any = !quoted, true
		case r == ' ' && !quoted:
			if any {
				args = append(args, word.String())
			}
			word.Reset()
			any = false
		default:
			word.WriteRune(r)
			any = true
		}
	}
	if n := len(args); n >= 2 && args[n-2] == "<" {
		return args[:n-2], args[n-1]
	}
	return args, ""
}
