package main

import (
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
	for _, word := range []string{"Fennimoor Paper", "facts were recorded", "$ countback stock", "$ countback cost --by month", "What ran short", "stiffener", "$ countback history stiffener", "2026-10"} {
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
