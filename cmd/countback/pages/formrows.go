package pages

import (
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// A form's fields are named as the facts' data is: lines[0].qty, formats[1].lines[0].item.

const (
	mostRows   = 1000   // of one list, as many as an event may have
	mostFields = 20_000 // of one form
)

// weak are the fields that have a value in an empty row as well: choices with a default.
var weak = map[string]bool{"in": true, "per": true, "condition": true, "what": true, "weight_unit": true}

// dropField is the box that takes a row out.
const dropField = "drop"

// node is one row of a form, or the whole of it.
type node struct {
	leaves map[string]string
	lists  map[string]map[int]*node
}

func newNode() *node { return &node{leaves: map[string]string{}, lists: map[string]map[int]*node{}} }

// compact takes the empty rows out of a form's values and numbers the others anew. What isn't named as a field of a form can be named is left out.
func compact(values url.Values) url.Values {
	root := newNode()
	n := 0
	for _, key := range slices.Sorted(maps.Keys(values)) {
		if n++; n > mostFields {
			break
		}
		if list := values[key]; len(list) > 0 {
			root.put(key, oneLine(list[0]))
		}
	}
	out := url.Values{}
	root.write(out, "")
	return out
}

// oneLine is a field's text as facts take it: without spaces at its ends, and with a space for what is no text, such as the end of a line.
func oneLine(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < 0x20 || r >= 0x7f && r <= 0x9f || r == 0x2028 || r == 0x2029 || r == utf8.RuneError {
			return ' '
		}
		return r
	}, s))
}

// put places one value by its path.
func (n *node) put(path, value string) {
	name, rest, deeper := strings.Cut(path, ".")
	list, index, ok := splitIndex(name)
	switch {
	case !deeper && ok && list == "" && fieldName(name):
		n.leaves[name] = value
	case deeper && ok && list != "" && fieldName(list):
		rows := n.lists[list]
		if rows == nil {
			rows = map[int]*node{}
			n.lists[list] = rows
		}
		if rows[index] == nil {
			rows[index] = newNode()
		}
		rows[index].put(rest, value)
	}
}

// splitIndex cuts "lines[3]"; list is empty where there is no index.
func splitIndex(name string) (list string, index int, ok bool) {
	at := strings.IndexByte(name, '[')
	if at < 0 {
		return "", 0, true
	}
	digits, closed := strings.CutSuffix(name[at+1:], "]")
	index, err := strconv.Atoi(digits)
	return name[:at], index, closed && err == nil && index >= 0 && index < mostRows && strconv.Itoa(index) == digits
}

func fieldName(s string) bool {
	return s != "" && len(s) <= 40 && strings.Trim(s, "abcdefghijklmnopqrstuvwxyz_0123456789") == ""
}

// empty reports whether nobody wrote anything into a row, or it is to be taken out.
func (n *node) empty() bool {
	if n.leaves[dropField] != "" {
		return true
	}
	for name, v := range n.leaves {
		if v != "" && !weak[name] {
			return false
		}
	}
	for _, rows := range n.lists {
		for _, r := range rows {
			if !r.empty() {
				return false
			}
		}
	}
	return true
}

func (n *node) write(out url.Values, prefix string) {
	for name, v := range n.leaves {
		if v != "" && name != dropField {
			out.Set(prefix+name, v)
		}
	}
	for list, rows := range n.lists {
		k := 0
		for _, i := range slices.Sorted(maps.Keys(rows)) {
			if !rows[i].empty() {
				rows[i].write(out, rowName(prefix+list, k)+".")
				k++
			}
		}
	}
}

// rowName names a row of a list.
func rowName(list string, i int) string { return fmt.Sprintf("%s[%d]", list, i) }

// swap exchanges two rows of a list in a form's values.
func swap(values url.Values, list string, a, b int) url.Values {
	out := url.Values{}
	for key, v := range values {
		for _, x := range [][2]int{{a, b}, {b, a}} {
			if rest, ok := strings.CutPrefix(key, rowName(list, x[0])+"."); ok {
				key = rowName(list, x[1]) + "." + rest
				break
			}
		}
		out[key] = v
	}
	return out
}

// rowsOf counts the rows of a list in compacted values.
func rowsOf(values url.Values, list string) int {
	most := 0
	for key := range values {
		if rest, ok := strings.CutPrefix(key, list+"["); ok {
			digits, _, _ := strings.Cut(rest, "]")
			if i, err := strconv.Atoi(digits); err == nil {
				most = max(most, i+1)
			}
		}
	}
	return most
}
