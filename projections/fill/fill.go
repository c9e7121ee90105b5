// Package fill asks whether a supplier's packs hold what they promise, from deliveries that were counted when they came: restock lines that say what
// should have come (expected) beside what did.
//
// The model is the average requirement of NIST Handbook 133 (Checking the Net Contents of Packaged Goods, chapter 2 and appendix A, table 2-1), from
// memory: the mean error of a sample plus the sample error limit, the standard deviation times t(0.975, n-1)/√n, must not be below zero. The handbook
// judges packages of one size; here each delivery's error is a share of what it promised, so that deliveries of several packs count alike. Each line is one
// sample. Two lines are the least that can be judged.
//
// This is a package of estimates: floats, printed with four significant digits.
package fill

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"countback/ledger/catalog"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/fold"
)

// Verdict is what a sample of errors says. Errors are found - promised, in any one unit.
type Verdict struct {
	N      int
	Mean   float64 // of the errors
	SD     float64 // of the sample, n-1
	Factor float64 // the sample correction factor, t(0.975, n-1)/√n
	Limit  float64 // the sample error limit, SD·Factor: the half-width of the mean's 95 % interval
	Short  bool    // the mean error is below zero by more than the limit
	Enough bool    // there were at least two
}

// level is the one-sided level of the handbook's factors.
const level = 0.975

// Factor is the sample correction factor for n packages, n at least 2, at a one-sided level: t(level, n-1)/√n.
func Factor(n int, level float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile(level) / math.Sqrt(float64(n))
}

// Judge applies the average requirement to the errors of a sample.
func Judge(errors []float64) Verdict {
	v := Verdict{N: len(errors)}
	if v.N == 0 {
		return v
	}
	sum := 0.0
	for _, e := range errors {
		sum += e
	}
	v.Mean = sum / float64(v.N)
	if v.N < 2 {
		return v
	}
	squares := 0.0
	for _, e := range errors {
		squares = float64((e-v.Mean)*(e-v.Mean)) + squares
	}
	v.SD = math.Sqrt(squares / float64(v.N-1))
	v.Factor = Factor(v.N, level)
	v.Limit = float64(v.SD * v.Factor)
	v.Enough = true
	v.Short = v.Mean+v.Limit < 0
	return v
}

// maxShort are the labelled counts up to which a package may be short of so many pieces as stand at their place (NIST Handbook 133, appendix A,
// table 2-7, from memory).
var maxShort = []int64{17, 50, 83, 116, 150, 200, 240, 290, 345, 400, 465, 540, 625, 725, 815, 900, 990, 1075, 1165, 1250, 1333}

// MaxShort is the number of pieces by which a single package of a labelled count may be short (the maximum allowable variation); a package that lacks
// more is a fault by itself, whatever the mean says. Above 1,333 pieces it is 1.5 % of the count, to the nearest whole number, halves to even.
func MaxShort(count int64) int64 {
	if i, _ := slices.BinarySearch(maxShort, count); i < len(maxShort) {
		return int64(i)
	}
	n, rest := count*3/200, count*3%200
	if rest > 100 || rest == 100 && n%2 == 1 {
		n++
	}
	return n
}

// Line is how an item's counted deliveries from one supplier came. Quantities are exact, in base units.
type Line struct {
	Item       int
	Supplier   string // "" where the deliveries name none
	Deliveries int    // counted lines
	Promised   num.Qty
	Found      num.Qty
	Share      Verdict // of each line's error as a share of what it promised
	Events     []event.ID
}

// Of lists the counted deliveries up to an instant (ms, 0: all), by item and supplier. A line counts that says in base units how much should have come:
// one in packs says how many packs there were, not what was in them. Where whole packs are missing the line says nothing about the others either.
// Reversed lines don't count.
func Of(l *fold.Log, asOf int64) []Line {
	type key struct {
		item     int
		supplier string
	}
	found := map[key]*Line{}
	shares := map[key][]float64{}
	view := l.Catalog.Start()
	l.Events(func(e *event.Event, reversed bool) {
		d, ok := e.Data.(*event.Restock)
		if !ok || reversed || asOf != 0 && e.Time.Ms() > asOf {
			return
		}
		view.To(e.Key())
		for _, r := range d.Lines {
			it, ok := l.Catalog.Find(r.Item)
			if !ok || r.Expected == nil || r.Pack != "" || r.Expected.Sign() <= 0 {
				continue
			}
			promised, came := *r.Expected, *r.Qty
			if wholePacks(view, it.Index, promised.Sub(came)) {
				continue
			}
			k := key{it.Index, d.Supplier}
			line := found[k]
			if line == nil {
				line = &Line{Item: it.Index, Supplier: d.Supplier}
				found[k] = line
			}
			line.Deliveries++
			line.Promised = line.Promised.Add(promised)
			line.Found = line.Found.Add(came)
			line.Events = append(line.Events, e.ID)
			shares[k] = append(shares[k], came.Sub(promised).Float()/promised.Float())
		}
	})
	var lines []Line
	for k, line := range found {
		line.Share = Judge(shares[k])
		lines = append(lines, *line)
	}
	slices.SortFunc(lines, func(a, b Line) int { return cmp.Or(cmp.Compare(a.Item, b.Item), cmp.Compare(a.Supplier, b.Supplier)) })
	return lines
}

// wholePacks reports whether a quantity is one or more whole packs of an item.
func wholePacks(view *catalog.View, item int, qty num.Qty) bool {
	if qty.Sign() <= 0 {
		return false
	}
	for _, size := range view.Def(item).Packs {
		if qty.Ceil(size).Times(size).Cmp(qty) == 0 {
			return true
		}
	}
	return false
}
