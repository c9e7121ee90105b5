//go:build !js

package sqlite_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
)

// filled makes a closed ledger file of n events.
func filled(t *testing.T, n int) string {
	t.Helper()
	st := create(t)
	storetest.Put(t, st, storetest.Some(storetest.NewLog(1, ""), n)...)
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	return st.Path()
}

// wantKind checks kind and form of an error: one line, with what to do.
func wantKind(t *testing.T, err, kind error) {
	t.Helper()
	if !errors.Is(err, kind) || store.Hint(err) == "" || strings.Contains(fmt.Sprint(err), "\n") {
		t.Errorf("got %v, want one line of kind %q with a hint", err, kind)
	}
}

func TestFilesAreTheOwners(t *testing.T) {
	st := create(t)
	storetest.Put(t, st, storetest.Some(storetest.NewLog(1, ""), 3)...)
	list, err := os.ReadDir(filepath.Dir(st.Path()))
	if err != nil || len(list) != 3 {
		t.Errorf("%d files, %v", len(list), err)
	}
	for _, f := range list {
		if info, err := f.Info(); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", f.Name(), info.Mode(), err)
		}
	}
}

func TestCreateNeverOverwrites(t *testing.T) {
	path := filled(t, 3)
	_, err := sqlite.Create(path)
	wantKind(t, err, store.ErrExists)
	other := filepath.Join(t.TempDir(), "odd ?name%41&x=#1.db")
	st, err := sqlite.Create(other)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	if _, err := os.Stat(other); err != nil {
		t.Error(err)
	}
	_, err = sqlite.Create(filepath.Join(t.TempDir(), "no", "such", "folder.db"))
	wantKind(t, err, store.ErrNotFound)
}

func TestOpenRefuses(t *testing.T) {
	whole, err := os.ReadFile(filled(t, 400))
	if err != nil {
		t.Fatal(err)
	}
	foreign := bytes.Clone(whole)
	copy(foreign[68:], "abcd")
	newer := bytes.Clone(whole)
	newer[63] = 9
	smeared := bytes.Clone(whole)
	for i := 100; i < 4000; i++ {
		smeared[i] = 0xa5
	}
	for name, c := range map[string]struct {
		bytes []byte
		kind  error
	}{
		"nothing": {nil, store.ErrDamaged}, "text": {bytes.Repeat([]byte("paper "), 100), store.ErrDamaged}, "the first page alone": {whole[:4096], store.ErrDamaged},
		"half": {whole[:len(whole)/2], store.ErrDamaged}, "another program's": {foreign, store.ErrDamaged}, "a newer program's": {newer, store.ErrVersion},
		"its first page smeared": {smeared, store.ErrDamaged},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "ledger.db")
			if err := os.WriteFile(path, c.bytes, 0o600); err != nil {
				t.Fatal(err)
			}
			st, err := sqlite.Open(path, sqlite.Options{})
			if err == nil {
				st.Close()
			}
			wantKind(t, err, c.kind)
			if after, _ := os.ReadFile(path); !bytes.Equal(after, c.bytes) {
				t.Error("the file was changed")
			}
		})
	}
	_, err = sqlite.Open(filepath.Join(t.TempDir(), "none.db"), sqlite.Options{})
	wantKind(t, err, store.ErrNotFound)
}

// Each page of a file is smeared in turn: whatever happens, nothing but errors of kind damaged come out, and the audit has something to say.
func TestDamagedPages(t *testing.T) {
	whole, err := os.ReadFile(filled(t, 60))
	if err != nil {
		t.Fatal(err)
	}
	for page := 1; page < len(whole)/4096; page++ {
		bad := bytes.Clone(whole)
		copy(bad[page*4096:], bytes.Repeat([]byte{0x5a}, 4096))
		path := filepath.Join(t.TempDir(), "ledger.db")
		if err := os.WriteFile(path, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		st, err := sqlite.Open(path, sqlite.Options{})
		if err != nil {
			wantKind(t, err, store.ErrDamaged)
			continue
		}
		r, err := chain.Audit(ctx, st, chain.Options{})
		if err != nil {
			wantKind(t, err, store.ErrDamaged)
		} else if len(r.Faults) == 0 {
			t.Errorf("page %d: no fault", page)
		}
		st.Close()
	}
}

func TestFullDisk(t *testing.T) {
	path := filled(t, 2)
	st, err := sqlite.Open(path, sqlite.Options{MaxBytes: 200_000})
	if err != nil {
		t.Fatal(err)
	}
	l := storetest.NewLog(1, "")
	storetest.Some(l, 2)
	full := false
	for range 100 {
		before := l.Copy()
		err := st.Write(ctx, func(tx store.Tx) error {
			for range 20 {
				if _, err := tx.Insert(l.Next(storetest.Order("W-1", 1))); err != nil {
					if _, again := tx.Last(); again == nil {
						t.Error("the transaction goes on after a full disk")
					}
					return err
				}
			}
			return nil
		})
		if err != nil {
			wantKind(t, err, store.ErrFull)
			full = true
			l = before
			break
		}
	}
	heads, err := st.Heads(ctx)
	if !full || err != nil || heads[l.Key.Device()].Seq != l.Seq {
		t.Fatalf("full: %v, head %v, want %d, %v", full, heads, l.Seq, err)
	}
	wantWhole(t, st)
	st.Close()
	if st, err = sqlite.Open(path, sqlite.Options{}); err != nil { // somebody has made room
		t.Fatal(err)
	}
	defer st.Close()
	storetest.Put(t, st, l.Next(storetest.Order("W-1", 1)))
}

// A folder without the right to write: the test's own program runs as another user there, because the superuser may write anywhere.
func TestReadOnlyFolder(t *testing.T) {
	dir, err := os.MkdirTemp("", "countback")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "ledger.db")
	whole, err := os.ReadFile(filled(t, 5))
	if err == nil {
		err = os.WriteFile(path, whole, 0o444)
	}
	if err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(dir, "program")
	copyFile(t, os.Args[0], program)
	os.Chmod(dir, 0o555)
	defer os.Chmod(dir, 0o755)
	for job, file := range map[string]string{"append": path, "create": filepath.Join(dir, "new.db")} {
		cmd := exec.Command(program, file)
		cmd.Env = append(os.Environ(), childEnv+"="+job)
		cmd.Dir = "/"
		if os.Geteuid() == 0 && runtime.GOOS == "linux" {
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		}
		out, err := cmd.CombinedOutput()
		if err == nil || !strings.Contains(string(out), store.ErrReadOnly.Error()) || !strings.Contains(string(out), "right to write") {
			t.Errorf("%s: %v: %s", job, err, out)
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
	if err == nil {
		_, err = io.Copy(out, in)
	}
	if err := errors.Join(err, out.Close()); err != nil {
		t.Fatal(err)
	}
}

func TestBusy(t *testing.T) {
	st := create(t)
	other, err := sqlite.Open(st.Path(), sqlite.Options{Busy: 1e6})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	err = st.Write(ctx, func(store.Tx) error {
		wantKind(t, other.Write(ctx, func(store.Tx) error { return nil }), store.ErrBusy)
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// A checkpoint can be left undone, so it waits for nobody; afterwards the store waits again as it was opened to.
func TestCheckpointsDontWait(t *testing.T) {
	st := create(t)
	other, err := sqlite.Open(st.Path(), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	err = st.Write(ctx, func(store.Tx) error {
		wantKind(t, other.SaveCheckpoint(ctx, store.Checkpoint{Key: "stock"}), store.ErrBusy)
		wantKind(t, other.DropCheckpoints(ctx, "stock", store.Position{}), store.ErrBusy)
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	if wait, err := other.BusyTimeout(); err != nil || wait != 30_000 {
		t.Errorf("it waits %d ms, %v", wait, err)
	}
}

func TestDataVersion(t *testing.T) {
	st := create(t)
	other, err := sqlite.Open(st.Path(), sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	l := storetest.NewLog(1, "")
	seen := map[int64]bool{}
	for i, s := range []*sqlite.Store{nil, st, other} {
		if s != nil {
			storetest.Put(t, s, storetest.Some(l, 1)...)
		}
		for range 2 {
			v, err := st.DataVersion(ctx)
			if err != nil {
				t.Fatal(err)
			}
			seen[v] = true
		}
		if len(seen) != i+1 {
			t.Errorf("%d versions after %d writes", len(seen), i)
		}
	}
}

func TestEventsAreNeverChanged(t *testing.T) {
	st := create(t)
	storetest.Put(t, st, storetest.Some(storetest.NewLog(1, ""), 3)...)
	for _, q := range []string{
		"UPDATE events SET line = x'00'", "UPDATE events SET kind = 'x' WHERE n = 1", "DELETE FROM events", "DELETE FROM logs", "UPDATE logs SET name = 'x'",
		"INSERT OR REPLACE INTO events (n, device, seq, kind, ms, line) VALUES (1, 1, 1, 'x', 0, x'00')", "REPLACE INTO events (device, seq, kind, ms, line) VALUES (1, 1, 'x', 0, x'00')",
	} {
		if err := st.Exec(q); err == nil {
			t.Errorf("%s went through", q)
		}
	}
	wantWhole(t, st)
}

// What a program that passes by the triggers does to the columns or guards is found by Check.
func TestCheckFinds(t *testing.T) {
	for name, c := range map[string]struct{ do, want string }{
		"an order moved":      {"UPDATE events SET ord = 'W-9' WHERE n = 3", "filed wrongly"},
		"an id taken away":    {"UPDATE events SET id = NULL WHERE n = 3", "filed wrongly"},
		"a kind changed":      {"UPDATE events SET kind = 'count' WHERE n = 3", "filed wrongly"},
		"a log renamed":       {"UPDATE logs SET name = 'x' WHERE device = 1", "filed wrongly"},
		"a trigger missing":   {"DROP TRIGGER IF EXISTS events_delete", "events_delete has been removed"},
		"an index missing":    {"DROP INDEX events_id", "events_id has been removed"},
		"a doubled forgotten": {"DELETE FROM doubled", "stands twice"},
	} {
		t.Run(name, func(t *testing.T) {
			st := create(t)
			l := storetest.NewLog(1, "")
			storetest.Put(t, st, storetest.Some(l, 4)...)
			other := storetest.NewLog(2, "")
			storetest.Put(t, st, other.NextID(l.IDAt(3), storetest.Order("W-1", 1)))
			if list, err := st.Check(ctx); err != nil || len(list) != 0 {
				t.Fatalf("before: %v %v", list, err)
			}
			for _, q := range []string{"DROP TRIGGER events_update", "DROP TRIGGER logs_update", c.do} {
				if err := st.Exec(q); err != nil {
					t.Fatal(err)
				}
			}
			list, err := st.Check(ctx)
			if err != nil || !strings.Contains(strings.Join(list, "\n"), c.want) {
				t.Errorf("%v %v", list, err)
			}
		})
	}
}

func TestDamagedCheckpointIsLeftOut(t *testing.T) {
	st := create(t)
	for _, c := range []store.Checkpoint{{Key: "stock", State: []byte("one")}, {Key: "stock", Position: store.Position{Ms: 5}, Arrived: 9, State: []byte("two")}} {
		if err := st.SaveCheckpoint(ctx, c); err != nil {
			t.Fatal(err)
		}
	}
	if err := st.Exec("UPDATE checkpoints SET state = x'00' WHERE ms = 5"); err != nil {
		t.Fatal(err)
	}
	list, err := storetest.Checkpoints(ctx, st, "stock")
	if err != nil || len(list) != 1 || string(list[0].State) != "one" {
		t.Errorf("%v %v", list, err)
	}
	again := store.Checkpoint{Key: "stock", Position: store.Position{Ms: 5}, Arrived: 2, State: []byte("new")} // a damaged one is never the one that knew more
	if err := st.SaveCheckpoint(ctx, again); err != nil {
		t.Fatal(err)
	}
	if list, err := storetest.Checkpoints(ctx, st, "stock"); err != nil || len(list) != 2 {
		t.Errorf("%v %v", list, err)
	}
}

func TestBackup(t *testing.T) {
	st := create(t)
	l := storetest.NewLog(1, "")
	storetest.Put(t, st, storetest.Some(l, 30)...)
	secret := []byte("state that belongs to this replica")
	if err := st.SaveCheckpoint(ctx, store.Checkpoint{Key: "stock", State: secret}); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "odd ?name%41.backup")
	stop := make(chan struct{})
	written := make(chan error)
	go func() { // somebody goes on writing
		var err error
		for n := 0; err == nil; n++ {
			select {
			case <-stop:
				written <- nil
				return
			default:
				e := l.Next(storetest.Order("W-1", 1))
				err = st.Write(ctx, func(tx store.Tx) error { _, err := tx.Insert(e); return err })
			}
		}
		written <- err
	}()
	err := st.Backup(ctx, path)
	close(stop)
	if e := <-written; err != nil || e != nil {
		t.Fatal(err, e)
	}
	wantKind(t, st.Backup(ctx, path), store.ErrExists)
	raw, err := os.ReadFile(path)
	if err != nil || bytes.Contains(raw, secret) {
		t.Errorf("the backup holds a checkpoint, %v", err)
	}
	if list, _ := os.ReadDir(filepath.Dir(path)); len(list) != 1 {
		t.Errorf("%d files beside the backup", len(list))
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	copied, err := sqlite.Open(path, sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer copied.Close()
	wantWhole(t, copied)
	all, part := storetest.Lines(t, st), storetest.Lines(t, copied)
	if len(part) < 30 || len(part) > len(all) || !bytes.Equal(bytes.Join(all[:len(part)], nil), bytes.Join(part, nil)) {
		t.Errorf("the backup holds %d events of %d", len(part), len(all))
	}
	if list, err := copied.Checkpoints(ctx, "stock"); err != nil || len(list) != 0 {
		t.Errorf("%v %v", list, err)
	}
	wantKind(t, st.Backup(ctx, filepath.Join(t.TempDir(), "no", "folder")), store.ErrNotFound)
}

// The hot queries walk the index that they were written for, and sort nothing but numbers.
func TestQueryPlans(t *testing.T) {
	st := create(t)
	storetest.Put(t, st, storetest.Some(storetest.NewLog(1, ""), 50)...)
	if err := errors.Join(st.SaveCheckpoint(ctx, store.Checkpoint{Key: "x"}), st.Close()); err != nil {
		t.Fatal(err)
	}
	st, err := sqlite.Open(st.Path(), sqlite.Options{}) // a plan is made from what a connection saw of the file when it was opened
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	for name, c := range map[string]struct {
		query string
		args  []any
		want  string
	}{
		"scan":     {sqlite.QScan, []any{5}, "SEARCH events USING INTEGER PRIMARY KEY"},
		"id":       {sqlite.QByID, []any{[]byte("x")}, "USING INDEX events_id"},
		"order":    {sqlite.QByOrder, []any{"x"}, "USING INDEX events_ord"},
		"at":       {sqlite.QAt, []any{"x", 1}, "USING INDEX sqlite_autoindex_events_1"},
		"log":      {sqlite.QLog, []any{"x", 1, 5}, "SEARCH events USING INDEX sqlite_autoindex_events_1 (device=? AND seq>? AND seq<?)"},
		"head":     {sqlite.QHead, []any{"x"}, "USING INDEX sqlite_autoindex_events_1"},
		"heads":    {sqlite.QHeads, nil, "SEARCH events USING INDEX sqlite_autoindex_events_1 (device=? AND seq=?)"},
		"few":      {sqlite.KindsQuery(event.KindShop, event.KindCount), []any{5, "shop", "count"}, "USING COVERING INDEX events_kind"},
		"packs":    {sqlite.KindsQuery(event.KindPack), []any{5, "pack"}, "SEARCH events USING INTEGER PRIMARY KEY"},
		"since":    {sqlite.QSince, []any{5}, "USING INDEX events_ms"},
		"doubled":  {sqlite.QDoubledAfter, []any{5}, "SEARCH events USING INTEGER PRIMARY KEY"},
		"snapshot": {sqlite.QPoints, []any{"x"}, "USING INDEX sqlite_autoindex_checkpoints_1"},
	} {
		plan, err := st.Plan(c.query, c.args...)
		if err != nil || !strings.Contains(plan, c.want) || strings.Contains(plan, "TEMP B-TREE") || strings.Contains(plan, "SCAN events\n") {
			t.Errorf("%s: %v\n%s", name, err, plan)
		}
	}
}
