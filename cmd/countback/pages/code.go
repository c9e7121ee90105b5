package pages

import (
	"fmt"
	"html/template"
	"strings"

	qr "github.com/piglig/go-qr"
)

// quiet is the light margin around a code that the standard (ISO/IEC 18004) asks for, in modules.
const quiet = 4

// scannable draws a text as a code to scan: dark on light, also where the page is dark.
func scannable(text string) (template.HTML, error) {
	code, err := qr.EncodeText(text, qr.Low)
	if err != nil {
		return "", err
	}
	n := code.Size()
	var dark strings.Builder
	for y := range n {
		for x := 0; x < n; x++ {
			from := x
			for x < n && code.Module(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&dark, "M%d,%dh%dv1h-%dz", from+quiet, y+quiet, x-from, x-from)
			}
		}
	}
	size := n + 2*quiet
	return template.HTML(fmt.Sprintf(`<svg class="scan" viewBox="0 0 %d %d" role="img" aria-label="The link as a code to scan" shape-rendering="crispEdges"><rect width="%d" height="%d" fill="#ffffff"/><path fill="#000000" d="%s"/></svg>`,
		size, size, size, size, dark.String())), nil
}
