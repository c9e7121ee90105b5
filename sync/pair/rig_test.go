package pair_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"io"
	"log"
	"net"
	"net/http"
	"sync"
	"testing"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/sync/authority"
	"countback/sync/pair"
)

var ctx = context.Background()

// clock is a clock that a test moves.
type clock struct {
	mu  sync.Mutex
	now time.Time
}

func newClock() *clock { return &clock{now: time.Now()} } // deadlines of connections are of the real clock

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) on(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

// house is a desk with its door open on loopback.
type house struct {
	t     *testing.T
	clock *clock
	st    store.Store
	key   *key.Key
	shop  string
	desk  *pair.Desk
	doors *pair.Doors
	auth  *authority.Authority
	base  string
	said  []string // by Fault
}

func newKey(t testing.TB) *key.Key {
	t.Helper()
	k, err := key.Generate(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, clock: newClock(), st: memory.New(), key: newKey(t)}
	var err error
	h.shop, err = record.Found(ctx, h.st, h.key, h.clock.Now, rand.Reader, "desk", event.Shop{Name: "Fennimoor Paper", Currency: "CAD", Zone: "America/Halifax"}, event.TimeOf(h.clock.Now()))
	if err != nil {
		t.Fatal(err)
	}
	h.open()
	return h
}

// open opens the door of a desk whose store and key are there.
func (h *house) open() {
	h.t.Helper()
	var err error
	if h.auth, err = authority.New("countback-test.local", "Fennimoor Paper", h.clock.Now(), rand.Reader); err != nil {
		h.t.Fatal(err)
	}
	h.desk = &pair.Desk{Store: h.st, Shop: h.shop, Name: "Fennimoor Paper", Public: h.key.Public(), Now: h.clock.Now, Entropy: rand.Reader}
	h.doors = &pair.Doors{Desk: h.desk, Own: h.key.Device(), Fault: func(err error) { h.said = append(h.said, err.Error()) }}
	h.base = "https://" + h.serve(h.auth, h.doors.Handler())
}

// serve serves over TLS on loopback and returns the address.
func (h *house) serve(a *authority.Authority, handler http.Handler) string {
	h.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		h.t.Fatal(err)
	}
	leaf := &authority.Server{Authority: a, Addresses: func() []net.IP { return []net.IP{net.IPv4(127, 0, 0, 1)} }, Now: h.clock.Now, Entropy: rand.Reader}
	s := pair.Bounded(handler)
	s.ErrorLog = log.New(io.Discard, "", 0)
	go s.Serve(tls.NewListener(pair.Listener(l), leaf.Config())) //nolint:errcheck // it ends with the test
	h.t.Cleanup(func() { s.Close() })
	return l.Addr().String()
}

// client is a client of this house that trusts a pin. When it waits, the clock moves on.
func (h *house) client(pin string) *pair.Client {
	c := pair.NewClient(h.base, pin, "", h.clock.Now, func(ctx context.Context, d time.Duration) error {
		h.clock.on(d)
		return ctx.Err()
	}, rand.Reader)
	h.t.Cleanup(c.Close)
	return c
}

func (h *house) code() pair.Code {
	h.t.Helper()
	code, err := h.desk.Open(ctx, false)
	if err != nil {
		h.t.Fatal(err)
	}
	return code
}

// meet brings a code up to the digits.
func (h *house) meet(code pair.Code, k *key.Key, name, role string) *pair.Meeting {
	h.t.Helper()
	m, err := h.client(h.auth.Pin()).Meet(ctx, code, k, name, role)
	if err != nil {
		h.t.Fatal(err)
	}
	return m
}

// join lets a device join and returns its first event's line.
func (h *house) join(k *key.Key, name, role string) []byte {
	h.t.Helper()
	code := h.code()
	m := h.meet(code, k, name, role)
	if err := h.desk.Confirm(ctx, code, m.Digits(), h.key); err != nil {
		h.t.Fatal(err)
	}
	device, err := m.Endorsement(ctx, name, role)
	if err != nil {
		h.t.Fatal(err)
	}
	line := h.first(k, device)
	if err := h.client(h.auth.Pin()).Admit(ctx, line); err != nil {
		h.t.Fatal(err)
	}
	return line
}

// first records the first event of a device in a ledger of its own and returns its line.
func (h *house) first(k *key.Key, device event.Device) []byte {
	h.t.Helper()
	st := memory.New()
	if err := record.Join(ctx, st, k, h.clock.Now, rand.Reader, h.shop, device, event.TimeOf(h.clock.Now())); err != nil {
		h.t.Fatal(err)
	}
	row, err := st.At(ctx, k.Device(), 1)
	if err != nil {
		h.t.Fatal(err)
	}
	return bytes.Clone(row.Line)
}

func (h *house) members() *chain.Members {
	h.t.Helper()
	m, err := chain.Load(ctx, h.st, h.shop)
	if err != nil {
		h.t.Fatal(err)
	}
	return m
}

func (h *house) revoke(device string) {
	h.t.Helper()
	heads, err := h.st.Heads(ctx)
	if err != nil {
		h.t.Fatal(err)
	}
	r := &record.Recorder{Store: h.st, Key: h.key, Shop: h.shop, Now: h.clock.Now, Entropy: rand.Reader}
	head := heads[device]
	if _, err := r.Record(ctx, []event.Fact{{Time: event.TimeOf(h.clock.Now()), Data: &event.Revoke{Device: device, Last: head.Seq, Hash: head.Hash, Reason: "lost"}}}, nil); err != nil {
		h.t.Fatal(err)
	}
}

func want(t *testing.T, err, kind error, when string) {
	t.Helper()
	if !errors.Is(err, kind) || (kind == nil) != (err == nil) {
		t.Errorf("%s: %v, want %v", when, err, kind)
	}
}
