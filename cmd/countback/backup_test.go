package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// busy is the shop with some events.
func busy(t *testing.T) *bench {
	b := newBench(t).shop()
	b.must("restock", "board", "2", "box", "--cost", "64", "--at", "2026-01-05")
	b.must("pack", "2041", "fern-card=1", "--to", "home", "--at", "2026-01-07")
	b.must("count", "board", "280", "--at", "2026-01-31")
	return b
}

func TestBackupAndRestore(t *testing.T) {
	for _, sealed := range []bool{false, true} {
		b := busy(t)
		var pass []string
		if sealed {
			pass = []string{"--passphrase-file", b.file("phrase", "seven grey boards\nsecond line\n")}
		}
		path := filepath.Join(b.dir, "a.backup")
		b.must(append([]string{"backup", path}, pass...)...)
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
			t.Error(info.Mode(), err)
		}
		raw, _ := os.ReadFile(path)
		if sealed == bytes.HasPrefix(raw, []byte{0x1f, 0x8b}) {
			t.Error("sealed", sealed, "but it begins with", raw[:4])
		}
		stock, events := b.must("stock", "--json", "--as-of", "2026-02-01"), b.must("export", "events")
		oldKey, _ := os.ReadFile(keyPath(b.data))

		b.data = filepath.Join(b.dir, "again")
		b.must(append([]string{"restore", path}, pass...)...)
		if got := b.must("stock", "--json", "--as-of", "2026-02-01"); got != stock {
			t.Error("the restored stock differs", got)
		}
		newKey, _ := os.ReadFile(keyPath(b.data))
		if bytes.Equal(oldKey, newKey) {
			t.Error("the restored desk has the old key")
		}
		got := b.must("export", "events")
		added, ok := strings.CutPrefix(got, events)
		if !ok || strings.Count(added, "\n") != 1 || !strings.Contains(added, `"devseq":1`) || !strings.Contains(added, `"succeeds"`) {
			t.Errorf("the new log begins with %s", added)
		}
		b.must("count", "board", "279")
		b.must("verify")
		b.refused(statusUse, append([]string{"restore", path}, pass...), "a ledger is here already")
	}
}

func TestBackupOverwritesNothing(t *testing.T) {
	b := busy(t)
	path := b.file("a.backup", "mine")
	b.refused(statusUse, []string{"backup", path}, "there already")
	if text, _ := os.ReadFile(path); string(text) != "mine" {
		t.Error("it was overwritten")
	}
	b.refused(statusUse, []string{"export", "stock", "--out", path}, "there already")
	b.refused(statusUse, []string{"backup", filepath.Join(b.dir, "no", "such", "a.backup")}, "a.backup")
	if list, _ := filepath.Glob(filepath.Join(b.dir, ".*")); len(list) > 0 {
		t.Error("left behind:", list)
	}
}

func TestRestoreRefusesWhatIsNoWholeBackup(t *testing.T) {
	b := busy(t)
	phrase, other := b.file("phrase", "seven grey boards\n"), b.file("other", "eight\n")
	plainPath, sealedPath := filepath.Join(b.dir, "plain.backup"), filepath.Join(b.dir, "sealed.backup")
	b.must("backup", plainPath)
	b.must("backup", sealedPath, "--passphrase-file", phrase)
	whole, err := os.ReadFile(plainPath)
	if err != nil {
		t.Fatal(err)
	}
	b.data = filepath.Join(b.dir, "again")
	b.refused(statusUse, []string{"restore", sealedPath}, "sealed", "--passphrase-file")
	b.refused(statusUse, []string{"restore", sealedPath, "--passphrase-file", other}, "passphrase doesn't open")
	b.refused(statusUse, []string{"restore", b.file("empty", "")}, "isn't a whole backup")
	b.refused(statusUse, []string{"restore", b.file("letter", "dear customer, thank you for the order")}, "isn't a whole backup")
	b.refused(statusUse, []string{"restore", filepath.Join(b.dir, "nowhere")}, "no such file")
	for n := 1; n < len(whole); n += max(1, len(whole)/40) {
		b.refused(statusUse, []string{"restore", b.file("cut", string(whole[:n]))}, "isn't a whole backup")
	}
	for n := 12; n < len(whole); n += max(1, len(whole)/40) {
		bad := bytes.Clone(whole)
		bad[n] ^= 0x10
		b.refused(statusUse, []string{"restore", b.file("flipped", string(bad))}, "isn't a whole backup")
	}
	if list, err := os.ReadDir(b.data); err == nil && len(list) > 0 {
		t.Error("a refused restore left something behind:", list)
	}
	b.must("restore", plainPath)
}

// A file of facts from an export, recorded in another ledger, says the same.
func TestExportedFactsCanBeRecorded(t *testing.T) {
	b := busy(t)
	facts := b.must("export", "events", "--facts")
	stock := b.must("stock", "--format", "csv")
	b.data = filepath.Join(b.dir, "other")
	b.must("init", "--shop", "Other", "--currency", "CAD", "--zone", "America/Halifax")
	path := b.file("facts.jsonl", facts)
	b.must("record", path)
	if got := b.must("stock", "--format", "csv"); got != stock {
		t.Errorf("%s\nwant %s", got, stock)
	}
	if out := b.must("record", path); !strings.Contains(out, "here already") {
		t.Error(out)
	}
	if got := b.must("stock", "--format", "csv"); got != stock {
		t.Error("recorded twice, it counts twice")
	}
}
