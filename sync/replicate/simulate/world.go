package simulate

import (
	"bytes"
	"container/heap"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/sync/replicate"
)

// epoch is when every schedule begins.
var epoch = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

type world struct {
	ctx   context.Context
	rng   *rand.Rand
	now   time.Duration
	queue queue
	turn  int64

	shop    string
	buses   []*bus
	reps    []*Replica
	facts   []*fact
	keys    map[string]*key.Key // by public key
	revoked []*key.Key
	thieves []string        // devices that were made with such keys
	valid   map[string]bool // signatures that were found to fit
	calm    bool            // nothing goes wrong any more
	loss    int             // of a thousand messages between device and bus
	disks   bool            // a disk was lost, so that a receipt may say too much
	gaps    bool            // a disk was lost or cut off, so that something may be waited for in vain
	// An older copy goes on under the old name, and counts its receipts from where it was. Others, who know a higher count, pass them over, and believe the
	// last one of the disk that is lost: no rule can help against that, which is why a restored device must be a new one.
	rolled bool
	stats  Stats
	tell   func(string, ...any)
	err    error // the first broken promise
}

// bus is a server and the fetches that wait there.
type bus struct {
	*Server
	name    string
	host    *Replica // whose disk it is on
	waiting []waiter
}

type waiter struct {
	c   *conn
	gen int
	f   replicate.Fetch
	end time.Duration
}

// conn is a replica's way to a bus.
type conn struct {
	r     *Replica
	bus   *bus
	up    bool
	apart time.Duration // not before
	gen   int           // of the session
}

// Replica is one device: a data folder, and the program that runs on it.
type Replica struct {
	Name  string
	Store *memory.Store
	Desk  bool

	key     *key.Key
	disk    *Disk
	m       *replicate.Machine
	off     time.Duration // of its clock
	conns   []*conn
	wakes   int
	dead    bool
	snap    *memory.Store // a backup, and the key in it
	snapKey *key.Key
	entropy io.Reader
}

// fact is something that was recorded, and the store has said so.
type fact struct {
	id     event.ID
	device string
	lost   string // why nobody can hold it any more
}

type task struct {
	at time.Duration
	n  int64
	do func()
}

type queue []task

func (q queue) Len() int           { return len(q) }
func (q queue) Less(i, k int) bool { return q[i].at < q[k].at || q[i].at == q[k].at && q[i].n < q[k].n }
func (q queue) Swap(i, k int)      { q[i], q[k] = q[k], q[i] }
func (q *queue) Push(x any)        { *q = append(*q, x.(task)) }
func (q *queue) Pop() any {
	old := *q
	t := old[len(old)-1]
	*q = old[:len(old)-1]
	return t
}

func (w *world) in(d time.Duration, do func()) {
	w.turn++
	heap.Push(&w.queue, task{w.now + d, w.turn, do})
}

// run lets time pass up to a moment.
func (w *world) run(until time.Duration) {
	for w.err == nil && len(w.queue) > 0 && w.queue[0].at <= until {
		t := heap.Pop(&w.queue).(task)
		w.now = t.at
		t.do()
	}
	w.now = max(w.now, until)
}

func (w *world) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf(format, args...)
	}
}

// randomness is a stream of bytes for keys and ids.
type randomness struct{ rng *rand.Rand }

func (r randomness) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = byte(r.rng.Uint32())
	}
	return len(b), nil
}

func (w *world) newKey() *key.Key {
	k, err := key.Generate(bytes.NewReader(bytes.Repeat([]byte{byte(len(w.keys) + 1)}, 32)))
	if err != nil {
		panic(err)
	}
	w.keys[k.Public()] = k
	return k
}

// verify is key.Verify at a fraction of its work, which would be most of a schedule's: the same bytes are checked by each replica, and the world has all keys. A
// signature is a function of key and bytes, so one that fits is the one that the key makes.
func (w *world) verify(public string, p key.Purpose, payload []byte, sig string) error {
	name := signature(public, p, payload, sig)
	if w.valid[name] {
		return nil
	}
	k := w.keys[public]
	if k == nil {
		return key.Verify(public, p, payload, sig)
	}
	if made, err := k.Sign(p, payload); err != nil || made != sig {
		return key.Verify(public, p, payload, sig)
	}
	w.valid[name] = true
	return nil
}

func signature(public string, p key.Purpose, payload []byte, sig string) string {
	return public + string(rune(p)) + sig + string(payload)
}

// signed says that the receipt that a replica has just published is signed by it, of which every sixteenth is checked all the same: they are as many as events.
func (w *world) signed(r *Replica, receipt []byte) {
	const purpose = "countback-held-v1\n"
	end := bytes.LastIndexByte(receipt, '\n')
	if w.turn%16 == 0 || end < len(purpose) {
		return
	}
	w.valid[signature(r.key.Public(), key.Held, receipt[len(purpose):end], string(receipt[end+1:]))] = true
}

// clock is a replica's own time.
func (w *world) clock(r *Replica) time.Time { return epoch.Add(w.now + r.off) }

// wall is the time of all servers.
func (w *world) wall() int64 { return epoch.Add(w.now).UnixNano() }

func (w *world) add(r *Replica, buses ...*bus) *Replica {
	r.entropy = randomness{w.rng}
	for _, b := range buses {
		r.conns = append(r.conns, &conn{r: r, bus: b})
	}
	w.reps = append(w.reps, r)
	w.start(r)
	return r
}

// start runs the program of a replica.
func (w *world) start(r *Replica) {
	r.disk = &Disk{Store: r.Store}
	m, err := replicate.New(w.ctx, replicate.Config{
		Store: r.disk, Key: r.key, Shop: w.shop, Desk: r.Desk, Build: "1",
		Limits: replicate.Limits{Waiting: 5, Far: 12}, Verify: w.verify,
	})
	if err != nil {
		w.fail("%s: the program doesn't start: %w", r.Name, err)
		return
	}
	r.m = m
	w.step(r, replicate.Tick{})
	for _, c := range r.conns {
		w.connectSoon(c)
	}
}

// stop ends the program of a replica, in whatever it does.
func (w *world) stop(r *Replica) {
	r.m = nil
	r.wakes++
	for _, c := range r.conns {
		c.up = false
		c.gen++
	}
}

func (w *world) restart(r *Replica, after time.Duration) {
	w.stop(r)
	w.in(after, func() {
		if r.m == nil && !r.dead {
			w.checkPlaces(r)
			w.start(r)
		}
	})
}

// step hands an input to a replica's machine and does what it asks for. If the disk crashes, nothing of that is done.
func (w *world) step(r *Replica, in replicate.Input) {
	if r.m == nil || r.dead {
		return
	}
	w.stats.Steps++
	var out []replicate.Output
	crashed := func() (crashed bool) {
		defer func() {
			if p := recover(); p != nil {
				if _, ok := p.(crash); !ok {
					panic(p)
				}
				crashed = true
			}
		}()
		out = r.m.Step(w.clock(r), in)
		return false
	}()
	if crashed {
		w.stats.Crashes++
		w.tell("%s crashes in a write", r.Name)
		w.restart(r, w.span(time.Second, 20*time.Second))
		return
	}
	for _, o := range out {
		w.do(r, o)
	}
}

func (w *world) do(r *Replica, o replicate.Output) {
	switch o := o.(type) {
	case replicate.Wake:
		r.wakes++
		n := r.wakes
		w.in(max(o.In, time.Millisecond), func() {
			if r.wakes == n {
				w.step(r, replicate.Tick{})
			}
		})
	case replicate.Report:
		w.stats.Reports[o.What]++
		w.tell("%s reports: %s", r.Name, o.Text())
	case replicate.Took:
		if o.Cut {
			w.stats.Cuts++
		}
	case replicate.Fetch:
		w.toBus(r, o.Bus, func(c *conn) { w.fetch(c, o) })
	case replicate.Look:
		w.toBus(r, o.Bus, func(c *conn) {
			w.back(c, replicate.Found{Bus: o.Bus, Op: o.Op, Message: c.bus.Look(o.Subject)})
		})
	case replicate.Publish:
		w.toBus(r, o.Bus, func(c *conn) { w.publish(c, o) })
	case replicate.Download:
		w.toBus(r, o.Bus, func(c *conn) { w.download(c, o) })
	}
}

func (w *world) span(from, to time.Duration) time.Duration {
	return from + time.Duration(w.rng.Int64N(int64(to-from)+1))
}

func (w *world) lost() bool { return !w.calm && w.loss > 0 && w.rng.IntN(1000) < w.loss }

func (w *world) latency() time.Duration {
	if !w.calm && w.rng.IntN(50) == 0 {
		return w.span(time.Second, 30*time.Second)
	}
	return w.span(time.Millisecond, 150*time.Millisecond)
}

// toBus carries something to a bus, if it gets there in this session.
func (w *world) toBus(r *Replica, name string, do func(*conn)) {
	for _, c := range r.conns {
		if c.bus.name != name || !c.up {
			continue
		}
		if w.lost() {
			w.stats.Lost++
			return
		}
		gen := c.gen
		w.in(w.latency(), func() {
			if c.gen == gen {
				do(c)
			}
		})
	}
}

// back carries an answer to the device, perhaps twice, perhaps never.
func (w *world) back(c *conn, in replicate.Input) {
	times := 1
	if w.lost() {
		times = 0
		w.stats.Lost++
	} else if !w.calm && w.rng.IntN(40) == 0 {
		times = 2
		w.stats.Doubled++
	}
	gen := c.gen
	for range times {
		w.in(w.latency(), func() {
			if c.gen == gen && c.up {
				w.step(c.r, in)
			}
		})
	}
}

func (w *world) connectSoon(c *conn) {
	w.in(w.span(10*time.Millisecond, 2*time.Second), func() { w.connect(c) })
}

func (w *world) connect(c *conn) {
	if c.up || c.r.dead || c.r.m == nil {
		return
	}
	if c.apart > w.now && !w.calm {
		w.in(c.apart-w.now, func() { w.connect(c) })
		return
	}
	c.up = true
	c.gen++
	gen := c.gen
	w.step(c.r, replicate.Up{
		Bus: c.bus.name, Created: c.bus.Created, Last: c.bus.Last(), Batch: c.bus.Batch, SameDisk: c.bus.host == c.r, Download: c.bus.host != nil && c.bus.host != c.r,
	})
	c.bus.Receipts(func(device string, body []byte) { w.deliver(c, gen, device, body) })
}

// deliver brings a receipt; each goes its own way, so that they may overtake each other. One that is lost comes again within the session.
func (w *world) deliver(c *conn, gen int, device string, body []byte) {
	late := time.Duration(0)
	for w.lost() {
		late += 20 * time.Second
	}
	w.in(late+w.latency(), func() {
		if c.gen == gen && c.up {
			w.step(c.r, replicate.Held{Bus: c.bus.name, Device: device, Body: body})
		}
	})
}

func (w *world) disconnect(c *conn, d time.Duration) {
	c.apart = w.now + d
	if c.up {
		c.up = false
		c.gen++
		w.step(c.r, replicate.Down{Bus: c.bus.name})
	}
	w.in(d, func() { w.connect(c) })
}

func (w *world) fetch(c *conn, f replicate.Fetch) {
	if list := c.bus.Fetch(f.After, f.Max); len(list) > 0 {
		w.back(c, replicate.Messages{Bus: f.Bus, Op: f.Op, List: list})
		return
	}
	c.bus.waiting = append(c.bus.waiting, waiter{c, c.gen, f, w.now + 30*time.Second})
	w.in(30*time.Second, func() { w.serve(c.bus) })
}

// serve answers the fetches that wait at a bus, where something has come or time is up.
func (w *world) serve(b *bus) {
	list := b.waiting
	b.waiting = nil
	for _, x := range list {
		if x.c.gen != x.gen || !x.c.up {
			continue
		}
		found := b.Fetch(x.f.After, x.f.Max)
		if len(found) == 0 && w.now < x.end {
			b.waiting = append(b.waiting, x)
			continue
		}
		w.back(x.c, replicate.Messages{Bus: x.f.Bus, Op: x.f.Op, List: found})
	}
}

func (w *world) publish(c *conn, p replicate.Publish) {
	unknown := !w.calm && w.rng.IntN(40) == 0 // the driver can't tell what came of it
	if unknown && w.rng.IntN(2) == 0 {
		w.back(c, replicate.Published{Bus: p.Bus, Op: p.Op, Err: io.ErrUnexpectedEOF})
		return
	}
	seq, err := c.bus.Publish(p, w.wall())
	if unknown && err == nil {
		w.back(c, replicate.Published{Bus: p.Bus, Op: p.Op, Err: io.ErrUnexpectedEOF})
	} else {
		w.back(c, replicate.Published{Bus: p.Bus, Op: p.Op, Seq: seq, Err: err})
	}
	if err != nil {
		return
	}
	w.stats.Published += len(p.Bodies)
	_, sort, device, _ := replicate.ParseSubject(p.Subject)
	if sort == replicate.SubjectHeld {
		w.signed(c.r, p.Bodies[0])
		for _, r := range w.reps {
			for _, to := range r.conns {
				if to.bus == c.bus && to.up {
					w.deliver(to, to.gen, device, p.Bodies[0])
				}
			}
		}
		return
	}
	w.serve(c.bus)
}

// download hands over the host's whole ledger in parts.
func (w *world) download(c *conn, o replicate.Download) {
	host := c.bus.host
	if host == nil || host.dead || host.m == nil {
		w.back(c, replicate.Downloaded{Bus: o.Bus, Op: o.Op, Err: io.ErrUnexpectedEOF})
		return
	}
	w.stats.Downloads++
	place, err := host.m.Place(c.bus.name)
	if err != nil {
		w.fail("%s: place: %w", host.Name, err)
		return
	}
	var lines, receipts [][]byte
	err = host.Store.Scan(w.ctx, 0, func(r store.Row) error {
		lines = append(lines, bytes.Clone(r.Line))
		return nil
	})
	if err != nil {
		w.fail("%s: %w", host.Name, err)
		return
	}
	aside, err := replicate.Aside(w.ctx, host.Store)
	if err != nil {
		w.fail("%s: %w", host.Name, err)
		return
	}
	for _, k := range aside {
		lines = append(lines, k.Line)
	}
	c.bus.Receipts(func(_ string, body []byte) { receipts = append(receipts, body) })
	half := len(lines) / 2
	gen := c.gen
	w.in(w.latency(), func() {
		if c.gen == gen && c.up {
			w.step(c.r, replicate.Downloaded{Bus: o.Bus, Op: o.Op, Lines: lines[:half]})
			w.back(c, replicate.Downloaded{Bus: o.Bus, Op: o.Op, Lines: lines[half:], Receipts: receipts, Place: place, Done: true})
		}
	})
}

// record records as a person does at the command line: beside the machine, which is told later, or never if it crashes first.
func (w *world) record(r *Replica, facts ...event.Fact) (record.Result, error) {
	rec := record.Recorder{Store: r.Store, Key: r.key, Shop: w.shop, Now: func() time.Time { return w.clock(r) }, Entropy: r.entropy}
	res, err := rec.Record(w.ctx, facts, nil)
	if err != nil {
		return res, err
	}
	for _, id := range res.IDs {
		w.facts = append(w.facts, &fact{id: id, device: r.key.Device()})
	}
	w.stats.Recorded += res.Recorded
	w.in(w.span(0, 200*time.Millisecond), func() { w.step(r, replicate.Changed{}) })
	return res, nil
}
