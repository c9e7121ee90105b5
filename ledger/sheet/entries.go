package sheet

import (
	"fmt"
	"slices"
	"strings"
)

// Entry is one line of a map, taken apart, for whoever edits maps: "zone United Kingdom = uk" is the word zone, of United Kingdom, with the value uk.
type Entry struct {
	Word  string // in lower case: a word of the map, or item or zone where Of is set
	Of    string // the code or value that a name is given to; empty for the words themselves
	Value string // as written, quotation marks included; names without them
	Line  int    // in the file, from 1
}

// Entries takes a map apart, line by line, without asking whether it is complete. Remarks are left out.
func Entries(file []byte) ([]Entry, error) {
	text, _, err := decode(file, "")
	if err != nil {
		return nil, &MapError{0, "can't be read as text: " + err.Error()}
	}
	var list []Entry
	n := 0
	for line := range strings.Lines(string(text)) {
		n++
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		m := &Map{zones: map[string]string{}, aliases: map[string]string{}, said: map[string]int{}}
		if err := m.line(line, n); err != nil {
			return nil, &MapError{n, err.Error()}
		}
		e := Entry{Line: n}
		for _, names := range []struct {
			word string
			list map[string]string
		}{{"zone", m.zones}, {"item", m.aliases}} {
			for of, value := range names.list {
				e.Word, e.Of, e.Value = names.word, of, value
			}
		}
		if e.Word == "" {
			at := equals(line)
			e.Word = strings.ToLower(strings.Join(strings.Fields(line[:at]), " "))
			e.Value = strings.TrimSpace(line[at+1:])
		}
		list = append(list, e)
	}
	return list, nil
}

// WriteMap writes entries as a map, and says on which line each one stands. Entries reads it back.
func WriteMap(entries []Entry) (text string, lines []int) {
	var b strings.Builder
	for i, e := range entries {
		word, value := e.Word, e.Value
		if e.Of != "" {
			word += " " + Quote(e.Of)
			value = Quote(value)
		}
		fmt.Fprintf(&b, "%s = %s\n", word, value)
		lines = append(lines, i+1)
	}
	return b.String(), lines
}

// Quote writes the name of a column, or a name of the shop or the file, as a map takes it.
func Quote(name string) string { return quoted(name, true) }

// Unquote takes the quotation marks off again; text without them stays as it is.
func Unquote(text string) string {
	if plain, err := unquote(text); err == nil {
		return plain
	}
	return text
}

// Words are the words of a map, in the order in which the package comment lists them.
func Words() []string {
	list := make([]string, len(mapWords))
	for i, w := range mapWords {
		list[i] = w.name
	}
	return slices.Clip(list)
}
