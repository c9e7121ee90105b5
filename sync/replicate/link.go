package replicate

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/go-json-experiment/json"

	"countback/ledger/event"
)

const (
	fetchMax     = 1000
	fetchWait    = 45 * time.Second // after which a Fetch counts as lost
	answerWait   = 20 * time.Second // after which what was published or asked counts as lost
	downloadWait = 10 * time.Minute // between two parts of a file
	firstRest    = 500 * time.Millisecond
	longestRest  = 30 * time.Second
	fullRest     = 30 * time.Second
	firstRewind  = time.Second // before what was left on the bus is read again; twice as long each time
	lastRewind   = time.Hour
)

// link is one bus. place is what survives of it.
type link struct {
	name string
	place

	up      bool
	said    Up
	filling bool     // the hand-over file is on its way
	file    [][]byte // receipts of it, taken at its end
	pending op       // Fetch or Download
	after   uint64   // what the pending Fetch asked behind
	verify  bool     // the next message must be the one at Seq
	backing bool     // what was left on the bus is to be read again, behind back. The place stays as it is until something was read there,
	back    uint64   // so that a stream that has lost its tail is noticed all the same

	subjects  map[string]*subject
	sent      map[string]int64  // of each log: how many events are on the stream, as far as this session knows
	sentAt    map[string]uint64 // the sequence that the last of them has there
	doubts    map[string]doubtful
	lacks     map[string]time.Duration // since when the stream has lacked something of a log
	pub       *publishing
	look      *looking
	rest      time.Duration   // nothing is published before
	resting   time.Duration   // how long the last rest was
	lackAt    time.Duration   // when something that the stream lacks is due
	sentAside map[string]bool // events aside, by hash, that the bus has confirmed in this session
	heldSent  int64           // the count of the own receipt that the bus has taken

	rewindAt   time.Duration
	rewindWait time.Duration
	rewind     bool
	clockAt    uint64 // the sequence of an own message that was published
	clockSent  int64  // and when, ms since 1970 by the own clock
	clockOff   time.Duration
}

// op is something asked for, 0 for nothing, and when it counts as lost.
type op struct {
	n  int64
	by time.Duration
}

// subject is what is known of a subject's end in this session.
type subject struct {
	known bool
	last  uint64
	hold  uint64 // what stands there isn't understood; nothing is published before the stream was read up to it
}

func (m *Machine) link(name string) *link {
	i, ok := slices.BinarySearchFunc(m.links, name, func(k *link, n string) int { return cmp.Compare(k.name, n) })
	if !ok {
		m.links = slices.Insert(m.links, i, &link{name: name})
	}
	return m.links[i]
}

func (k *link) timers(at func(time.Duration)) {
	if !k.up {
		return
	}
	at(k.rest)
	if k.pending.n != 0 {
		at(k.pending.by)
	}
	if k.pub != nil {
		at(k.pub.by)
	}
	if k.look != nil {
		at(k.look.by)
	}
	if len(k.Holes) > 0 {
		at(k.rewindAt)
		at(k.rewindAt + lastRewind)
	}
	at(k.lackAt)
}

func (m *Machine) up(in Up) {
	k := m.link(in.Bus)
	k.up, k.said = true, in
	if !m.failing {
		m.begin(k)
	}
}

func (m *Machine) down(in Down) {
	k := m.link(in.Bus)
	if k.up {
		m.report(Report{What: BusDown, Bus: k.name, Err: in.Err})
	}
	k.up = false
	k.forget()
}

// forget drops what was known of a session.
func (k *link) forget() {
	k.filling, k.file, k.pending, k.verify, k.backing = false, nil, op{}, false, false
	k.subjects, k.sent, k.lacks = map[string]*subject{}, map[string]int64{}, map[string]time.Duration{}
	k.doubts, k.sentAt = map[string]doubtful{}, map[string]uint64{}
	k.pub, k.look, k.heldSent, k.clockAt = nil, nil, 0, 0
	k.rest, k.resting, k.lackAt, k.sentAside = 0, 0, 0, map[string]bool{}
}

// begin starts a session with a bus that can be reached.
func (m *Machine) begin(k *link) {
	k.forget()
	switch {
	case k.Created != k.said.Created:
		if k.Created != 0 {
			m.report(Report{What: NewStream, Bus: k.name})
		}
		m.fail(m.startOver(k))
	case k.said.Last < k.Seq:
		m.report(Report{What: LostTail, Bus: k.name})
		m.fail(m.startOver(k))
	case len(k.Holes) > 0:
		if k.rewind = true; m.mayGoBack(k) {
			m.goBack(k)
		}
	}
	if m.failing {
		return
	}
	k.verify = k.Mark != ""
	if k.said.Download && k.said.Last > k.Seq && k.said.Last-k.Seq > uint64(m.cfg.Far) {
		k.filling = true
		k.pending = op{m.op(), m.elapsed + downloadWait}
		m.emit(Download{k.name, k.pending.n})
		return
	}
	m.fetch(k)
}

// startOver reads a stream from its beginning, with nothing known of what stands there.
func (m *Machine) startOver(k *link) error {
	return m.write(func(tx transaction) error {
		k.place = place{Created: k.said.Created}
		k.verify, k.backing = false, false
		for _, l := range m.logs {
			for _, n := range slices.Concat(l.cands, l.aside) {
				if i := slices.Index(n.on, k.name); i >= 0 {
					n.on = slices.Delete(slices.Clone(n.on), i, i+1)
					if err := m.saveNode(tx, l, n); err != nil {
						return err
					}
				}
			}
		}
		return k.save(tx)
	})
}

// mayGoBack reports whether what was left on the bus should be read again: because something has gone on that it may belong to, or after an hour in any case.
func (m *Machine) mayGoBack(k *link) bool {
	return len(k.Holes) > 0 && (k.rewind && m.elapsed >= k.rewindAt || m.elapsed >= k.rewindAt+lastRewind)
}

// goBack reads anew from the first message that was left on the bus, with the next Fetch.
func (m *Machine) goBack(k *link) {
	k.backing, k.back = true, k.Seq
	for _, h := range k.Holes {
		k.back = min(k.back, h.Seq-1)
	}
	k.rewindWait = min(max(2*k.rewindWait, firstRewind), lastRewind)
	k.rewindAt = m.elapsed + k.rewindWait
	k.rewind = false
}

func (k *link) save(tx transaction) error {
	value, err := json.Marshal(k.place)
	if err != nil {
		return err
	}
	return tx.SetLocal(noteBus+k.name, value)
}

// fetch asks for the next messages. The first time after an Up the last one that was read is asked for once more, to see that it is still the same.
func (m *Machine) fetch(k *link) {
	k.after = k.behind()
	k.pending = op{m.op(), m.elapsed + fetchWait}
	m.emit(Fetch{k.name, k.pending.n, k.after, fetchMax})
}

// behind is the sequence behind which the next messages are read.
func (k *link) behind() uint64 {
	switch {
	case k.verify:
		return k.Seq - 1
	case k.backing:
		return k.back
	}
	return k.Seq
}

func mark(msg Message) string { return fmt.Sprintf("%d %s", msg.Stored, event.HashLine(msg.Body)) }

// messages takes in what a Fetch has brought.
func (m *Machine) messages(in Messages) error {
	k := m.link(in.Bus)
	if !k.up || k.filling || k.pending.n != in.Op {
		return nil
	}
	k.pending = op{}
	if k.after != k.behind() { // the cursor has moved meanwhile: this is no answer to where it stands now
		m.fetch(k)
		return nil
	}
	list := in.List
	if k.verify && len(list) > 0 {
		if list[0].Seq != k.Seq || mark(list[0]) != k.Mark {
			m.report(Report{What: LostTail, Bus: k.name})
			if err := m.startOver(k); err != nil {
				return err
			}
			k.subjects, k.sent, k.sentAside = map[string]*subject{}, map[string]int64{}, map[string]bool{}
			m.fetch(k)
			return nil
		}
		k.verify, list = false, list[1:]
		if k.backing {
			list = nil
		}
	}
	if len(list) > 0 {
		if err := m.takeMessages(k, list); err != nil {
			return err
		}
	}
	m.fetch(k)
	return nil
}

func (m *Machine) takeMessages(k *link, list []Message) error {
	var items []item
	last := k.behind()
	if k.backing {
		k.backing, k.Holes = false, nil // what is left once more is noted anew
	}
	for _, msg := range list {
		if msg.Seq <= last {
			continue // a driver's fault; what it leaves out it must not leave out for ever
		}
		last = msg.Seq
		m.compareClocks(k, msg)
		shop, sort, from, ok := ParseSubject(msg.Subject)
		if !ok || sort != SubjectLog && sort != SubjectCarry || shop != m.cfg.Shop {
			m.report(Report{What: Foreign, Bus: k.name, Device: from})
			continue
		}
		items = append(items, item{line: msg.Body, from: from, spot: spot{k, msg.Seq}, stored: msg.Stored})
	}
	end := list[len(list)-1]
	err := m.take(items, func(tx transaction) error {
		k.Seq, k.Mark = last, mark(end)
		return k.save(tx)
	}, touched)
	if err != nil {
		return err
	}
	if m.mayGoBack(k) {
		m.goBack(k)
	}
	if len(k.Holes) == 0 && k.caughtUp() {
		k.rewindWait = 0
	}
	if keep := k.kept(); keep > 0 {
		m.emit(Keep{k.name, keep})
	}
	return nil
}

// kept is the last message that need not come again.
func (k *link) kept() uint64 {
	keep := k.Seq
	for _, h := range k.Holes {
		keep = min(keep, h.Seq)
	}
	return max(keep, 1) - 1
}

// caughtUp reports whether all was read that stood on the stream at the last Up.
func (k *link) caughtUp() bool {
	return k.up && !k.filling && !k.verify && !k.backing && k.Seq >= k.said.Last
}

// note says that an event of a log as it is stands on the link's stream. What stands there out of order isn't counted, and so sent once more in the end.
func (k *link) note(device string, seq int64) (changed bool) {
	i, ok := slices.BinarySearchFunc(k.Seen, device, func(s seen, d string) int { return cmp.Compare(s.Device, d) })
	if !ok {
		if seq != 1 {
			return false
		}
		k.Seen = slices.Insert(k.Seen, i, seen{device, 0})
	}
	if k.Seen[i].Seq+1 != seq {
		return false
	}
	k.Seen[i].Seq = seq
	return true
}

// seenOf returns how many of a log's events stand on the stream, from the first on.
func (k *link) seenOf(device string) int64 {
	i, ok := slices.BinarySearchFunc(k.Seen, device, func(s seen, d string) int { return cmp.Compare(s.Device, d) })
	if !ok {
		return 0
	}
	return k.Seen[i].Seq
}

// unsee forgets a log's events from a sequence on, because others have taken their place.
func (k *link) unsee(device string, from int64) {
	for i, s := range k.Seen {
		if s.Device == device && s.Seq >= from {
			k.Seen[i].Seq = from - 1
		}
	}
	if k.sent[device] >= from {
		k.sent[device] = from - 1
	}
}

// sentOf is seenOf with what the bus has confirmed in this session.
func (k *link) sentOf(device string) int64 { return max(k.sent[device], k.seenOf(device)) }
