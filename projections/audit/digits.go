package audit

import (
	"strings"

	"countback/ledger/num"
)

// misreading is a figure that a count may have been meant to say.
type misreading struct {
	off    float64 // what was there beyond what was written down
	text   string
	chance float64 // of it, where a count was misread at all
}

// misreadings lists what a figure may stand for: two digits swapped, one lost, doubled or misread, a nought too many or too few, packs for pieces.
func misreadings(figure num.Qty, packs []float64) []misreading {
	whole, frac, _ := strings.Cut(figure.String(), ".")
	if frac != "" || strings.HasPrefix(whole, "-") || len(whole) > 7 {
		return nil
	}
	wrote := figure.Float()
	var out []misreading
	group := func(chance float64, text string, figures []string) {
		var kept []float64
		for _, f := range figures {
			if f == "" || f == whole || len(f) > 1 && f[0] == '0' {
				continue
			}
			q, err := num.ParseQty(f)
			if err == nil {
				kept = append(kept, q.Float()-wrote)
			}
		}
		for _, off := range kept {
			out = append(out, misreading{off, text, chance / float64(len(kept))})
		}
	}
	var swapped, lost, doubled, misread []string
	for i := range len(whole) {
		if i+1 < len(whole) {
			swapped = append(swapped, whole[:i]+whole[i+1:i+2]+whole[i:i+1]+whole[i+2:])
			if whole[i] == whole[i+1] {
				doubled = append(doubled, whole[:i]+whole[i+1:])
			}
		}
		lost = append(lost, whole[:i]+whole[i:i+1]+whole[i:])
		for d := byte('0'); d <= '9'; d++ {
			misread = append(misread, whole[:i]+string(d)+whole[i+1:])
			if i > 0 {
				lost = append(lost, whole[:i]+string(d)+whole[i:])
			}
		}
	}
	group(0.25, "two digits swapped", swapped)
	group(0.1, "a digit written twice", doubled)
	group(0.25, "a digit misread", misread)
	group(0.15, "a digit lost", lost)
	ten := []string{whole + "0"}
	if len(whole) > 1 && whole[len(whole)-1] == '0' {
		ten = append(ten, whole[:len(whole)-1])
	}
	group(0.15, "a nought too many or too few", ten)
	var units []misreading
	for _, size := range packs {
		if size <= 1 {
			continue
		}
		if off := float64(wrote*size) - wrote; wrote > 0 && wrote < 1000 {
			units = append(units, misreading{off, "packs written down as pieces", 0})
		}
		if n := wrote / size; wrote > 0 && n == float64(int64(n)) {
			units = append(units, misreading{n - wrote, "pieces written down as packs", 0})
		}
	}
	for _, u := range units {
		u.chance = 0.1 / float64(len(units))
		out = append(out, u)
	}
	return out
}
