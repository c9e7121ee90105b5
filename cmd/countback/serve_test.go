package main

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// freePort is a port of loopback with the one behind it.
func freePort(t *testing.T) string {
	t.Helper()
	for range 50 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		_, port, _ := net.SplitHostPort(l.Addr().String())
		l.Close()
		n := 0
		if err := json.Unmarshal([]byte(port), &n); err == nil && n < 65000 {
			return port
		}
	}
	t.Fatal("no port is free")
	return ""
}

// serveOn starts serve on a folder.
func serveOn(t *testing.T, data string, more ...string) *talk {
	t.Helper()
	k := start(t, data, nil, append([]string{"serve", "--listen", "127.0.0.1", "--port", freePort(t)}, more...)...)
	k.hear(`is open at (https://\S+)`)
	return k
}

// stop ends a serve as Ctrl-C does.
func (k *talk) stop() {
	k.t.Helper()
	k.cancel()
	if s := k.end(); s != 0 {
		k.t.Errorf("it ended with %d:\n%s", s, k.all())
	}
}

// eventually waits until something holds.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if holds() {
			return
		}
	}
	t.Fatalf("it never came about: %s", what)
}

func stockOf(t *testing.T, data string) string {
	return onFolder(t, data, "stock", "--json", "--as-of", "2027-12-31", "--exact")
}

// Two desks, apart and together: what is recorded at each stands in both, whoever serves.
func TestTwoDesksInStep(t *testing.T) {
	data := foundShop(t)
	first := serveOn(t, data)
	second := joinDesk(t, data, "attic")
	other := serveOn(t, second)
	for i, dir := range []string{data, second, data, second} {
		onFolder(t, dir, "damage", "board", []string{"1", "2", "3", "4"}[i], "--reason", "damaged")
	}
	same := func() bool {
		return stockOf(t, data) == stockOf(t, second) && strings.Contains(stockOf(t, data), `"290"`)
	}
	eventually(t, "both show 290", same)
	if out, errs, status := tryOn(second, "sync"); status != 0 || !strings.Contains(out, "in step") {
		t.Errorf("%d %s %s", status, out, errs)
	}
	eventually(t, "all is safe", func() bool {
		var r devicesReport
		if err := json.Unmarshal([]byte(onFolder(t, data, "devices", "--json")), &r); err != nil {
			t.Fatal(err)
		}
		return r.Unsafe == 0
	})
	if out := onFolder(t, second, "status"); !strings.Contains(out, "all events are safe") || strings.Count(out, "reached") != 2 {
		t.Error(out)
	}
	if out := onFolder(t, data, "devices", "--format", "csv"); !strings.Contains(out, "attic") || strings.Count(out, ",20") < 3 {
		t.Errorf("the second desk was never seen:\n%s\n%s", out, first.all())
	}
	// Apart, and then brought into step once, without serve at the second desk.
	other.stop()
	onFolder(t, second, "damage", "board", "5", "--reason", "damaged")
	onFolder(t, data, "damage", "board", "6", "--reason", "damaged")
	out := onFolder(t, second, "sync")
	if !strings.Contains(out, "1 event taken in, 1 sent") {
		t.Error(out)
	}
	eventually(t, "both show 279", func() bool {
		return stockOf(t, data) == stockOf(t, second) && strings.Contains(stockOf(t, data), `"279"`)
	})
	first.stop()
	if out, errs, status := tryOn(second, "sync"); status != statusMachine || !strings.Contains(out, "unreachable") || !strings.Contains(errs, "recording goes on") {
		t.Errorf("%d %s %s", status, out, errs)
	}
	for _, k := range []*talk{first, other} {
		if text := k.all(); strings.Contains(text, "SU") || strings.Contains(text, "BEGIN") {
			t.Errorf("a secret in the output:\n%s", text)
		}
	}
}

// A desk that was revoked is cut off while everything runs, and what it goes on recording stays with it.
func TestARevokedDeskIsCutOff(t *testing.T) {
	data := foundShop(t)
	serveOn(t, data)
	second := joinDesk(t, data, "attic")
	other := serveOn(t, second)
	onFolder(t, second, "damage", "board", "1", "--reason", "damaged")
	eventually(t, "the keeper shows 299", func() bool { return strings.Contains(stockOf(t, data), `"299"`) })
	onFolder(t, data, "revoke", "attic", "--reason", "stolen")
	other.hear(`(it refuses the key|can't be reached)`)
	other.hear(`(it refuses the key)`)
	onFolder(t, second, "damage", "board", "7", "--reason", "damaged")
	onFolder(t, data, "damage", "board", "10", "--reason", "damaged")
	if out, _, status := tryOn(second, "sync"); status != statusMachine || !strings.Contains(out, "refuses the key") {
		t.Error(status, out)
	}
	if out := stockOf(t, data); !strings.Contains(out, `"289"`) {
		t.Error(out)
	}
}

func TestOnlyOneServes(t *testing.T) {
	data := foundShop(t)
	k := serveOn(t, data)
	if _, errs, status := tryOn(data, "serve", "--listen", "127.0.0.1", "--port", freePort(t)); status != statusUse || !strings.Contains(errs, "runs on this ledger already") {
		t.Error(status, errs)
	}
	k.stop()
	serveOn(t, data).stop()
}

func TestServeThatCant(t *testing.T) {
	data := foundShop(t)
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	_, port, _ := net.SplitHostPort(taken.Addr().String())
	for _, c := range []struct {
		args   []string
		status int
		words  string
	}{
		{[]string{"serve", "--listen", "127.0.0.1", "--port", port}, statusMachine, "can't be opened"},
		{[]string{"serve", "--bus", "ftp://bus.fennimoor.test"}, statusUse, "nats:// or tls://"},
		{[]string{"serve", "--bus", "nonsense"}, statusUse, "no address of a NATS server"},
		{[]string{"serve", "--creds", "x.creds"}, statusUse, "name the bus with --bus"},
		{[]string{"serve", "--bus", "tls://bus.fennimoor.test", "--creds", "x.creds"}, statusUse, "no such file"},
		{[]string{"serve", "--bus-limit", "0"}, statusUse, "isn't a size"},
		{[]string{"sync"}, statusUse, "knows no other bus"},
	} {
		if _, errs, status := tryOn(data, c.args...); status != c.status || !strings.Contains(errs, c.words) {
			t.Errorf("%v: %d %s", c.args, status, errs)
		}
	}
	// A bus's store that another shop has left here.
	other := foundShop(t)
	serveOn(t, other).stop()
	if err := os.RemoveAll(filepath.Join(data, busFolder)); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(other, busFolder), filepath.Join(data, busFolder)); err != nil {
		t.Fatal(err)
	}
	_, errs, status := tryOn(data, "serve", "--listen", "127.0.0.1", "--port", freePort(t))
	if status != statusMachine || !strings.Contains(errs, "of another shop") || !strings.Contains(errs, "move the folder") {
		t.Error(status, errs)
	}
}
