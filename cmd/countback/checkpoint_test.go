package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"countback/ledger/store/sqlite"
	"countback/projections/resume"
)

// withCheckpoints lets folds leave checkpoints however short they are, and counts how they began.
func (b *bench) withCheckpoints(resumed, whole *atomic.Int64) {
	b.setUp = func(m *Main) {
		m.Build, m.checkpointAfter = "test", 1
		m.folded = func(from bool) {
			if from {
				resumed.Add(1)
			} else {
				whole.Add(1)
			}
		}
	}
}

// isReport tells the commands that add up what was, by their flag. With --apply one records, and the second time there is nothing left to record.
func isReport(args []string) bool {
	cmd, _, err := new(Main).root().Find(args)
	return err == nil && cmd.Flags().Lookup("no-checkpoint") != nil && !slices.Contains(args, "--apply")
}

// Every command of the transcripts prints the same where folds begin at checkpoints, and every report with --no-checkpoint.
func TestCheckpointsPrintTheSame(t *testing.T) {
	list, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(list) == 0 {
		t.Fatal("no transcripts in testdata", err)
	}
	var resumed, whole, reports atomic.Int64
	t.Run("transcripts", func(t *testing.T) {
		for _, path := range list {
			t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
				t.Parallel()
				script, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				want := play(newBench(t), string(script))
				b := newBench(t)
				b.withCheckpoints(&resumed, &whole)
				b.after = func(stdin string, args []string, o outcome) {
					if !isReport(args) {
						return
					}
					reports.Add(1)
					m, out, errs := b.main(stdin, append(slices.Clone(args), "--no-checkpoint")...)
					if again := (outcome{m.Run(context.Background()), out.String(), errs.String()}); again != o {
						t.Errorf("countback %s prints\n%s%s\nand with --no-checkpoint\n%s%s", strings.Join(args, " "), o.out, o.errors, again.out, again.errors)
					}
				}
				if got := play(b, string(script)); got != want {
					t.Errorf("with checkpoints %s differs\n%s", path, firstDifference(want, got))
				}
			})
		}
	})
	t.Logf("%d reports printed twice; %d folds began at a checkpoint, %d at the first event", reports.Load(), resumed.Load(), whole.Load())
	if resumed.Load() < 20 || reports.Load() < 10 {
		t.Errorf("only %d folds began at a checkpoint, of %d reports", resumed.Load(), reports.Load())
	}
}

// Every command that asks about the past has the flag.
func TestReportsHaveNoCheckpoint(t *testing.T) {
	for _, cmd := range new(Main).root().Commands() {
		if cmd.Flags().Lookup("as-of") != nil && cmd.Flags().Lookup("no-checkpoint") == nil {
			t.Errorf("%s has no --no-checkpoint", cmd.Name())
		}
	}
}

// packs records orders and their packs.
func (b *bench) packs(from, to int) {
	b.t.Helper()
	var facts strings.Builder
	for i := from; i < to; i++ {
		day := fmt.Sprintf("2026-02-%02dT12:00:00-04:00", 1+i%28)
		fmt.Fprintf(&facts, `{"kind":"order","time":%q,"data":{"order":"N-%d","zone":"ca","lines":[{"item":"fern-card","qty":"1"}]}}`+"\n", day, i)
		fmt.Fprintf(&facts, `{"kind":"pack","time":%q,"data":{"order":"N-%d"}}`+"\n", day, i)
	}
	b.must("record", b.file(fmt.Sprintf("facts-%d.jsonl", from), facts.String()))
}

func (b *bench) checkpoints() int {
	b.t.Helper()
	s, err := sqlite.Open(filepath.Join(b.data, "ledger.db"), sqlite.Options{})
	if err != nil {
		b.t.Fatal(err)
	}
	defer s.Close()
	points, err := s.Checkpoints(context.Background(), resume.Key("test"))
	if err != nil {
		b.t.Fatal(err)
	}
	return len(points)
}

// A checkpoint that can't be saved is no fault of the report, and a short ledger has none.
func TestACheckpointThatCantBeSaved(t *testing.T) {
	b := newBench(t).shop()
	b.packs(0, 20)
	want := b.must("stock", "--json")
	b.setUp = func(m *Main) { m.Build = "test" }
	if b.must("stock", "--json"); b.checkpoints() != 0 {
		t.Error("a short ledger has checkpoints")
	}
	b.setUp = func(m *Main) { m.Build, m.checkpointAfter, m.MaxBytes = "test", 1, 1 }
	if o := b.run("stock", "--json"); o.status != 0 || o.errors != "" || o.out != want {
		t.Errorf("on a full disk: %+v", o)
	}
	if n := b.checkpoints(); n != 0 {
		t.Errorf("%d checkpoints on a full disk", n)
	}
	b.setUp = func(m *Main) { m.Build, m.checkpointAfter = "test", 1 }
	if b.must("stock", "--no-checkpoint"); b.checkpoints() != 0 {
		t.Error("--no-checkpoint left one")
	}
	if b.must("stock", "--known", "2026-03-02"); b.checkpoints() != 0 {
		t.Error("--known left one")
	}
	if b.must("stock"); b.checkpoints() == 0 {
		t.Error("no checkpoint where there is room")
	}
}
