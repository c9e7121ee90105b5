package words

import (
	"fmt"
	"strings"

	"countback/projections/cut"
)

// Blocks says how pieces lie on a sheet.
func Blocks(l cut.Layout) string {
	var parts []string
	for _, b := range l.Blocks {
		text := fmt.Sprintf("%d by %d", b.Across, b.Down)
		if b.Turned {
			text += " turned"
		}
		parts = append(parts, text)
	}
	joint := ", below them "
	if l.Beside {
		joint = ", beside them "
	}
	return strings.Join(parts, joint)
}
