// Package embedded runs a NATS server with JetStream inside the desk's process. It listens nowhere: the desk itself and package bridge make connections to
// it, and each one proves who it is, also the desk's own, by a secret that lives as long as the server.
//
// What is confirmed is on disk (every write is synced). Devices prove themselves by their key, and may do what [rights.Rights] says; both can change while
// the server runs ([Server.SetRights]).
package embedded

import (
	"context"
	"crypto/subtle"
	"encoding/base32"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"countback/ledger/key"
	"countback/sync/bus"
	"countback/sync/replicate"
	"countback/sync/rights"
)

// Options says where the server keeps its store and for whom.
type Options struct {
	Folder  string // of the store; it is made if it isn't there
	Shop    string
	Entropy io.Reader // a cryptographic source
	Bytes   int64     // how large the log stream may grow; 0: bus.DefaultBytes

	// Seen is told of each device that is let in. It must not wait; nil for nobody.
	Seen func(device string)
}

// Server is a running server.
type Server struct {
	srv    *server.Server
	shop   string
	secret string
	gate   *gate
}

const (
	maxPayload = 256 << 10 // bytes of a message: an event has 64 KiB at most, a receipt about 120 for each device
	maxConns   = 256
	maxSubs    = 64
	maxPending = 32 << 20 // bytes that wait for one slow connection
	startWait  = 30 * time.Second
	spare      = 256 << 20
)

// Start starts a server. The folder must be used by no other.
func Start(ctx context.Context, o Options) (*Server, error) {
	if o.Bytes == 0 {
		o.Bytes = bus.DefaultBytes
	}
	raw := make([]byte, 32)
	if _, err := io.ReadFull(o.Entropy, raw); err != nil {
		return nil, err
	}
	s := &Server{shop: o.Shop, secret: base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(raw)}
	s.gate = &gate{shop: o.Shop, secret: []byte(s.secret), seen: o.Seen, by: map[string]entry{}, open: map[string][]uint64{}}
	srv, err := server.NewServer(&server.Options{
		ServerName: "countback", DontListen: true, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: o.Folder, SyncAlways: true, JetStreamMaxMemory: 1 << 20, JetStreamMaxStore: 2*o.Bytes + spare, DisableJetStreamBanner: true,
		MaxPayload: maxPayload, MaxConn: maxConns, MaxSubs: maxSubs, MaxPending: maxPending,
		AuthTimeout: 5, PingInterval: 20 * time.Second, MaxPingsOut: 2, WriteDeadline: 10 * time.Second,
		CustomClientAuthentication: s.gate, AlwaysEnableNonce: true,
	})
	if err != nil {
		return nil, startFault(o.Folder, err)
	}
	s.srv, s.gate.srv = srv, srv
	srv.Start()
	if !srv.ReadyForConnections(startWait) || !srv.JetStreamEnabled() {
		srv.Shutdown()
		return nil, startFault(o.Folder, errors.New("JetStream couldn't open its store"))
	}
	if err := s.ours(ctx); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

func startFault(folder string, err error) error {
	return &bus.Problem{What: fmt.Sprintf("the desk's own bus doesn't start in %s (%v)", folder, err),
		Remedy: "check the disk and its rights; if that doesn't help move the folder away: the bus is filled again from the ledger"}
}

// ours looks for streams of somebody else in the store.
func (s *Server) ours(ctx context.Context) error {
	want := bus.Streams(s.shop)
	all, err := s.srv.Jsz(&server.JSzOptions{Accounts: true, Streams: true})
	if err != nil {
		return err
	}
	for _, acc := range all.AccountDetails {
		for _, st := range acc.Streams {
			if st.Name != want.Log && st.Name != want.Held {
				return &bus.Problem{Stream: st.Name, What: "the desk's own bus holds a stream of another shop or program",
					Remedy: "move the folder of the bus away and start again: it is filled again from the ledger"}
			}
		}
	}
	return ctx.Err()
}

// Close stops the server and waits until its store is closed.
func (s *Server) Close() {
	s.srv.Shutdown()
	s.srv.WaitForShutdown()
}

// Conn makes a connection of bytes for somebody who has yet to prove who they are.
func (s *Server) Conn() (net.Conn, error) { return s.srv.InProcessConn() }

// InProcessConn is Conn, for the client library.
func (s *Server) InProcessConn() (net.Conn, error) { return s.Conn() }

// Connect makes the desk's own connection, which may do everything.
func (s *Server) Connect(_ context.Context, opts ...nats.Option) (*nats.Conn, error) {
	return nats.Connect("", append(opts, nats.InProcessServer(s), nats.Token(s.secret))...)
}

// SetRights says who may connect and what each may do. Connections of devices that have lost something end at once.
func (s *Server) SetRights(list []rights.Rights) { s.gate.set(list) }

// Admit adds one device to those of SetRights, until its membership is known from the ledger: while it is paired.
func (s *Server) Admit(r rights.Rights) { s.gate.admit(r) }

// CutOff ends a device's connections and lets it make no more, until it is admitted or in SetRights anew.
func (s *Server) CutOff(device string) { s.gate.cutOff(device) }

// Online returns the devices that are connected, in the order of their ids.
func (s *Server) Online() []string { return s.gate.online() }

// entry is what a key opens.
type entry struct {
	rights   rights.Rights
	admitted bool // by Admit
}

// gate decides who may connect.
type gate struct {
	shop   string
	secret []byte
	srv    *server.Server
	seen   func(string)

	mu   sync.Mutex
	by   map[string]entry    // by public key
	open map[string][]uint64 // connections that were let in, by device; some may have ended
}

// maxOpen is how many connections one device may have.
const maxOpen = 8

// Check implements server.Authentication. Whoever is let in is written down in the same turn, so that nobody slips through while their rights are taken away.
func (g *gate) Check(c server.ClientAuthentication) bool {
	opts := c.GetOpts()
	if opts.Token != "" {
		return subtle.ConstantTimeCompare([]byte(opts.Token), g.secret) == 1
	}
	if opts.Nkey == "" {
		return false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	e, ok := g.by[opts.Nkey]
	if !ok || key.Verify(opts.Nkey, key.Nonce, c.GetNonce(), strings.TrimRight(opts.Sig, "=")) != nil {
		return false
	}
	r := e.rights
	live := slices.DeleteFunc(g.open[r.Device], func(id uint64) bool { return g.srv.GetClient(id) == nil })
	if len(live) >= maxOpen {
		return false
	}
	g.open[r.Device] = append(live, c.GetID())
	subscribe := append(slices.Clone(r.Subscribe), bus.Bell(g.shop), replicate.Subject(g.shop, replicate.SubjectHeld, "*"))
	c.RegisterUser(&server.User{Username: r.Device, Permissions: &server.Permissions{
		Publish: &server.SubjectPermission{Allow: slices.Clone(r.Publish)}, Subscribe: &server.SubjectPermission{Allow: subscribe},
	}})
	if g.seen != nil {
		g.seen(r.Device)
	}
	return true
}

func (g *gate) set(list []rights.Rights) {
	g.mu.Lock()
	defer g.mu.Unlock()
	var before []rights.Rights
	next := map[string]entry{}
	for _, r := range list {
		next[r.Key] = entry{rights: r}
	}
	for k, e := range g.by {
		before = append(before, e.rights)
		if _, ok := next[k]; !ok && e.admitted {
			next[k] = e
			list = append(list, e.rights)
		}
	}
	g.by = next
	for _, device := range rights.Changed(before, list) {
		g.drop(device)
	}
}

func (g *gate) admit(r rights.Rights) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if _, ok := g.by[r.Key]; !ok {
		g.by[r.Key] = entry{r, true}
	}
}

func (g *gate) cutOff(device string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for k, e := range g.by {
		if e.rights.Device == device {
			delete(g.by, k)
		}
	}
	g.drop(device)
}

// drop ends a device's connections. One that has ended already isn't there.
func (g *gate) drop(device string) {
	for _, id := range g.open[device] {
		_ = g.srv.DisconnectClientByID(id)
	}
	delete(g.open, device)
}

func (g *gate) online() (out []string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for device, ids := range g.open {
		if slices.ContainsFunc(ids, func(id uint64) bool { return g.srv.GetClient(id) != nil }) {
			out = append(out, device)
		}
	}
	slices.Sort(out)
	return out
}
