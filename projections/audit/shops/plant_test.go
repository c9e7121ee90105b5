package shops_test

import (
	"math"
	"slices"

	"countback/projections/audit"
)

// planted are the causes that a shop can be given.
var planted = []audit.Cause{
	audit.ShortPack, audit.UnitSlip, audit.DoubleEntry, audit.MissingEntry, audit.SpecDrift, audit.OneOffLoss, audit.SteadyLoss, audit.CountSlip,
	audit.SpoiledRuns, audit.MoreOrders, audit.HeavierOrders,
}

// plant draws a shop with some causes of a size each, in standard deviations of what is planted in the window. It draws anew where a shop can't have them.
func plant(seed uint64, size func(s *shop) float64, list ...audit.Cause) *shop {
	for try := range uint64(200) {
		s := newShop(seed + try<<32)
		s.trade(1<<30, 0, 0, 0)
		s.stockUp()
		ok := s.choose(func(x *supply) bool {
			runs := false
			for _, c := range list {
				runs = runs || c == audit.SpoiledRuns
				if c == audit.HeavierOrders && (x.per != "unit" || x.run) || (c == audit.MissingEntry || c == audit.MoreOrders) && x.run {
					return false
				}
			}
			return runs == x.run && (runs || x.format != "box") || len(list) == 0
		})
		if !ok {
			continue
		}
		s.window()
		s.fill(0)
		done := true
		for _, c := range list {
			done = done && s.plant(c, size(s))
		}
		if done && s.sound() {
			spare := 0.0
			if x := &s.supplies[s.item]; s.shortShare > 0 || len(s.fakes)+len(s.entered) > 0 {
				spare = float64(x.lots * x.pack)
			}
			s.fill(spare)
			return s
		}
	}
	panic("no shop can have these causes")
}

// fill raises what there is of each supply at the start, so that the shelf never falls to nothing.
func (s *shop) fill(spare float64) {
	for i := range s.supplies {
		x := &s.supplies[i]
		_, _, perDay := s.usage(i)
		days := x.deliveries(s.days)
		at, least, lost := 0.0, 0.0, 0.0
		for d := range s.days {
			if slices.Contains(days, d) {
				at += float64(x.lots * x.pack)
			}
			at -= float64(perDay[d]) * (1 + x.waste)
			if s.lost != nil && s.lost[i] != nil {
				lost += s.lost[i][d]
			}
			least = min(least, at-lost)
		}
		need := -least + float64(x.pack)
		if i == s.item {
			need += spare
		}
		s.opening[i] = max(s.opening[i], int(need))
	}
}

// sound reports whether the item was restocked four times and used in each interval.
func (s *shop) sound() bool {
	x := &s.supplies[s.item]
	if len(x.deliveries(s.counts[len(s.counts)-1])) < 4 {
		return false
	}
	used, _, _ := s.usage(s.item)
	least := math.Inf(1)
	for k := 1; k < len(used); k++ {
		least = min(least, used[k])
	}
	return least > 0
}

func (s *shop) plant(c audit.Cause, size float64) bool {
	x := &s.supplies[s.item]
	sd := s.sd()
	want := size * sd
	last := s.counts[len(s.counts)-1]
	inside := s.to - s.from
	used, _, perDay := s.usage(s.item)
	windowUse := 0.0
	for k := s.from + 1; k <= s.to; k++ {
		windowUse += used[k]
	}
	switch c {
	case audit.SpecDrift, audit.SteadyLoss:
		from := s.onset()
		if from < 0 {
			return false
		}
		lost := s.lose(s.item)
		days, use := 0.0, 0.0
		for d := max(from, s.counts[s.from]+1); d <= last; d++ {
			days++
			use += float64(perDay[d])
		}
		if c == audit.SteadyLoss {
			perDay := want / days
			for d := from; d < s.days; d++ {
				lost[d] += x.unit() * float64(s.poisson(perDay/x.unit()))
			}
			return perDay < 3*use/days+3*x.unit()
		}
		ratio := want / use
		for d := from; d < s.days; d++ {
			lost[d] += s.more(float64(perDay[d]), ratio, x)
		}
		return ratio < 2
	case audit.OneOffLoss:
		k := s.from + 1 + s.IntN(inside)
		s.lose(s.item)[s.counts[k-1]+1+s.IntN(s.counts[k]-s.counts[k-1])] += math.Round(want)
		return want < 0.8*float64(s.opening[s.item]+x.lots*x.pack)
	case audit.CountSlip:
		if inside < 2 && s.from == 0 {
			return false
		}
		k := s.from
		if inside > 1 {
			k = s.from + s.IntN(inside)
		}
		if k == 0 {
			return false
		}
		s.misread[k] = math.Round(want)
		if s.IntN(2) == 0 && k != s.from {
			s.misread[k] = -s.misread[k]
		}
		return math.Abs(s.misread[k]) < 0.5*float64(s.opening[s.item])
	case audit.ShortPack:
		days := x.deliveries(last + 1)
		first := len(days) - 2 - s.IntN(len(days)-2)
		came := 0
		for _, d := range days {
			if d > s.counts[s.from] {
				came += x.lots * x.pack
			}
		}
		s.shortFrom, s.shortShare = days[first], want/float64(came)
		return s.shortShare < 0.5
	case audit.DoubleEntry, audit.UnitSlip:
		qty := float64(x.lots * x.pack)
		if c == audit.UnitSlip {
			qty = float64(x.lots * (x.pack - x.pack/2))
		}
		// The counts of this item are as rough as makes the delivery that large.
		rough := math.Pow(qty/size, 2) - (sd*sd - math.Pow(s.sigma(x, float64(s.opening[s.item])), 2)*2)
		if rough <= 0 {
			return false
		}
		x.tol = 1.96 * math.Sqrt(rough/2)
		if c == audit.DoubleEntry {
			s.fakes = append(s.fakes, fake{day: s.box})
			return s.box+3 < last
		}
		if qty > float64(s.opening[s.item]) {
			return false
		}
		s.entered[s.box] = fake{s.box, x.lots, x.pack, x.lots * (x.pack / 2)}
		return true
	case audit.MissingEntry:
		return s.forget(want, last)
	case audit.MoreOrders:
		s.more90(want, size)
		return true
	case audit.HeavierOrders:
		return s.heavier(size)
	case audit.SpoiledRuns:
		return s.spoil(size)
	}
	return false
}

// more is what a day's use takes more by a ratio: whole pieces, by chance, of what isn't kept by length.
func (s *shop) more(use, ratio float64, x *supply) float64 {
	if x.length {
		return math.Round(use * ratio)
	}
	whole := math.Floor(ratio)
	n := whole * use
	for range int(use) {
		if s.Float64() < ratio-whole {
			n++
		}
	}
	return n
}

// onset is a day that leaves at least three intervals behind it, before the last delivery.
func (s *shop) onset() int {
	most := min(s.to-3, s.from+1)
	if most < 1 {
		return -1
	}
	least := max(1, s.to-8)
	k := least
	if most > least {
		k += s.IntN(most - least + 1)
	}
	return s.counts[k-1] + 1 + s.IntN(s.counts[k]-s.counts[k-1])
}

// forget leaves packs of the window out of the records, and now and then their orders as well.
func (s *shop) forget(want float64, last int) bool {
	x := &s.supplies[s.item]
	var in []int
	for j := range s.orders {
		if o := &s.orders[j]; o.packed > s.counts[s.from] && o.packed <= last && o.placed < s.asOf-25 {
			in = append(in, j)
		}
	}
	s.Shuffle(len(in), func(i, k int) { in[i], in[k] = in[k], in[i] })
	left := want
	orders := s.IntN(4) == 0
	n := 0
	for _, j := range in {
		if left <= 0 {
			break
		}
		left -= float64(x.use(&s.orders[j], len(s.goods)))
		s.skipPack[j] = true
		s.skipOrder[j] = orders
		n++
	}
	return left <= 0 && float64(n) < 0.5*float64(len(in))
}

// window rates: how many orders are packed in the window and the 90 days before it.
func (s *shop) orderCounts() (window, before float64) {
	from, to := s.counts[s.from], s.counts[s.to]
	for j := range s.orders {
		switch d := s.orders[j].packed; {
		case d > from && d <= to:
			window++
		case d > from-90 && d <= from:
			before++
		}
	}
	return window, before
}

// more90 draws the orders anew with more of them in the window: so many that the part is size times its standard deviation over seasons and chance.
func (s *shop) more90(_, size float64) {
	from, to := s.counts[s.from], s.counts[s.to]
	days := float64(to - from)
	var sum, squares float64
	const draws = 400
	for range draws {
		phase := 2 * math.Pi * s.Float64()
		window, before := 0.0, 0.0
		span := float64(min(90, from-2))
		for d := from + 1; d <= to; d++ {
			window += s.rate * (1 + s.season*math.Sin(2*math.Pi*float64(d)/365+phase))
		}
		for d := from - int(span) + 1; d <= from; d++ {
			before += s.rate * (1 + s.season*math.Sin(2*math.Pi*float64(d)/365+phase))
		}
		part := window + math.Sqrt(window)*s.NormFloat64() - (before+math.Sqrt(before)*s.NormFloat64())*days/span
		sum += part
		squares += part * part
	}
	sd := math.Sqrt(squares/draws - math.Pow(sum/draws, 2))
	rate := 0.0
	for d := from + 1; d <= to; d++ {
		rate += s.rateAt(d)
	}
	s.trade(from, size*sd/rate, 0, 0)
}

// heavier draws the orders anew with more units of the item's class in the window.
func (s *shop) heavier(size float64) bool {
	x := &s.supplies[s.item]
	var n, sum, squares float64
	for j := range s.orders {
		u := float64(x.use(&s.orders[j], len(s.goods)))
		n, sum, squares = n+1, sum+u, squares+u*u
	}
	mean := sum / n
	variance := squares/n - mean*mean
	window, before := s.orderCounts()
	sd := math.Sqrt(variance * (1/window + 1/before)) // of use an order
	s.trade(s.counts[s.from], 0, size*sd/float64(x.qty), int(x.class[0]-'a'))
	return before >= 20
}

// spoil adds spoiled pieces to the runs of the window.
func (s *shop) spoil(size float64) bool {
	x := &s.supplies[s.item]
	from, to := s.counts[s.from], s.counts[s.to]
	var in []int
	before := 0
	for j := range s.runs {
		r := &s.runs[j]
		if x.useOfRun(r) == 0 {
			continue
		}
		if r.day > from && r.day <= to {
			in = append(in, j)
		} else if r.day > from-90 && r.day <= from {
			before++
		}
	}
	if len(in) == 0 || before == 0 {
		return false
	}
	// Without it the pieces spoiled in the window vary as counts do, and so do those of the baseline, stretched to the window.
	stretch := float64(to-from) / 90
	sd := math.Sqrt(1.5 * (float64(len(in)) + float64(before)*stretch*stretch))
	extra := int(math.Round(size * sd))
	for range extra {
		s.runs[in[s.IntN(len(in))]].spoiled++
	}
	return true
}
