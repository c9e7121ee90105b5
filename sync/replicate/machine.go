package replicate

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
)

// Config says for whom a machine replicates.
type Config struct {
	Store store.Store // its transactions must be store.Lookers
	Key   *key.Key
	Shop  string // shop id
	Desk  bool   // checks every signature, sooner or later, and fills log subjects of others
	Build string // the program's build; with another one refused lines are tried again
	Limits

	// Verify checks signatures; nil stands for key.Verify. Another one is for whoever runs many machines on the same bytes, as the simulation does.
	Verify key.Verifier
}

// Limits are how much is kept of what can't stand in a log (yet). Zero fields have the defaults that are named.
type Limits struct {
	Waiting      int // events of one sender that wait: 10,000
	WaitingBytes int // their bytes: 16 MiB
	Refused      int // lines in quarantine: 1,000; of one sender at most a quarter
	RefusedBytes int // their bytes: 16 MiB
	Aside        int // events of one log's branches aside: 10,000
	Strangers    int // logs of devices that nobody has admitted: 64
	Far          int // events behind which the hand-over file is fetched: 2,000
}

func (l Limits) filled() Limits {
	for _, d := range []struct {
		v    *int
		want int
	}{
		{&l.Waiting, 10_000}, {&l.WaitingBytes, 16 << 20}, {&l.Refused, 1000}, {&l.RefusedBytes, 16 << 20},
		{&l.Aside, 10_000}, {&l.Strangers, 64}, {&l.Far, 2000},
	} {
		if *d.v == 0 {
			*d.v = d.want
		}
	}
	return l
}

// Machine replicates one device's ledger over its buses. Nothing but Step changes it, and Step must not be called by two goroutines at once.
type Machine struct {
	ctx  context.Context
	cfg  Config
	own  string
	out  []Output
	said map[saying]said

	scanner *event.Scanner
	run     []event.Light // of known, to be used again
	takes   int64         // how often something was taken in
	started bool
	now     int64         // ms since 1970 by the own clock
	elapsed time.Duration // time that has passed, which a clock that is set back doesn't turn

	failing   bool // the store failed; everything is read from it again at retryAt
	retryAt   time.Duration
	retryWait time.Duration

	members  *chain.Members
	live     map[string]bool // members whose receipts count, nil after a change of membership
	scanned  int64           // the number up to which members were read
	logs     []*log
	refused  []*refusal // by hash
	receipts []*Receipt // by device
	later    []*Receipt // of devices that aren't members yet, or not stored yet because the store failed; by device
	links    []*link
	lastOp   int64
	cuts     int64 // how many logs were cut, so that an answer from before is known

	receiptAt time.Duration // no receipt is made before
	checkDue  time.Duration // when more signatures are checked, 0: none wait
	adoptAt   time.Duration // facts aside aren't looked at before

	tryAgain bool // membership has changed since the refused lines were tried

	grown  bool // inside one taking in: membership has changed
	reload bool // inside one taking in: what was cut may have told of membership
	took   Took
}

// log is one device's log, with what belongs to it and doesn't stand in it.
type log struct {
	device  string
	head    store.Head
	cands   []*node // wait, by sequence and hash
	aside   []*node // of other branches, by sequence and hash
	touched bool
	fresh   int64         // the taking in for which head was read
	checked int64         // up to here all signatures were checked
	unsaved bool          // checked isn't in the store yet
	dated   time.Duration // how far its events were dated after the bus stored them, at most
}

// node is an event that stands in no log.
type node struct {
	e      *event.Event
	from   string
	on     []string // links whose streams have it
	saved  bool
	sig    verdict
	heldAt int64 // one more than the number of cuts at which its id was seen in a log
	spot   spot  // where it came from just now
}

type verdict uint8

const (
	unchecked verdict = iota
	good
	bad
)

// spot is where a line was taken from: a link and a sequence of its stream; no link for a file.
type spot struct {
	link *link
	seq  uint64
}

// transaction is what the machine needs of one.
type transaction interface {
	store.Tx
	store.Looker
}

var errNoLooker = errors.New("the store's transactions can't look into a log")

// New reads the machine's state from the store. ctx is that of all its calls of the store.
func New(ctx context.Context, cfg Config) (*Machine, error) {
	cfg.Limits = cfg.Limits.filled()
	if cfg.Verify == nil {
		cfg.Verify = key.Verify
	}
	m := &Machine{ctx: ctx, cfg: cfg, own: cfg.Key.Device(), said: map[saying]said{}, scanner: event.NewScanner()}
	if err := m.load(); err != nil {
		return nil, err
	}
	return m, nil
}

// Step takes one input at a time of the own clock and returns what is to be done, in this order.
func (m *Machine) Step(now time.Time, in Input) []Output {
	m.out, m.took = nil, Took{}
	m.clock(now)
	if m.failing && m.elapsed >= m.retryAt {
		m.revive()
	}
	if !m.failing {
		m.fail(m.retryRefused()) // at the start, before a bus is read
	}
	m.dispatch(in)
	if !m.failing {
		m.work()
	}
	if m.took != (Took{}) {
		m.out = append(m.out, m.took)
	}
	m.wake()
	return m.out
}

func (m *Machine) dispatch(in Input) {
	switch in := in.(type) {
	case Up:
		m.up(in)
		return
	case Down:
		m.down(in)
		return
	}
	if m.failing {
		// A bus repeats what isn't answered, and revive looks at the store anew; receipts alone come but once.
		if in, ok := in.(Held); ok {
			if r, err := ParseReceipt(in.Body); err == nil && r.Device == in.Device {
				m.putOff(r)
			}
		}
		return
	}
	var err error
	switch in := in.(type) {
	case Changed:
		err = m.changed()
	case Messages:
		err = m.messages(in)
	case Held:
		err = m.held(in)
	case Published:
		m.published(in)
	case Found:
		err = m.found(in)
	case Downloaded:
		err = m.downloaded(in)
	case File:
		err = m.file(in.Lines, in.Receipts)
	}
	m.fail(err)
}

// work does what the input has made possible.
func (m *Machine) work() {
	steps := []func() error{m.retryRefused, m.adopt, m.makeReceipt, m.checkSome}
	for _, k := range m.links {
		steps = append(steps, func() error { return m.pump(k) })
	}
	for _, step := range steps {
		if m.failing {
			return
		}
		m.fail(step())
	}
}

// fail takes note of a failure of the store. What is in memory may be ahead of it then, so everything is read again before anything else is done.
func (m *Machine) fail(err error) {
	if err == nil || m.failing {
		return
	}
	m.failing = true
	m.retryWait = min(max(2*m.retryWait, time.Second), time.Minute)
	m.retryAt = m.elapsed + m.retryWait
	m.took = Took{}
	m.report(Report{What: StoreFails, Err: err})
}

func (m *Machine) revive() {
	if err := m.load(); err != nil {
		m.failing = false
		m.fail(err)
		return
	}
	m.failing = false
	for _, k := range m.links {
		if k.up {
			m.begin(k)
		}
	}
}

// wake asks for a Tick at the next moment that something waits for.
func (m *Machine) wake() {
	next := time.Duration(-1)
	at := func(t time.Duration) {
		if t > m.elapsed && (next < 0 || t < next) {
			next = t
		}
	}
	if m.failing {
		at(m.retryAt)
	} else {
		at(m.receiptAt)
		at(m.checkDue)
		at(m.adoptAt)
		for _, k := range m.links {
			k.timers(at)
		}
	}
	if next >= 0 {
		m.out = append(m.out, Wake{next - m.elapsed})
	}
}

// load reads everything from the store. What is known of links that are up stays.
func (m *Machine) load() error {
	m.logs, m.refused, m.receipts = nil, nil, nil
	m.scanned = 0
	if err := m.loadMembers(); err != nil {
		return err
	}
	if err := m.refresh(); err != nil {
		return err
	}
	for _, k := range m.links {
		k.place = place{}
	}
	if err := m.loadNotes(); err != nil {
		return err
	}
	if err := m.loadRefused(); err != nil {
		return err
	}
	if err := m.loadChecked(); err != nil {
		return err
	}
	receipts, err := Receipts(m.ctx, m.cfg.Store)
	m.receipts = receipts
	return err
}

// loadMembers reads the members anew.
func (m *Machine) loadMembers() error {
	last, err := m.cfg.Store.Last(m.ctx)
	if err != nil {
		return err
	}
	members, err := chain.LoadVerified(m.ctx, m.cfg.Store, m.cfg.Shop, m.cfg.Verify)
	if err != nil {
		return err
	}
	m.members, m.scanned = members, last
	m.live, m.adoptAt = nil, m.elapsed
	return nil
}

func (m *Machine) loadNotes() error {
	err := m.cfg.Store.Local(m.ctx, noteBus, func(key string, value []byte) error {
		k := m.link(strings.TrimPrefix(key, noteBus))
		return json.Unmarshal(value, &k.place)
	})
	if err != nil {
		return store.Fail("read the notes", "", store.ErrDamaged, err)
	}
	for _, prefix := range []string{noteWait, noteAside} {
		err := m.cfg.Store.Local(m.ctx, prefix, func(key string, value []byte) error {
			o, line, err := readNote(value)
			if err != nil {
				return err
			}
			e, err := event.ParseLine(line)
			if err != nil {
				return store.Fail("read the notes", key, store.ErrDamaged, err)
			}
			l := m.log(e.Device)
			n := &node{e: e, from: o.From, on: o.On, saved: true}
			if prefix == noteAside {
				n.sig = good
				l.aside = append(l.aside, n)
			} else {
				l.cands = append(l.cands, n)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// changed looks at what others have written to the store.
func (m *Machine) changed() error {
	if err := m.refresh(); err != nil {
		return err
	}
	if err := m.loadRefused(); err != nil {
		return err
	}
	last, err := m.cfg.Store.Last(m.ctx)
	if err != nil {
		return err
	}
	if last == m.scanned {
		return nil
	}
	grown := false
	err = m.cfg.Store.ScanKinds(m.ctx, []event.Kind{event.KindDevice, event.KindShop, event.KindRevoke}, m.scanned, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err == nil {
			m.members.Add(e)
			grown = true
			m.live, m.adoptAt = nil, m.elapsed
		}
		return err
	})
	if err != nil {
		return err
	}
	m.scanned = last
	if grown {
		return m.take(nil, nil, everything)
	}
	return nil
}

// refresh reads how far the logs go.
func (m *Machine) refresh() error {
	heads, err := m.cfg.Store.Heads(m.ctx)
	if err != nil {
		return err
	}
	for _, device := range slices.Sorted(maps.Keys(heads)) {
		m.log(device).head = heads[device]
	}
	return nil
}

// log returns what is known of a device's log, which is begun if there is nothing yet.
func (m *Machine) log(device string) *log {
	i, ok := slices.BinarySearchFunc(m.logs, device, func(l *log, d string) int { return cmp.Compare(l.device, d) })
	if !ok {
		m.logs = slices.Insert(m.logs, i, &log{device: device, head: store.EmptyHead})
	}
	return m.logs[i]
}

// write runs fn in a transaction of the store.
func (m *Machine) write(fn func(transaction) error) error {
	return m.cfg.Store.Write(m.ctx, func(tx store.Tx) error {
		t, ok := tx.(transaction)
		if !ok {
			return errNoLooker
		}
		return fn(t)
	})
}

func (m *Machine) op() int64 {
	m.lastOp++
	return m.lastOp
}

func (m *Machine) emit(o Output) { m.out = append(m.out, o) }
