package main

import (
	"context"
	"encoding/json"
	"os"
	"testing"
	"time"

	"countback/projections/fold"
	"countback/projections/history"
	"countback/projections/orders"
	"countback/projections/report"
	"countback/projections/review"
	"countback/projections/stock"
	"countback/sync/replicate/simulate"
)

// After a schedule of accidents every replica prints the same exact reports, byte for byte.
func TestReplicasReportTheSame(t *testing.T) {
	n := uint64(12)
	if os.Getenv("COUNTBACK_FULL") != "" {
		n = 300
	}
	moved := 0
	for seed := range n {
		res, err := simulate.Run(simulate.New(seed), nil)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		first := ""
		for _, r := range res.Replicas {
			text := exactReports(t, r)
			if first == "" {
				first = text
			}
			if text != first {
				t.Errorf("seed %d: %s reports otherwise than %s:\n%s\n%s", seed, r.Name, res.Replicas[0].Name, text, first)
			}
		}
		if len(res.Replicas) > 1 {
			moved += len(first)
		}
	}
	if moved < 1000 {
		t.Error("hardly anything was reported")
	}
}

func exactReports(t *testing.T, r *simulate.Replica) string {
	t.Helper()
	log, err := fold.Read(context.Background(), fold.Stored(r.Store), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	style := report.Style{Zone: time.UTC, Exact: true}
	state := log.Run(fold.Run{Orders: true})
	found, _ := review.Of(log, fold.Run{}, style)
	moves, _ := history.Of(log, fold.Run{}, style, history.What{Item: "board"})
	b, err := json.Marshal([]any{stock.Of(state, style, ""), orders.Of(state, style, ""), found, moves})
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
