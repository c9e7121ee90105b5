package chance

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Text writes an estimate as decimal text with at most 4 significant digits, without an exponent and without zeros at its end. What is no number is empty text.
func Text(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	if x == 0 {
		return "0"
	}
	mantissa, exponent, _ := strings.Cut(fmt.Sprintf("%.3e", x), "e")
	e, _ := strconv.Atoi(exponent)
	sign := ""
	if rest, ok := strings.CutPrefix(mantissa, "-"); ok {
		sign, mantissa = "-", rest
	}
	digits := strings.TrimRight(strings.Replace(mantissa, ".", "", 1), "0")
	switch {
	case e < 0:
		return sign + "0." + strings.Repeat("0", -e-1) + digits
	case len(digits) <= e+1:
		return sign + digits + strings.Repeat("0", e+1-len(digits))
	}
	return sign + digits[:e+1] + "." + digits[e+1:]
}
