package forecast

import "math"

// Arrivals is the pattern in which a shop's orders come.
type Arrivals struct {
	Weekday [7]float64 // a weekday's orders as a share of the mean day's, Sunday first; 0 for a day on which none ever came
	Open    []bool     // of each day of the history: false for the days of a gap, such as holidays
	PerDay  float64    // orders a day, of late
	Trend   float64    // share by which orders a day grow in a day; shrunk towards 0 as far as it may be chance
	Extra   float64    // day-to-day variance beyond chance, as a share of the squared mean

	Gaps    []int   // lengths in days of the gaps that there were
	GapRate float64 // gaps a day

	first int // weekday of day 0
	days  int
}

const (
	gapOrders  = 7.0 // so many orders expected and none come: a gap. By chance alone e^-7, once in a thousand
	sameDays   = 3   // a weekday needs so many days without an order to count as closed
	gapHistory = 28  // days before which gaps say nothing about what is to come
	gapDoubt   = 56  // days without a gap that a history is mixed with
	ownWeight  = 2.0 // days of the mean that a weekday's own days are mixed with
	lateDays   = 28.0
	trendDays  = 56
	trendHold  = 7.0
)

// Arrive finds the pattern of the numbers of orders of each day; day 0 falls on the weekday first, Sunday being 0.
func Arrive(orders []float64, first int) *Arrivals {
	a := &Arrivals{first: first, days: len(orders), Open: make([]bool, len(orders))}
	for d := range a.Open {
		a.Open[d] = true
	}
	for range 3 { // gaps hang on the weekdays and the other way round
		a.weekdays(orders)
		if !a.gaps(orders) {
			break
		}
	}
	a.countGaps()
	a.level(orders)
	a.slope(orders)
	a.scatter(orders)
	return a
}

// Share is what is expected of a day as a share of the mean day, before or after the history's end; 0 for closed days.
func (a *Arrivals) Share(day int) float64 {
	if day < len(a.Open) && !a.Open[day] {
		return 0
	}
	return a.Weekday[a.weekday(day)]
}

func (a *Arrivals) weekday(day int) int { return ((day+a.first)%7 + 7) % 7 }

func (a *Arrivals) weekdays(orders []float64) {
	var sum, n [7]float64
	all, open := 0.0, 0.0
	for d, x := range orders {
		if a.Open[d] {
			w := a.weekday(d)
			sum[w] += x
			n[w]++
			all += x
			open++
		}
	}
	for w := range a.Weekday {
		a.Weekday[w] = 1
	}
	if all == 0 {
		return
	}
	mean := all / open
	total := 0.0
	for w := range a.Weekday {
		a.Weekday[w] = (sum[w] + float64(ownWeight*mean)) / float64((n[w]+ownWeight)*mean)
		if sum[w] == 0 && n[w] >= sameDays && float64(n[w]*mean) > gapOrders {
			a.Weekday[w] = 0
		}
		total += a.Weekday[w]
	}
	for w := range a.Weekday {
		a.Weekday[w] *= 7 / total
	}
}

// gaps closes the days of every run without an order in which many were to be expected. It reports whether it closed any more.
func (a *Arrivals) gaps(orders []float64) (more bool) {
	sum, n := 0.0, 0.0
	for d, x := range orders {
		if a.Open[d] {
			sum += x
			n += a.Weekday[a.weekday(d)]
		}
	}
	if n == 0 {
		return false
	}
	mean := sum / n
	for d := 0; d < len(orders); d++ {
		from, expected := d, 0.0
		for d < len(orders) && orders[d] == 0 {
			expected += float64(mean * a.Weekday[a.weekday(d)])
			d++
		}
		if expected < gapOrders {
			continue
		}
		for k := from; k < d; k++ {
			if a.Weekday[a.weekday(k)] > 0 && a.Open[k] {
				a.Open[k] = false
				more = true
			}
		}
	}
	return more
}

// countGaps measures the gaps that have ended, so that others like them may come.
func (a *Arrivals) countGaps() {
	length := 0
	for d, open := range a.Open {
		switch {
		case !open:
			length = max(length, 0) + 1
		case length > 0 && a.Weekday[a.weekday(d)] > 0:
			a.Gaps = append(a.Gaps, length)
			length = 0
		}
	}
	if a.days >= gapHistory {
		a.GapRate = float64(len(a.Gaps)) / float64(a.days+gapDoubt)
	}
}

func (a *Arrivals) level(orders []float64) {
	sum, n, weight := 0.0, 0.0, 1.0
	for d := len(orders) - 1; d >= 0; d-- {
		sum += float64(weight * orders[d])
		n += float64(weight * a.Share(d))
		weight *= 1 - 1/lateDays
	}
	if n > 0 {
		a.PerDay = sum / n
	}
}

// slope fits a line through the open days' orders of the last weeks, by least squares, and keeps of it what is more than its own standard error.
func (a *Arrivals) slope(orders []float64) {
	from := max(0, len(orders)-trendDays)
	var n, sx, sy, sxx, sxy float64
	for d := from; d < len(orders); d++ {
		if s := a.Share(d); s > 0 {
			x, y := float64(d), orders[d]/s
			n++
			sx += x
			sy += y
			sxx += float64(x * x)
			sxy += float64(x * y)
		}
	}
	sxx -= float64(sx * sx / n)
	sxy -= float64(sx * sy / n)
	if n < 21 || sxx <= 0 || a.PerDay == 0 {
		return
	}
	b := sxy / sxx
	rest := 0.0
	for d := from; d < len(orders); d++ {
		if s := a.Share(d); s > 0 {
			e := orders[d]/s - sy/n - float64(b*(float64(d)-sx/n))
			rest += float64(e * e)
		}
	}
	if b == 0 {
		return
	}
	t2 := float64(b*b*sxx) / math.Max(rest/(n-2), 1e-12)
	a.Trend = float64(b*math.Max(0, 1-4/t2)) / a.PerDay
}

func (a *Arrivals) scatter(orders []float64) {
	from := max(0, len(orders)-trendDays)
	over, base := 0.0, 0.0
	for d := from; d < len(orders); d++ {
		m := float64(a.PerDay * a.Share(d))
		if m == 0 {
			continue
		}
		e := orders[d] - m
		over += float64(e*e) - m
		base += float64(m * m)
	}
	if base > 0 {
		a.Extra = math.Max(0, over/base)
	}
}

// closed is the share of days that gaps to come take away, in the mean.
func (a *Arrivals) closed() float64 {
	if len(a.Gaps) == 0 {
		return 0
	}
	days := 0
	for _, n := range a.Gaps {
		days += n
	}
	gone := float64(a.GapRate*float64(days)) / float64(len(a.Gaps))
	return gone / (1 + gone)
}

// Growth is what the trend makes of the level a number of days after the history's end; it fades.
func (a *Arrivals) Growth(ahead int) float64 {
	return math.Max(0.2, 1+float64(a.Trend*trendHold*(1-math.Exp(-float64(ahead)/trendHold))))
}
