package chance

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Text writes an estimate as decimal text with at most 4 significant digits and, like a quantity, at most 6 places behind the point, without an exponent
// and without zeros at its end. What is no number is empty text.
func Text(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	if math.Abs(x) < 0.5e-6 {
		return "0"
	}
	if math.Abs(x) < 1e-3 { // fewer digits than 4 are left
		x = math.Round(x*1e6) / 1e6
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
