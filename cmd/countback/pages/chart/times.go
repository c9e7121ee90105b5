package chart

import "time"

// times maps instants to coordinates.
type times struct {
	from, to    int64
	left, right float64
	zone        *time.Location
}

func (t times) at(ms int64) float64 {
	if t.to <= t.from {
		return t.left
	}
	x := t.left + (t.right-t.left)*(float64(ms-t.from)/float64(t.to-t.from))
	return min(max(x, t.left), t.right)
}

// grains are the distances between ticks, from the finest.
var grains = []struct {
	days, months int
	form         string
}{
	{1, 0, "Mon 2"}, {2, 0, "2 Jan"}, {7, 0, "2 Jan"}, {14, 0, "2 Jan"}, {0, 1, "Jan"}, {0, 2, "Jan"}, {0, 3, "Jan 06"}, {0, 6, "Jan 06"}, {0, 12, "2006"}, {0, 24, "2006"}, {0, 60, "2006"},
}

// ticks are days or firsts of months in the zone, at most about n of them.
func (t times) ticks(n int) (out []Mark) {
	const day = 24 * 60 * 60 * 1000
	grain := grains[len(grains)-1]
	for _, g := range grains {
		if each := int64(g.days+30*g.months) * day; each*int64(n) >= t.to-t.from {
			grain = g
			break
		}
	}
	from := time.UnixMilli(t.from).In(t.zone)
	at := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, t.zone)
	switch {
	case grain.months >= 12:
		at = time.Date(from.Year(), 1, 1, 0, 0, 0, 0, t.zone)
	case grain.months > 0:
		at = time.Date(from.Year(), (from.Month()-1)/time.Month(grain.months)*time.Month(grain.months)+1, 1, 0, 0, 0, 0, t.zone)
	case grain.days >= 7: // Mondays
		at = at.AddDate(0, 0, -(int(at.Weekday())+6)%7)
	}
	for ; at.UnixMilli() <= t.to && len(out) < 50; at = at.AddDate(0, grain.months, grain.days) {
		if ms := at.UnixMilli(); ms >= t.from {
			text := at.Format(grain.form)
			if grain.form == "Jan" && at.Month() == 1 {
				text = at.Format("2006")
			}
			out = append(out, Mark{ms, text})
		}
	}
	return out
}
