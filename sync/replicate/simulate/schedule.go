package simulate

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store/memory"
	"countback/sync/replicate"
)

// Step is one thing that happens in a schedule. Its numbers choose among what there is at its time, so that a schedule without some of its steps is one too.
type Step struct {
	At   time.Duration
	Do   string
	A, B int
	For  time.Duration
}

// Schedule is what happens, and the seed of the network's delays and losses.
type Schedule struct {
	Seed  uint64
	Loss  int // of a thousand messages
	Batch int // that fit into an atomic batch, 0: none
	Outer bool
	Steps []Step
}

// String writes the steps, one a line.
func (s Schedule) String() string {
	text := fmt.Sprintf("seed %d, loss %d in 1000, batches of %d, outer bus: %v\n", s.Seed, s.Loss, s.Batch, s.Outer)
	for _, x := range s.Steps {
		text += fmt.Sprintf("%10s  %-9s %d %d %s\n", x.At.Round(time.Millisecond), x.Do, x.A%100, x.B%100, x.For.Round(time.Second))
	}
	return text
}

// kinds of steps, with how often each comes among 1,090.
var kinds = []struct {
	do string
	n  int
}{
	{"record", 480}, {"given", 30}, {"apart", 110}, {"crash", 50}, {"inwrite", 80}, {"full", 20}, {"clock", 25}, {"pair", 40}, {"snap", 40},
	{"restore", 20}, {"rollback", 12}, {"copy", 20}, {"rejoin", 25}, {"revoke", 14}, {"keeper", 14}, {"wipe", 14}, {"tail", 24}, {"busfull", 12}, {"scatter", 60},
}

// New makes the schedule of a seed.
func New(seed uint64) Schedule {
	rng := rand.New(rand.NewPCG(seed, 1))
	s := Schedule{Seed: seed, Loss: []int{0, 5, 30, 100}[rng.IntN(4)], Batch: []int{0, 7, 1000}[rng.IntN(3)], Outer: rng.IntN(3) == 0}
	at := time.Duration(0)
	for range rng.IntN(4) + 1 {
		s.Steps = append(s.Steps, Step{At: at, Do: "pair", A: rng.IntN(1 << 20), B: rng.IntN(1 << 20)})
	}
	for range 15 + rng.IntN(45) {
		at += time.Duration(rng.Int64N(int64(40 * time.Second)))
		pick := rng.IntN(1090)
		do := kinds[0].do
		for _, k := range kinds {
			if pick -= k.n; pick < 0 {
				do = k.do
				break
			}
		}
		s.Steps = append(s.Steps, Step{At: at, Do: do, A: rng.IntN(1 << 20), B: rng.IntN(1 << 20), For: time.Duration(rng.Int64N(int64(6 * time.Minute)))})
	}
	if seed%5 == 3 { // the others stay what they are
		s.harm(rand.New(rand.NewPCG(seed, 3)))
	}
	return s
}

// harm adds what happens to a shop but seldom: the keeper's desk is lost for good, and a device that is left makes another one the keeper; or the key of a revoked
// device is used.
func (s *Schedule) harm(rng *rand.Rand) {
	end := s.Steps[len(s.Steps)-1].At
	for range rng.IntN(5) + 1 {
		x := Step{At: time.Duration(rng.Int64N(int64(end) + 1)), Do: []string{"recover", "revoke", "thief", "thief"}[rng.IntN(4)], A: rng.IntN(1 << 20), B: rng.IntN(1 << 20)}
		if x.Do == "thief" {
			x.At = (x.At + end) / 2
		}
		at, _ := slices.BinarySearchFunc(s.Steps, x.At, func(y Step, at time.Duration) int { return cmp.Compare(y.At, at) })
		s.Steps = slices.Insert(s.Steps, at, x)
	}
}

// Stats counts what happened in a schedule.
type Stats struct {
	Steps, Recorded, Published, Lost, Doubled, Crashes, Cuts, Downloads int
	Reports                                                             map[replicate.What]int
	Did                                                                 map[string]int
	Healed                                                              time.Duration // until all were the same
}

// Result is the end of a schedule.
type Result struct {
	Replicas []*Replica // those that are still part of the shop
	Stats    Stats
}

const mostReplicas = 6

// Run lets a schedule happen, then heals everything, and checks the promises. tell, if given, is told of each step and report.
func Run(s Schedule, tell func(string, ...any)) (*Result, error) {
	w := &world{ctx: context.Background(), rng: rand.New(rand.NewPCG(s.Seed, 2)), loss: s.Loss, tell: tell, keys: map[string]*key.Key{}, valid: map[string]bool{}}
	w.stats.Reports, w.stats.Did = map[replicate.What]int{}, map[string]int{}
	if tell == nil {
		w.tell = func(string, ...any) {}
	}
	w.found(s)
	for _, x := range s.Steps {
		w.run(x.At)
		if w.err != nil {
			break
		}
		w.act(x)
	}
	if w.err == nil {
		w.heal()
	}
	res := &Result{Stats: w.stats}
	for _, r := range w.reps {
		if !r.dead {
			res.Replicas = append(res.Replicas, r)
		}
	}
	return res, w.err
}

// found starts the shop at a desk with its bus.
func (w *world) found(s Schedule) {
	desk := &Replica{Name: "desk 0", Store: memory.New(), Desk: true, key: w.newKey()}
	w.buses = append(w.buses, &bus{Server: NewServer(1, s.Batch), name: "desk", host: desk})
	if s.Outer {
		w.buses = append(w.buses, &bus{Server: NewServer(2, s.Batch), name: "outer"})
	}
	at := event.TimeOf(w.clock(desk))
	shop, err := record.Found(w.ctx, desk.Store, desk.key, func() time.Time { return epoch }, randomness{w.rng}, "desk 0",
		event.Shop{Name: "Paper Moon Press", Currency: "CAD", Zone: "America/Halifax"}, at)
	if err != nil {
		w.fail("found: %w", err)
		return
	}
	w.shop = shop
	w.add(desk, w.buses...)
	for _, data := range []string{
		`{"item":"board","name":"Cover board","type":"supply","unit":"each","packs":{"box":"150"}}`,
		`{"item":"card-a6","name":"Folded card A6","type":"good","unit":"each","points":"1"}`,
		`{"item":"sleeve","name":"Sleeve","type":"supply","unit":"each"}`,
	} {
		w.mustRecord(desk, w.fact(desk, "item", data))
	}
	w.mustRecord(desk, w.fact(desk, "packspec", `{"formats":[{"format":"mailer","lines":[{"item":"board","qty":"1","per":"parcel"},{"item":"sleeve","qty":"1","per":"unit"}]}]}`))
}

func (w *world) mustRecord(r *Replica, f event.Fact) {
	if _, err := w.record(r, f); err != nil {
		w.fail("%s: record: %w", r.Name, err)
	}
}

func (w *world) fact(r *Replica, kind, data string) event.Fact {
	d, err := event.DecodeData(event.Kind(kind), []byte(data))
	if err != nil {
		panic(fmt.Sprintf("%s %s: %v", kind, data, err))
	}
	return event.Fact{Time: event.TimeOf(w.clock(r)), Data: d}
}

// some returns a fact about stock.
func (w *world) some(r *Replica, n int) event.Fact {
	order := fmt.Sprintf("W-%d", n%40)
	switch n % 6 {
	case 0:
		return w.fact(r, "restock", fmt.Sprintf(`{"lines":[{"item":"board","qty":"%d","cost":"%d.37"}]}`, n%90+1, n%70+1))
	case 1, 2:
		return w.fact(r, "order", fmt.Sprintf(`{"order":"%s","zone":"home","lines":[{"item":"card-a6","qty":"%d"}]}`, order, n%7+1))
	case 3:
		return w.fact(r, "pack", fmt.Sprintf(`{"order":"%s"}`, order))
	case 4:
		return w.fact(r, "count", fmt.Sprintf(`{"item":"board","qty":"%d"}`, n%120))
	}
	return w.fact(r, "damage", fmt.Sprintf(`{"item":"sleeve","qty":"%d","reason":"damaged"}`, n%4+1))
}

// Shrink leaves out steps of a failing schedule, as long as what is left still fails, and returns what that fails with.
func Shrink(s Schedule, err error) (Schedule, error) {
	for size := len(s.Steps) / 2; size > 0; size /= 2 {
		for at := 0; at+size <= len(s.Steps); {
			try := s
			try.Steps = slices.Delete(slices.Clone(s.Steps), at, at+size)
			if _, again := Run(try, nil); again != nil {
				s, err = try, again
			} else {
				at += size
			}
		}
	}
	return s, err
}

// Add adds up what happened.
func (s *Stats) Add(o Stats) {
	s.Steps += o.Steps
	s.Recorded += o.Recorded
	s.Published += o.Published
	s.Lost += o.Lost
	s.Doubled += o.Doubled
	s.Crashes += o.Crashes
	s.Cuts += o.Cuts
	s.Downloads += o.Downloads
	s.Healed = max(s.Healed, o.Healed)
	if s.Reports == nil {
		s.Reports, s.Did = map[replicate.What]int{}, map[string]int{}
	}
	for k, n := range o.Reports {
		s.Reports[k] += n
	}
	for k, n := range o.Did {
		s.Did[k] += n
	}
}

// String says it in a line.
func (s Stats) String() string {
	return fmt.Sprintf("%d steps of machines, %d events recorded, %d messages published, %d lost, %d doubled, %d crashes, %d logs cut, %d downloads; healed in at most %s; %v; %v",
		s.Steps, s.Recorded, s.Published, s.Lost, s.Doubled, s.Crashes, s.Cuts, s.Downloads, s.Healed, s.Did, s.Reports)
}
