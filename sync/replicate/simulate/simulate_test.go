package simulate_test

import (
	"fmt"
	"os"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"countback/sync/replicate/simulate"
)

// seeds returns how many schedules are run, and from which seed on: COUNTBACK_SCHEDULES says how many, COUNTBACK_SEED the first (alone, if no number is
// given).
func seeds(t *testing.T) (first uint64, n int) {
	n = 300
	if os.Getenv("COUNTBACK_FULL") != "" {
		n = 2000
	}
	number := func(name string) (uint64, bool) {
		text := os.Getenv(name)
		if text == "" {
			return 0, false
		}
		v, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			t.Fatalf("%s=%s isn't a whole number", name, text)
		}
		return v, true
	}
	seed, alone := number("COUNTBACK_SEED")
	if alone {
		first, n = seed, 1
	}
	if v, ok := number("COUNTBACK_SCHEDULES"); ok {
		n = int(v)
	}
	return first, n
}

// onceFailed are seeds whose schedules have found something; they always run. A change of how schedules are made takes their meaning from them.
var onceFailed = []uint64{31, 74, 1425, 11154, 20890, 101011, 200076, 302230, 400572, 509221, 607584, 717944, 1059487}

func TestSchedulesThatOnceFailed(t *testing.T) {
	for _, seed := range onceFailed {
		s := simulate.New(seed)
		if _, err := simulate.Run(s, nil); err != nil {
			explain(t, s, err)
		}
	}
}

// A schedule hangs on its seed alone: run twice, it ends with the same bytes after the same steps.
func TestScheduleHangsOnItsSeed(t *testing.T) {
	for seed := range uint64(8) {
		var ends []string
		for range 2 {
			res, err := simulate.Run(simulate.New(seed), nil)
			if err != nil {
				t.Fatal(err)
			}
			end := res.Stats.String()
			for _, r := range res.Replicas {
				heads, err := r.Store.Heads(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				end += fmt.Sprintln(r.Name, heads)
			}
			ends = append(ends, end)
		}
		if ends[0] != ends[1] {
			t.Errorf("seed %d: once\n%s\nand once\n%s", seed, ends[0], ends[1])
		}
	}
}

func TestSchedules(t *testing.T) {
	defer debug.SetGCPercent(debug.SetGCPercent(400)) // a schedule's world is small, and makes much that is soon of no use
	first, n := seeds(t)
	var failed atomic.Bool
	var mu sync.Mutex
	total := simulate.Stats{}
	var wait sync.WaitGroup
	next := atomic.Uint64{}
	for range 2 {
		wait.Go(func() {
			for {
				i := next.Add(1) - 1
				if i >= uint64(n) || failed.Load() {
					return
				}
				s := simulate.New(first + i)
				res, err := simulate.Run(s, nil)
				mu.Lock()
				total.Add(res.Stats)
				mu.Unlock()
				if i%5000 == 4999 {
					fmt.Printf("%d schedules\n", i+1)
				}
				if err != nil {
					failed.Store(true)
					explain(t, s, err)
				}
			}
		})
	}
	wait.Wait()
	t.Logf("%d schedules from seed %d: %s", n, first, total)
}

// explain prints a failing schedule, made as short as it can be, and what happened in it.
func explain(t *testing.T, s simulate.Schedule, err error) {
	t.Errorf("seed %d: %v\nagain: COUNTBACK_SEED=%d go test -run TestSchedules -v ./sync/replicate/simulate", s.Seed, err, s.Seed)
	s, err = simulate.Shrink(s, err)
	text := ""
	if _, again := simulate.Run(s, func(format string, args ...any) { text += fmt.Sprintf(format, args...) + "\n" }); again == nil {
		t.Errorf("seed %d: the schedule doesn't fail the second time: something hangs on more than the seed", s.Seed)
	}
	t.Errorf("shortened to %d steps: %v\n%s\n%s", len(s.Steps), err, s, text)
}
