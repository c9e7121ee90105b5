// Package near finds the names that somebody may have meant by a name that isn't known: items, columns, commands, codes.
package near

import (
	"cmp"
	"slices"
	"strings"
)

// most bounds the letters that are compared: a cell of a damaged file can be as long as the file.
const most = 100

// Names returns up to three of the known names that are most like the wanted one, best first; names of equal likeness stand in their own order. Case does not
// count. Alike is what is the same, what takes few changes (a letter more, less, other, or two neighbours swapped; at most a third of
// the longer name's letters, one in short ones), and what begins with the other or holds it.
func Names(wanted string, known []string) []string {
	type found struct {
		name  string
		score int
	}
	var all []found
	want := letters(wanted)
	for _, name := range known {
		if score := unlike(want, letters(name)); score >= 0 {
			all = append(all, found{name, score})
		}
	}
	slices.SortStableFunc(all, func(a, b found) int { return cmp.Compare(a.score, b.score) })
	var out []string
	for _, f := range all {
		if len(out) < 3 && !slices.Contains(out, f.name) {
			out = append(out, f.name)
		}
	}
	return out
}

// Advice names what Names found; empty where that is nothing.
func Advice(names []string) string {
	switch len(names) {
	case 0:
		return ""
	case 1:
		return "the nearest known name is " + names[0]
	}
	return "the nearest known names are " + strings.Join(names, ", ")
}

func letters(s string) []rune {
	r := []rune(strings.ToLower(s))
	return r[:min(len(r), most)]
}

// unlike is 0 for the same name and grows with the difference; -1 is nothing alike. One change weighs two; a part of the other name
// stands between two changes and three, beginnings before the rest.
func unlike(a, b []rune) int {
	if len(a) == 0 || len(b) == 0 {
		return -1
	}
	score := -1
	limit := max(1, max(len(a), len(b))/3)
	if diff := len(a) - len(b); diff <= limit && -diff <= limit {
		if d := changes(a, b); d <= limit {
			score = 2 * d
		}
	}
	long, short := string(a), string(b)
	if len(a) < len(b) {
		long, short = short, long
	}
	part := -1
	switch {
	case min(len(a), len(b)) < 2:
	case strings.HasPrefix(long, short):
		part = 4
	case min(len(a), len(b)) >= 3 && strings.Contains(long, short):
		part = 5
	}
	if part >= 0 && (score < 0 || part < score) {
		return part
	}
	return score
}

// changes is the number of letters to insert, delete, replace or swap with a neighbour (optimal string alignment: no letter is
// changed twice).
func changes(a, b []rune) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}
