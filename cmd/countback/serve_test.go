package main

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
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
	eventually(t, "the key is refused", func() bool { // now and then the bus hangs up before it has said why
		out, _, status := tryOn(second, "sync")
		if status != statusMachine {
			t.Error(status, out)
		}
		return strings.Contains(out, "refuses the key")
	})
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
	k := serveOn(t, other)
	eventually(t, "the other shop's bus has its streams", func() bool {
		made, err := filepath.Glob(filepath.Join(other, busFolder, "jetstream", "*", "streams", "*", "meta.sum"))
		return err == nil && len(made) == 2
	})
	k.stop()
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

// natsServer is somebody's NATS server on loopback.
func natsServer(t *testing.T, folder string, users ...*server.User) *server.Server {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: folder, SyncAlways: true, NoLog: true, NoSigs: true, Users: users})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the server doesn't start")
	}
	t.Cleanup(func() {
		s.Shutdown()
		s.WaitForShutdown()
	})
	return s
}

// An outer bus brings two desks into step that never meet, and what stands there is sent.
func TestAnOuterBus(t *testing.T) {
	outer := natsServer(t, t.TempDir(), &server.User{Username: "fennimoor", Password: "planted-password"})
	with := strings.Replace(outer.ClientURL(), "nats://", "nats://fennimoor:planted-password@", 1)
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	onFolder(t, data, "damage", "board", "2", "--reason", "damaged")
	if out := onFolder(t, data, "sync", "--bus", with); !strings.Contains(out, "sent") || strings.Contains(out, "planted") {
		t.Error(out)
	}
	first, other := serveOn(t, data, "--bus", with), serveOn(t, second, "--bus", with)
	eventually(t, "the second desk shows 298", func() bool {
		return stockOf(t, data) == stockOf(t, second) && strings.Contains(stockOf(t, second), `"298"`)
	})
	onFolder(t, second, "damage", "board", "1", "--reason", "damaged")
	eventually(t, "the first desk shows 297", func() bool { return strings.Contains(stockOf(t, data), `"297"`) })
	if _, errs, status := tryOn(data, "sync", "--bus", with); status != statusUse || !strings.Contains(errs, "has its own buses") {
		t.Error(status, errs)
	}
	onFolder(t, data, "sync")
	outer.Shutdown()
	first.hear(`(it can't be reached)`)
	onFolder(t, data, "damage", "board", "1", "--reason", "damaged") // recording goes on
	eventually(t, "status says so", func() bool { return strings.Contains(onFolder(t, data, "status"), "not reached") })
	first.stop()
	other.stop()
	again := natsServer(t, t.TempDir(), &server.User{Username: "fennimoor", Password: "planted-password"})
	wrongPassword := strings.Replace(again.ClientURL(), "nats://", "nats://fennimoor:another-password@", 1)
	out, errs, status := tryOn(data, "sync", "--bus", wrongPassword)
	if status != statusMachine || !strings.Contains(out, "refuses the key or the credentials") {
		t.Error(status, out, errs)
	}
	for _, text := range []string{out, errs, first.all(), other.all(), onFolder(t, data, "status", "--json")} {
		if strings.Contains(text, "-password") {
			t.Errorf("a password in the output:\n%s", text)
		}
	}
}

// More than 2,000 events behind, a desk fetches the hand-over file from the other's door, and the reports are the same.
func TestFarBehind(t *testing.T) {
	data := foundShop(t)
	second := joinDesk(t, data, "attic")
	var facts strings.Builder
	for i := range 2500 {
		fmt.Fprintf(&facts, `{"kind":"damage","time":"2026-03-02T10:00:00Z","data":{"item":"board","qty":"0.1","reason":"sample","note":"%d"}}`+"\n", i)
	}
	file := filepath.Join(t.TempDir(), "facts")
	if err := os.WriteFile(file, []byte(facts.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	onFolder(t, data, "record", file)
	first := serveOn(t, data)
	joined := start(t, data, nil, "pair")
	onFolder(t, second, "pair", "--join", joined.hear(linkPattern)) // it learns where the door is now
	joined.cancel()
	eventually(t, "the desk's own bus holds it all", func() bool { return strings.Contains(onFolder(t, data, "sync"), "in step") })
	onFolder(t, second, "sync")
	first.hear(`(has loaded the whole ledger)`)
	if a, b := stockOf(t, data), stockOf(t, second); a != b || !strings.Contains(a, `"50"`) {
		t.Errorf("%s\n%s", a, b)
	}
}

// What status says of a desk by itself.
func TestStatus(t *testing.T) {
	data := foundShop(t)
	out := onFolder(t, data, "status")
	for _, want := range []string{"isn't running", "none is known", "agrees with the ledger", "1 device; 4 events stand"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q isn't in\n%s", want, out)
		}
	}
	onFolder(t, data, "backup", filepath.Join(t.TempDir(), "copy"))
	var s status
	if err := json.Unmarshal([]byte(onFolder(t, data, "status", "--json")), &s); err != nil {
		t.Fatal(err)
	}
	if at, err := time.Parse(time.RFC3339, s.Backup); err != nil || time.Since(at) > time.Hour || s.DiskLeft == nil || s.Serving || s.Events != 4 {
		t.Errorf("%+v", s)
	}
	var o, e bytes.Buffer
	m := mainOn(data, strings.NewReader(""), &o, &e, "status")
	m.Now = func() time.Time { return time.Now().Add(-3 * time.Hour) }
	if m.Run(t.Context()) != 0 || !strings.Contains(o.String(), "behind the newest entry") {
		t.Errorf("%s %s", o.String(), e.String())
	}
}

// BenchmarkVisible is one event from the moment at which it was recorded beside a serving desk, as a command does, to the moment at which a second desk has
// it on its disk, over serve at both and the bridge between them.
func BenchmarkVisible(b *testing.B) {
	var took []time.Duration
	// The helpers are made for tests.
	ok := testing.RunTests(func(string, string) (bool, error) { return true, nil }, []testing.InternalTest{{Name: "Visible", F: func(t *testing.T) {
		data := foundShop(t)
		serveOn(t, data)
		second := joinDesk(t, data, "attic")
		serveOn(t, second)
		open := func(dir string) *sqlite.Store {
			st, err := sqlite.Open(ledgerPath(dir), sqlite.Options{})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { st.Close() })
			return st
		}
		from, to := open(data), open(second)
		k, err := readKey(data)
		if err != nil {
			t.Fatal(err)
		}
		r := &record.Recorder{Store: from, Key: k, Shop: k.Device(), Now: time.Now, Entropy: rand.Reader}
		eventually(t, "the two are in step", func() bool { return stockOf(t, data) == stockOf(t, second) })
		for b.Loop() {
			one := num.Whole(1)
			facts := []event.Fact{{Time: event.TimeOf(time.Now()), Data: &event.Damage{Item: "board", Qty: one, Reason: "sample"}}}
			res, err := r.Record(t.Context(), facts, func(store.Tx) error { return nil })
			if err != nil {
				t.Fatal(err)
			}
			start := time.Now()
			for {
				if rows, err := to.ByID(t.Context(), res.IDs[0]); err == nil && len(rows) > 0 {
					break
				}
				time.Sleep(time.Millisecond)
			}
			took = append(took, time.Since(start))
			time.Sleep(time.Duration(len(took)%17) * 3 * time.Millisecond) // not in step with the look at the file
		}
	}}})
	if !ok || len(took) == 0 {
		b.Fatal("it didn't come to an end")
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms/median")
}
