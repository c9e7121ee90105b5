package noise_test

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"countback/projections/noise"
)

var (
	full  = flag.Bool("full", os.Getenv("COUNTBACK_FULL") != "", "run the calibration at its full size")
	write = flag.Bool("write", false, "write what it came to into testdata/calibration.md")
)

// world draws shops from the stated model.
type world struct {
	*rand.Rand
	mu, phi float64
	worse   float64 // factor on every standard deviation
}

func newWorld(seed, run uint64) *world {
	w := &world{Rand: rand.New(rand.NewPCG(seed, run)), worse: 1}
	w.mu = 0.03 * w.Float64()
	w.phi = 0.008 * math.Pow(6.25, w.Float64()) // 0.008 to 0.05
	return w
}

func (w *world) between(from, to float64) float64 { return from + (to-from)*w.Float64() }

// item is how one item of a shop is used and counted.
type item struct {
	uses, piece float64 // a month, and the largest size of one
	tolerance   float64 // share of the figure, with a floor
	floor       float64
}

func (w *world) item() item {
	uses := 40 * math.Pow(20, w.Float64())
	switch w.IntN(4) {
	case 0: // a length, measured or weighed
		return item{uses, 310, 0.02, 310.0 / 4}
	case 1: // several at a time
		return item{uses, 5, 0.005, 0.5}
	}
	return item{uses, 1, 0.005, 0.5}
}

// series draws n intervals of an item, of about a month each. ratio is what each use takes, in spec uses; leak the share of use that is lost piece by piece.
func (w *world) series(it item, n int, ratio, leak float64) noise.Series {
	s := noise.Series{}
	var used, squares float64
	var before, variance float64
	for k := range n + 1 {
		uses := math.Round(it.uses * w.between(0.6, 1.4))
		seen := uses * it.piece * w.between(0.3, 2) // what stands on the shelf when it is counted
		sigma := max(it.tolerance*seen, it.floor) / 1.959964
		after := w.worse * sigma * w.NormFloat64()
		if k > 0 {
			span := noise.Span{Open: variance, Close: sigma * sigma, Days: 28 + float64(w.IntN(6))}
			for range int(uses) {
				q := it.piece
				if q > 1 && q < 100 {
					q = 1 + float64(w.IntN(int(q)))
				}
				span.Used += q
				span.Squares += q * q
			}
			span.Unknown = (ratio-1)*span.Used + before - after + w.worse*math.Sqrt(w.phi*span.Squares)*w.NormFloat64()
			if ratio == 1 {
				span.Unknown += w.mu * span.Used
			}
			span.Unknown += w.poisson(leak * span.Used)
			used += span.Used
			squares += span.Squares
			s.Spans = append(s.Spans, span)
		}
		before, variance = after, sigma*sigma
	}
	s.Piece = squares / used
	return s
}

func (w *world) poisson(mean float64) float64 {
	n := 0.0
	for t := w.ExpFloat64(); t < mean; t += w.ExpFloat64() {
		n++
	}
	return n
}

// table draws the other items of a shop.
func (w *world) table(items, intervals int) []noise.Series {
	var all []noise.Series
	for range items {
		all = append(all, w.series(w.item(), intervals, 1, 0))
	}
	return all
}

// falseTables is the share of tables without a leak that show a signal, of shops with a range of items.
func falseTables(n, from, to, intervals int, worse float64) float64 {
	shown := 0
	for run := range n {
		w := newWorld(1, uint64(run))
		w.worse = worse
		for _, v := range noise.Judge(w.table(from+w.IntN(to-from+1), intervals)) {
			if v.Signal {
				shown++
				break
			}
		}
	}
	return float64(shown) / float64(n)
}

// leaks is the share of leaks that are flagged, and that of leaks above what was said to be detectable.
func leaks(n int, piece float64) (flagged, above float64) {
	var found, stated, beyond int
	for run := range n {
		w := newWorld(2, uint64(run))
		all := w.table(11+w.IntN(13), 3)
		it := item{w.between(300, 800) * 1.6667, piece, 0.005, 0.5} // at least 300 used where uses vary most
		all = append(all, w.series(it, 3, 1, 0.05))
		v := noise.Judge(all)[len(all)-1]
		if v.Signal {
			found++
		}
		if lost := 0.05 * v.Sum.Used; lost >= v.Detectable {
			beyond++
			if v.Signal {
				stated++
			}
		}
	}
	return float64(found) / float64(n), float64(stated) / float64(beyond)
}

// detected is how often a leak as large as what is stated to be detectable is a signal; near 0.9 if the statement is right.
func detected(n int) float64 {
	found, told := 0, 0
	for run := range n {
		w := newWorld(3, uint64(run))
		all := w.table(12+w.IntN(13), 3)
		i := w.IntN(len(all))
		v := noise.Judge(all)[i]
		if v.Signal {
			continue
		}
		told++
		// The same months once more, other noise, and as much lost as was said to be found.
		s := all[i]
		spans := append([]noise.Span(nil), s.Spans...)
		used := v.Sum.Used
		var before float64
		for k := range spans {
			after := math.Sqrt(spans[k].Close) * w.NormFloat64()
			if k == 0 {
				before = math.Sqrt(spans[k].Open) * w.NormFloat64()
			}
			lost := v.Detectable * spans[k].Used / used / s.Piece
			spans[k].Unknown = w.mu*spans[k].Used + before - after + math.Sqrt(w.phi*spans[k].Squares)*w.NormFloat64() + s.Piece*w.poisson(lost)
			before = after
		}
		all[i] = noise.Series{Spans: spans, Piece: s.Piece}
		if noise.Judge(all)[i].Signal {
			found++
		}
	}
	return float64(found) / float64(told)
}

// ratios is the share of ratios whose interval covers the truth, and of bounds of the unknown that do.
func ratios(n int) (covered, bounds float64) {
	in, sums := 0, 0
	for run := range n {
		w := newWorld(4, uint64(run))
		intervals := 3 + w.IntN(10)
		all := w.table(11+w.IntN(13), intervals)
		truth := 0.9 * math.Pow(2.4, w.Float64())
		s := w.series(w.item(), intervals, truth, 0)
		all = append(all, s)
		u := noise.Others(all)[len(all)-1]
		r, err := u.Ratio(s)
		if err != nil {
			panic(err)
		}
		if r.Low <= truth && truth <= r.High {
			in++
		}
		last := noise.Others(all)[0].Sum(all[0].Spans, all[0].Piece)
		if low, high := last.Bounds(); low <= w.mu*last.Used && w.mu*last.Used <= high {
			sums++
		}
	}
	return float64(in) / float64(n), float64(sums) / float64(n)
}

// slack is how far a share may be off its bound at a reduced size: two standard errors.
func slack(p float64, n int) float64 {
	if *full {
		return 0
	}
	return 2 * math.Sqrt(p*(1-p)/float64(n))
}

func TestCalibration(t *testing.T) {
	tables, runs := 400, 200
	if *full {
		tables, runs = 4000, 2000
	}
	shown, doubled := falseTables(tables, 12, 24, 3, 1), falseTables(tables, 12, 24, 3, 2)
	few, first := falseTables(tables, 2, 6, 3, 1), falseTables(tables, 12, 24, 1, 1)
	flagged, above := leaks(runs, 1)
	several, _ := leaks(runs, 3)
	stated := detected(runs)
	covered, bounds := ratios(runs)
	report := fmt.Sprintf(calibration,
		tables, percent(shown), tables, percent(doubled), tables, percent(few), tables, percent(first), runs, percent(flagged), percent(above), runs, percent(several), runs, percent(stated), runs, percent(covered), runs, percent(bounds))
	t.Log("\n" + report)
	if most := 0.057 + slack(0.05, tables); shown > most {
		t.Errorf("%s of tables without a leak show a signal; at most %s may", percent(shown), percent(most))
	}
	if least := 0.9 - slack(0.9, runs); flagged < least {
		t.Errorf("%s of leaks are flagged; at least %s should be", percent(flagged), percent(least))
	}
	if low, high := 0.93-slack(0.95, runs), 0.97+slack(0.95, runs); covered < low || covered > high {
		t.Errorf("the ratio's interval covers the truth in %s of runs; want %s to %s", percent(covered), percent(low), percent(high))
	}
	if *write {
		if !*full {
			t.Fatal("write the figures of the full size: -full -write")
		}
		if err := os.WriteFile("testdata/calibration.md", []byte(report), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func percent(x float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", 100*x), ".0") + " %" }

const calibration = `# Calibration of the noise model

Written by ` + "`go test ./projections/noise -run TestCalibration -full -write`" + `; the seeds are fixed, so the same figures come again. Shops are drawn from the model that
package noise states: 12 to 24 items, each used 40 to 800 times a month (one piece, one to five pieces, or a length of 310 mm at a time), counted with the
default tolerances, usual waste 0 to 3 %%, φ 0.008 to 0.05, four counts.

| what | of | share | wanted |
| --- | --- | --- | --- |
| tables without a leak that show any signal | %d tables | %s | at most 5.7 %% |
| the same, every noise twice as large as the model says | %d tables | %s | reported, not judged |
| the same in shops of 2 to 6 items | %d tables | %s | reported, not judged |
| the same after two counts instead of four | %d tables | %s | reported, not judged |
| leaks of 5 %% of use, pieces used one by one, 300 and more an interval, that are flagged | %d shops | %s | at least 90 %% |
| … of those above the loss that was stated to be detectable | | %s | |
| the same leak where one to three pieces are used at a time | %d shops | %s | reported, not judged |
| losses as large as what was stated to be detectable that are flagged | %d shops | %s | about 90 %% |
| ratios of 0.9 to 2.16 over 3 to 12 intervals whose 95 %% interval covers the truth | %d shops | %s | 93 to 97 %% |
| bounds of the unknown that hold what was really lost | %d shops | %s | about 95 %% |
`
