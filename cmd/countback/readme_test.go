package main

import (
	"context"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
)

// block is a fenced block of README.md with what stands before it, since the block before.
type block struct{ before, language, text string }

// blocks takes a document apart; what follows the last block comes back by itself.
func blocks(text string) (list []block, rest string) {
	for {
		before, fenced, ok := strings.Cut(text, "\n```")
		if !ok {
			return list, text
		}
		language, body, _ := strings.Cut(fenced, "\n")
		body, text, _ = strings.Cut(body, "\n```\n")
		list = append(list, block{before, language, body})
	}
}

var (
	fileNamed = regexp.MustCompile("here `([^`]+)`")
	dayShown  = regexp.MustCompile(`at (\w{3} \d{1,2} \w{3} \d{4}) `)
	inline    = regexp.MustCompile("`([^`]+)`")
)

// The five minutes of README.md are played as they stand there, on the day that its answer names: its files are written, its commands run, and the last one
// prints the answer.
func TestReadmeWalk(t *testing.T) {
	file, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	b := newBench(t)
	t.Chdir(b.dir)
	_, section, ok := strings.Cut(string(file), "\n## Five minutes")
	section, _, _ = strings.Cut(section, "\n## ")
	list, rest := blocks(section)
	if !ok || len(list) < 5 {
		t.Fatalf("README.md has no walk, or %d blocks of one", len(list))
	}
	answer := list[len(list)-1]
	day := dayShown.FindStringSubmatch(answer.text)
	if day == nil || answer.language != "" {
		t.Fatal("the walk doesn't end with an answer that names its day:\n", answer.text)
	}
	if b.now, err = time.Parse("Mon 2 Jan 2006", day[1]); err != nil {
		t.Fatal(err)
	}
	b.now = b.now.Add(15 * time.Hour)
	said, ran := "", 0
	for _, part := range list[:len(list)-1] {
		if part.language == "sh" {
			for line := range strings.SplitSeq(part.text, "\n") {
				if out, yes := b.readmeLine(line); yes {
					said = out
					ran++
				}
			}
			continue
		}
		name := fileNamed.FindAllStringSubmatch(part.before, -1)
		if len(name) != 1 {
			t.Fatalf("the text before a block of %s doesn't say \"here `FILE`\" once:\n%s", part.language, part.before)
		}
		b.file(name[0][1], part.text+"\n")
	}
	if strings.TrimSpace(said) != strings.TrimSpace(answer.text) {
		t.Errorf("README.md says\n%s\nand the program\n%s", answer.text, said)
	}
	if ran < 10 {
		t.Errorf("only %d commands of the walk were found", ran)
	}
	// What the text behind the answer proposes; words in capitals stand for something.
	proposed := 0
	m, _, _ := b.main("")
	for _, words := range inline.FindAllStringSubmatch(rest, -1) {
		args := strings.Fields(words[1])
		found, _, err := m.root().Find(args)
		if err != nil || !found.HasParent() {
			continue
		}
		proposed++
		if strings.ToLower(words[1]) == words[1] {
			b.must(args...)
		}
	}
	if proposed < 6 {
		t.Errorf("only %d of the proposed commands exist", proposed)
	}
}

// readmeLine runs one line of a shell block; false for what isn't a command of the program.
func (b *bench) readmeLine(line string) (string, bool) {
	b.t.Helper()
	switch {
	case strings.HasPrefix(line, "go build -o countback ./cmd/countback"):
		return "", false
	case line == "export COUNTBACK_DATA=$PWD/shop":
		b.data = b.dir + "/shop"
		return "", false
	}
	command, into, redirected := strings.Cut(line, " > ")
	rest, ok := strings.CutPrefix(command, "./countback ")
	if !ok {
		b.t.Fatalf("a line of the walk that this test can't play: %s", line)
	}
	args, _ := splitCommand(rest)
	m, out, errs := b.main("", args...)
	if status := m.Run(context.Background()); status != 0 || errs.Len() > 0 {
		b.t.Fatalf("%s: status %d\n%s", line, status, errs)
	}
	b.now = b.now.Add(time.Minute)
	if redirected {
		b.file(into, out.String())
		return "", true
	}
	return out.String(), true
}
