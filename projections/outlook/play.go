package outlook

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/forecast"
	"countback/projections/parcel"
)

func jobKey(k []byte, job parcel.Job) []byte {
	flags := byte(0)
	if job.First {
		flags |= 1
	}
	if job.Opening {
		flags |= 2
	}
	k = append(k, flags)
	k = append(append(k, job.Zone...), 0)
	for _, o := range job.Options {
		k = append(append(k, o...), 0)
	}
	k = append(k, 1)
	for _, u := range job.Units {
		k = binary.AppendVarint(binary.AppendUvarint(k, uint64(u.Item)), u.Count)
	}
	return k
}

// inputs lists what one cycle's worth of pieces of a made item takes.
func inputs(s *fold.State, item int, pieces num.Qty) ([]parcel.Use, *event.MakeSpec) {
	spec := s.View.Make(item)
	if spec == nil {
		return nil, nil
	}
	use, err := parcel.Run(s.Catalog, s.View, spec.Data, pieces, nil, nil)
	if err != nil {
		return nil, spec.Data
	}
	parts, err := parcel.Parts(s.Catalog, s.View, use)
	if err != nil {
		return nil, spec.Data
	}
	return parts, spec.Data
}

// order lists the items that are made here, each before what it is made with.
func order(s *fold.State) ([]int, error) {
	const (
		unseen = iota
		open
		done
	)
	state := make([]int, len(s.Items))
	var list, way []int
	var visit func(i int) error
	visit = func(i int) error {
		spec := s.View.Make(i)
		if spec == nil || state[i] == done {
			return nil
		}
		if state[i] == open {
			c := &Circle{}
			for _, k := range way[slices.Index(way, i):] {
				c.Items = append(c.Items, s.Catalog.Items[k].ID)
			}
			return c
		}
		state[i] = open
		way = append(way, i)
		use, _ := inputs(s, i, spec.Data.Pieces)
		for _, u := range use {
			if err := visit(u.Item); err != nil {
				return err
			}
		}
		way = way[:len(way)-1]
		state[i] = done
		list = append(list, i)
		return nil
	}
	for i := range s.Items {
		if err := visit(i); err != nil {
			return nil, err
		}
	}
	slices.Reverse(list)
	return list, nil
}

// path is a demand that knows its mean.
type path interface {
	forecast.Path
	Expected(ahead int) float64
}

// nothing is the path of what nobody takes.
type nothing struct{}

func (nothing) Begin(*rand.Rand)            {}
func (nothing) Day(*rand.Rand, int) float64 { return 0 }
func (nothing) Expected(int) float64        { return 0 }

// drawn is what print runs will take of an item: by path and day, and in the mean.
type drawn struct {
	days []float32
	mean []float64
}

// withRuns adds what print runs take to what orders do.
type withRuns struct {
	path
	runs    *drawn
	n       int // the path that is played
	horizon int
}

func (w *withRuns) Begin(r *rand.Rand) {
	w.n++
	w.path.Begin(r)
}

func (w *withRuns) Day(r *rand.Rand, ahead int) float64 {
	return w.path.Day(r, ahead) + float64(w.runs.days[(w.n-1)*w.horizon+ahead-1])
}

// batch is how an item is printed.
type batch struct {
	pieces num.Qty // run off
	good   float64 // of these
	low    float64 // a run begins when no more than this is left
	inputs []parcel.Use
}

const (
	runsLooked = 10 // last runs that say how an item is printed
	batchDays  = 28 // of use in a batch, where there were none
	lowDays    = 7
)

func batchOf(s *fold.State, item int, runs []printed, perDay float64) batch {
	spec := s.View.Make(item).Data
	normal := 0.0
	if spec.NormalSpoilage != nil {
		normal = spec.NormalSpoilage.Float()
	}
	var b batch
	if n := len(runs); n > 0 {
		runs = runs[max(0, n-runsLooked):]
		var good, before []num.Qty
		for _, r := range runs {
			good = append(good, r.good)
			before = append(before, r.before)
		}
		b.good, b.low = median(good), math.Max(0, median(before))
	} else {
		b.good, b.low = math.Max(1, float64(perDay*batchDays)), float64(perDay*lowDays)
	}
	pieces := num.Whole(int64(math.Ceil(b.good / math.Max(0.01, 1-normal))))
	b.pieces = spec.Pieces.Times(pieces.Ceil(spec.Pieces))
	if len(runs) == 0 {
		b.good = float64(b.pieces.Float() * (1 - normal))
	}
	b.inputs, _ = inputs(s, item, b.pieces)
	return b
}

func median(list []num.Qty) float64 {
	slices.SortFunc(list, func(a, b num.Qty) int { return a.Cmp(b) })
	n := len(list)
	return (list[(n-1)/2].Float() + list[n/2].Float()) / 2
}

// player plays every item's paths.
type player struct {
	o     *Outlook
	s     *fold.State
	ask   Ask
	uses  *series
	runs  map[int][]printed
	drawn map[int]*drawn
}

// play simulates every item, what is made before what it is made with.
func (o *Outlook) play(s *fold.State, p *past, uses *series, ask Ask, made []int, coming map[int][]forecast.Coming) {
	pl := &player{o, s, ask, uses, p.runs, map[int]*drawn{}}
	at := make([]int, len(s.Items))
	for k := range o.Items {
		at[o.Items[k].Index] = k + 1
	}
	for _, i := range made {
		if k := at[i]; k > 0 {
			pl.item(&o.Items[k-1], coming[i])
		}
	}
	// What isn't made here hangs on nothing else any more, and each item has draws of its own: who plays it, and when, makes no difference.
	workers := runtime.GOMAXPROCS(0)
	var all sync.WaitGroup
	for w := range workers {
		all.Go(func() {
			for k := w; k < len(o.Items); k += workers {
				if it := &o.Items[k]; s.View.Make(it.Index) == nil {
					pl.item(it, coming[it.Index])
				}
			}
		})
	}
	all.Wait()
}

// demand is what orders will take of an item.
func (pl *player) demand(it *Item) path {
	uses := pl.uses.uses[it.Index]
	if g, ok := pl.ask.Guess[it.Index]; ok {
		it.Basis = Own
		return &forecast.Guess{PerDay: g}
	}
	if len(uses) == 0 {
		return nothing{}
	}
	it.Basis, it.Orders = History, len(uses)
	tuning := forecast.Supplies
	if pl.uses.good[it.Index] {
		tuning = forecast.Goods
	}
	d := pl.o.Arrivals.Learn(uses, tuning)
	d.Scale(pl.ask.Busier)
	return d
}

func (pl *player) item(it *Item, coming []forecast.Coming) {
	h := pl.o.Horizon
	it.Class = forecast.Classify(byDay(pl.uses.uses[it.Index], pl.o.Days))
	var p path = pl.demand(it)
	it.Expected = make([]float64, h)
	for d := range it.Expected {
		it.Expected[d] = p.Expected(d + 1)
	}
	if runs := pl.drawn[it.Index]; runs != nil {
		for d := range it.Expected {
			it.Expected[d] += runs.mean[d]
		}
		p = &withRuns{path: p, runs: runs, horizon: h}
		if it.Basis == None {
			it.Basis = History
		}
	}
	stock := it.OnHand.Sub(it.Promised).Float()
	r := forecast.Seeded(pl.s.Catalog.Items[it.Index].ID, pl.o.Today, h)
	if pl.s.View.Make(it.Index) != nil {
		pl.made(it, p, stock, coming, r)
		return
	}
	it.RunOut = forecast.Simulate(p, stock, coming, pl.ask.Paths, h, r)
}

func byDay(uses []forecast.Use, days int) []float64 {
	out := make([]float64, days)
	for _, u := range uses {
		out[u.Day] += u.Qty
	}
	return out
}

// made plays an item that is printed here: when it would run out if nothing were printed, and what the runs take that will be.
func (pl *player) made(it *Item, p path, stock float64, coming []forecast.Coming, r *rand.Rand) {
	h, n := pl.o.Horizon, pl.ask.Paths
	b := batchOf(pl.s, it.Index, pl.runs[it.Index], it.PerDay())
	it.Batch = b.pieces
	into := make([]*drawn, len(b.inputs))
	amount := make([]float64, len(b.inputs))
	for k, u := range b.inputs {
		if pl.drawn[u.Item] == nil {
			pl.drawn[u.Item] = &drawn{make([]float32, n*h), make([]float64, h)}
		}
		into[k], amount[k] = pl.drawn[u.Item], float64(u.Qty.Float()*pl.ratio(u.Item))
	}
	it.RunOut = forecast.RunOut{Horizon: h, Days: make([]int, n)}
	for i := range n {
		out, left, shelf := h+1, stock, stock
		if left <= 0 {
			out = 0
		}
		p.Begin(r)
		for day := 1; day <= h; day++ {
			for _, c := range coming {
				if c.Day == day {
					left += c.Qty
					shelf += c.Qty
				}
			}
			x := p.Day(r, day)
			left -= x
			if left <= 0 && out > h {
				out = day
			}
			shelf -= x
			if shelf > b.low || b.good <= 0 || x == 0 && day > 1 {
				continue
			}
			runs := math.Floor((b.low-shelf)/b.good) + 1
			shelf += float64(runs * b.good)
			for k, d := range into {
				took := float64(runs * amount[k])
				d.days[i*h+day-1] += float32(took)
				d.mean[day-1] += took / float64(n)
			}
		}
		it.RunOut.Days[i] = out
	}
	slices.Sort(it.RunOut.Days)
}

func (pl *player) ratio(item int) float64 {
	if f, ok := pl.ask.Ratio[item]; ok {
		return f
	}
	return 1
}
