package sheet

import (
	"fmt"
	"slices"
	"strings"
)

// nearest returns up to three of the names that differ least from s, nearest first: by edit distance without regard to case, at most a third
// of the letters, and two in short names.
func nearest(s string, names []string) []string {
	type found struct {
		name string
		far  int
	}
	var list []found
	s = strings.ToLower(clip(s))
	for _, n := range names {
		if n == "" {
			continue
		}
		if d := distance(s, strings.ToLower(clip(n))); d <= max(min(2, len([]rune(n))/2), len([]rune(n))/3) {
			list = append(list, found{n, d})
		}
	}
	slices.SortStableFunc(list, func(a, b found) int { return a.far - b.far })
	var out []string
	for _, f := range list[:min(3, len(list))] {
		out = append(out, f.name)
	}
	return out
}

// distance is the number of letters to insert, delete or replace (Levenshtein's).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		diagonal := row[0]
		row[0] = i + 1
		for j := range y {
			cost := 1
			if x[i] == y[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(diagonal+cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(y)]
}

// join lists names for a message.
func join(names []string) string {
	var q []string
	for i, n := range names {
		if i == 30 {
			q = append(q, fmt.Sprintf("and %d more", len(names)-i))
			break
		}
		if n != "" {
			q = append(q, clip(n))
		}
	}
	return strings.Join(q, ", ")
}
