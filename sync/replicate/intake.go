package replicate

import (
	"bytes"
	"cmp"
	"errors"
	"slices"

	"countback/ledger/chain"
	"countback/ledger/event"
)

// item is one line on its way in.
type item struct {
	line   []byte
	from   string // the device that sent it, "" for a file
	spot   spot
	stored int64 // when the bus stored it, ns since 1970, 0 for a file
	again  bool  // it stands in quarantine
}

// scope says which logs are settled.
type scope uint8

const (
	touched    scope = iota // those that something came for
	everything              // all for which something waits or stands aside, because membership has changed
)

// take is the one way in, for bus, download and file: one transaction for all lines, what they bring with them into the logs, and the cursor.
func (m *Machine) take(items []item, cursor func(transaction) error, which scope) error {
	for {
		m.grown, m.reload = which == everything, false
		err := m.write(func(tx transaction) error {
			if err := m.forgetRefused(tx, items); err != nil {
				return err
			}
			m.takes++
			for rest := items; len(rest) > 0; {
				n, known, err := m.known(tx, rest)
				for _, it := range rest[:n] {
					if err == nil && !known {
						err = m.sort(tx, it)
					}
				}
				if err != nil {
					return err
				}
				rest = rest[n:]
			}
			if err := m.settleAll(tx); err != nil {
				return err
			}
			if err := m.trim(tx); err != nil {
				return err
			}
			if err := m.saveChecked(tx); err != nil || cursor == nil {
				return err
			}
			return cursor(tx)
		})
		if err != nil {
			return err
		}
		if !m.reload {
			return nil
		}
		// What was cut may have admitted or revoked somebody.
		if err := m.loadMembers(); err != nil {
			return err
		}
		items, cursor, which = nil, nil, everything
	}
}

// forgetRefused takes lines that are tried again out of the quarantine. They may be back at the end of the same transaction.
func (m *Machine) forgetRefused(tx transaction, items []item) error {
	for _, it := range items {
		if !it.again {
			continue
		}
		hash := event.HashLine(it.line)
		if i, ok := m.findRefused(hash); ok {
			m.refused = slices.Delete(m.refused, i, i+1)
			if err := tx.SetLocal(noteBad+hash, nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// sort puts a line where it belongs before anything of its log is settled.
func (m *Machine) sort(tx transaction, it item) error {
	if len(it.line) > event.MaxLine {
		m.report(Report{What: TooLarge, Device: it.from})
		return nil
	}
	e, err := event.ParseLine(it.line)
	if err != nil {
		m.report(Report{What: Unreadable, Device: it.from, Err: err})
		return m.refuse(tx, it, err)
	}
	if e.Shop != m.cfg.Shop {
		m.report(Report{What: Foreign, Device: it.from})
		return m.refuse(tx, it, chain.ErrShop)
	}
	m.compareDates(e.Device, e.ID, it)
	if !m.knows(e.Device) && m.strangers(it.from) >= m.cfg.Strangers {
		m.leave(it, e.Device)
		return nil
	}
	l := m.log(e.Device)
	held, err := m.heldAt(tx, l, e.Seq)
	if err != nil {
		return err
	}
	if held == e.Hash {
		m.stands(it.spot.link, e.Device, e.Seq)
		return nil
	}
	for _, list := range [][]*node{l.aside, l.cands} {
		if i, ok := nodeAt(list, e); ok {
			return m.stoodOn(tx, l, list[i], it.spot)
		}
	}
	if _, ok := m.findRefused(e.Hash); ok {
		return nil
	}
	n := &node{e: e, from: it.from, spot: it.spot}
	if it.spot.link != nil {
		n.on = []string{it.spot.link.name}
	}
	l.cands = put(l.cands, n)
	l.touched = true
	return nil
}

// known deals with the first of the lines, and those behind it that continue its log, if they stand in it already, as most do that a device has sent itself.
// n is the number of lines that it is about, which are to be sorted if they aren't known.
//
// The last of them is compared with the log. Each names the hash of the one before it, so that then the others are those of the log as well.
func (m *Machine) known(tx transaction, items []item) (n int, known bool, err error) {
	run := m.run[:0]
	defer func() {
		clear(run) // they hold on to the lines
		m.run = run[:0]
	}()
	var l *log
	for n < len(items) {
		e, err := m.scanner.Line(items[n].line)
		if n == 0 {
			if err != nil || !m.knows(e.Device) {
				return 1, false, nil
			}
			l = m.log(e.Device)
			if err := m.refreshLog(tx, l); err != nil {
				return 1, false, err
			}
		} else if err != nil || e.Device != l.device || e.Seq != run[n-1].Seq+1 || !follows(items[n].line, items[n-1].line) {
			break
		}
		if e.Seq > l.head.Seq {
			break
		}
		run = append(run, e)
		n++
	}
	if n == 0 {
		return 1, false, nil
	}
	row, err := tx.At(l.device, run[n-1].Seq)
	if err != nil || !bytes.Equal(row.Line, items[n-1].line) {
		return n, false, err
	}
	for i, e := range run {
		m.compareDates(e.Device, e.ID, items[i])
		m.stands(items[i].spot.link, e.Device, e.Seq)
	}
	return n, true, nil
}

// follows reports whether a line names the hash of another one as that of the event before it. Nothing that a sender may choose stands in a line before that.
func follows(line, before []byte) bool {
	const name = `"prevhash":"`
	at := bytes.Index(line, []byte(name))
	return at >= 0 && bytes.HasPrefix(line[at+len(name):], []byte(event.HashLine(before)))
}

// knows reports whether a device has a log here, or is a member, or has something waiting.
func (m *Machine) knows(device string) bool {
	_, ok := slices.BinarySearchFunc(m.logs, device, func(l *log, d string) int { return cmp.Compare(l.device, d) })
	return ok
}

// strangers counts the logs of which nothing is in the store and something waits that a sender has sent.
func (m *Machine) strangers(from string) (n int) {
	for _, l := range m.logs {
		if l.head.Seq == 0 && slices.ContainsFunc(l.cands, func(c *node) bool { return c.from == from }) {
			n++
		}
	}
	return n
}

// heldAt returns the hash of the event that stands at a place of a log, "" for none.
func (m *Machine) heldAt(tx transaction, l *log, seq int64) (string, error) {
	if err := m.refreshLog(tx, l); err != nil {
		return "", err
	}
	switch {
	case seq == l.head.Seq:
		return l.head.Hash, nil
	case seq < 1 || seq > l.head.Seq:
		return "", nil
	}
	row, err := tx.At(l.device, seq)
	if err != nil {
		return "", err
	}
	return event.HashLine(row.Line), nil
}

// refreshLog reads how far a log goes, once in each taking in and unless it is being changed: the command line may have recorded.
func (m *Machine) refreshLog(tx transaction, l *log) (err error) {
	if !l.touched && l.fresh != m.takes {
		l.head, err = tx.Head(l.device)
		l.fresh = m.takes
	}
	return err
}

// stands says that an event of a log was read from a link's stream.
func (m *Machine) stands(k *link, device string, seq int64) {
	if k != nil {
		k.note(device, seq)
	}
}

// stoodOn says so of an event that stands in no log.
func (m *Machine) stoodOn(tx transaction, l *log, n *node, s spot) error {
	if s.link == nil || slices.Contains(n.on, s.link.name) {
		return nil
	}
	n.on = append(slices.Clone(n.on), s.link.name)
	slices.Sort(n.on)
	return m.saveNode(tx, l, n)
}

// saveNode writes an event that stands in no log anew, if it was written before.
func (m *Machine) saveNode(tx transaction, l *log, n *node) error {
	if !n.saved {
		return nil
	}
	prefix := noteWait
	if _, ok := nodeAt(l.aside, n.e); ok {
		prefix = noteAside
	}
	return m.keepNode(tx, prefix, n)
}

func (m *Machine) keepNode(tx transaction, prefix string, n *node) error {
	value, err := origin{From: n.from, On: n.on}.note(n.e.Line)
	if err != nil {
		return err
	}
	n.saved = true
	return tx.SetLocal(eventKey(prefix, n.e), value)
}

func (m *Machine) dropNode(tx transaction, prefix string, n *node) error {
	if !n.saved {
		return nil
	}
	n.saved = false
	return tx.SetLocal(eventKey(prefix, n.e), nil)
}

// nodeAt finds an event in a list of nodes, which are in the order of sequence and hash.
func nodeAt(list []*node, e *event.Event) (int, bool) {
	return slices.BinarySearchFunc(list, e, func(n *node, e *event.Event) int {
		return cmp.Or(cmp.Compare(n.e.Seq, e.Seq), cmp.Compare(n.e.Hash, e.Hash))
	})
}

func put(list []*node, n *node) []*node {
	if i, ok := nodeAt(list, n.e); !ok {
		return slices.Insert(list, i, n)
	}
	return list
}

// settleAll settles the logs that something came for, and all others that wait when membership has changed, until nothing changes any more.
func (m *Machine) settleAll(tx transaction) error {
	for {
		all := m.grown
		m.grown = false
		for _, l := range m.logs {
			if !l.touched && !(all && len(l.cands)+len(l.aside) > 0) {
				continue
			}
			l.touched = false
			if err := m.settle(tx, l); err != nil {
				return err
			}
		}
		if !m.grown {
			return nil
		}
	}
}

// trim keeps what waits, as much as there is room for, and leaves the rest on the bus.
func (m *Machine) trim(tx transaction) error {
	type room struct{ n, bytes int }
	used := map[string]room{}
	for _, l := range m.logs {
		for _, n := range l.cands {
			if n.saved {
				u := used[n.from]
				used[n.from] = room{u.n + 1, u.bytes + len(n.e.Line)}
			}
		}
	}
	for _, l := range m.logs {
		stay := l.cands[:0]
		for _, n := range l.cands {
			if u := used[n.from]; !n.saved {
				if u.n >= m.cfg.Waiting || u.bytes+len(n.e.Line) > m.cfg.WaitingBytes {
					m.leave(item{from: n.from, spot: n.spot}, n.e.Device)
					continue
				}
				used[n.from] = room{u.n + 1, u.bytes + len(n.e.Line)}
				if err := m.keepNode(tx, noteWait, n); err != nil {
					return err
				}
			}
			n.spot = spot{}
			stay = append(stay, n)
		}
		clear(l.cands[len(stay):])
		l.cands = stay
	}
	return nil
}

// leave takes note that a message was left on its stream, so that it is read again once its log has gone on.
func (m *Machine) leave(it item, device string) {
	m.report(Report{What: Flooded, Device: it.from})
	k := it.spot.link
	if k == nil {
		return
	}
	k.leftAt(device, it.spot.seq)
}

// leftAt notes a hole: device's log may need the message at seq, and those behind it.
func (k *link) leftAt(device string, seq uint64) {
	for i, h := range k.Holes {
		if h.Device == device {
			k.Holes[i].Seq = min(h.Seq, seq)
			return
		}
	}
	if len(k.Holes) >= maxHoles && device != "" {
		k.leftAt("", seq) // stands for all others
		return
	}
	k.Holes = append(k.Holes, hole{device, seq})
}

// maxHoles is the number of logs for which it is told apart where something was left on the bus.
const maxHoles = 64

// wentOn says that a log has gone on, or membership has changed (device ""), so that what was left on a bus may find its place.
func (m *Machine) wentOn(device string) {
	for _, k := range m.links {
		for _, h := range k.Holes {
			if device == "" || h.Device == "" || h.Device == device {
				k.rewind = true
			}
		}
	}
}

// refusal is a line in quarantine.
type refusal struct {
	hash   string
	line   []byte
	from   string
	reason string
}

func (m *Machine) findRefused(hash string) (int, bool) {
	return slices.BinarySearchFunc(m.refused, hash, func(r *refusal, h string) int { return cmp.Compare(r.hash, h) })
}

// refuse puts a line into quarantine, if there is room.
func (m *Machine) refuse(tx transaction, it item, why error) error {
	hash := event.HashLine(it.line)
	at, ok := m.findRefused(hash)
	if ok {
		return nil
	}
	n, size := 0, 0
	for _, r := range m.refused {
		if size += len(r.line); r.from == it.from {
			n++
		}
	}
	if len(m.refused) >= m.cfg.Refused || n >= (m.cfg.Refused+3)/4 || size+len(it.line) > m.cfg.RefusedBytes {
		m.report(Report{What: Flooded, Device: it.from})
		if k := it.spot.link; k != nil {
			k.Left = true
		}
		return nil
	}
	var kind error
	for _, k := range []error{event.ErrLine, chain.ErrShop, chain.ErrFirst, chain.ErrSignature} {
		if errors.Is(why, k) {
			kind = k
		}
	}
	r := &refusal{hash, bytes.Clone(it.line), it.from, cmp.Or(kind, why).Error()}
	value, err := origin{From: r.from, Reason: r.reason}.note(r.line)
	if err != nil {
		return err
	}
	m.refused = slices.Insert(m.refused, at, r)
	return tx.SetLocal(noteBad+hash, value)
}

// loadRefused reads the quarantine, which another process may have emptied.
func (m *Machine) loadRefused() error {
	m.refused = m.refused[:0]
	return m.cfg.Store.Local(m.ctx, noteBad, func(key string, value []byte) error {
		o, line, err := readNote(value)
		if err != nil {
			return err
		}
		m.refused = append(m.refused, &refusal{key[len(noteBad):], line, o.From, o.Reason})
		return nil
	})
}

// again takes refused lines in once more.
func (m *Machine) again() error {
	var items []item
	for _, r := range m.refused {
		items = append(items, item{line: r.line, from: r.from, again: true})
	}
	if len(items) == 0 {
		return nil
	}
	return m.take(items, nil, touched)
}

// retryRefused tries the refused lines again after a change of membership, and at the start with a new build of the program; then the buses are read anew
// where lines were left.
func (m *Machine) retryRefused() error {
	if m.started {
		if !m.tryAgain {
			return nil
		}
		m.tryAgain = false
		return m.again()
	}
	build := ""
	err := m.cfg.Store.Local(m.ctx, noteBuild, func(_ string, value []byte) error {
		build = string(value)
		return nil
	})
	if err != nil || build == m.cfg.Build {
		m.started = err == nil
		return err
	}
	if err := m.again(); err != nil {
		return err
	}
	err = m.write(func(tx transaction) error {
		for _, k := range m.links {
			if k.Left {
				k.Left, k.rewind = false, true
				k.leftAt("", 1)
				if err := k.save(tx); err != nil {
					return err
				}
			}
		}
		return tx.SetLocal(noteBuild, []byte(m.cfg.Build))
	})
	m.started = err == nil
	return err
}
