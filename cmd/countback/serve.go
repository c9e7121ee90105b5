package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"countback/cmd/countback/pages"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/sync/authority"
	"countback/sync/bus"
	"countback/sync/bus/bridge"
	"countback/sync/bus/embedded"
	"countback/sync/pair"
	"countback/sync/replicate"
	"countback/sync/rights"
)

const (
	busFolder = "bus" // the store of the desk's own bus, in the data folder; it can always be filled again from the ledger
	ownBus    = "desk"
	storePoll = 50 * time.Millisecond // how often serve looks whether another process has written; what it finds is on its way at once
	sightGap  = time.Minute           // between two notes of when a device was last seen
)

// serveOptions are what serve was asked for.
type serveOptions struct {
	buses
	listen string
	port   string
	pages  string
	bare   bool
	limit  int64
	open   *pagesDoor // the pages that are open already, since the shop was founded there; else nil
}

// stopped passes over the error of having been stopped: that is how serve ends.
func stopped(ctx context.Context, err error) error {
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

func (m *Main) serveCmd() *cobra.Command {
	var o serveOptions
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Keep this desk in step with phones and other desks",
		Long: `Run this desk's message bus and its door for phones and other desks, and keep the ledger in step with all of them, until it is stopped (Ctrl-C). What is
recorded beside it with the other commands goes out at once.

--bus adds a NATS server or cluster with JetStream, between desks or as a copy elsewhere; --creds is the file of credentials that its administration gave.
The user there must be allowed what "go doc countback/sync/bus" lists; the server must sync its writes (sync_interval: always) or be a cluster.`,
		Example: "  countback serve\n  countback serve --bus tls://bus.fennimoor.test:4222 --creds fennimoor.creds",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	o.flags(cmd)
	flags := cmd.Flags()
	flags.StringVar(&o.port, "port", doorPort, "`number` of the door's port; phones know the desk by it, so keep it")
	flags.StringVar(&o.pages, "pages", pagesPort, "`number` of the port of the desk's pages, on this machine alone; 0 is any free one")
	flags.StringVar(&o.listen, "listen", "", "`address` of this machine to listen on (default all)")
	flags.BoolVar(&o.bare, "bare", false, "name this machine's address in codes, and not its stable name: when the address changes phones have to be paired anew")
	flags.Int64Var(&o.limit, "bus-limit", bus.DefaultBytes>>30, "`GiB` that the bus may grow to, where it is made anew")
	cmd.RunE = func(cmd *cobra.Command, args []string) (err error) {
		dir, err := m.folder()
		if err != nil {
			return err
		}
		if _, err := os.Lstat(ledgerPath(dir)); errors.Is(err, fs.ErrNotExist) {
			if o.open, err = m.serveNew(cmd.Context(), dir, o.pages); err != nil {
				return stopped(cmd.Context(), err)
			}
			defer o.open.close()
		}
		return m.writing(func(d *desk, _ []string) error { return m.serve(d, &o) })(cmd, args)
	}
	return cmd
}

// hold takes the lock of the data folder for a command that keeps the ledger in step.
func hold(dir string) (func() error, error) {
	release, err := takeLock(dir)
	if errors.Is(err, errLocked) {
		return nil, &fault{what: "countback serve runs on this ledger already", where: dir, hint: "use that one, or stop it first", status: statusUse, err: err}
	}
	return release, err
}

// office is a running serve.
type office struct {
	m      *Main
	d      *desk
	srv    *embedded.Server
	runner *bus.Runner
	desk   *pair.Desk
	auth   *authority.Authority

	changed chan struct{} // the store has changed
	seen    chan string   // a device has come

	mu     sync.Mutex // of output
	states map[string]bus.State
	trust  *http.Server // while a pairing is open
	at     string       // of the trust port
	peers  map[string]bool
}

func (m *Main) serve(d *desk, o *serveOptions) (err error) {
	if o.limit < 1 || o.limit > 1<<20 {
		return wrong("--bus-limit", "give a whole number of GiB, such as 8", "%d isn't a size", o.limit)
	}
	release, err := hold(d.dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, release()) }()
	s := &office{m: m, d: d, desk: d.pairing(d.key), changed: make(chan struct{}, 1), seen: make(chan string, 64), states: map[string]bus.State{}, peers: map[string]bool{}}
	outer, err := m.outer(d, o.buses, s.warn)
	if err != nil {
		return err
	}
	if s.auth, err = m.openAuthority(d.dir, d.key.Device(), d.shop.Name); err != nil {
		return err
	}
	s.srv, err = embedded.Start(d.ctx, embedded.Options{Folder: filepath.Join(d.dir, busFolder), Shop: d.shopID, Entropy: m.Entropy, Bytes: o.limit << 30, Seen: s.see})
	if err != nil {
		return busFault(err)
	}
	defer s.srv.Close()
	return stopped(d.ctx, s.run(o, outer))
}

// run opens the door and keeps the ledger in step until the context ends.
func (s *office) run(o *serveOptions, outer []bus.Config) error {
	m, d := s.m, s.d
	machine, err := d.replica()
	if err != nil {
		return err
	}
	s.allow(machine)
	own := bus.Config{Name: ownBus, Shop: d.shopID, Device: d.key.Device(), Desk: true, Bytes: o.limit << 30, SameDisk: true, Connect: s.srv.Connect, After: time.After, Warn: s.warn}
	s.runner = d.runner(machine, append([]bus.Config{own}, outer...), bus.RunnerConfig{
		Report: func(r replicate.Report) { s.warn(r.Text()) },
		Changed: func(x *replicate.Machine) {
			s.allow(x)
			nudge(s.changed)
		},
		State: s.state,
	})
	for _, c := range outer {
		s.peers[c.Name] = true
	}
	br := &bridge.Bridge{Conn: s.srv.Conn}
	doors := &pair.Doors{Desk: s.desk, Own: d.key.Device(), Place: s.place, Sent: func(device string) { s.warn("device " + device + " has loaded the whole ledger") }, Fault: func(err error) { s.warn(explain(err).Error()) }}
	page, err := m.recorderPage()
	if err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.Handle("/", page)
	joining := doors.Handler()
	mux.Handle("/pair/", joining)
	mux.Handle(pair.PathHandover, joining)
	mux.Handle("/nats", br)
	door, err := openDoor(net.JoinHostPort(o.listen, o.port), "--port", m.certificates(s.auth).Config(), mux)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(d.ctx)
	var work sync.WaitGroup
	defer func() { // connections first, so that nothing new comes in while the rest ends
		stop()
		br.Close()
		door.close()
		work.Wait()
		s.closeTrust()
	}()
	if !o.bare {
		door.call(s.auth.Name())
	}
	p := o.open
	if p == nil {
		if p, err = openPages(ctx, m.newDeskPages(d.dir, d.store.(*sqlite.Store), d.key), o.pages, pages.Options{Fault: func(err error) { s.warn(explain(err).Error()) }, Entered: s.letIn}); err != nil {
			return err
		}
		defer p.close()
	}
	if err := s.announce(door); err != nil {
		return err
	}
	failed := make(chan error, 1)
	work.Go(func() { failed <- s.runner.Run(ctx) })
	work.Go(func() { s.errands(ctx) })
	if err := s.tell(door, outer, p); err != nil {
		return err
	}
	return <-failed
}

// allow gives every member its rights on the own bus, and takes them from who has lost them.
func (s *office) allow(x *replicate.Machine) {
	s.srv.SetRights(rights.Of(x.Members(), bus.Streams(s.d.shopID)))
}

// place is how far the own bus's stream is in this ledger, for a download.
func (s *office) place() []byte {
	var place []byte
	ctx, cancel := context.WithTimeout(s.d.ctx, 5*time.Second)
	defer cancel()
	_ = s.runner.Do(ctx, func(x *replicate.Machine) {
		place, _ = x.Place(ownBus) // without a place the stream is read from its beginning
	})
	return place
}

func (s *office) announce(door *doorway) error {
	host, port, err := net.SplitHostPort(door.addr)
	if err != nil {
		return err
	}
	local := host
	if ip := net.ParseIP(host); ip == nil || ip.IsUnspecified() {
		local = "127.0.0.1"
	}
	n := 0
	if _, err := fmt.Sscan(port, &n); err != nil {
		return err
	}
	s.at = net.JoinHostPort(host, fmt.Sprint(n+1))
	trust := "http" + door.base()[len("https"):]
	trust = trust[:len(trust)-len(port)] + fmt.Sprint(n+1)
	return pair.Announce(s.d.ctx, s.d.store, pair.Announced{Base: door.base(), Pin: s.auth.Pin(), Local: net.JoinHostPort(local, port), Trust: trust})
}

// tell says what runs.
func (s *office) tell(door *doorway, outer []bus.Config, p *pagesDoor) error {
	text := fmt.Sprintf("%s is open at %s for phones and other desks. Ctrl-C stops it; recording goes on without it.", s.d.shop.Name, door.base())
	for _, c := range outer {
		text += "\nIn step with " + c.Name + "."
	}
	address := ""
	if !p.desk.owned { // else somebody is in them already
		var err error
		if address, err = p.site.Address(); err != nil {
			return err
		}
		text += "\nThe desk's pages, for one browser on this machine, once:"
		address = "\n" + address
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.m.say("%s%s", s.m.wrapAll(text), address)
}

func (s *office) letIn(next string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.m.letIn(next)
}

// warn writes a line for whoever looks after the desk. It holds no secret: reports name devices and events alone.
func (s *office) warn(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fmt.Fprintf(s.m.Stderr, "%s %s\n", s.d.now().Format("2006-01-02 15:04:05"), oneLine(text))
}

// state hears that a bus has come up or can't be reached.
func (s *office) state(x bus.State) {
	s.mu.Lock()
	was, known := s.states[x.Bus]
	s.states[x.Bus] = x
	s.mu.Unlock()
	switch {
	case x.Up && known:
		s.warn(x.Bus + ": reached again")
	case !x.Up && x.Err != nil && !was.Up: // where it was up, the machine reports that it isn't any more
		s.warn(fmt.Sprintf("%s: it can't be used: %v", x.Bus, x.Err))
	}
	nudge(s.changed)
}

func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

func (s *office) see(device string) {
	select {
	case s.seen <- device:
	default: // one of many; the next one counts as well
	}
}

// errands does what other commands ask for through the store, and what may take a while.
func (s *office) errands(ctx context.Context) {
	last := map[string]time.Time{}
	done := ""
	for {
		var err error
		select {
		case <-ctx.Done():
			return
		case device := <-s.seen:
			if now := s.m.Now(); now.Sub(last[device]) >= sightGap {
				last[device] = now
				err = s.sight(ctx, device)
			}
		case <-s.changed:
			err = errors.Join(s.showTrust(ctx), s.meetPeers(ctx), s.keepState(ctx))
			if err == nil {
				done, err = s.answer(ctx, done)
			}
		}
		if err != nil && ctx.Err() == nil {
			s.warn(explain(err).Error())
		}
	}
}

func (s *office) sight(ctx context.Context, device string) error {
	var ahead time.Duration
	if err := s.runner.Do(ctx, func(x *replicate.Machine) { ahead = x.Ahead(device) }); err != nil {
		return err
	}
	return pair.KeepSight(ctx, s.d.store, pair.Sight{Device: device, At: s.m.Now().UnixMilli(), Ahead: ahead})
}

// showTrust opens the plain port that tells how the authority is trusted while a pairing is open, and closes it afterwards.
func (s *office) showTrust(ctx context.Context) error {
	open, err := s.desk.Opened(ctx)
	if err != nil || open == (s.trust != nil) {
		return err
	}
	if !open {
		s.closeTrust()
		return nil
	}
	l, err := net.Listen("tcp", s.at)
	if err != nil {
		return &fault{what: "the page that tells how to trust this desk can't be shown (" + err.Error() + ")", where: s.at, status: statusMachine, err: err,
			hint: "phones that trust it already can pair; for others free the port behind the door's"}
	}
	s.trust = pair.Bounded(pair.Trust(s.auth, s.desk))
	s.trust.ErrorLog = log.New(discard{}, "", 0)
	go func(t *http.Server) { _ = t.Serve(l) }(s.trust) // it ends with closeTrust
	return nil
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

func (s *office) closeTrust() {
	if s.trust != nil {
		_ = s.trust.Close() // it is over either way
		s.trust = nil
	}
}

// meetPeers goes to the buses of desks that have become known meanwhile.
func (s *office) meetPeers(ctx context.Context) error {
	list, err := s.m.peerBuses(s.d, s.warn)
	if err != nil {
		return err
	}
	for _, c := range list {
		if !s.peers[c.Name] {
			s.peers[c.Name] = true
			if err := s.runner.Add(ctx, c); err != nil {
				return err
			}
		}
	}
	return nil
}

// replica is this device's machine.
func (d *desk) replica() (*replicate.Machine, error) {
	// What the machine has begun it ends; a command that is stopped would otherwise look like a store that fails.
	return replicate.New(context.WithoutCancel(d.ctx), replicate.Config{Store: d.store, Key: d.key, Shop: d.shopID, Desk: true, Build: d.m.Build})
}

// versioned is a store that tells when it was written to.
type versioned interface {
	DataVersion(context.Context) (int64, error)
}

// runner lets a machine live on buses; cfg says what is told.
func (d *desk) runner(machine *replicate.Machine, list []bus.Config, cfg bus.RunnerConfig) *bus.Runner {
	cfg.Machine, cfg.Buses, cfg.Poll, cfg.Now, cfg.After = machine, list, storePoll, d.m.Now, time.After
	cfg.Cursor = func(ctx context.Context, name string) (replicate.Cursor, error) {
		return replicate.ReadPlace(ctx, d.store, name)
	}
	cfg.Version = func(ctx context.Context) (int64, error) {
		if v, ok := d.store.(versioned); ok {
			return v.DataVersion(ctx)
		}
		return d.store.Last(ctx)
	}
	return bus.NewRunner(cfg)
}

// busFault is an error of a bus as a person reads it.
func busFault(err error) error {
	var p *bus.Problem
	if errors.As(err, &p) {
		return &fault{what: p.What, where: p.Stream, hint: p.Remedy, status: statusMachine, err: err}
	}
	return err
}

// keepNote keeps a note of the process that serves.
func keepNote(ctx context.Context, st store.Store, key string, value []byte) error {
	return st.Write(ctx, func(tx store.Tx) error { return tx.SetLocal(key, value) })
}
