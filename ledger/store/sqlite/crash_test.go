//go:build !js

package sqlite_test

import (
	"bufio"
	"context"
	"crypto/rand"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	mathrand "math/rand"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
)

var ctx = context.Background()

// childEnv makes the test binary another program: "append FILE" or "create FILE".
const childEnv = "COUNTBACK_TEST_CHILD"

func TestMain(m *testing.M) {
	if job := os.Getenv(childEnv); job != "" {
		if err := child(job, os.Args[len(os.Args)-1]); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func child(job, path string) error {
	if job == "create" {
		st, err := sqlite.Create(path)
		if err != nil {
			return err
		}
		return st.Close()
	}
	st, err := sqlite.Open(path, sqlite.Options{})
	if err != nil {
		return err
	}
	l := storetest.NewLog(1, "")
	r := &record.Recorder{Store: st, Key: l.Key, Shop: l.Shop, Now: time.Now, Entropy: rand.Reader}
	for i := 0; ; i++ {
		facts := make([]event.Fact, 1+i%5)
		for k := range facts {
			facts[k] = event.Fact{Time: event.TimeOf(time.Now()), Data: storetest.Order(fmt.Sprintf("W-%d-%d", i, k), 1)}
		}
		res, err := r.Record(ctx, facts, nil)
		if err != nil {
			return err
		}
		for _, id := range res.IDs {
			fmt.Println(id)
		}
	}
}

func childCommand(t *testing.T, job, path string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0], path)
	cmd.Env = append(os.Environ(), childEnv+"="+job)
	return cmd
}

// A program that appends is killed at random moments. Afterwards the ledger opens, its chain is whole, and it holds every event that was acknowledged.
func TestKilledWhileAppending(t *testing.T) {
	kills := 20
	if os.Getenv("COUNTBACK_FULL") != "" {
		kills = 200
	}
	path := filepath.Join(t.TempDir(), "ledger.db")
	st, err := sqlite.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	l := storetest.NewLog(1, "")
	storetest.Put(t, st, storetest.Some(l, 2)...)
	st.Close()
	random := mathrand.New(mathrand.NewSource(1))
	var acknowledged []event.ID
	for n := range kills {
		ids := killOnce(t, path, time.Duration(random.Intn(60))*time.Millisecond)
		acknowledged = append(acknowledged, ids...)
		st, err := sqlite.Open(path, sqlite.Options{})
		if err != nil {
			t.Fatalf("after kill %d: %v", n, err)
		}
		for _, id := range ids {
			if rows, err := st.ByID(ctx, id); err != nil || len(rows) != 1 {
				t.Errorf("after kill %d: event %s was acknowledged, and %d are held (%v)", n, id, len(rows), err)
			}
		}
		if n%10 == 9 {
			wantWhole(t, st)
		}
		st.Close()
	}
	if len(acknowledged) < kills {
		t.Errorf("only %d events were acknowledged in %d runs; the test shows nothing", len(acknowledged), kills)
	}
}

// killOnce starts the appending program, waits for its first acknowledgement and then as long as told, kills it, and returns what it had acknowledged.
func killOnce(t *testing.T, path string, after time.Duration) (ids []event.ID) {
	t.Helper()
	cmd := childCommand(t, "append", path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		id, err := event.ParseID(lines.Text())
		if err != nil {
			if len(lines.Text()) >= 26 || len(ids) == 0 { // a line cut off by the kill is nothing
				t.Errorf("the program said %q", lines.Text())
			}
			break
		}
		if ids = append(ids, id); len(ids) == 1 {
			time.AfterFunc(after, func() { cmd.Process.Kill() })
		}
	}
	cmd.Process.Kill()
	cmd.Wait()
	return ids
}

func wantWhole(t *testing.T, st store.Store) {
	t.Helper()
	r, err := chain.Audit(ctx, st, chain.Options{Signatures: true})
	if err != nil || len(r.Faults) != 0 {
		t.Errorf("%v %+v", err, r.Faults[:min(len(r.Faults), 5)])
	}
}

func TestSeveralProcessesAppend(t *testing.T) {
	st := create(t)
	storetest.Put(t, st, storetest.Some(storetest.NewLog(1, ""), 2)...)
	done := make(chan []event.ID)
	for range 3 {
		go func() { done <- killOnce(t, st.Path(), 150*time.Millisecond) }()
	}
	var ids []event.ID
	for range 3 {
		ids = append(ids, <-done...)
	}
	slices.SortFunc(ids, event.ID.Compare)
	if unique := slices.Compact(slices.Clone(ids)); len(unique) != len(ids) {
		t.Errorf("%d of %d ids are doubled", len(ids)-len(unique), len(ids))
	}
	for _, id := range ids {
		if rows, err := st.ByID(ctx, id); err != nil || len(rows) != 1 {
			t.Errorf("event %s: %d rows, %v", id, len(rows), err)
		}
	}
	wantWhole(t, st)
}
