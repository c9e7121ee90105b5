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
	floor float64  // standard deviation that chance alone gives it
	end   int64    // of the window
	past  []before // windows of the same length, the latest first; they overlap by half
	year  []float64
	guess guess
	ok    bool
}

// before is a change before an earlier window.
type before struct {
	by, noise float64
	end       int64
}

// guess is what is thought of a change before the data: standard deviations of what it does beyond chance, of growth, and of a season's swing.
type guess struct{ usual, growth, season float64 }

const (
	usualYears   = 3.0 // degrees of freedom that the guess counts as
	baselineMs   = 90 * day
	leastMs      = 14 * day
	leastOrders  = 20
	pastAtMost   = 24
	yearMs       = 365 * day
	yearLong     = 365.2425 * day
	leastPartial = 0.02 // share of what should have left, below which a part explains nothing

	worth       = 5.0 // usual standard deviations of a change that is a cause: a lognormal with this middle …
	worthSpread = 0.7 // … and this spread
)

// stretch adds up what lies in a stretch of time, from inclusive, to exclusive.
type stretch func(from, to int64) (value, noise float64, ok bool)

// change compares a stretch with the 90 days before each window.
func change(of stretch, begun, from, to int64, g guess, relative bool) changed {
	c := changed{guess: g, end: to}
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
		x, noise, ok := step(end-length, end)
		if !ok {
			break
		}
		c.past = append(c.past, before{x, noise, end})
	}
	if x, _, ok := step(from-yearMs, to-yearMs); ok {
		c.year = append(c.year, x)
	}
	return c
}

// apart is how many of the past windows don't overlap.
func (c *changed) apart() float64 {
	if len(c.past) == 0 {
		return 0
	}
	return float64(len(c.past)+1) / 2
}

// most is the largest of the past changes.
func (c *changed) most() float64 {
	out := math.Inf(-1)
	for _, p := range c.past {
		out = max(out, p.by)
	}
	return out
}

// usually is what the earlier windows say of this one: Student's t around mean. Beyond chance, whose size is known, changes have a spread that the earlier windows show and a guess
// steadies while they are few. What is known of the spread alone makes the degrees of freedom (F. E. Satterthwaite, Biometrics Bulletin 2 (1946), 110–114).
func (c *changed) usually() (mean, s, nu float64) {
	tau2 := float64(c.guess.usual * c.guess.usual)
	n := c.apart()
	known := usualYears + max(0, n-1)
	for range 3 {
		fit, _, _ := c.season(tau2)
		sum := float64(usualYears * c.guess.usual * c.guess.usual)
		for _, p := range c.past {
			r := p.by - fit.at(p.end)
			sum += float64((float64(r*r) - float64(p.noise*p.noise)) * n / float64(len(c.past)))
		}
		tau2 = max(sum/known, float64(c.guess.usual*c.guess.usual)/9)
	}
	_, mean, v := c.season(tau2)
	s2 := float64(c.floor*c.floor) + tau2 + v
	return mean, math.Sqrt(s2), min(known*float64(s2*s2)/float64(tau2*tau2), 1000)
}

// season is growth and a yearly swing of a change.
type season [3]float64

// at is what a season makes of a window that ends then.
func (x *season) at(ms int64) float64 {
	b := basis(ms)
	return x[0] + float64(x[1]*b[1]) + float64(x[2]*b[2])
}

func basis(ms int64) [3]float64 {
	a := 2 * math.Pi * math.Mod(float64(ms), yearLong) / yearLong
	return [3]float64{1, math.Cos(a), math.Sin(a)}
}

// season finds growth and a yearly swing in the earlier windows, as far as they show it, and what they make of this one: a linear model with a normal prior around no change.
func (c *changed) season(tau2 float64) (found season, mean, variance float64) {
	var post [3][3]float64 // covariance
	for i, sd := range []float64{c.guess.growth, c.guess.season, c.guess.season} {
		post[i][i] = float64(sd * sd)
	}
	learn := func(x float64, v float64, b [3]float64) (mean, variance float64) {
		var g [3]float64
		for i := range g {
			for j := range b {
				g[i] += float64(post[i][j] * b[j])
			}
			mean += float64(found[i] * b[i])
		}
		for i := range b {
			variance += float64(g[i] * b[i])
		}
		if v == 0 {
			return mean, variance
		}
		for i := range g {
			found[i] += float64(g[i]*(x-mean)) / (variance + v)
		}
		for i := range g {
			for j := range g {
				post[i][j] -= float64(g[i]*g[j]) / (variance + v)
			}
		}
		return mean, variance
	}
	overlap := float64(len(c.past)) / max(1, c.apart())
	for _, p := range c.past {
		learn(p.by, float64((float64(p.noise*p.noise)+tau2)*overlap), basis(p.end))
	}
	mean, variance = learn(0, 0, basis(c.end))
	return found, mean, variance
}

// logBF is the log Bayes factor of a change beyond what earlier windows showed, against none. A year before counts for half where it is known: a season that the history has shown is no
// cause.
func (c *changed) logBF() float64 {
	if !c.ok {
		return math.Inf(-1)
	}
	mean, s, nu := c.usually()
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
		volume := change(perDay(packs), begun, b.FromMs, b.ToMs+1, guess{0.1, 0.1, 0.2}, true)
		mix := change(perOrder(packs), begun, b.FromMs, b.ToMs+1, guess{0.04, 0.04, 0.02}, true)
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
		runs := change(spoiltPerDay(s.Record.Runs(item), begun, b.FromMs, perDay), begun, b.FromMs, b.ToMs+1, guess{0.004, 0.004, 0}, false)
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

// spoiltPerDay is what spoiled pieces took a day, as a share of what the item loses a day in all. How far chance alone moves it follows from what used to spoil before the window: a piece spoils by
// itself; how pieces spoil together is for the earlier windows to show.
func spoiltPerDay(runs []bridge.RunUse, begun, window int64, all float64) stretch {
	took := func(r *bridge.RunUse) float64 { return r.Use[1].Float() + r.Use[2].Float() }
	usual, most := 0.0, 0.0
	for i := range runs {
		r := &runs[i]
		most = max(most, r.Each.Float())
		if r.Ms < window {
			usual += float64(took(r) * r.Each.Float())
		}
	}
	usual = max(usual, float64(most*most)) / (float64(window-begun) / day) // as if one piece had spoiled at least
	return func(from, to int64) (float64, float64, bool) {
		sum := 0.0
		for i := range runs {
			if r := &runs[i]; r.Ms >= from && r.Ms < to {
				sum += took(r)
			}
		}
		days := float64(to-from) / day
		return sum / days / all, math.Sqrt(usual/days) / all, all > 0 && window > begun
	}
}
