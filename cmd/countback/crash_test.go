//go:build unix

package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A process that records is killed at random moments. Whatever it has acknowledged is in the ledger, a fact file is in it whole or not at all, and the ledger
// opens and verifies. The seed is printed, so that a failure can be played again.
func TestKilledWhileRecording(t *testing.T) {
	rounds := 12
	if os.Getenv("COUNTBACK_FULL") == "1" {
		rounds = 500
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 0))
	b := newBench(t).shop()
	b.now = time.Now()
	const batch = 20
	acknowledged := map[string]bool{}
	span := 150 // milliseconds within which a process is killed; a slow machine needs more, or nothing would be recorded before
	for round := range rounds {
		script := fmt.Sprintf(`
i=0
while :; do
  i=$((i+1))
  "$0" damage board 1 --reason sample --note "one %d-$i" --json || exit 1
  "$0" record - --json < "%s" || exit 1
done`, round, batchFile(b, round, batch))
		cmd := exec.Command("/bin/sh", "-c", script, os.Args[0])
		cmd.Env = []string{"COUNTBACK_TEST_MAIN=1", "COUNTBACK_DATA=" + b.data, "PATH=" + os.Getenv("PATH")}
		cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.AfterFunc(time.Duration(10+dice.IntN(span))*time.Millisecond, func() {
			_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // the shell and the program that it runs, which are ours alone
		})
		ids := recordedIDs(bufio.NewReader(out))
		for _, id := range ids {
			acknowledged[id] = true
		}
		if len(ids) == 0 {
			span *= 2
		} else {
			span = max(span/2, 150)
		}
		_ = cmd.Wait() // killed, as was wanted
		held := map[string]int{}
		for line := range strings.Lines(b.must("export", "events")) {
			held[ulidText.FindString(line)]++
		}
		for id := range acknowledged {
			if held[id] != 1 {
				t.Fatalf("round %d: the acknowledged event %s is held %d times", round, id, held[id])
			}
		}
		if n := strings.Count(b.must("export", "events"), `"note":"batch`); n%batch != 0 {
			t.Fatalf("round %d: %d events of batches of %d", round, n, batch)
		}
		b.must("verify", "--signatures")
		b.must("damage", "board", "1", "--reason", "sample")
	}
	if len(acknowledged) == 0 {
		t.Error("nothing was recorded before the kills; the test tests nothing")
	}
}

// batchFile writes facts without ids: each recording of the file adds all of them.
func batchFile(b *bench, round, n int) string {
	var text strings.Builder
	for i := range n {
		fmt.Fprintf(&text, `{"kind":"damage","time":"2026-01-06T12:00:00-04:00","data":{"item":"board","qty":"1","reason":"sample","note":"batch %d %d"}}`+"\n", round, i)
	}
	return b.file(filepath.Base(fmt.Sprintf("batch%d.jsonl", round)), text.String())
}

// recordedIDs reads the answers of recording commands, up to one that was cut short.
func recordedIDs(in *bufio.Reader) (ids []string) {
	dec := json.NewDecoder(in)
	for {
		var p posted
		if dec.Decode(&p) != nil {
			return ids
		}
		for _, e := range p.Recorded {
			ids = append(ids, e.Event)
		}
	}
}
