package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"countback/ledger/store"
	"countback/ledger/store/sqlite"
)

// notesOf returns the notes of a folder's ledger.
func notesOf(t *testing.T, data string) map[string]string {
	t.Helper()
	s, err := sqlite.Open(ledgerPath(data), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	notes := map[string]string{}
	if err := s.Local(t.Context(), "", func(key string, value []byte) error {
		notes[key] = string(value)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return notes
}

func putNotes(t *testing.T, data string, notes map[string]string) {
	t.Helper()
	s, err := sqlite.Open(ledgerPath(data), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.Write(t.Context(), func(tx store.Tx) error {
		for key, value := range notes {
			if err := tx.SetLocal(key, []byte(value)); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

// A restored desk keeps its phones, and what may stand nowhere else.
func TestABackupHoldsTheAuthorityAndNotes(t *testing.T) {
	data := foundShop(t)
	desk := start(t, data, nil, "pair", "--listen", "127.0.0.1:0")
	desk.hear(linkPattern)
	desk.cancel()
	desk.end()
	putNotes(t, data, map[string]string{"sync/aside/x/1/h": "{}\nline", "sync/bus/outer": "{}", "pair/peer/y": `{"device":"y"}`})
	path := filepath.Join(t.TempDir(), "a.backup")
	onFolder(t, data, "backup", path)
	again := filepath.Join(t.TempDir(), "again")
	onFolder(t, again, "restore", path)
	was, err := os.ReadFile(filepath.Join(data, authorityFile))
	if err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(again, authorityFile))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Error(info, err)
	}
	if is, err := os.ReadFile(filepath.Join(again, authorityFile)); err != nil || !bytes.Equal(was, is) {
		t.Error("another authority", err)
	}
	notes := notesOf(t, again)
	if notes["sync/aside/x/1/h"] != "{}\nline" || notes["pair/peer/y"] == "" {
		t.Error("notes are missing:", notes)
	}
	for key := range notes {
		if strings.HasPrefix(key, "sync/bus/") || key == "pair/open" {
			t.Error("restored:", key)
		}
	}
}

// members returns the members of a backup, in their order.
func members(t *testing.T, path string) (heads []*tar.Header, bodies [][]byte) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	zip, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	for in := tar.NewReader(zip); ; {
		h, err := in.Next()
		if errors.Is(err, io.EOF) {
			return heads, bodies
		}
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		heads, bodies = append(heads, h), append(bodies, body)
	}
}

func packUp(t *testing.T, path string, heads []*tar.Header, bodies [][]byte) {
	t.Helper()
	var b bytes.Buffer
	zip := gzip.NewWriter(&b)
	out := tar.NewWriter(zip)
	for i, h := range heads {
		h.Size = int64(len(bodies[i]))
		if err := errors.Join(out.WriteHeader(h), second(out.Write(bodies[i]))); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(out.Close(), zip.Close(), os.WriteFile(path, b.Bytes(), 0o600)); err != nil {
		t.Fatal(err)
	}
}

func second(_ int, err error) error { return err }

func TestBackupsOfTheFirstVersionAreRead(t *testing.T) {
	data := foundShop(t)
	path := filepath.Join(t.TempDir(), "a.backup")
	onFolder(t, data, "backup", path)
	heads, bodies := members(t, path)
	if len(heads) != 5 || heads[2].Name != authorityFile || heads[3].Name != backupNotes {
		t.Fatal(heads)
	}
	bodies[0] = bytes.Replace(bodies[0], []byte(backupFormat), []byte(backupFormat1), 1)
	packUp(t, path, append(heads[:2:2], heads[4]), append(bodies[:2:2], bodies[4]))
	onFolder(t, filepath.Join(t.TempDir(), "again"), "restore", path)
}

func TestABackupWithOtherNotesIsRefused(t *testing.T) {
	data := foundShop(t)
	path := filepath.Join(t.TempDir(), "a.backup")
	onFolder(t, data, "backup", path)
	heads, bodies := members(t, path)
	for name, change := range map[string]func(bodies [][]byte){
		"a pairing that is open":    func(b [][]byte) { b[3] = []byte(`{"key":"pair/open","value":"e30="}` + "\n") },
		"no notes":                  func(b [][]byte) { b[3] = []byte("letter") },
		"no authority in its place": func(b [][]byte) { b[2] = []byte("letter") },
	} {
		t.Run(name, func(t *testing.T) {
			other := append([][]byte{}, bodies...)
			change(other)
			packUp(t, path, heads, other)
			again := filepath.Join(t.TempDir(), "again")
			if _, errs, status := tryOn(again, "restore", path); status != statusUse || !strings.Contains(errs, "isn't a whole backup") {
				t.Error(status, errs)
			}
			if list, _ := os.ReadDir(again); len(list) > 0 {
				t.Error("left behind:", list)
			}
		})
	}
}
