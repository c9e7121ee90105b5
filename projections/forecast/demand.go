package forecast

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
)

// Use is what one order took of an item, in base units, and on which day of the history.
type Use struct {
	Day int
	Qty float64
}

// Tuning is how quickly items change.
type Tuning struct {
	HalfLife float64 // days after which a past order counts half
	Drift    float64 // variance by which the log of the level moves in a week
	Rest     float64 // chance that it falls asleep in a week
}

// Demand is how often orders take an item, and how much.
type Demand struct {
	Shape, Rate float64 // the number of orders with it on a day of share 1 has a gamma distribution: its mean is Shape ÷ Rate
	Mean        float64 // base units that such an order takes
	Square      float64 // mean of their squares

	asleep float64   // chance that it is asleep already, for all the days without an order
	sizes  []float64 // rising
	chance []float64 // cumulative, the last one 1
	tuning Tuning
	a      *Arrivals

	// of one path
	level       float64
	shut, until int // the next gap: its first day ahead and the first one after it
}

const (
	priorShape = 2.0 // orders' worth of the long-run mean that stand beside an item's own late orders
	before     = 7   // days before its first order on which an item could have been ordered already
	sizeLife   = 3.0 // half-lives of the level after which a size counts half
	mostSizes  = 400
	few        = 12.0 // orders a day up to which each is drawn by itself
)

// Learn fits the demand of an item to its uses, which are in order of their days, all within the history.
func (a *Arrivals) Learn(uses []Use, t Tuning) *Demand {
	d := &Demand{tuning: t, a: a}
	n, end := len(uses), a.days
	if n == 0 {
		return d
	}
	fade := math.Exp(-math.Ln2 / t.HalfLife)
	late, exposed, open, weight := 0.0, 0.0, 0.0, 1.0
	from := max(0, uses[0].Day-before)
	i := n
	for day := end - 1; day >= from; day-- {
		for i > 0 && uses[i-1].Day == day {
			late += weight
			i--
		}
		s := a.Share(day)
		exposed += float64(weight * s)
		open += s
		weight *= fade
	}
	prior := float64(n) / math.Max(open, 1)
	d.Shape = late + priorShape
	d.Rate = exposed + priorShape/math.Max(prior, 1e-9)
	quiet := 0.0
	for day := uses[n-1].Day + 1; day < end; day++ {
		quiet += a.Share(day)
	}
	d.asleep = asleep(t.Rest, quiet, d.Shape, d.Rate)
	d.fitSizes(uses, end, math.Exp(-math.Ln2/float64(t.HalfLife*sizeLife)))
	return d
}

func (d *Demand) fitSizes(uses []Use, end int, fade float64) {
	if len(uses) > mostSizes {
		uses = uses[len(uses)-mostSizes:]
	}
	type size struct{ qty, weight float64 }
	list := make([]size, len(uses))
	for i, u := range uses {
		list[i] = size{u.Qty, math.Pow(fade, float64(end-u.Day))}
	}
	slices.SortStableFunc(list, func(a, b size) int { return cmp.Compare(a.qty, b.qty) })
	total := 0.0
	for _, x := range list {
		total += x.weight
		if n := len(d.sizes); n == 0 || d.sizes[n-1] != x.qty { // most orders take alike
			d.sizes = append(d.sizes, x.qty)
			d.chance = append(d.chance, 0)
		}
		d.chance[len(d.chance)-1] = total
	}
	was := 0.0
	for i := range d.sizes {
		p := (d.chance[i] - was) / total
		was = d.chance[i]
		d.chance[i] /= total
		d.Mean += float64(p * d.sizes[i])
		d.Square += float64(p * d.sizes[i] * d.sizes[i])
	}
}

// size draws what one order takes.
func (d *Demand) size(r *rand.Rand) float64 {
	n := len(d.sizes) - 1
	if n == 0 {
		return d.sizes[0]
	}
	u, i := r.Float64(), 0
	if n > 8 {
		return d.sizes[min(sort.SearchFloat64s(d.chance, u), n)]
	}
	for i < n && d.chance[i] < u {
		i++
	}
	return d.sizes[i]
}

// PerDay is the mean use on a day of share 1, in base units.
func (d *Demand) PerDay() float64 {
	if d.Rate == 0 {
		return 0
	}
	return float64(d.Shape / d.Rate * d.Mean)
}

// Begin draws a level for a path.
func (d *Demand) Begin(r *rand.Rand) {
	d.level = 0
	d.gap(r, 0)
	if d.Rate > 0 {
		d.level = gamma(r, d.Shape/d.Rate, d.Shape/float64(d.Rate*d.Rate))
		if d.asleep > 0 && r.Float64() < d.asleep {
			d.level = 0
		}
	}
}

// asleep is the chance that an item fell asleep on one of its last quiet days, by Bayes: each day's chance against that of as many quiet days awake.
func asleep(rest, quiet, shape, rate float64) float64 {
	if rest <= 0 || quiet <= 0 {
		return 0
	}
	day := rest / 7
	awake := math.Pow(rate/(rate+quiet), shape)
	gone, p := 0.0, day
	for k := 1.0; k <= quiet; k++ {
		gone += float64(p * math.Pow(rate/(rate+quiet-k), shape))
		p *= 1 - day
	}
	return gone / (gone + float64(p/day*awake))
}

// gap draws the next gap after a day.
func (d *Demand) gap(r *rand.Rand, after int) {
	d.shut, d.until = math.MaxInt, math.MaxInt
	if rate := d.a.GapRate; rate > 0 {
		d.shut = after + 1 + int(r.ExpFloat64()/rate)
		d.until = d.shut + d.a.Gaps[r.IntN(len(d.a.Gaps))]
	}
}

func (d *Demand) move(r *rand.Rand, variance float64) {
	if variance > 0 {
		d.level *= math.Exp(float64(r.NormFloat64()*math.Sqrt(variance)) - variance/2)
	}
}

// Day draws the use of a day, ahead days after the last of the history; the days of a path are asked for in order.
func (d *Demand) Day(r *rand.Rand, ahead int) float64 {
	if d.level == 0 {
		return 0
	}
	if ahead%7 == 0 {
		d.move(r, d.tuning.Drift)
		if d.tuning.Rest > 0 && r.Float64() < d.tuning.Rest {
			d.level = 0
		}
	}
	if ahead >= d.until {
		d.gap(r, ahead)
	}
	if ahead >= d.shut {
		return 0
	}
	n := float64(d.level * d.a.Share(d.a.days-1+ahead) * d.a.Growth(ahead))
	if n == 0 {
		return 0
	}
	if n > few {
		m := float64(n * d.Mean)
		return gamma(r, m, float64(n*d.Square)+float64(d.a.Extra*m*m))
	}
	k := poisson(r, n)
	if len(d.sizes) == 1 {
		return float64(float64(k) * d.Mean)
	}
	sum := 0.0
	for range k {
		sum += d.size(r)
	}
	return sum
}

// Scale changes how many orders there are: 2 doubles them.
func (d *Demand) Scale(by float64) {
	if by > 0 {
		d.Rate /= by
	}
}

// Stretch changes how much each order takes: 1.1 is a tenth more.
func (d *Demand) Stretch(by float64) {
	d.Mean *= by
	d.Square *= float64(by * by)
	for i := range d.sizes {
		d.sizes[i] *= by
	}
}

// Expected is the mean use of a day, ahead days after the last of the history.
func (d *Demand) Expected(ahead int) float64 {
	awake := (1 - d.asleep) * math.Pow(1-d.tuning.Rest, float64(ahead/7))
	return float64(d.PerDay()*awake*d.a.Share(d.a.days-1+ahead)) * float64(d.a.Growth(ahead)*(1-d.a.closed()))
}

// Guess is a person's own estimate of an item's use: so much a day, taken to be right to about half of it, each day's use varying as widely as its mean.
type Guess struct {
	PerDay float64 // base units
	level  float64
}

const guessed = 0.5 // standard deviation of what a person's estimate should have been, as a share of it

// Begin draws a level for a path.
func (g *Guess) Begin(r *rand.Rand) {
	g.level = gamma(r, g.PerDay, float64(guessed*guessed*g.PerDay*g.PerDay))
}

// Day draws the use of a day.
func (g *Guess) Day(r *rand.Rand, _ int) float64 { return gamma(r, g.level, float64(g.level*g.level)) }

// Expected is the mean use of a day.
func (g *Guess) Expected(int) float64 { return g.PerDay }
