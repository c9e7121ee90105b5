//go:build unix

package main

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"countback/ledger/key"
)

// TestMain lets the test binary be the program itself, for tests that need a process of its own.
func TestMain(m *testing.M) {
	if os.Getenv("COUNTBACK_TEST_MAIN") != "" {
		main()
	}
	status := m.Run()
	dropBuild()
	os.Exit(status)
}

func TestDamagedLedgers(t *testing.T) {
	whole := func(t *testing.T) (*bench, []byte) {
		b := newBench(t).shop()
		b.must("restock", "board", "2", "box", "--cost", "64", "--at", "2026-01-05")
		file, err := os.ReadFile(ledgerPath(b.data))
		if err != nil {
			t.Fatal(err)
		}
		return b, file
	}
	put := func(t *testing.T, b *bench, file []byte) {
		for _, end := range []string{"-wal", "-shm"} {
			os.Remove(ledgerPath(b.data) + end)
		}
		if err := os.WriteFile(ledgerPath(b.data), file, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		name   string
		damage func([]byte) []byte
		words  []string
	}{
		{"empty", func(b []byte) []byte { return nil }, []string{"ledger.db", "is damaged", "restore"}},
		{"a few bytes", func(b []byte) []byte { return b[:50] }, []string{"ledger.db", "is damaged", "restore"}},
		{"cut off in the middle", func(b []byte) []byte { return b[:len(b)/2/4096*4096] }, []string{"ledger.db", "is damaged", "restore"}},
		{"another file", func(b []byte) []byte { return []byte(strings.Repeat("not a ledger ", 1000)) }, []string{"is damaged", "restore"}},
		{"another program's database", func(b []byte) []byte { b[68]++; return b }, []string{"is damaged", "another program"}},
		{"a newer layout", func(b []byte) []byte { binary.BigEndian.PutUint32(b[60:], 99); return b }, []string{"newer program", "current version"}},
		{"zeros inside", func(b []byte) []byte { clear(b[4096 : len(b)-4096]); return b }, []string{"is damaged", "restore"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			b, file := whole(t)
			put(t, b, c.damage(file))
			b.refused(statusMachine, []string{"stock"}, c.words...)
			b.refused(statusMachine, []string{"restock", "board", "1", "--cost", "1"}, c.words...)
			if o := b.run("verify"); o.status != statusMachine || strings.Contains(o.errors, "run verify") {
				t.Errorf("verify: %d %s", o.status, o.errors)
			}
		})
	}
}

func TestKeyFiles(t *testing.T) {
	b := newBench(t).shop()
	info, err := os.Stat(keyPath(b.data))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key's mode is %v, %v", info.Mode(), err)
	}
	if err := os.WriteFile(keyPath(b.data), []byte("SUxxx"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.refused(statusMachine, []string{"count", "board", "1"}, "device.key", "can't be read", "restore")
	os.Remove(keyPath(b.data))
	b.refused(statusMachine, []string{"count", "board", "1"}, "device.key", "missing", "restore")
	b.must("stock") // reading needs no key
}

func TestFoldersThatAreNoLedger(t *testing.T) {
	b := newBench(t)
	b.refused(statusUse, []string{"stock"}, "no ledger here", "countback init")
	b.refused(statusUse, []string{"count", "board", "1"}, "no ledger here")
	b.refused(statusUse, []string{"init", "--shop", "A", "--currency", "CAD", "--zone", "America/Halifax", "--data", b.dir + "/x/../full"}[0:1], "--shop")
	full := filepath.Join(b.dir, "full")
	if err := os.MkdirAll(full, 0o700); err != nil {
		t.Fatal(err)
	}
	b.file("full/letter.txt", "dear customer")
	b.refused(statusUse, []string{"init", "--shop", "A", "--currency", "CAD", "--zone", "America/Halifax", "--data", full}, "isn't empty", "letter.txt")
	if list, _ := os.ReadDir(full); len(list) != 1 {
		t.Error("the refused init left something behind", list)
	}
	path := b.file("file", "x")
	b.refused(statusMachine, []string{"init", "--shop", "A", "--currency", "CAD", "--zone", "America/Halifax", "--data", path}, path)
}

// On a full disk nothing is recorded and what was there stays; the limit stands in for the disk's.
func TestFullDisk(t *testing.T) {
	b := newBench(t).shop()
	before := b.must("export", "events")
	info, err := os.Stat(ledgerPath(b.data))
	if err != nil {
		t.Fatal(err)
	}
	var facts strings.Builder
	for range 2000 {
		facts.WriteString(`{"kind":"damage","time":"2026-01-06T12:00:00-04:00","data":{"item":"board","qty":"1","reason":"sample","note":"` + strings.Repeat("x", 500) + `"}}` + "\n")
	}
	path := b.file("many.jsonl", facts.String())
	b.setUp = func(m *Main) { m.MaxBytes = info.Size() + 200_000 }
	b.refused(statusMachine, []string{"record", path}, "no space left", "nothing was recorded", "free some space")
	b.setUp = nil
	if after := b.must("export", "events"); after != before {
		t.Error("the ledger changed")
	}
	b.must("count", "board", "5")
}

// A folder that may not be written, tried as a user who isn't root, to whom every folder is open.
func TestReadOnlyFolder(t *testing.T) {
	dir, err := os.MkdirTemp("", "countback-test-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "countback")
	copyFile(t, os.Args[0], program)
	b := newBench(t)
	b.data = filepath.Join(dir, "ledger")
	b.shop()
	if err := os.Chmod(b.data, 0o555); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{ledgerFile, keyFile} {
		if err := os.Chmod(filepath.Join(b.data, name), 0o444); err != nil {
			t.Fatal(err)
		}
	}
	run := func(args ...string) (int, string) {
		cmd := exec.Command(program, args...)
		cmd.Env = []string{"COUNTBACK_TEST_MAIN=1", "COUNTBACK_DATA=" + b.data, "HOME=" + dir}
		cmd.Dir = "/"
		if os.Geteuid() == 0 {
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		}
		var errs strings.Builder
		cmd.Stderr = &errs
		err := cmd.Run()
		var exit *exec.ExitError
		if err != nil && !errors.As(err, &exit) {
			t.Fatal(err)
		}
		return cmd.ProcessState.ExitCode(), errs.String()
	}
	for _, args := range [][]string{{"count", "board", "5"}, {"stock"}, {"init", "--shop", "A", "--currency", "CAD", "--zone", "America/Halifax", "--data", filepath.Join(dir, "new")}} {
		status, text := run(args...)
		if status != statusMachine || strings.Count(text, "\n") != 1 || !strings.Contains(text, "right") {
			t.Errorf("countback %s: status %d, %s", args[0], status, text)
		}
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY, 0o755)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(out, in); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
}

// A report that nobody can take in is a fault of the machine.
func TestOutputThatCantBeWritten(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here")
	}
	defer full.Close()
	b := newBench(t).shop()
	for _, args := range [][]string{{"stock"}, {"stock", "--json"}, {"stock", "--format", "csv"}, {"export", "events"}} {
		m, _, errs := b.main("", args...)
		m.Stdout = full
		if status := m.Run(context.Background()); status != statusMachine || !strings.Contains(errs.String(), "no space") {
			t.Errorf("%v: status %d, %s", args, status, errs)
		}
	}
}

// No secret reaches what the program prints or writes, but for the key file and a backup.
func TestSecretsStayInTheirFile(t *testing.T) {
	b := newBench(t).shop()
	k, err := readKey(b.data)
	if err != nil {
		t.Fatal(err)
	}
	secret := seedOf(t, k)
	var all strings.Builder
	for _, args := range [][]string{{"stock", "--json"}, {"export", "events"}, {"export", "events", "--facts"}, {"verify"}, {"review"}, {"history", "board"}, {"init", "--shop", "x"}, {"version"}} {
		o := b.run(args...)
		all.WriteString(o.out + o.errors)
	}
	db, err := os.ReadFile(ledgerPath(b.data))
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(all.String(), secret) || strings.Contains(string(db), secret) {
		t.Error("the secret got out")
	}
}

func seedOf(t *testing.T, k *key.Key) string {
	t.Helper()
	seed, err := k.Seed()
	if err != nil {
		t.Fatal(err)
	}
	return string(seed)
}

// Two programs record into one folder at once; each entry is there once.
func TestTwoProgramsRecordAtOnce(t *testing.T) {
	b := newBench(t).shop()
	const each = 15
	done := make(chan string, 2)
	for range 2 {
		go func() {
			for range each {
				m, _, errs := b.main("", "damage", "board", "1", "--reason", "sample")
				m.Entropy = strings.NewReader(strings.Repeat(time.Now().String(), 10))
				if m.Run(context.Background()) != statusDone {
					done <- errs.String()
					return
				}
			}
			done <- ""
		}()
	}
	for range 2 {
		if text := <-done; text != "" {
			t.Error(text)
		}
	}
	if out := b.must("stock", "board", "--format", "csv"); !strings.Contains(out, ",-30,") {
		t.Error(out)
	}
}
