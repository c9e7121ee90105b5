package cut

import (
	"strings"

	"countback/ledger/num"
)

// The widths of ISO 216's series from 0 to 10, each followed by the height of number 0: a sheet's height is the width of the number before it. Source: ISO
// 216:2007, tables 1 and 2; C is the series of envelopes of ISO 269:1985. They are tested against the rule of halving.
var series = map[byte][]int64{
	'A': {1189, 841, 594, 420, 297, 210, 148, 105, 74, 52, 37, 26},
	'B': {1414, 1000, 707, 500, 353, 250, 176, 125, 88, 62, 44, 31},
	'C': {1297, 917, 648, 458, 324, 229, 162, 114, 81, 57, 40, 28},
}

// North American sizes of office paper, in hundredths of a millimetre. Source: ANSI/ASME Y14.1, size A, 8.5 by 11 inches; legal and half letter are common
// practice.
var american = map[string][2]int64{"LETTER": {21590, 27940}, "LEGAL": {21590, 35560}, "HALF LETTER": {13970, 21590}}

// Paper returns the size of a named sheet, upright: A0 to A10, B0 to B10 (ISO 216), C0 to C10 (ISO 269), letter, legal and half letter, in any case.
func Paper(name string) (Size, bool) {
	name = strings.ToUpper(strings.TrimSpace(name))
	if s, ok := american[name]; ok {
		return Size{num.QtyMillionths(s[0] * 10_000), num.QtyMillionths(s[1] * 10_000)}, true
	}
	if len(name) < 2 {
		return Size{}, false
	}
	list := series[name[0]]
	for n := range max(0, len(list)-1) {
		if name[1:] == num.Whole(int64(n)).String() {
			return Size{num.Whole(list[n+1]), num.Whole(list[n])}, true
		}
	}
	return Size{}, false
}
