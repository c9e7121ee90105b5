package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestDemo(t *testing.T) {
	b := newBench(t)
	temp := filepath.Join(b.dir, "temp")
	if err := os.Mkdir(temp, 0o700); err != nil {
		t.Fatal(err)
	}
	t.Setenv("TMPDIR", temp)
	out := b.must("demo")
	for _, word := range []string{"Fennimoor Paper", "facts were recorded", "$ countback stock", "$ countback cost --by month", "What ran short", "stiffener", "$ countback history stiffener", "$ countback shrinkage stiffener", "$ countback audit stiffener", "168 days early", "1 would be 2", "2026-10"} {
		if !strings.Contains(out, word) {
			t.Errorf("the demo doesn't say %q", word)
		}
	}
	if list, _ := os.ReadDir(temp); len(list) != 0 {
		t.Error("the demo left its folder behind:", list)
	}
	if _, err := os.Stat(b.data); err == nil {
		t.Error("the demo touched the person's own ledger")
	}
	if again := b.must("demo"); again != out {
		t.Error("two runs of the demo differ:", firstDifference(out, again))
	}
	kept := filepath.Join(b.dir, "kept")
	if json := b.must("demo", "--keep", kept, "--json"); !strings.HasPrefix(json, "{") {
		t.Errorf("%.100s", json)
	}
	b.data = kept
	if out := b.must("verify"); !strings.Contains(out, "Every one is whole") {
		t.Error(out)
	}
}

// What the demo shop really lost, and why, is what the reports find: from June on two stiffeners go into a flat mailer, and the spec says one.
func TestDemoFindsTheStiffeners(t *testing.T) {
	b := newBench(t)
	b.data = filepath.Join(b.dir, "kept")
	b.must("demo", "--keep", b.data, "--json")
	type row struct {
		Item     string
		Signal   bool
		Proposed *struct{ Qty, Format string }
		From     string
		Changed  bool
	}
	rows := func(args ...string) []row {
		var out struct{ Items []row }
		if err := json.Unmarshal([]byte(b.must(append(args, "--json")...)), &out); err != nil {
			t.Fatal(err)
		}
		return out.Items
	}
	signals := func(asOf string) map[string]bool {
		found := map[string]bool{}
		for _, r := range rows("shrinkage", "--as-of", asOf) {
			if r.Signal {
				found[r.Item] = true
			}
		}
		return found
	}
	if before := signals("2026-05-31"); before["stiffener"] || len(before) > 3 {
		t.Errorf("before anything went wrong: %v", before)
	}
	for _, month := range []string{"2026-06-30", "2026-07-31", "2026-10-31"} {
		if found := signals(month); !found["stiffener"] || len(found) > 4 {
			t.Errorf("%s: %v", month, found)
		}
	}
	proposed := 0
	for _, r := range rows("use", "--as-of", "2026-10-31") {
		if r.Proposed == nil {
			continue
		}
		proposed++
		if r.Item != "stiffener" || r.Proposed.Qty != "2" || r.Proposed.Format != "flat mailer" || !r.Changed || !strings.HasPrefix(r.From, "2026-05-31") {
			t.Errorf("%+v", r)
		}
	}
	if proposed != 1 {
		t.Errorf("%d proposals", proposed)
	}
	b.now = b.now.AddDate(0, 8, 0)
	b.must("use", "stiffener", "--apply", "--since", "2026-06-01")
	if after := signals("2026-10-31"); after["stiffener"] {
		t.Error("the spec was put right, and stiffeners are still missing")
	}
}
