package main

import (
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// What happens to a shop of two desks over the real bus: the keeper is lost, and a new one takes its place; or it comes back from its backup.

// syncSoon brings a desk into step with one whose serve has just begun and may still be making its streams.
func syncSoon(t *testing.T, data string) {
	t.Helper()
	eventually(t, "in step", func() bool {
		_, _, status := tryOn(data, "sync")
		return status == 0
	})
}

func TestANewKeeperOverTheBus(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	file := filepath.Join(t.TempDir(), "file")
	onFolder(t, data, "handover", file)
	onFolder(t, second, "damage", "board", "4", "--reason", "damaged") // newer than the file
	if err := os.RemoveAll(data); err != nil {
		t.Fatal(err)
	}
	fresh, port := filepath.Join(t.TempDir(), "fresh"), freePort(t)
	onFolder(t, fresh, "init", "--from", file)
	if _, errs, status := tryOn(fresh, "sync"); status == 0 {
		t.Error("a desk that nobody has made a member:", errs)
	}
	desk := start(t, fresh, nil, "pair", "--listen", net.JoinHostPort("127.0.0.1", port))
	left := start(t, second, nil, "pair", "--join", desk.hear(linkPattern))
	left.typeIn(desk.hear(`Type these digits at "attic": (\d{3} \d{3})`))
	if desk.end() != 0 || left.end() != 0 {
		t.Fatal(desk.all(), left.all())
	}
	if out := onFolder(t, fresh, "review"); !strings.Contains(out, "recovered") || !strings.Contains(out, `by the word of "attic"`) || !strings.Contains(out, "countback revoke") {
		t.Error(out)
	}
	serve := start(t, fresh, nil, "serve", "--listen", "127.0.0.1", "--port", port)
	serve.hear(`is open at (https://\S+)`)
	syncSoon(t, second)
	eventually(t, "both show the same", func() bool {
		return stockOf(t, fresh) == stockOf(t, second) && strings.Contains(stockOf(t, fresh), `"296"`)
	})
	if out := onFolder(t, second, "devices", "--format", "csv"); !regexp.MustCompile(`(?m)^\w+,desk,desk,keeper,`).MatchString(out) {
		t.Error(out)
	}
	serve.stop()
}

// A desk that is restored from its backup at the same address is trusted as before.
func TestARestoredDeskKeepsItsDoor(t *testing.T) {
	data, port := foundShop(t), freePort(t)
	serve := start(t, data, nil, "serve", "--listen", "127.0.0.1", "--port", port)
	serve.hear(`is open at (https://\S+)`)
	second := joinDesk(t, data, "attic")
	onFolder(t, second, "damage", "board", "4", "--reason", "damaged")
	syncSoon(t, second)
	backup := filepath.Join(t.TempDir(), "backup")
	onFolder(t, data, "backup", backup)
	onFolder(t, second, "damage", "board", "5", "--reason", "damaged")
	syncSoon(t, second)
	serve.stop()
	again := filepath.Join(t.TempDir(), "again")
	onFolder(t, again, "restore", backup)
	serve = start(t, again, nil, "serve", "--listen", "127.0.0.1", "--port", port)
	serve.hear(`is open at (https://\S+)`)
	syncSoon(t, second)
	eventually(t, "both show the same", func() bool {
		return stockOf(t, again) == stockOf(t, second) && strings.Contains(stockOf(t, again), `"291"`)
	})
	serve.stop()
}

// Beside a running serve: its door is used for pairing, and no hand-over file is taken in.
func TestBesideServe(t *testing.T) {
	data := foundShop(t)
	serve := serveOn(t, data)
	base := serve.hear(`is open at (https://\S+)`)
	desk := start(t, data, nil, "pair")
	link := desk.hear(linkPattern)
	if !strings.HasPrefix(link, base+"/#pair/") {
		t.Error(link, "isn't at", base)
	}
	desk.hear(`(opens http://\S+ first)`)
	next := start(t, data, nil, "pair")
	next.hear(linkPattern)
	if s := desk.end(); s != statusUse || !strings.Contains(desk.all(), "another code was made") {
		t.Error(s, desk.all())
	}
	next.cancel()
	next.end()
	file := filepath.Join(t.TempDir(), "file")
	onFolder(t, data, "handover", file)
	if _, errs, status := tryOn(data, "import", "handover", file); status != statusUse || !strings.Contains(errs, "stop it, take the file in") {
		t.Error(status, errs)
	}
	serve.stop()
	onFolder(t, data, "import", "handover", file)
	if text := serve.all(); strings.Contains(text, strings.Split(link, "/")[4]) {
		t.Error("the code is in serve's output")
	}
}
