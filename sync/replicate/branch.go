package replicate

import (
	"errors"
	"slices"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
)

// tree is what is known of a log beside the log itself: the events that wait and those of other branches, by the event that each names as the one before.
type tree struct {
	nodes    []*node            // by sequence and hash
	children map[string][]*node // by hash of the event before; for lookups alone
	joined   map[*node]bool     // its events before lead to the log, or to the log's beginning
	root     map[*node]bool     // the one before it stands in the log
	vouched  map[*node]bool     // it, or one that follows it, is signed by the device
	pinned   map[*node]bool     // it leads to the event that a revocation names as the last that counts
}

// settle finds out which of the known branches is the log, and puts it there. The others go aside.
//
// Of a fork the branch whose event there has the lower hash is the log. If the device was revoked, the branch that holds the event named by the
// revocation goes before: whoever has the key of a lost device could otherwise make a lower hash and push true facts aside.
func (m *Machine) settle(tx transaction, l *log) error {
	head, err := tx.Head(l.device)
	if err != nil {
		return err
	}
	l.head = head
	for {
		t, err := m.tree(tx, l)
		if err != nil {
			return err
		}
		first, err := m.better(tx, l, t)
		if err != nil {
			return err
		}
		if first == nil {
			return m.sortOut(tx, l, t)
		}
		if first.e.Seq <= l.head.Seq {
			if err := m.cut(tx, l, first.e.Seq); err != nil {
				return err
			}
		}
		if err := m.extend(tx, l, t, first); err != nil {
			return err
		}
	}
}

// tree joins the events that stand in no log to it, and checks signatures.
func (m *Machine) tree(tx transaction, l *log) (*tree, error) {
	t := &tree{children: map[string][]*node{}, joined: map[*node]bool{}, root: map[*node]bool{}, vouched: map[*node]bool{}, pinned: map[*node]bool{}}
	t.nodes = append(t.nodes, l.cands...)
	for _, n := range l.aside {
		t.nodes = put(t.nodes, n)
	}
	byHash := map[string]*node{}
	for _, n := range t.nodes {
		byHash[n.e.Hash] = n
	}
	for _, n := range t.nodes {
		if up := byHash[n.e.Prev]; up != nil {
			t.joined[n] = up.e.Seq == n.e.Seq-1 && t.joined[up]
		} else {
			before, err := m.beforeOf(tx, l, n)
			if err != nil {
				return nil, err
			}
			t.joined[n], t.root[n] = before == n.e.Prev, before == n.e.Prev
		}
		if t.joined[n] {
			t.children[n.e.Prev] = append(t.children[n.e.Prev], n)
		}
	}
	pins := m.pins(l, t, byHash)
	for _, n := range slices.Backward(t.nodes) {
		if !t.joined[n] {
			continue
		}
		for _, c := range t.children[n.e.Hash] {
			t.vouched[n] = t.vouched[n] || t.vouched[c]
			t.pinned[n] = t.pinned[n] || t.pinned[c]
		}
		if !t.vouched[n] || n.e.Seq == 1 {
			m.verify(n)
		}
		switch {
		case n.sig == good:
			t.vouched[n] = true
		case n.e.Seq == 1:
			t.vouched[n] = false // it is its own admission, which nothing behind it can vouch for
		}
		// What nobody vouches for can't be reached, and pins nothing: otherwise two branches would take each other's place for ever.
		t.pinned[n] = t.vouched[n] && (t.pinned[n] || pins[n])
	}
	return t, nil
}

// pins finds the events that a revocation names as the last that counts. Which revocations count is asked without what the log itself says from the fork on: a
// keeper that one branch alone has named could otherwise, by a revocation, be what makes that branch the log, and who has the other branch would never agree.
func (m *Machine) pins(l *log, t *tree, byHash map[string]*node) map[*node]bool {
	out := map[*node]bool{}
	from := map[*node]int64{} // where its branch leaves the log
	heads := map[int64]store.Head{}
	for _, n := range t.nodes {
		switch {
		case t.root[n]:
			from[n] = n.e.Seq
		case t.joined[n]:
			from[n] = from[byHash[n.e.Prev]]
		default:
			continue
		}
		head, known := heads[from[n]]
		if !known {
			head.Seq, head.Hash, _ = m.members.RevokedBefore(l.device, from[n])
			heads[from[n]] = head
		}
		out[n] = n.e.Seq == head.Seq && n.e.Hash == head.Hash
	}
	return out
}

// beforeOf returns the hash of the log's event before a node's place, "" if the log doesn't go that far.
func (m *Machine) beforeOf(tx transaction, l *log, n *node) (string, error) {
	switch {
	case n.e.Seq == 1:
		return event.FirstPrev, nil
	case n.e.Seq-1 == l.head.Seq:
		return l.head.Hash, nil
	case n.e.Seq-1 > l.head.Seq:
		return "", nil
	}
	return m.hashAt(tx, l, n.e.Seq-1)
}

func (m *Machine) hashAt(tx transaction, l *log, seq int64) (string, error) {
	if seq == l.head.Seq {
		return l.head.Hash, nil
	}
	row, err := tx.At(l.device, seq)
	if err != nil {
		return "", err
	}
	return event.HashLine(row.Line), nil
}

// verify checks a node's signature, once, unless its device isn't a member yet.
func (m *Machine) verify(n *node) {
	if n.sig != unchecked {
		return
	}
	switch err := chain.Signed(n.e, m.members); {
	case err == nil:
		n.sig = good
	case errors.Is(err, chain.ErrMember):
		if n.e.Seq == 1 {
			m.report(Report{What: NotMember, Device: n.e.Device, From: n.from})
		}
	default:
		n.sig = bad
		m.report(Report{What: Forged, Device: n.e.Device, From: n.from, Seq: n.e.Seq})
	}
}

// better returns the first event with which another branch, or more of this one, is the log; nil if the log is as it should be.
func (m *Machine) better(tx transaction, l *log, t *tree) (*node, error) {
	for _, n := range t.nodes { // first the one that holds what a revocation names: against it no hash counts
		if t.root[n] && t.pinned[n] && t.vouched[n] {
			return n, nil
		}
	}
	var best *node
	for _, n := range t.nodes {
		if !t.root[n] || !t.vouched[n] || best != nil && (n.e.Seq > best.e.Seq || !t.before(n, best)) {
			continue
		}
		if n.e.Seq <= l.head.Seq {
			wins, err := m.beats(tx, l, t, n)
			if err != nil {
				return nil, err
			}
			if !wins {
				continue
			}
		}
		best = n
	}
	return best, nil
}

// before reports whether of two events after the same one the first is the log's.
func (t *tree) before(a, b *node) bool {
	if t.pinned[a] != t.pinned[b] {
		return t.pinned[a]
	}
	return a.e.Hash < b.e.Hash
}

// beats reports whether a node's branch takes the place of the log's own events.
func (m *Machine) beats(tx transaction, l *log, t *tree, n *node) (bool, error) {
	have, err := m.hashAt(tx, l, n.e.Seq)
	if err != nil || have == n.e.Hash {
		return false, err
	}
	if seq, hash, ok := m.members.RevokedBefore(l.device, n.e.Seq); ok && n.e.Seq <= seq && seq <= l.head.Seq {
		last, err := m.hashAt(tx, l, seq)
		if err != nil || last == hash {
			return false, err
		}
	}
	return n.e.Hash < have, nil
}

// cut takes the log's end out, for another branch.
func (m *Machine) cut(tx transaction, l *log, from int64) error {
	lines, err := tx.Cut(l.device, from)
	if err != nil {
		return err
	}
	m.cuts++
	m.reload, m.took.Cut = true, true
	m.reportFork(l, from)
	for _, line := range lines {
		e, err := event.ParseLine(line)
		if err != nil {
			return store.Fail("cut the log", l.device, store.ErrDamaged, err)
		}
		n := &node{e: e, sig: good}
		for _, k := range m.links {
			if k.seenOf(l.device) >= e.Seq {
				n.on = append(n.on, k.name)
			}
		}
		if err := m.putAside(tx, l, n); err != nil { // however many: some may stand nowhere else
			return err
		}
	}
	for _, k := range m.links {
		k.unsee(l.device, from)
	}
	if l.checked >= from {
		l.checked, l.unsaved = from-1, true
	}
	l.head, err = tx.Head(l.device)
	return err
}

func (m *Machine) reportFork(l *log, seq int64) {
	what := Forked
	if l.device == m.own {
		what = Copied
	}
	m.report(Report{What: what, Device: l.device, Seq: seq})
}

// extend puts a branch behind the log's head, at each fork of it the event that is the log's.
func (m *Machine) extend(tx transaction, l *log, t *tree, n *node) error {
	if l.device == m.own { // what this device has recorded stands in its store, unless this folder is an older copy
		m.report(Report{What: Copied, Device: m.own, Seq: n.e.Seq})
	}
	for n != nil {
		if _, err := tx.Insert(n.e); err != nil {
			return err
		}
		l.head = store.Head{Seq: n.e.Seq, Hash: n.e.Hash}
		if n.sig == good && l.checked == n.e.Seq-1 {
			l.checked, l.unsaved = n.e.Seq, true
		}
		if err := m.leaveNode(tx, l, n); err != nil {
			return err
		}
		m.took.Events++
		for _, name := range n.on {
			m.link(name).note(l.device, n.e.Seq)
		}
		switch n.e.Kind {
		case event.KindDevice, event.KindShop, event.KindRevoke:
			m.members.Add(n.e)
			m.grown, m.tryAgain = true, true
			m.live, m.adoptAt = nil, m.elapsed
			m.wentOn("")
		}
		var next *node
		for _, c := range t.children[n.e.Hash] {
			if t.vouched[c] && (next == nil || t.before(c, next)) {
				next = c
			}
		}
		n = next
	}
	m.wentOn(l.device)
	return nil
}

// leaveNode takes an event off the lists of what stands in no log.
func (m *Machine) leaveNode(tx transaction, l *log, n *node) error {
	if i, ok := nodeAt(l.aside, n.e); ok {
		l.aside = slices.Delete(l.aside, i, i+1)
		return m.dropNode(tx, noteAside, n)
	}
	if i, ok := nodeAt(l.cands, n.e); ok {
		l.cands = slices.Delete(l.cands, i, i+1)
		return m.dropNode(tx, noteWait, n)
	}
	return nil
}

func (m *Machine) putAside(tx transaction, l *log, n *node) error {
	l.aside = put(l.aside, n)
	m.adoptAt = m.elapsed
	return m.keepNode(tx, noteAside, n)
}

// sortOut puts what waits and isn't the log where it belongs: other branches aside, what nobody can vouch for any more into quarantine.
func (m *Machine) sortOut(tx transaction, l *log, t *tree) error {
	for _, n := range slices.Clone(l.cands) {
		held := ""
		if n.e.Seq <= l.head.Seq {
			var err error
			if held, err = m.hashAt(tx, l, n.e.Seq); err != nil {
				return err
			}
		}
		aside := t.joined[n] && t.vouched[n]
		lost := n.sig == bad && (n.e.Seq <= l.head.Seq || n.e.Seq == 1)
		if held != n.e.Hash && !aside && !lost {
			continue
		}
		if err := m.leaveNode(tx, l, n); err != nil {
			return err
		}
		var err error
		switch {
		case held == n.e.Hash: // recorded or taken in meanwhile
			for _, name := range n.on {
				m.link(name).note(l.device, n.e.Seq)
			}
		case aside && len(l.aside) >= m.cfg.Aside:
			m.leave(item{from: n.from, spot: n.spot}, l.device)
		case aside:
			m.reportFork(l, n.e.Seq)
			m.wentOn(l.device) // a branch aside has gone on as well
			err = m.putAside(tx, l, n)
		default:
			err = m.refuse(tx, item{line: n.e.Line, from: n.from, spot: n.spot}, chain.ErrSignature)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
