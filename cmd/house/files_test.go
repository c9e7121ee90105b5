package house

import (
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const longest = 700 // lines of a Go file

func TestFilesAreShort(t *testing.T) {
	for _, name := range files(t) {
		if path.Ext(name) != ".go" {
			continue
		}
		if n := strings.Count(read(t, name), "\n"); n > longest {
			t.Errorf("%s has %d lines, more than %d: a file has one job, so divide it by noun", name, n, longest)
		}
	}
}

func TestTopLevel(t *testing.T) {
	agreed := []string{
		"cmd", "ledger", "projections", "sync", "schema", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md", "LICENSE",
		".ci", ".gitignore", ".gitattributes",
	}
	for _, name := range files(t) {
		if first, _, _ := strings.Cut(name, "/"); !slices.Contains(agreed, first) {
			t.Errorf("%s: the top level holds %s; put it into one of the folders, or into .gitignore if it is made by a tool", name, strings.Join(agreed, ", "))
		}
	}
}

func TestNamesSayWhatThingsAre(t *testing.T) {
	empty := []string{"util", "utils", "common", "helper", "helpers", "manager", "misc", "base", "stuff"}
	for _, name := range files(t) {
		for _, part := range strings.Split(strings.TrimSuffix(name, path.Ext(name)), "/") {
			if slices.Contains(empty, strings.TrimSuffix(part, "_test")) {
				t.Errorf("%s: %q says nothing about what stands there; name it by the noun that it holds", name, part)
			}
		}
	}
}

// The tree must be whole wherever it is cloned to. The patterns are put together here, so that this file doesn't find itself.
func TestNoPathsOfOneMachine(t *testing.T) {
	place := regexp.MustCompile(strings.Join([]string{
		"/wor" + "k/", "/hom" + "e/[a-z]", "/roo" + "t/", "/User" + "s/[A-Za-z]", `[A-Z]:\\User` + "s", "file:" + "///",
	}, "|"))
	beside := "../" + "shared"
	for _, name := range files(t) {
		if ext := path.Ext(name); ext == ".gz" || ext == ".db" || ext == ".png" {
			continue
		}
		for i, l := range strings.Split(read(t, name), "\n") {
			if at := place.FindString(l); at != "" {
				t.Errorf("%s:%d: %q is a path of one machine; make it relative, or take it from the caller", name, i+1, at)
			}
			if strings.Contains(l, beside) {
				t.Errorf("%s:%d: what tests and documents need stands inside the project; copy it into testdata with its source beside it", name, i+1)
			}
		}
	}
}

func TestNothingIsLeftForLater(t *testing.T) {
	later := regexp.MustCompile(`\b(TO` + `DO|FIX` + `ME)\b`)
	for _, s := range sources(t) {
		for _, c := range s.file.Comments {
			if word := later.FindString(c.Text()); word != "" {
				t.Errorf("%s:%d: %s: do it now, or say in DEVELOPERS.md what is missing and why", s.name, line(c), word)
			}
		}
	}
}

func TestTextIsUTF8WithPlainLineEnds(t *testing.T) {
	for _, name := range files(t) {
		if ext := path.Ext(name); strings.HasPrefix(name, "testdata/") || strings.Contains(name, "/testdata/") || ext != ".go" && ext != ".md" && ext != ".json" && name != ".ci/run" {
			continue
		}
		text := read(t, name)
		if strings.Contains(text, "\r") || !strings.HasSuffix(text, "\n") || strings.ToValidUTF8(text, "") != text {
			t.Errorf("%s: text is UTF-8, its lines end with a newline alone, the last one too", name)
		}
	}
}

// The first two fenced blocks of the README are the commands that run the main job and the tests. .ci/run runs them as they stand.
func TestReadmeBeginsWithItsTwoCommands(t *testing.T) {
	b, err := os.ReadFile(filepath.Join(root, "README.md"))
	if os.IsNotExist(err) && os.Getenv("CI") == "" {
		t.Skip("README.md is not written yet; in CI this is a failure")
	}
	if err != nil {
		t.Fatalf("README.md: %v", err)
	}
	blocks := fenced(string(b))
	if len(blocks) < 2 {
		t.Fatalf("README.md has %d fenced blocks; the first two are the commands that run the main job and the tests", len(blocks))
	}
	for i, want := range []string{"go run ./cmd/countback demo", "go test ./..."} {
		got := strings.TrimPrefix(blocks[i], "go generate ./... && ")
		if got != want {
			t.Errorf("README.md: fenced block %d is %q; it is the one line %q, so that it can be pasted on a fresh machine", i+1, blocks[i], want)
		}
	}
}

// fenced returns the text of a document's fenced blocks.
func fenced(text string) []string {
	var blocks []string
	var block []string
	in := false
	for _, l := range strings.Split(text, "\n") {
		switch {
		case strings.HasPrefix(l, "```") && in:
			blocks = append(blocks, strings.Join(block, "\n"))
			in = false
		case strings.HasPrefix(l, "```"):
			in, block = true, nil
		case in:
			block = append(block, l)
		}
	}
	return blocks
}
