//go:build !js

package bus_test

import (
	"context"
	"crypto/rand"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store/storetest"
	"countback/sync/bus"
	"countback/sync/bus/bridge"
	"countback/sync/bus/embedded"
	"countback/sync/replicate"
	"countback/sync/replicate/drivertest"
	"countback/sync/rights"
)

var ctx = context.Background()

// connector makes connections of one sort.
type connector = func(context.Context, ...nats.Option) (*nats.Conn, error)

// conn is a driver with a queue of its own.
type conn struct {
	*bus.Driver
	q *bus.Queue

	mu sync.Mutex
	nc *nats.Conn
}

func (c *conn) Next(d time.Duration) (replicate.Input, bool) {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	return c.q.Next(ctx)
}

// cut breaks the connection.
func (c *conn) cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.nc.Close()
}

// drive starts a driver of a device.
func drive(shop string, l *storetest.Log, desk bool, connect connector) *conn {
	c := &conn{q: bus.NewQueue()}
	c.Driver = bus.Start(bus.Config{
		Name: "bus", Shop: shop, Device: l.Key.Device(), Desk: desk, After: time.After, Bytes: 256 << 20,
		Connect: func(ctx context.Context, opts ...nats.Option) (*nats.Conn, error) {
			nc, err := connect(ctx, opts...)
			c.mu.Lock()
			defer c.mu.Unlock()
			if err == nil {
				c.nc = nc
			}
			return nc, err
		},
	}, c.q)
	return c
}

// house is a desk's own bus with its members.
type house struct {
	t       testing.TB
	folder  string
	desk    *storetest.Log
	members *chain.Members

	mu  sync.Mutex
	srv *embedded.Server
}

func newHouse(t testing.TB) *house {
	h := &house{t: t, folder: filepath.Join(t.TempDir(), "bus"), desk: drivertest.Shop()}
	h.members = chain.NewMembers(h.desk.Shop)
	h.members.Add(h.desk.Copy().Next(h.desk.Device(nil, "desk")))
	h.start()
	t.Cleanup(func() { h.server().Close() })
	return h
}

func (h *house) start() {
	srv, err := embedded.Start(ctx, embedded.Options{Folder: h.folder, Shop: h.desk.Shop, Entropy: rand.Reader, Bytes: 256 << 20})
	if err != nil {
		h.t.Error(err)
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.srv = srv
	h.setRights()
}

func (h *house) server() *embedded.Server {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.srv
}

func (h *house) setRights() { h.srv.SetRights(rights.Of(h.members, bus.Streams(h.desk.Shop))) }

// admit makes a device a member.
func (h *house) admit(l *storetest.Log, role string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, ok := h.members.Get(l.Key.Device()); !ok {
		first := l.Copy()
		first.Seq, first.Prev = 0, event.FirstPrev
		h.members.Add(first.Next(l.Device(h.desk, role)))
	}
	h.setRights()
}

// own connects as the desk itself.
func (h *house) own(ctx context.Context, opts ...nats.Option) (*nats.Conn, error) {
	return h.server().Connect(ctx, opts...)
}

// as connects with a device's key, within the process.
func (h *house) as(k *key.Key) connector {
	return func(_ context.Context, opts ...nats.Option) (*nats.Conn, error) {
		return nats.Connect("", append(opts, nats.InProcessServer(h.server()), bus.AsDevice(k))...)
	}
}

// wipe makes the bus anew, empty.
func (h *house) wipe() {
	h.server().Close()
	if err := os.RemoveAll(h.folder); err != nil {
		h.t.Error(err)
	}
	h.start()
}

func TestEmbedded(t *testing.T) {
	t.Parallel()
	drivertest.Run(t, func(t *testing.T) *drivertest.Bus {
		h := newHouse(t)
		return &drivertest.Bus{
			Connect: func(l *storetest.Log, desk bool) drivertest.Conn {
				if desk {
					return drive(h.desk.Shop, l, true, h.own)
				}
				h.admit(l, "phone")
				return drive(h.desk.Shop, l, false, h.as(l.Key))
			},
			Batches: true, Rights: true, Now: time.Now(), Wipe: h.wipe,
			Cut: func(c drivertest.Conn) { c.(*conn).cut() },
		}
	})
}

// door is the desk's HTTPS port.
type door struct {
	*house
	bridge *bridge.Bridge
	web    *httptest.Server
}

func newDoor(t testing.TB) *door {
	d := &door{house: newHouse(t)}
	d.bridge = &bridge.Bridge{Conn: d.server().Conn}
	d.web = httptest.NewTLSServer(d.bridge)
	t.Cleanup(func() {
		d.web.Close()
		d.bridge.Close()
	})
	return d
}

func (d *door) address() string { return "wss" + strings.TrimPrefix(d.web.URL, "https") + "/nats" }

// through connects through the bridge with a device's key.
func (d *door) through(k *key.Key) connector {
	return bridge.Connect(d.address(), "", d.web.Client().Transport.(*http.Transport).TLSClientConfig, k)
}

func TestThroughTheBridge(t *testing.T) {
	t.Parallel()
	drivertest.Run(t, func(t *testing.T) *drivertest.Bus {
		d := newDoor(t)
		maker := drive(d.desk.Shop, d.desk, true, d.own) // makes the streams, as the desk does
		if _, ok := maker.Next(10 * time.Second); !ok {
			t.Fatal("the desk's bus isn't up")
		}
		maker.Close()
		return &drivertest.Bus{
			Connect: func(l *storetest.Log, desk bool) drivertest.Conn {
				if l.Key.Device() != d.desk.Key.Device() {
					d.admit(l, "phone")
				}
				return drive(d.desk.Shop, l, desk, d.through(l.Key))
			},
			Batches: true, Rights: true, Now: time.Now(),
			Cut: func(c drivertest.Conn) { c.(*conn).cut() },
		}
	})
}
