//go:build !js

package bus_test

import (
	"encoding/json"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"countback/ledger/store/storetest"
	"countback/sync/bus"
	"countback/sync/replicate"
	"countback/sync/replicate/drivertest"
)

// down waits until a driver says why it can't use its bus.
func down(t *testing.T, c *conn) error {
	t.Helper()
	for {
		in, ok := c.Next(20 * time.Second)
		if !ok {
			t.Fatal("nothing has come")
		}
		switch in := in.(type) {
		case replicate.Down:
			return in.Err
		case replicate.Up:
			t.Fatal("the bus was taken as it is")
		}
	}
}

func wantProblem(t *testing.T, err error, words ...string) {
	t.Helper()
	var p *bus.Problem
	if !errors.As(err, &p) || p.Remedy == "" {
		t.Errorf("%v is no problem with a remedy", err)
		return
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q isn't in: %v", w, err)
		}
	}
}

// ask asks JetStream's API as an administration would.
func ask(t *testing.T, nc *nats.Conn, subject string, body any) map[string]any {
	t.Helper()
	var raw []byte
	if body != nil {
		var err error
		if raw, err = json.Marshal(body); err != nil {
			t.Fatal(err)
		}
	}
	msg, err := nc.Request("$JS.API."+subject, raw, 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var out map[string]any
	if err := json.Unmarshal(msg.Data, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func mustAsk(t *testing.T, nc *nats.Conn, subject string, body any) {
	t.Helper()
	if out := ask(t, nc, subject, body); out["error"] != nil {
		t.Fatalf("%s: %v", subject, out["error"])
	}
}

// Each setting that could lose an event is named, with what to do.
func TestUnsafeStreams(t *testing.T) {
	p := node{Name: "alone", Folder: filepath.Join(t.TempDir(), "store"), Port: freePort(t)}.start(t)
	nc, err := nats.Connect(p.url())
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	desk := drivertest.Shop()
	shop := desk.Shop
	names := bus.Streams(shop)
	for _, c := range []struct {
		held  bool
		key   string
		value any
		words string
	}{
		{false, "retention", "interest", "retention limits"},
		{false, "storage", "memory", "file storage"},
		{false, "max_age", int64(time.Hour), "max_age to 0"},
		{false, "max_msgs", 1000, "max_msgs to -1"},
		{false, "max_msgs_per_subject", 10, "max_msgs_per_subject to -1"},
		{false, "discard", "old", "discard to new"},
		{false, "deny_delete", false, "deny_delete to true"},
		{false, "deny_purge", false, "deny_purge to true"},
		{false, "allow_direct", false, "allow_direct to true"},
		{false, "allow_msg_ttl", true, "without allow_msg_ttl"},
		{false, "no_ack", true, "no_ack to false"},
		{false, "max_msg_size", 1000, "max_msg_size to -1"},
		{false, "republish", nil, "set republish"},
		{false, "subjects", []string{"cb." + storetest.NewLog(9, "").Shop + ".log.*"}, "another shop"},
		{false, "persist_mode", "async", "without persist_mode"},
		{false, "sealed", true, "sealed"},
		{true, "max_msgs_per_subject", 5, "max_msgs_per_subject to 1"},
		{true, "allow_rollup_hdrs", true, "allow_rollup_hdrs to false"},
	} {
		t.Run(c.key+c.words, func(t *testing.T) {
			// The streams as they are made, with one setting changed.
			maker := drive(shop, desk, true, to(p.url(), nil))
			if in, ok := maker.Next(10 * time.Second); !ok {
				t.Fatal("nothing has come")
			} else if d, isDown := in.(replicate.Down); isDown {
				t.Fatal(d.Err)
			}
			maker.Close()
			name := names.Log
			if c.held {
				name = names.Held
			}
			cfg := ask(t, nc, "STREAM.INFO."+name, nil)["config"].(map[string]any)
			mustAsk(t, nc, "STREAM.DELETE."+name, nil)
			if cfg[c.key] = c.value; c.value == nil {
				delete(cfg, c.key)
			}
			if c.key == "storage" {
				cfg["max_bytes"] = 1 << 10
			}
			if c.key == "persist_mode" { // the server refuses the two together
				delete(cfg, "allow_atomic")
			}
			if c.key == "sealed" {
				cfg["sealed"] = false
				mustAsk(t, nc, "STREAM.CREATE."+name, cfg)
				cfg["sealed"] = true
				mustAsk(t, nc, "STREAM.UPDATE."+name, cfg)
			} else {
				mustAsk(t, nc, "STREAM.CREATE."+name, cfg)
			}
			d := drive(shop, desk, true, to(p.url(), nil))
			wantProblem(t, down(t, d), name, c.words)
			d.Close()
			mustAsk(t, nc, "STREAM.DELETE."+name, nil)
		})
	}
	t.Run("another stream takes the subjects", func(t *testing.T) {
		for _, name := range []string{names.Log, names.Held} {
			ask(t, nc, "STREAM.DELETE."+name, nil) // as far as it is there
		}
		mustAsk(t, nc, "STREAM.CREATE.everything", map[string]any{"name": "everything", "subjects": []string{"cb.>"}, "storage": "file", "num_replicas": 1})
		d := drive(shop, desk, true, to(p.url(), nil))
		wantProblem(t, down(t, d), "everything", "other subjects")
		d.Close()
	})
}

// What a user isn't allowed is named.
func TestMissingRights(t *testing.T) {
	t.Parallel()
	desk := drivertest.Shop()
	names := bus.Streams(desk.Shop)
	without := func(list []string, s string) (out []string) {
		for _, x := range list {
			if x != s {
				out = append(out, x)
			}
		}
		return out
	}
	full := userOf(desk.Shop, desk, true)
	for _, c := range []struct{ missing, words string }{
		{"$JS.API.STREAM.INFO." + names.Log, "$JS.API.STREAM.INFO." + names.Log},
		{"$JS.API.STREAM.CREATE." + names.Held, "$JS.API.STREAM.CREATE." + names.Held},
		{replicate.Subject(desk.Shop, "log", "*"), replicate.Subject(desk.Shop, "log", desk.Key.Device())},
		{replicate.Subject(desk.Shop, "held", desk.Key.Device()), "may not publish on"},
		{bus.Bell(desk.Shop), "may not subscribe"},
		{"the key", "refuses the key"},
	} {
		u := full
		u.Publish, u.Subscribe = without(u.Publish, c.missing), without(u.Subscribe, c.missing)
		if c.missing == "the key" {
			u.Key = storetest.NewLog(7, "").Key.Public()
		}
		p := node{Name: "alone", Folder: filepath.Join(t.TempDir(), "store"), Port: freePort(t), Users: []nodeUser{u}}.start(t)
		d := drive(desk.Shop, desk, true, to(p.url(), desk.Key))
		wantProblem(t, down(t, d), c.words)
		d.Close()
		p.kill()
	}
	// And nobody there.
	d := drive(desk.Shop, desk, true, to("nats://127.0.0.1:1", nil))
	if err := down(t, d); err == nil || !strings.Contains(err.Error(), "no server answers") {
		t.Error(err)
	}
	d.Close()
}

// The guard is warned about before the stream is full, and a full one is said to be full.
func TestAFullStream(t *testing.T) {
	p := node{Name: "alone", Folder: filepath.Join(t.TempDir(), "store"), Port: freePort(t)}.start(t)
	desk := drivertest.Shop()
	var warned []string
	start := func() *conn {
		c := &conn{q: bus.NewQueue()}
		c.Driver = bus.Start(bus.Config{Name: "bus", Shop: desk.Shop, Device: desk.Key.Device(), Desk: true, Bytes: 1 << 20, After: time.After,
			Connect: to(p.url(), nil), Warn: func(text string) { warned = append(warned, text) }}, c.q)
		if in, ok := c.Next(10 * time.Second); !ok {
			t.Fatal("nothing has come")
		} else if _, up := in.(replicate.Up); !up {
			t.Fatalf("%+v", in)
		}
		return c
	}
	c := start()
	var last error
	for op := int64(1); last == nil && op < 100; op++ {
		c.Do(replicate.Publish{Bus: "bus", Op: op, Subject: replicate.Subject(desk.Shop, "log", desk.Key.Device()), Bodies: [][]byte{make([]byte, 60<<10)}})
		in, _ := c.Next(10 * time.Second)
		last = in.(replicate.Published).Err
	}
	if !errors.Is(last, replicate.ErrFull) {
		t.Errorf("a full stream says %v", last)
	}
	c.Close()
	c = start()
	c.Close()
	if len(warned) != 1 || !strings.Contains(warned[0], "max_bytes") {
		t.Errorf("warned: %q", warned)
	}
}
