package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// site is a machine with one user's home.
type site struct {
	b    *bench
	id   string
	home string
}

func newSite(b *bench, id string) *site { return &site{b, id, filepath.Join(b.dir, "home of "+id)} }

// run runs a command on a folder of this machine and returns what it says on both streams.
func (p *site) run(data string, args ...string) (said string, status int) {
	p.b.t.Helper()
	m, out, errs := p.b.main("", args...)
	m.Machine = p.id
	m.Getenv = func(name string) string {
		switch name {
		case "COUNTBACK_DATA":
			return data
		case "HOME":
			return p.home
		}
		return ""
	}
	status = m.Run(context.Background())
	return out.String() + errs.String(), status
}

func (p *site) must(data string, args ...string) string {
	p.b.t.Helper()
	said, status := p.run(data, args...)
	if status != 0 {
		p.b.t.Fatalf("countback %s on %s: %d %s", strings.Join(args, " "), p.id, status, said)
	}
	return said
}

func copyFolder(t *testing.T, from, to string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(keyPath(to), 0o600); err != nil {
		t.Fatal(err)
	}
}

// oldest returns the founder.
func oldest(p *site, data string) string {
	return regexp.MustCompile(`"shop": "(\w+)"`).FindStringSubmatch(p.must(data, "devices", "--json"))[1]
}

const isNew = "it is a new device from now on"

func damage(p *site, data string) string {
	p.b.t.Helper()
	return p.must(data, "damage", "board", "1", "--reason", "damaged")
}

// devicesOf returns the devices and whether the ledger is whole.
func devicesOf(p *site, data string) int {
	p.b.t.Helper()
	out := p.must(data, "verify", "--signatures", "--json")
	if !strings.Contains(out, `"faults": []`) {
		p.b.t.Error(out)
	}
	return strings.Count(out, `"device":`)
}

func TestACopiedFolderBecomesANewDevice(t *testing.T) {
	b := newBench(t)
	home, away := newSite(b, "home"), newSite(b, "away")
	data := b.data
	home.must(data, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	home.must(data, "item", "board", "--name", "Board stiffener", "--type", "supply", "--unit", "each", "--at", "2026-01-01")
	for range 2 {
		if said := damage(home, data); strings.Contains(said, isNew) {
			t.Fatal(said)
		}
	}

	copied := filepath.Join(b.dir, "copied")
	copyFolder(t, data, copied)
	if said := damage(away, copied); !strings.Contains(said, "copied from another machine") || !strings.Contains(said, isNew) {
		t.Error("on another machine:", said)
	}
	if said := damage(away, copied); strings.Contains(said, isNew) {
		t.Error("once more:", said)
	}
	if said := away.must(copied, "devices"); !regexp.MustCompile(`this device, keeper`).MatchString(said) || !strings.Contains(said, "replaced") {
		t.Error(said)
	}
	if said := away.must(copied, "revoke", oldest(away, copied)); !strings.Contains(said, "has taken its place is still a member") {
		t.Error(said)
	}
	if n := devicesOf(away, copied); n != 2 {
		t.Error(n, "devices")
	}

	beside := filepath.Join(b.dir, "beside")
	copyFolder(t, data, beside)
	if said := damage(home, data); strings.Contains(said, isNew) {
		t.Error("the folder itself:", said)
	}
	older := filepath.Join(b.dir, "older")
	copyFolder(t, beside, older)
	if said := damage(home, beside); !strings.Contains(said, isNew) {
		t.Error("beside the other one:", said)
	}

	// The folder itself, put back as it was before its last event.
	if err := os.RemoveAll(data); err != nil {
		t.Fatal(err)
	}
	copyFolder(t, older, data)
	said := damage(home, data)
	if !strings.Contains(said, "it lacks the last 1 event that") || !strings.Contains(said, isNew) {
		t.Error("an older copy in its site:", said)
	}
	if n := devicesOf(home, data); n != 2 {
		t.Error(n, "devices")
	}
}

func TestAFolderThatWasMovedIsStillItself(t *testing.T) {
	b := newBench(t)
	home := newSite(b, "home")
	home.must(b.data, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	home.must(b.data, "item", "board", "--name", "Board stiffener", "--type", "supply", "--unit", "each", "--at", "2026-01-01")
	moved := filepath.Join(b.dir, "moved")
	if err := os.Rename(b.data, moved); err != nil {
		t.Fatal(err)
	}
	if said := damage(home, moved); strings.Contains(said, isNew) {
		t.Error("moved:", said)
	}
	link := filepath.Join(b.dir, "link")
	if err := os.Symlink(moved, link); err != nil {
		t.Skip(err)
	}
	if said := damage(home, link); strings.Contains(said, isNew) {
		t.Error("through a link:", said)
	}
	if err := os.RemoveAll(home.home); err != nil {
		t.Fatal(err)
	}
	if said := damage(home, moved); strings.Contains(said, isNew) {
		t.Error("with nothing remembered:", said)
	}
	nameless := newSite(b, "")
	nameless.home = home.home
	if said := damage(nameless, moved); !strings.Contains(said, isNew) {
		t.Error("a machine that has made its own id is another one:", said)
	}
	if said := damage(nameless, moved); strings.Contains(said, isNew) {
		t.Error("and stays the same:", said)
	}
}

// A command that is cut short while the copy becomes a new device: the next one goes on where it was, whatever had been done.
func TestACopyThatIsCutShort(t *testing.T) {
	b := newBench(t)
	home, away := newSite(b, "home"), newSite(b, "away")
	home.must(b.data, "init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	home.must(b.data, "item", "board", "--name", "Board stiffener", "--type", "supply", "--unit", "each", "--at", "2026-01-01")
	damage(home, b.data)
	other := filepath.Join(b.dir, "other")
	copyFolder(t, b.data, other)
	old, err := os.ReadFile(keyPath(other))
	if err != nil {
		t.Fatal(err)
	}
	damage(away, other) // the whole of it
	fresh, err := os.ReadFile(keyPath(other))
	if err != nil {
		t.Fatal(err)
	}
	mark, err := os.ReadFile(filepath.Join(other, machineFile))
	if err != nil {
		t.Fatal(err)
	}
	// As it stood when the log had begun, and the key wasn't in its site yet.
	for path, text := range map[string][]byte{keyPath(other): old, filepath.Join(other, nextKeyFile): fresh} {
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(other, machineFile), []byte("x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	damage(away, other)
	if now, err := os.ReadFile(keyPath(other)); err != nil || string(now) != string(fresh) {
		t.Error("another key", err)
	}
	if now, err := os.ReadFile(filepath.Join(other, machineFile)); err != nil || string(now) != string(mark) {
		t.Error("another machine", string(now), err)
	}
	if n := devicesOf(away, other); n != 2 {
		t.Error(n, "devices")
	}
	// As it stood when nothing but the new key was there.
	third := filepath.Join(b.dir, "third")
	copyFolder(t, b.data, third)
	if err := os.WriteFile(filepath.Join(third, nextKeyFile), fresh, 0o600); err != nil {
		t.Fatal(err)
	}
	if said := damage(away, third); !strings.Contains(said, isNew) {
		t.Error(said)
	}
	if n := devicesOf(away, third); n != 2 {
		t.Error(n, "devices")
	}
}

func TestACopyOfARevokedDeviceIsRefused(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	onFolder(t, data, "revoke", "attic")
	file := filepath.Join(t.TempDir(), "file")
	onFolder(t, data, "handover", file)
	onFolder(t, second, "import", "handover", file)
	if err := os.WriteFile(filepath.Join(second, machineFile), []byte("x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	b := newBench(t)
	said, status := newSite(b, "home").run(second, "damage", "board", "1", "--reason", "damaged")
	if status != statusUse || !strings.Contains(said, "was revoked") {
		t.Error(status, said)
	}
}
