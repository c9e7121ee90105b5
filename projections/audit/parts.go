package audit

import (
	"math"
	"slices"

	"countback/ledger/event"
	"countback/projections/bridge"
	"countback/projections/chance"
)

// changed is how one part of the bridge changed from the 90 days before a window, and how it changed before earlier ones.
type changed struct {
	now   float64
	past  []float64 // of windows of the same length, the latest first; they overlap by half
	year  []float64 // of the same days a year before, where the history reaches that far
	apart float64   // how many of the past ones don't overlap
	floor float64   // standard deviation that chance alone gives it
	guess float64   // what it usually is, before the data
	ok    bool
}

const (
	usualYears   = 3.0 // degrees of freedom that the guess counts as
	baselineMs   = 90 * day
	leastMs      = 14 * day
	leastOrders  = 20
	pastAtMost   = 24
	yearMs       = 365 * day
	leastPartial = 0.02 // share of what should have left, below which a part explains nothing

	worth       = 5.0 // usual standard deviations of a change that is a cause: a lognormal with this middle …
	worthSpread = 0.7 // … and this spread
)

// stretch adds up what lies in a stretch of time, from inclusive, to exclusive.
type stretch func(from, to int64) (value, noise float64, ok bool)

// change compares a stretch with the 90 days before each window.
func change(of stretch, begun, from, to int64, guess float64, relative bool) changed {
	c := changed{guess: guess}
	step := func(from, to int64) (x, noise float64, ok bool) {
		base := max(begun, from-baselineMs)
		if from-base < leastMs || to <= from {
			return 0, 0, false
		}
		a, na, ok1 := of(from, to)
		b, nb, ok2 := of(base, from)
		if !ok1 || !ok2 {
			return 0, 0, false
		}
		noise = math.Sqrt(float64(na*na) + float64(nb*nb))
		if relative {
			return math.Log(a / b), noise, true
		}
		return a - b, noise, true
	}
	c.now, c.floor, c.ok = step(from, to)
	if !c.ok {
		return c
	}
	length := to - from
	for i := range int64(pastAtMost) {
		end := from - i*length/2
		x, _, ok := step(end-length, end)
		if !ok {
			break
		}
		c.past = append(c.past, x)
	}
	c.apart = float64(len(c.past)+1) / 2
	if x, _, ok := step(from-yearMs, to-yearMs); ok {
		c.year = append(c.year, x)
	}
	return c
}

// logBF is the log Bayes factor of a change beyond what earlier windows showed, against none. The usual change is Student's t with the mean and spread of the earlier
// windows, which a guess steadies while they are few; a year before counts for half where it is known: a season that the history has shown is no cause.
func (c *changed) logBF() float64 {
	if !c.ok {
		return math.Inf(-1)
	}
	mean, squares := 0.0, 0.0
	for _, x := range c.past {
		mean += x
	}
	n := c.apart
	if len(c.past) == 0 {
		n = 0
	} else {
		mean /= float64(len(c.past))
		for _, x := range c.past {
			squares += float64((x - mean) * (x - mean))
		}
		squares = squares / float64(len(c.past)) * n
	}
	mean = mean * n / (n + 1) // drawn to no change
	nu := usualYears + max(0, n-1)
	s2 := max((usualYears*c.guess*c.guess+squares)/nu, c.floor*c.floor)
	s := math.Sqrt(float64(s2 * (1 + 1/(n+1))))
	centres := append([]float64{mean}, c.year...)
	usual := func(x float64) float64 {
		sum := 0.0
		for _, m := range centres {
			sum += student((x-m)/s, nu) / s / float64(len(centres))
		}
		return sum
	}
	const cells = 60
	more := 0.0
	for i := range cells {
		d := float64(s * worth * math.Exp(float64(worthSpread*chance.Normal((float64(i)+0.5)/cells))))
		more += usual(c.now-d) / cells
	}
	return math.Log(max(more, 1e-300)) - math.Log(max(usual(c.now), 1e-300))
}

// student is the density of Student's t, up to a factor that nu alone gives.
func student(x, nu float64) float64 { return math.Pow(1+float64(x*x)/nu, -(nu+1)/2) }

// partCauses are the causes that stand in the bridge's own parts.
type partCause struct {
	cause  Cause
	log    float64
	qty    float64
	events []event.ID
	change changed
}

// parts tests what the bridge shows against how it usually changes.
func (s *Shop) parts(item int, b *bridge.Bridge) []partCause {
	if b.Why != "" {
		return nil
	}
	out := []partCause{}
	should := max(b.ExpectedOut.Float(), b.ActualOut.Float())
	matters := func(name string) bool {
		q := b.Part(name).Qty.Float()
		return q < 0 && -q >= float64(leastPartial*should)
	}
	begun := s.Record.Begun
	if matters(bridge.OrderVolume) || matters(bridge.OrderMix) {
		packs := s.Record.Weigh(item, b.Window)
		volume := change(perDay(packs), begun, b.FromMs, b.ToMs+1, 0.12, true)
		mix := change(perOrder(packs), begun, b.FromMs, b.ToMs+1, 0.05, true)
		if matters(bridge.OrderVolume) {
			p := b.Part(bridge.OrderVolume)
			out = append(out, partCause{MoreOrders, volume.logBF(), -p.Qty.Float(), p.Events, volume})
		}
		if matters(bridge.OrderMix) {
			p := b.Part(bridge.OrderMix)
			out = append(out, partCause{HeavierOrders, mix.logBF(), -p.Qty.Float(), p.Events, mix})
		}
	}
	if spoiled, events := spoilage(b); spoiled > 0 && spoiled >= float64(leastPartial/4*should) {
		perDay := should / max(1, float64(b.ToMs-b.FromMs)/day)
		runs := change(spoiltPerDay(s.Record.Runs(item), perDay), begun, b.FromMs, b.ToMs+1, 0.008, false)
		out = append(out, partCause{SpoiledRuns, runs.logBF(), spoiled, events, runs})
	}
	return out
}

// spoilage is what spoiled pieces took beyond the baseline, and the runs.
func spoilage(b *bridge.Bridge) (qty float64, events []event.ID) {
	for _, sub := range b.Part(bridge.PrintRuns).Sub {
		if sub.Name == "normal spoilage" || sub.Name == "abnormal spoilage" {
			qty -= sub.Qty.Float()
			for _, id := range sub.Events {
				if !slices.Contains(events, id) {
					events = append(events, id)
				}
			}
		}
	}
	return qty, events
}

func perDay(packs []bridge.Weighed) stretch {
	return func(from, to int64) (float64, float64, bool) {
		n := 0.0
		for i := range packs {
			if p := &packs[i]; p.First && p.Ms >= from && p.Ms < to {
				n++
			}
		}
		return n / (float64(to-from) / day), 1 / math.Sqrt(max(1, n)), n >= 5
	}
}

func perOrder(packs []bridge.Weighed) stretch {
	return func(from, to int64) (float64, float64, bool) {
		var n, sum, squares float64
		for i := range packs {
			p := &packs[i]
			if p.Ms < from || p.Ms >= to {
				continue
			}
			if p.First {
				n++
			}
			q := p.Qty.Float()
			sum += q
			squares += float64(q * q)
		}
		if n < leastOrders/2 || sum <= 0 {
			return 0, 0, false
		}
		mean := sum / n
		return mean, math.Sqrt(max(0, squares/n-float64(mean*mean))/n) / mean, true
	}
}

// spoiltPerDay is what spoiled pieces took a day, as a share of what the item loses a day in all.
func spoiltPerDay(runs []bridge.RunUse, all float64) stretch {
	return func(from, to int64) (float64, float64, bool) {
		var sum, squares float64
		for i := range runs {
			r := &runs[i]
			if r.Ms < from || r.Ms >= to {
				continue
			}
			q := r.Use[1].Float() + r.Use[2].Float()
			sum += q
			squares += float64(q * r.Each.Float()) // a piece spoils by itself; how pieces spoil together is for the earlier windows to show
		}
		days := float64(to-from) / day
		return sum / days / all, math.Sqrt(squares) / days / all / 2, all > 0
	}
}
