package sheet

import (
	"bytes"
	"strings"
	"unicode"
)

// Delimiters that a file may use, by the map's words for them.
var delimiters = []struct {
	word string
	mark byte
}{{"comma", ','}, {"semicolon", ';'}, {"tab", '\t'}, {"pipe", '|'}}

// sniffDelimiter takes the delimiter that divides the most of the first rows into as many fields as the header, and of
// two such the one with more fields. A file of one column counts as one with commas.
func sniffDelimiter(text []byte) byte {
	best, bestSame, bestFields := byte(','), 0, 0
	for _, d := range delimiters {
		counts := fieldCounts(text, d.mark, 30)
		if len(counts) == 0 || counts[0] < 2 {
			continue
		}
		same := 0
		for _, n := range counts {
			if n == counts[0] {
				same++
			}
		}
		if same > bestSame || same == bestSame && counts[0] > bestFields {
			best, bestSame, bestFields = d.mark, same, counts[0]
		}
	}
	return best
}

// fieldCounts counts the fields of the first rows. Quotation marks open a field only at its beginning.
func fieldCounts(text []byte, delimiter byte, rows int) []int {
	var counts []int
	quoted, start, fields, blank := false, true, 1, true
	end := func() {
		if !blank {
			counts = append(counts, fields)
		}
		fields, start, blank = 1, true, true
	}
	for _, b := range text[:min(len(text), 256<<10)] {
		if len(counts) == rows {
			return counts
		}
		switch {
		case b == '"' && (quoted || start):
			quoted, start, blank = !quoted, quoted, false
		case quoted:
		case b == delimiter:
			fields++
			start, blank = true, false
		case b == '\n':
			end()
		case b != '\r':
			start, blank = false, false
		}
	}
	end()
	return counts
}

// decimals finds out whether a file writes 12,5 or 12.5 from the fields that can be only one of the two.
type decimals struct{ comma, point bool }

func (d *decimals) see(field string) {
	field = strings.TrimFunc(field, func(r rune) bool { return unicode.Is(unicode.Sc, r) || unicode.IsSpace(r) })
	if len(field) > 24 || len(field) < 3 {
		return
	}
	marks, at := 0, 0
	for i := range len(field) {
		switch c := field[i]; {
		case c >= '0' && c <= '9', c == '-' && i == 0:
		case c == ',' || c == '.':
			marks++
			at = i
		default:
			return
		}
	}
	// 1,234 may be either; 12,5 may not. Two marks are a date or a number with thousands.
	if marks != 1 || at == 0 || at == len(field)-1 || field[at-1] == '-' {
		return
	}
	if whole := strings.TrimPrefix(field[:at], "-"); len(field)-at-1 == 3 && len(whole) <= 3 && whole[0] != '0' {
		return
	}
	if field[at] == ',' {
		d.comma = true
	} else {
		d.point = true
	}
}

// mark is the decimal mark, or 0 where the file shows none, or both.
func (d decimals) mark() byte {
	switch {
	case d.comma && !d.point:
		return ','
	case d.point && !d.comma:
		return '.'
	}
	return 0
}

// widest is the largest number of delimiters outside quotation marks in one row: what the reader would have to hold at once.
func widest(text []byte, delimiter byte) (most, total int) {
	n, quoted := 0, false
	for len(text) > 0 {
		i := bytes.IndexAny(text, string([]byte{delimiter, '"', '\n'}))
		if i < 0 {
			break
		}
		switch b := text[i]; {
		case b == '"':
			quoted = !quoted
		case quoted:
		case b == delimiter:
			n++
			total++
			most = max(most, n)
		default:
			n = 0
			total++
		}
		text = text[i+1:]
	}
	return most, total
}
