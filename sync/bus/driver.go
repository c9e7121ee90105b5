package bus

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"countback/sync/replicate"
	"countback/sync/rights"
)

// Config says which bus a driver is for.
type Config struct {
	Name     string // the bus's name, the same as long as it is the same place
	Shop     string
	Device   string
	Desk     bool  // may make the streams, and is allowed what a desk needs; on another desk's bus that desk says who may do what
	Bytes    int64 // the guard of a log stream that is made here; 0: DefaultBytes
	SameDisk bool  // the bus keeps its messages on this device's disk

	// Connect makes a connection with these options and its own, which say where to and as whom.
	Connect func(ctx context.Context, opts ...nats.Option) (*nats.Conn, error)

	// Download fetches the hand-over file that the bus's desk offers and hands over its parts, without Bus and Op; nil if there is none.
	Download func(ctx context.Context, part func(replicate.Downloaded)) error

	After func(time.Duration) <-chan time.Time // the clock that waits are measured by
	Warn  func(text string)                    // told in a line what a person should know though all goes on; may be nil
}

const (
	firstWait   = 250 * time.Millisecond // between two attempts to connect; twice as long each time
	longestWait = 15 * time.Second
	answerWait  = 10 * time.Second // for an answer of the bus
	apiWait     = 3 * time.Second  // for one of JetStream's API, which is silent while a cluster chooses a leader: better to ask again
	fetchWait   = 30 * time.Second // for a message to come
	lagWait     = 20 * time.Millisecond
	watchEvery  = 10 * time.Second
	pingEvery   = 15 * time.Second
)

// Driver drives one bus. Its inputs come in the queue that it was started with.
type Driver struct {
	cfg   Config
	queue *Queue
	stop  context.CancelFunc
	done  chan struct{}
	kick  chan struct{}

	mu     sync.Mutex
	s      *session // nil while the bus can't be reached
	warned bool
	scarce int // how often a cluster had too few servers for a stream; of run alone, as warned is
}

// Start starts a driver, which goes on until Close.
func Start(cfg Config, q *Queue) *Driver {
	if cfg.Bytes == 0 {
		cfg.Bytes = DefaultBytes
	}
	ctx, stop := context.WithCancel(context.Background())
	d := &Driver{cfg: cfg, queue: q, stop: stop, done: make(chan struct{}), kick: make(chan struct{}, 1)}
	go d.run(ctx)
	return d
}

// Close ends the driver and waits for its goroutines.
func (d *Driver) Close() {
	d.stop()
	<-d.done
}

// Kick lets the driver try at once, if it waits before the next attempt to connect.
func (d *Driver) Kick() {
	select {
	case d.kick <- struct{}{}:
	default:
	}
}

// Stored returns the last sequence that the log stream is known to have, and false while the bus can't be reached.
func (d *Driver) Stored() (seq uint64, up bool) {
	if s := d.session(); s != nil {
		return s.stored(), true
	}
	return 0, false
}

func (d *Driver) session() *session {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.s
}

func (d *Driver) set(s *session) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.s = s
}

// run makes one session after the other.
func (d *Driver) run(ctx context.Context) {
	defer close(d.done)
	wait := firstWait
	for ctx.Err() == nil {
		up, err := d.once(ctx)
		if ctx.Err() != nil {
			return
		}
		d.queue.Put(replicate.Down{Bus: d.cfg.Name, Err: plain(err)})
		if up {
			wait = firstWait
		}
		select {
		case <-ctx.Done():
		case <-d.kick:
		case <-d.cfg.After(wait):
			wait = min(2*wait, longestWait)
		}
	}
}

// once connects, and stays until the connection ends. It reports whether the bus was up.
func (d *Driver) once(ctx context.Context) (up bool, err error) {
	s, err := d.connect(ctx)
	if err != nil {
		return false, err
	}
	defer s.end()
	i, err := s.begin()
	if err != nil {
		return false, err
	}
	d.set(s) // before anybody can answer Up
	defer d.set(nil)
	s.up(i)
	if err := s.receipts(); err != nil {
		return true, err
	}
	return true, s.watch(i)
}

// Do carries out an output. It doesn't wait for the answer.
func (d *Driver) Do(out replicate.Output) {
	s := d.session()
	if s == nil {
		return // the machine hears of it by Down
	}
	switch o := out.(type) {
	case replicate.Fetch:
		s.startFetch(o)
	case replicate.Publish:
		s.spawn(func() { s.publish(o) })
	case replicate.Look:
		s.spawn(func() { s.look(o) })
	case replicate.Download:
		s.spawn(func() { s.download(o) })
	}
}

// plain puts what the library says into words.
func plain(err error) error {
	var p *Problem
	switch {
	case err == nil || errors.As(err, &p):
		return err
	case errors.Is(err, nats.ErrAuthorization) || errors.Is(err, nats.ErrAuthExpired) || errors.Is(err, nats.ErrAuthRevoked) || strings.Contains(err.Error(), "Authorization Violation"):
		return &Problem{What: "it refuses the key or the credentials of this device", Remedy: "pair this device again, or give the right file with --creds"}
	case errors.Is(err, nats.ErrNoServers):
		return errors.New("no server answers at its address")
	case errors.Is(err, nats.ErrNoResponders):
		return errors.New("the server has no JetStream, or its cluster has no leader now")
	}
	return err
}

// session is one connection to the bus.
type session struct {
	d      *Driver
	nc     *nats.Conn
	ctx    context.Context
	cancel context.CancelCauseFunc
	work   sync.WaitGroup
	said   atomic.Bool // Up has been said

	mu      sync.Mutex
	ended   bool
	waiting map[string]map[int]context.CancelCauseFunc // by subject: who waits for an answer
	n       int
	last    uint64            // the log stream's, as far as is known
	bell    chan struct{}     // closed when last rises
	least   map[string]uint64 // of a subject: the sequence that its last message has at least
	heard   map[string]bool   // devices whose receipts were heard since the receipts were read last
	fetch   context.CancelFunc
	shaky   bool          // the bus has failed to answer: it may have been started anew
	inspect chan struct{} // asks for a look at the stream
}

var errClosed = errors.New("the connection has ended")

// connect makes a connection that never reconnects by itself: what was lost meanwhile must be asked for anew, which is what a new session does.
func (d *Driver) connect(ctx context.Context) (*session, error) {
	s := &session{d: d, waiting: map[string]map[int]context.CancelCauseFunc{}, bell: make(chan struct{}), least: map[string]uint64{}, heard: map[string]bool{}, inspect: make(chan struct{}, 1)}
	s.ctx, s.cancel = context.WithCancelCause(ctx)
	nc, err := d.cfg.Connect(s.ctx,
		nats.Name(d.cfg.Device), nats.NoReconnect(), nats.CustomInboxPrefix(rights.Inbox(d.cfg.Device)), nats.PingInterval(pingEvery), nats.MaxPingsOutstanding(2),
		nats.Timeout(answerWait), nats.ErrorHandler(s.trouble), nats.ClosedHandler(func(nc *nats.Conn) {
			err := nc.LastError()
			if err == nil {
				err = errClosed
			}
			s.cancel(err)
		}))
	if err != nil {
		s.cancel(err)
		return nil, err
	}
	s.nc = nc
	return s, nil
}

// end closes the connection and waits for all that was under way, so that no answer comes after a Down.
func (s *session) end() {
	s.mu.Lock()
	s.ended = true
	s.mu.Unlock()
	s.cancel(errClosed)
	s.nc.Close()
	s.work.Wait()
}

// spawn runs what waits for the bus.
func (s *session) spawn(do func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended {
		return
	}
	s.work.Go(do)
}

// trouble hears what the server says beside its answers. What it doesn't allow is never answered, so whoever waits for it is told.
func (s *session) trouble(_ *nats.Conn, _ *nats.Subscription, err error) {
	if !errors.Is(err, nats.ErrPermissionViolation) {
		return
	}
	_, rest, ok := strings.Cut(err.Error(), `Publish to "`)
	subject, _, closed := strings.Cut(rest, `"`)
	if !ok || !closed {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, cancel := range s.waiting[subject] {
		cancel(replicate.ErrDenied)
	}
}

// within bounds a wait for an answer on a subject. The cause of its end says why it ended.
func (s *session) within(ctx context.Context, subject string, d time.Duration) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.n++
	n := s.n
	if s.waiting[subject] == nil {
		s.waiting[subject] = map[int]context.CancelCauseFunc{}
	}
	s.waiting[subject][n] = cancel
	after := s.d.cfg.After(d)
	go func() {
		select {
		case <-after:
			cancel(errNoAnswer)
		case <-ctx.Done():
		}
	}()
	return ctx, func() {
		cancel(nil)
		s.mu.Lock()
		defer s.mu.Unlock()
		if delete(s.waiting[subject], n); len(s.waiting[subject]) == 0 {
			delete(s.waiting, subject)
		}
	}
}

var errNoAnswer = errors.New("it doesn't answer")

// ask sends a request and waits for its one answer.
func (s *session) ask(ctx context.Context, subject string, head map[string]string, body []byte) (*nats.Msg, error) {
	wait := answerWait
	if strings.HasPrefix(subject, "$JS.API.STREAM.") {
		wait = apiWait
	}
	ctx, done := s.within(ctx, subject, wait)
	defer done()
	msg := &nats.Msg{Subject: subject, Data: body, Header: header(head)}
	answer, err := s.nc.RequestMsgWithContext(ctx, msg)
	if cause := context.Cause(ctx); err != nil && cause != nil {
		err = cause
	}
	return answer, err
}

func header(h map[string]string) nats.Header {
	if h == nil {
		return nil
	}
	out := nats.Header{}
	for k, v := range h {
		out[k] = []string{v}
	}
	return out
}

// begin looks at the bus: its streams, their settings, this device's rights.
func (s *session) begin() (*info, error) {
	c := s.d.cfg
	if _, err := s.nc.Subscribe(Bell(c.Shop), s.rang); err != nil {
		return nil, err
	}
	if _, err := s.nc.Subscribe(replicate.Subject(c.Shop, replicate.SubjectHeld, "*"), s.receipt); err != nil {
		return nil, err
	}
	i, err := s.open(s.ctx, func(bytes int64, replicas int) settings { return logStream(c.Shop, bytes, replicas) })
	if err != nil {
		return nil, err
	}
	if err := s.nc.LastError(); errors.Is(err, nats.ErrPermissionViolation) && strings.Contains(err.Error(), "Subscription") { // it stands before the first answer
		return nil, &Problem{"", "this device may not subscribe to what it must",
			fmt.Sprintf("allow it %s, %s and %s.>", Bell(c.Shop), replicate.Subject(c.Shop, replicate.SubjectHeld, "*"), rights.Inbox(c.Device))}
	}
	if _, err := s.open(s.ctx, func(_ int64, replicas int) settings { return heldStream(c.Shop, replicas) }); err != nil {
		return nil, err
	}
	if err := s.probe(s.ctx); err != nil {
		return nil, err
	}
	return i, nil
}

const maxBatch = 1000

// up tells the machine what the bus is like.
func (s *session) up(i *info) {
	batch := 0
	if i.Config.Atomic {
		batch = maxBatch
	}
	s.raise("", i.State.Last)
	s.guard(i)
	c := s.d.cfg
	s.d.queue.Put(replicate.Up{Bus: c.Name, Created: i.Created.UnixNano(), Last: i.State.Last, Batch: batch, SameDisk: c.SameDisk, Download: c.Download != nil})
	s.said.Store(true)
}

// guard warns before the stream is full.
func (s *session) guard(i *info) {
	full := i.Config.MaxBytes > 0 && i.State.Bytes >= uint64(i.Config.MaxBytes)/100*warnAt
	if full && !s.d.warned && s.d.cfg.Warn != nil {
		s.d.cfg.Warn(fmt.Sprintf("bus %s: the log stream has filled %d %% of its limit of %d MiB; raise max_bytes of %s before it takes nothing more",
			s.d.cfg.Name, i.State.Bytes/(uint64(i.Config.MaxBytes)/100), i.Config.MaxBytes>>20, i.Config.Name))
	}
	s.d.warned = full
}

// watch waits for the end of the connection, and tells the machine when the bus may have lost something: where the stream was made anew, another server
// leads it, or it hasn't answered for a while.
func (s *session) watch(was *info) error {
	for {
		select {
		case <-s.ctx.Done():
			return context.Cause(s.ctx)
		case <-s.inspect:
			select { // what fails fails often; it isn't asked more than a few times a second
			case <-s.ctx.Done():
			case <-s.d.cfg.After(firstWait):
			}
		case <-s.d.cfg.After(watchEvery):
		}
		i, err := s.stream(s.ctx, was.Config.Name)
		if isAPI(err, errNoStream) {
			return errors.New("its log stream is gone")
		}
		if err != nil {
			s.doubt()
			continue
		}
		s.mu.Lock()
		again := s.shaky || !i.Created.Equal(was.Created) || i.leader() != was.leader() || i.State.Last < was.State.Last
		s.shaky = false
		s.mu.Unlock()
		if again {
			s.stopFetch()
			s.mu.Lock()
			s.last, s.least = 0, map[string]uint64{}
			s.mu.Unlock()
			if err := i.Config.check(logStream(s.d.cfg.Shop, 0, 1)); err != nil {
				return err
			}
			s.up(i)
			if err := s.receipts(); err != nil {
				return err
			}
		} else {
			s.raise("", i.State.Last)
			s.guard(i)
		}
		was = i
	}
}

// doubt takes note that the bus has failed to answer.
func (s *session) doubt() {
	s.mu.Lock()
	s.shaky = true
	s.mu.Unlock()
	select {
	case s.inspect <- struct{}{}:
	default:
	}
}

// download fetches the hand-over file.
func (s *session) download(o replicate.Download) {
	put := func(p replicate.Downloaded) {
		p.Bus, p.Op = o.Bus, o.Op
		if s.ctx.Err() == nil {
			s.d.queue.Put(p)
		}
	}
	if s.d.cfg.Download == nil {
		put(replicate.Downloaded{Err: errors.New("this bus offers none")})
		return
	}
	if err := s.d.cfg.Download(s.ctx, put); err != nil {
		put(replicate.Downloaded{Err: err})
	}
}
