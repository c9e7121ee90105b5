//go:build !js

package bus_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/coder/websocket"
	"github.com/nats-io/nats.go"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store/storetest"
	"countback/sync/bus"
	"countback/sync/replicate"
	"countback/sync/rights"
)

// siege is a desk with its door, a phone that belongs to the shop, and one that turns on it.
type siege struct {
	*door
	t            *testing.T
	desk         *replica
	phone, enemy *replica
}

func newSiege(t *testing.T) *siege {
	s := &siege{door: newDoor(t), t: t}
	desk := s.house.desk
	first := desk.Next(desk.Device(nil, "desk"))
	s.desk = newReplica(t, desk, first)
	for i, r := range []**replica{&s.phone, &s.enemy} {
		l := storetest.NewLog(byte(2+i), desk.Shop)
		own := l.Next(l.Device(desk, "phone"))
		*r = newReplica(t, l, own)
		storetest.Put(t, s.desk.st, own) // as pairing does
		storetest.Put(t, (*r).st, first)
	}
	s.desk.observed = func(m *replicate.Machine) {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.srv.SetRights(rights.Of(m.Members(), bus.Streams(desk.Shop)))
	}
	s.desk.run(desk.Shop, true, s.own)
	s.phone.run(desk.Shop, false, s.through(s.phone.log.Key))
	eventually(t, "desk and phone are in step", func() bool { return s.desk.ends() == s.phone.ends() })
	return s
}

// well shows that desk and phone go on unharmed.
func (s *siege) well() {
	s.t.Helper()
	s.phone.record(3)
	s.desk.record(3)
	eventually(s.t, "desk and phone go on", func() bool { return s.desk.ends() == s.phone.ends() && s.phone.safe() })
}

// conn is the enemy's own connection, past its driver.
func (s *siege) conn() *nats.Conn {
	s.t.Helper()
	nc, err := s.through(s.enemy.log.Key)(ctx, nats.NoReconnect(), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}), nats.CustomInboxPrefix(rights.Inbox(s.enemy.log.Key.Device())))
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(nc.Close)
	return nc
}

// stored is how many messages the log stream has.
func (s *siege) stored() uint64 {
	s.t.Helper()
	nc, err := s.own(ctx)
	if err != nil {
		s.t.Fatal(err)
	}
	defer nc.Close()
	var info struct {
		State struct {
			Last uint64 `json:"last_seq"`
		} `json:"state"`
	}
	msg, err := nc.Request("$JS.API.STREAM.INFO."+bus.Streams(s.house.desk.Shop).Log, nil, 5*time.Second)
	if err == nil {
		err = json.Unmarshal(msg.Data, &info)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	return info.State.Last
}

// A device may publish on its own subjects and read; everything else is refused and changes nothing.
func TestWhatADeviceMayNot(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	shop, other := s.house.desk.Shop, s.phone.log.Key.Device()
	names := bus.Streams(shop)
	before := s.stored()
	for _, subject := range []string{
		replicate.Subject(shop, "log", other), replicate.Subject(shop, "log", shop), replicate.Subject(shop, "carry", other), replicate.Subject(shop, "held", other),
		"$JS.API.STREAM.PURGE." + names.Log, "$JS.API.STREAM.DELETE." + names.Log, "$JS.API.STREAM.UPDATE." + names.Log, "$JS.API.STREAM.MSG.DELETE." + names.Log,
		"$JS.API.CONSUMER.CREATE." + names.Log, "$JS.API.STREAM.CREATE.mine", "$JS.API.INFO", "$SYS.REQ.SERVER.PING", rights.Inbox(other) + ".x", bus.Bell(shop)[:len(bus.Bell(shop))-2],
	} {
		nc := s.conn()
		if msg, err := nc.Request(subject, []byte("{}"), 200*time.Millisecond); err == nil {
			t.Errorf("%s was answered: %s", subject, msg.Data)
		}
		nc.Close()
	}
	for _, subject := range []string{">", replicate.Subject(shop, "log", "*"), rights.Inbox(other) + ".>", "$JS.>"} {
		nc := s.conn()
		sub, err := nc.SubscribeSync(subject)
		if err != nil {
			t.Fatal(err)
		}
		s.phone.record(1)
		if msg, err := sub.NextMsg(200 * time.Millisecond); err == nil {
			t.Errorf("%s was heard: %s", subject, msg.Data)
		}
		nc.Close()
	}
	eventually(t, "only the phone's own events were stored", func() bool { return s.desk.ends() == s.phone.ends() && s.stored() == before+4 })
	s.well()
}

// Answers and headers that would make the server write something for the enemy don't pass the bridge.
func TestWhatDoesntPassTheBridge(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	shop, own, other := s.house.desk.Shop, s.enemy.log.Key.Device(), s.phone.log.Key.Device()
	log := replicate.Subject(shop, "log", own)
	before := s.stored()
	for name, msg := range map[string]*nats.Msg{
		"an answer onto another's log":    {Subject: log, Reply: replicate.Subject(shop, "log", other)},
		"an answer onto another's inbox":  {Subject: log, Reply: rights.Inbox(other) + ".x"},
		"a receipt written by the server": {Subject: "$JS.API.DIRECT.GET." + bus.Streams(shop).Log, Reply: replicate.Subject(shop, "held", other), Data: []byte(`{"seq":1}`)},
		"the server's headers":            {Subject: log, Header: nats.Header{"Nats-Subject": {replicate.Subject(shop, "log", other)}, "Nats-Sequence": {"1"}}},
		"a message id":                    {Subject: log, Header: nats.Header{"Nats-Msg-Id": {"x"}}},
		"an end to the message":           {Subject: log, Header: nats.Header{"Nats-TTL": {"1s"}}},
		"a header twice":                  {Subject: log, Header: nats.Header{"Nats-Expected-Stream": {"a", "b"}}},
	} {
		nc := s.conn()
		closed := make(chan struct{})
		nc.SetClosedHandler(func(*nats.Conn) { close(closed) })
		if err := nc.PublishMsg(msg); err != nil {
			t.Fatal(err)
		}
		nc.Flush()
		select {
		case <-closed:
		case <-time.After(5 * time.Second):
			t.Errorf("%s: the connection goes on", name)
		}
		nc.Close()
	}
	if s.stored() != before {
		t.Errorf("%d messages were stored", s.stored()-before)
	}
	s.well()
}

// raw is a connection of bare lines.
func (s *siege) raw(origin string) (*bufio.Reader, io.Writer, error) {
	h := http.Header{}
	if origin != "" {
		h.Set("Origin", origin)
	}
	ws, _, err := websocket.Dial(ctx, s.address(), &websocket.DialOptions{HTTPClient: s.web.Client(), HTTPHeader: h})
	if err != nil {
		return nil, nil, err
	}
	s.t.Cleanup(func() { ws.CloseNow() })
	ws.SetReadLimit(-1)
	nc := websocket.NetConn(context.Background(), ws, websocket.MessageBinary)
	return bufio.NewReader(nc), nc, nil
}

// refused sends lines and wants the connection to end.
func (s *siege) refused(name string, send func(nonce string) string) {
	s.t.Helper()
	in, out, err := s.raw("")
	if err != nil {
		s.t.Fatal(err)
	}
	line, err := in.ReadString('\n')
	if err != nil {
		s.t.Fatal(err)
	}
	var info struct {
		Nonce string `json:"nonce"`
	}
	if err := json.Unmarshal([]byte(strings.TrimPrefix(line, "INFO ")), &info); err != nil {
		s.t.Fatal(err)
	}
	io.WriteString(out, send(info.Nonce)) // it may be cut off while it writes
	rest, _ := io.ReadAll(in)
	if strings.Contains(string(rest), "PONG") || strings.Contains(string(rest), "MSG") {
		s.t.Errorf("%s: it was let in: %.200s", name, rest)
	}
}

func connectLine(nkey, sig string) string {
	return fmt.Sprintf("CONNECT {\"nkey\":%q,\"sig\":%q,\"protocol\":1,\"verbose\":false,\"pedantic\":false,\"headers\":true}\r\nPING\r\n", nkey, sig)
}

func TestWithoutAKey(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	stranger := storetest.NewLog(9, s.house.desk.Shop)
	s.refused("no key", func(string) string { return "CONNECT {}\r\nPING\r\n" })
	s.refused("a token", func(string) string { return "CONNECT {\"auth_token\":\"x\"}\r\nPING\r\n" })
	s.refused("a stranger's key", func(nonce string) string {
		sig, err := stranger.Key.Sign(key.Nonce, []byte(nonce))
		if err != nil {
			t.Fatal(err)
		}
		return connectLine(stranger.Key.Public(), sig)
	})
	s.refused("a member's key without its signature", func(string) string { return connectLine(s.phone.log.Key.Public(), strings.Repeat("A", 86)) })
	s.refused("the signature of another nonce", func(string) string {
		sig, err := s.phone.log.Key.Sign(key.Nonce, []byte("another-nonce"))
		if err != nil {
			t.Fatal(err)
		}
		return connectLine(s.phone.log.Key.Public(), sig)
	})
	s.refused("no CONNECT", func(string) string { return "SUB > 1\r\nPING\r\n" })
	s.refused("a line without end", func(string) string { return strings.Repeat("x", 1<<20) })
	s.refused("HTTP", func(string) string { return "GET / HTTP/1.1\r\nHost: x\r\n\r\n" })
	if _, _, err := s.raw("https://elsewhere.test"); err == nil {
		t.Error("a page of another origin was let in")
	}
	s.well()
}

// What a bus that isn't the desk's could ask to be signed: the key signs no event that looks like a challenge.
func TestAnEventAsANonce(t *testing.T) {
	l := storetest.NewLog(1, "")
	for _, nonce := range []string{"countback-event-v1\n{}", "countback-admit-v1\nx", "", strings.Repeat("a", 65), "a b"} {
		if sig, err := l.Key.Sign(key.Nonce, []byte(nonce)); err == nil {
			t.Errorf("%q was signed: %s", nonce, sig)
		}
	}
}

// A revoked device loses its connection, gets none again, and what it goes on saying is heard by nobody.
func TestARevokedDevice(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	desk := s.desk.log
	s.enemy.run(desk.Shop, false, s.through(s.enemy.log.Key))
	s.enemy.record(2)
	eventually(t, "the enemy is in step yet", func() bool { return s.enemy.ends() == s.desk.ends() })
	nc := s.conn()
	closed := make(chan struct{})
	nc.SetClosedHandler(func(*nats.Conn) { close(closed) })
	last, hash := s.enemy.log.Seq, s.enemy.log.Prev
	storetest.Put(t, s.desk.st, desk.Next(&event.Revoke{Device: s.enemy.log.Key.Device(), Last: last, Hash: hash, Reason: "lost"}))
	select {
	case <-closed:
	case <-time.After(10 * time.Second):
		t.Error("its connection goes on")
	}
	if nc, err := s.through(s.enemy.log.Key)(ctx, nats.NoReconnect()); err == nil {
		nc.Close()
		t.Error("it was let in again")
	}
	before := s.desk.ends()
	s.enemy.record(5)
	time.Sleep(500 * time.Millisecond)
	if s.desk.ends() != before {
		t.Error("what it recorded afterwards came in over the bus")
	}
	s.well()
}

// 100 MB at once, and a flood of what is no event, onto the enemy's own subject: the rest goes on.
func TestLargeAndMany(t *testing.T) {
	t.Parallel()
	s := newSiege(t)
	own := replicate.Subject(s.house.desk.Shop, "log", s.enemy.log.Key.Device())
	s.refused("100 MB", func(nonce string) string {
		sig, err := s.enemy.log.Key.Sign(key.Nonce, []byte(nonce))
		if err != nil {
			t.Fatal(err)
		}
		const size = 100_000_000
		connect, _, _ := strings.Cut(connectLine(s.enemy.log.Key.Public(), sig), "PING")
		return connect + fmt.Sprintf("PUB %s %d\r\n", own, size) + strings.Repeat("x", size) + "\r\nPING\r\n"
	})
	nc := s.conn()
	const flood = 5000
	for i := range flood {
		if err := nc.Publish(own, fmt.Appendf(nil, "no event %d", i)); err != nil {
			t.Fatal(err)
		}
	}
	s.well()
	eventually(t, "the flood is noticed", func() bool { return s.desk.reported(replicate.Unreadable) > 0 })
	list, err := replicate.Refused(ctx, s.desk.st)
	if err != nil || len(list) > 1000 {
		t.Errorf("%d lines in quarantine, %v", len(list), err)
	}
	// Connections, as many as one address may have and more.
	for range 60 {
		_, _, err = s.raw("")
	}
	if err == nil {
		t.Error("60 connections of one address are open")
	}
	s.well()
}
