// Package bridge leads through a WebSocket to the bus of a desk, whose one HTTPS port serves everything. [Bridge] is the desk's side, [Connect] that of
// another desk; a phone's browser has its own.
//
// What comes from outside is NATS's client protocol, and it passes a strict reader first, which lets through what a driver sends and nothing else:
//
//   - answers may be asked for on the device's own inbox alone. A server sends them with rights of its own: asked for on the subject of another device,
//     they would be stored there;
//   - headers may be those of a publish with an expected sequence or of a batch, whole and once. The server writes its own behind them, and nobody shall be
//     able to write what could be taken for those.
//
// Pages of other origins are refused, compression is off, and the number of connections is bounded, in all and for each address.
package bridge

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/coder/websocket"
	"github.com/nats-io/nats.go"

	"countback/ledger/key"
	"countback/sync/bus"
	"countback/sync/nearby"
)

const (
	most     = 128
	mostEach = 24      // of one address
	mostRead = 1 << 20 // bytes of a WebSocket message, which may hold several of the bus's
)

// Bridge is the handler for /nats.
type Bridge struct {
	// Conn makes a connection to the bus.
	Conn func() (net.Conn, error)

	mu     sync.Mutex
	closed bool
	conns  map[*websocket.Conn]string // and where they come from
	work   sync.WaitGroup
}

// ServeHTTP leads one connection through until it ends.
func (b *Bridge) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	from, _, _ := net.SplitHostPort(r.RemoteAddr)
	if !b.room(from) {
		http.Error(w, "too many connections; close some", http.StatusServiceUnavailable)
		return
	}
	ws, err := websocket.Accept(w, r, nil) // which refuses other origins and answers itself; compression is off
	if err != nil {
		return
	}
	if !b.add(ws, from) {
		ws.CloseNow()
		return
	}
	defer b.remove(ws)
	inner, err := b.Conn()
	if err != nil {
		ws.Close(websocket.StatusTryAgainLater, "the bus isn't running")
		return
	}
	defer inner.Close()
	ws.SetReadLimit(mostRead)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	outer := websocket.NetConn(ctx, ws, websocket.MessageBinary)
	ended := make(chan error, 1)
	go func() {
		_, err := io.Copy(outer, inner)
		ws.CloseNow()
		ended <- err
	}()
	if err := pass(inner, outer); errors.Is(err, errRefused) {
		ws.Close(websocket.StatusPolicyViolation, err.Error())
	}
	inner.Close()
	ws.CloseNow()
	<-ended
}

func (b *Bridge) room(from string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.roomFor(from)
}

func (b *Bridge) roomFor(from string) bool {
	n := 0
	for _, f := range b.conns {
		if f == from {
			n++
		}
	}
	return !b.closed && len(b.conns) < most && n < mostEach
}

func (b *Bridge) add(ws *websocket.Conn, from string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.roomFor(from) {
		return false
	}
	if b.conns == nil {
		b.conns = map[*websocket.Conn]string{}
	}
	b.conns[ws] = from
	b.work.Add(1)
	return true
}

func (b *Bridge) remove(ws *websocket.Conn) {
	ws.CloseNow()
	b.mu.Lock()
	delete(b.conns, ws)
	b.mu.Unlock()
	b.work.Done()
}

// Close ends all connections, which a server's own Shutdown doesn't, and lets no more in.
func (b *Bridge) Close() {
	b.mu.Lock()
	b.closed = true
	for ws := range b.conns {
		ws.CloseNow()
	}
	b.mu.Unlock()
	b.work.Wait()
}

// Connect connects to another desk's bus by the address of its bridge (wss://…/nats), as a device. trust says whose certificate is believed; at is the
// HOST:PORT to dial instead of the address's own, "" for none.
func Connect(address, at string, trust *tls.Config, k *key.Key) func(context.Context, ...nats.Option) (*nats.Conn, error) {
	client := &http.Client{Transport: &http.Transport{
		TLSClientConfig: trust, TLSHandshakeTimeout: dialWait,
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			return nearby.Dial(ctx, network, cmp.Or(at, address))
		},
	}}
	return func(ctx context.Context, opts ...nats.Option) (*nats.Conn, error) {
		opts = append(opts, nats.SetCustomDialer(dialer{ctx, address, client}), nats.SkipHostLookup(), nats.IgnoreDiscoveredServers(), bus.AsDevice(k))
		return nats.Connect("nats://desk", opts...)
	}
}

const dialWait = 10 * time.Second

type dialer struct {
	ctx     context.Context
	address string
	client  *http.Client
}

// SkipTLSHandshake says that the WebSocket has seen to that.
func (d dialer) SkipTLSHandshake() bool { return true }

// Dial implements nats.CustomDialer.
func (d dialer) Dial(string, string) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(d.ctx, dialWait)
	defer cancel()
	ws, _, err := websocket.Dial(ctx, d.address, &websocket.DialOptions{HTTPClient: d.client})
	if err != nil {
		return nil, err
	}
	ws.SetReadLimit(-1) // what comes is bounded by the server
	return conn{websocket.NetConn(d.ctx, ws, websocket.MessageBinary), ws}, nil
}

// conn closes without waiting for the other side, which may be gone.
type conn struct {
	net.Conn
	ws *websocket.Conn
}

func (c conn) Close() error { return c.ws.CloseNow() }
