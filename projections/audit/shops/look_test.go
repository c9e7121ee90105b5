package shops_test

import (
	"flag"
	"fmt"
	"testing"
	"time"

	"countback/projections/audit"
	"countback/projections/bridge"
	"countback/projections/fold"
	"countback/projections/report"
)

var look = flag.Uint64("look", 0, "seed of a shop to look at, with -only CAUSE and -size")
var lookSize = flag.Int("size", 0, "0 obvious, 1 moderate")

// TestLook prints one shop's intervals and findings.
func TestLook(t *testing.T) {
	if *look == 0 {
		t.Skip("no seed")
	}
	var list []audit.Cause
	if *only != "" && *only != "none" {
		list = append(list, audit.Cause(*only))
	}
	z := sizes[*lookSize]
	size := 0.0
	s := plant(*look, func(s *shop) float64 { size = z.from + (z.to-z.from)*s.Float64(); return size }, list...)
	log := s.record()
	a := audit.Read(log, fold.Run{AsOf: epoch.AddDate(0, 0, s.asOf+1).UnixMilli() - 1})
	it, _ := log.Catalog.Find(s.supplies[s.item].id)
	w, _ := a.Record.Window(it.Index, bridge.Ask{})
	b := a.Record.Of(it.Index, w, time.UTC)
	r := a.Of(report.Style{Zone: time.UTC}, []bridge.Bridge{b})
	fmt.Printf("%+v\nsize %.2f sd %.2f window counts %d..%d box day %d onset/short %d %.3f misread %v\n", s.supplies[s.item], size, s.sd(), s.from, s.to, s.box, s.shortFrom, s.shortShare, s.misread)
	for k, n := range a.Table.Chains[it.Index].Intervals {
		lost := 0.0
		if s.lost != nil && s.lost[s.item] != nil {
			for d := s.counts[max(0, k-1)] + 1; k > 0 && d <= s.counts[k]; d++ {
				lost += s.lost[s.item][d]
			}
		}
		fmt.Println(k, time.UnixMilli(n.To.Ms).UTC().Format("2006-01-02"), "open", n.Opening, "in", n.In, "used", n.Used, "unknown", n.Unknown, "lost", lost)
	}
	fmt.Println(r.From, r.To)
	for _, p := range b.Parts {
		fmt.Println(p.Name, p.Qty)
	}
	for _, f := range r.Findings {
		fmt.Println(f.Rank, f.Cause, f.Weight, f.Qty, f.Why, f.Do)
	}
}
