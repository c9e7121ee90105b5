package replicate

import (
	"bytes"
	"cmp"
	"errors"
	"slices"
	"time"

	"countback/ledger/event"
	"countback/ledger/store"
)

const (
	batchBytes = 4 << 20          // of one publish
	deskDelay  = 3 * time.Second  // before a desk fills in what a stream lacks and another may yet send; once more for each member before it
	phoneDelay = 30 * time.Second // the same for a phone
	doubtAfter = time.Minute      // for which what should stand on the stream hasn't been read there, before it is sent once more
)

// publishing is a Publish that isn't answered yet.
type publishing struct {
	op
	subject string
	device  string // the log that its events are of, "" for a receipt and for events aside
	upto    int64
	receipt int64
	aside   []*node
	cuts    int64
	sent    int64 // ms since 1970 by the own clock
}

// looking is a Look that isn't answered yet.
type looking struct {
	op
	subject string
}

// pump publishes the next thing that the bus should have. One thing is under way at a time; the answer calls for the next.
func (m *Machine) pump(k *link) error {
	if !k.up {
		return nil
	}
	m.overdue(k)
	if m.mayGoBack(k) && !k.filling {
		m.goBack(k)
		m.fetch(k)
	}
	if k.pub != nil || k.look != nil || m.elapsed < k.rest {
		return nil
	}
	// What was seen there says nothing before it is known that the stream still has it: whoever sent event 19 because 18 was seen once would make a gap.
	own := m.log(m.own)
	if own.head.Seq > k.sentOf(m.own) && !k.verify {
		if done, err := m.publishLog(k, own, Subject(m.cfg.Shop, SubjectLog, m.own)); done || err != nil {
			return err
		}
	}
	if r := m.receiptOf(m.own); r != nil && r.Count > k.heldSent {
		m.publish(k, &publishing{subject: Subject(m.cfg.Shop, SubjectHeld, m.own), receipt: r.Count}, [][]byte{r.body}, nil)
		return nil
	}
	if !k.caughtUp() {
		return nil
	}
	k.lackAt = 0
	for _, l := range m.logs {
		m.doubt(k, l)
	}
	return m.carry(k)
}

// doubt sends events once more that should stand on the stream, and weren't there when it was read up to where they should be. A subject's end vouches for
// what is before it only as far as all who publish there have kept the order, and no bus has lost something in the middle.
func (m *Machine) doubt(k *link, l *log) {
	at := k.seenOf(l.device)
	d := k.doubts[l.device]
	switch {
	case at >= l.head.Seq || k.sentOf(l.device) < l.head.Seq || k.Seq < k.sentAt[l.device]:
		delete(k.doubts, l.device)
		return
	case d.since == 0 || d.seen != at:
		d = doubtful{m.elapsed + 1, at}
		k.doubts[l.device] = d
	case m.elapsed >= d.since+doubtAfter:
		delete(k.doubts, l.device)
		k.sent[l.device] = at
		k.dueAt(m.elapsed + 1)
		return
	}
	k.dueAt(d.since + doubtAfter)
}

// doubtful is how far a log was seen on the stream when it was first missed there, and when that was.
type doubtful struct {
	since time.Duration
	seen  int64
}

// overdue gives up what was never answered.
func (m *Machine) overdue(k *link) {
	if k.pending.n != 0 && m.elapsed >= k.pending.by {
		if k.filling {
			m.endFilling(k, errNoAnswer)
		} else {
			m.fetch(k)
		}
	}
	if k.look != nil && m.elapsed >= k.look.by {
		k.look = nil
		m.pause(k, 0)
	}
	if k.pub != nil && m.elapsed >= k.pub.by {
		m.unsure(k, k.pub)
	}
}

var errNoAnswer = errors.New("it doesn't answer")

// carry publishes events of others: at once what no other member is known to hold, and what else the stream lacks after a while, so that whoever is nearest to
// it goes first: the device itself, then the desks, then the phones.
func (m *Machine) carry(k *link) error {
	for _, l := range m.logs {
		if l.device == m.own || l.head.Seq <= k.sentOf(l.device) {
			delete(k.lacks, l.device)
			continue
		}
		since, ok := k.lacks[l.device]
		if !ok {
			since = m.elapsed
			k.lacks[l.device] = since
		}
		if due := since + m.delay(); m.elapsed < due {
			safe, err := m.safe(l)
			if err != nil {
				return err
			}
			if safe == l.head.Seq {
				k.dueAt(due)
				continue
			}
		}
		subject := Subject(m.cfg.Shop, SubjectCarry, m.own)
		if m.cfg.Desk {
			subject = Subject(m.cfg.Shop, SubjectLog, l.device)
		}
		if done, err := m.publishLog(k, l, subject); done || err != nil {
			return err
		}
	}
	return m.carryAside(k)
}

// carryAside publishes events of branches that aren't the log, as long as facts of them stand nowhere else.
func (m *Machine) carryAside(k *link) error {
	for _, l := range m.logs {
		list, err := m.owed(l)
		if err != nil {
			return err
		}
		list = slices.DeleteFunc(list, func(n *node) bool { return slices.Contains(n.on, k.name) || k.sentAside[n.e.Hash] })
		key := asideKey + l.device
		if len(list) == 0 {
			delete(k.lacks, key)
			continue
		}
		since, ok := k.lacks[key]
		if !ok {
			since = m.elapsed
			k.lacks[key] = since
		}
		if due := since + m.delay(); l.device != m.own && m.elapsed < due {
			k.dueAt(due)
			continue
		}
		list = list[:min(len(list), max(k.said.Batch, 1))]
		var bodies [][]byte
		size := 0
		for i, n := range list {
			if size += len(n.e.Line); size > batchBytes && i > 0 {
				list = list[:i]
				break
			}
			bodies = append(bodies, n.e.Line)
		}
		if m.publishOn(k, &publishing{subject: Subject(m.cfg.Shop, SubjectCarry, m.own), aside: list}, bodies) {
			return nil
		}
	}
	return nil
}

const asideKey = "aside/"

// delay is how long this device waits for others to send what isn't its own. The keeper doesn't.
func (m *Machine) delay() time.Duration {
	if m.members.Keeper() == m.own {
		return 0
	}
	rank := time.Duration(1)
	for _, b := range m.members.All() {
		if b.Device < m.own {
			rank++
		}
	}
	if m.cfg.Desk {
		return rank * deskDelay
	}
	return phoneDelay + rank*deskDelay
}

// dueAt asks for a look at what the stream lacks.
func (k *link) dueAt(t time.Duration) {
	if k.lackAt == 0 || t < k.lackAt {
		k.lackAt = t
	}
}

// publishLog publishes the next events of a log. It reports whether something is under way now.
func (m *Machine) publishLog(k *link, l *log, subject string) (bool, error) {
	s := k.subject(subject)
	if s.known && s.hold > k.Seq {
		return false, nil
	}
	if !s.known {
		m.lookAt(k, subject)
		return true, nil
	}
	from := k.sentOf(l.device) + 1
	var bodies [][]byte
	size := 0
	err := store.Log(m.ctx, m.cfg.Store, l.device, from, min(l.head.Seq, from+int64(max(k.said.Batch, 1))-1), func(row store.Row) error {
		if size += len(row.Line); size > batchBytes && len(bodies) > 0 {
			return errEnough
		}
		bodies = append(bodies, bytes.Clone(row.Line))
		return nil
	})
	if err != nil && err != errEnough {
		return false, err
	}
	if len(bodies) == 0 {
		return false, nil
	}
	m.publish(k, &publishing{subject: subject, device: l.device, upto: from + int64(len(bodies)) - 1}, bodies, s)
	return true, nil
}

var errEnough = errors.New("a batch is full")

// publishOn publishes on a subject whose end must be known. It reports whether something is under way now.
func (m *Machine) publishOn(k *link, p *publishing, bodies [][]byte) bool {
	s := k.subject(p.subject)
	if !s.known {
		m.lookAt(k, p.subject)
		return true
	}
	m.publish(k, p, bodies, s)
	return true
}

func (k *link) subject(name string) *subject {
	if k.subjects[name] == nil {
		k.subjects[name] = &subject{}
	}
	return k.subjects[name]
}

func (m *Machine) publish(k *link, p *publishing, bodies [][]byte, s *subject) {
	p.op = op{m.op(), m.elapsed + answerWait}
	p.cuts, p.sent = m.cuts, m.now
	k.pub = p
	out := Publish{Bus: k.name, Op: p.n, Subject: p.subject, Bodies: bodies}
	if s != nil {
		out.Expected, out.Last = true, s.last
	}
	m.emit(out)
}

func (m *Machine) lookAt(k *link, subject string) {
	k.look = &looking{op{m.op(), m.elapsed + answerWait}, subject}
	m.emit(Look{k.name, k.look.n, subject})
}

// found goes on behind the last message of a subject.
func (m *Machine) found(in Found) error {
	k := m.link(in.Bus)
	if k.look == nil || k.look.n != in.Op {
		return nil
	}
	subject := k.look.subject
	k.look = nil
	if in.Err != nil {
		m.pause(k, 0)
		return nil
	}
	s := k.subject(subject)
	s.known, s.last, s.hold = true, 0, 0
	_, sort, device, _ := ParseSubject(subject)
	if in.Message == nil {
		return nil
	}
	s.last = in.Message.Seq
	if sort != SubjectLog {
		return nil
	}
	e, err := event.ParseLine(in.Message.Body)
	if err != nil || e.Device != device {
		s.hold = in.Message.Seq
		return nil
	}
	row, err := m.cfg.Store.At(m.ctx, device, e.Seq)
	switch {
	case err == nil && event.HashLine(row.Line) == e.Hash:
		k.sent[device], k.sentAt[device] = max(k.sentOf(device), e.Seq), in.Message.Seq
	case err == nil || errors.Is(err, store.ErrNotFound):
		// Another branch, more than this device has, or something forged: the stream has to be read that far before it is known which.
		s.hold = in.Message.Seq
	default:
		return err
	}
	return nil
}

// published takes the bus's answer.
func (m *Machine) published(in Published) {
	k := m.link(in.Bus)
	p := k.pub
	if p == nil || p.n != in.Op {
		return
	}
	k.pub = nil
	s := k.subject(p.subject)
	switch {
	case in.Err == nil:
		k.resting = 0
		s.last = in.Seq
		m.confirmed(k, p, in.Seq)
	case errors.Is(in.Err, ErrWrongLast):
		s.known = false
	case errors.Is(in.Err, ErrFull):
		m.report(Report{What: BusFull, Bus: k.name})
		m.pause(k, fullRest)
		s.known = false
	case errors.Is(in.Err, ErrDenied), errors.Is(in.Err, ErrTooLarge):
		m.report(Report{What: BusDenied, Bus: k.name, Err: in.Err})
		m.pause(k, fullRest)
		s.known = false
	default:
		m.unsure(k, p)
	}
}

func (m *Machine) confirmed(k *link, p *publishing, seq uint64) {
	if p.receipt > 0 {
		k.heldSent = p.receipt
		return
	}
	k.clockAt, k.clockSent = seq, p.sent
	if p.cuts != m.cuts {
		return // the log isn't what it was; what stands on the stream is seen when it comes back
	}
	if p.device != "" {
		k.sent[p.device], k.sentAt[p.device] = max(k.sent[p.device], p.upto), seq
	}
	for _, n := range p.aside {
		k.sentAside[n.e.Hash] = true
	}
}

// unsure leaves open whether something was published: the subject's end will tell.
func (m *Machine) unsure(k *link, p *publishing) {
	k.pub = nil
	k.subject(p.subject).known = false
	m.pause(k, 0)
}

// pause publishes nothing for a while, longer each time unless a length is given.
func (m *Machine) pause(k *link, d time.Duration) {
	k.resting = cmp.Or(d, min(max(2*k.resting, firstRest), longestRest))
	k.rest = m.elapsed + k.resting
}
