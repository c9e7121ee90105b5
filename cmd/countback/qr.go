package main

import (
	"strings"

	qr "github.com/piglig/go-qr"
)

// quiet is the light margin around a code. The standard (ISO/IEC 18004) asks for four modules; the terminal's own margin is dark.
const quiet = 4

// qrText draws a code for a terminal, two rows of modules in a line. Dark modules are left empty, light ones filled: on a terminal with a dark ground it can be
// read as it is; colours make sure of it on a light one.
func (m *Main) qrText(text string) (string, error) {
	code, err := qr.EncodeText(text, qr.Low)
	if err != nil {
		return "", err
	}
	n := code.Size()
	light := func(x, y int) bool { return x < 0 || y < 0 || x >= n || y >= n || !code.Module(x, y) }
	var b strings.Builder
	for y := -quiet; y < n+quiet; y += 2 {
		if m.Terminal {
			b.WriteString("\x1b[97;40m")
		}
		for x := -quiet; x < n+quiet; x++ {
			switch top, bottom := light(x, y), light(x, y+1); {
			case top && bottom:
				b.WriteRune('█')
			case top:
				b.WriteRune('▀')
			case bottom:
				b.WriteRune('▄')
			default:
				b.WriteRune(' ')
			}
		}
		if m.Terminal {
			b.WriteString("\x1b[0m")
		}
		b.WriteByte('\n')
	}
	return b.String(), nil
}
