package chain

import (
	"maps"
	"slices"

	"countback/ledger/event"
	"countback/ledger/store"
)

// cuts holds, for each revoked device, the last of its events that counts, and its hash.
type cuts map[string]store.Head

func (c cuts) counts(e *event.Event) bool {
	last, revoked := c[e.Device]
	return !revoked || e.Seq <= last.Seq
}

// add takes a revocation. Of two with one sequence, which forks alone can bring about, the lower hash counts, so that no order of adding matters.
func (c cuts) add(r *event.Revoke) {
	last, revoked := c[r.Device]
	if !revoked || r.Last < last.Seq || r.Last == last.Seq && r.Hash < last.Hash {
		c[r.Device] = store.Head{Seq: r.Last, Hash: r.Hash}
	}
}

// office works out who is the keeper, and which events of whom count.
//
// It is done twice. A desk that replaces a keeper says by its revocation how much of that one's log counts, and could so undo that the keeper had named
// another desk. So the first time nobody may: what a keeper's log names goes before, then whom its key has endorsed. Whom the keepers of this line have revoked
// can, the second time, neither replace a keeper himself nor by somebody whom he has endorsed.
func (m *Members) office() {
	line := m.walk(nil)
	_, gone := m.revoked(line, nil, nil)
	holds := func(b Member) bool { return !m.spoilt(b, gone, line) }
	m.path = m.walk(holds)
	cut, gone := m.revoked(m.path, nil, holds)
	m.rotten = map[string]bool{}
	for id, b := range m.members {
		if !m.spoilt(b, gone, m.path) {
			continue
		}
		m.rotten[id] = true
		if _, said := gone[id]; !said { // else the keeper has said how much of its log counts
			cut[id] = store.EmptyHead
		}
	}
	for id, last := range cut {
		if b, ok := m.members[id]; ok {
			b.Revoked, b.Last, b.Hash = true, last.Seq, last.Hash
			m.members[id] = b
		}
	}
}

// spoilt reports whether a member's endorsement counts no more: it takes another's place by the word of a device that the keepers of a line have revoked, or
// it owes its membership to one that does. Whom one of those keepers has let in by his office stays, whatever became of him.
func (m *Members) spoilt(b Member, gone cuts, line []string) bool {
	for b.Device != m.shop && !slices.Contains(line, b.Device) {
		if _, revoked := gone[b.By]; revoked && (b.Succeeds != "" || !slices.Contains(line, b.By)) {
			return true
		}
		b = m.members[b.By]
	}
	return false
}

// revoked returns the revocations that count where these are the keepers: cut has all, gone those by keepers. Of a keeper in passed only what stands before
// that sequence is looked at. holds says which devices took another's place rightly; nil stands for none.
func (m *Members) revoked(line []string, passed map[string]int64, holds func(Member) bool) (cut, gone cuts) {
	cut, gone = m.cutBySuccessors(holds), cuts{}
	done := map[string]bool{}
	for _, id := range slices.Backward(line) { // the latest keeper's first, so that it is right against the ones before it
		if done[id] {
			continue
		}
		done[id] = true
		for _, e := range m.revokes[id] {
			end, ended := passed[id]
			if r := e.Data.(*event.Revoke); r.Device != id && cut.counts(e) && !(ended && e.Seq > end) {
				cut.add(r)
				gone.add(r)
			}
		}
	}
	return cut, gone
}

// cutBySuccessors takes the revocations by devices of the very device that they replaced, or of one before it. They come first: a stolen desk must not be
// able to hand its office on after it was replaced.
func (m *Members) cutBySuccessors(holds func(Member) bool) cuts {
	cut := cuts{}
	if holds == nil {
		return cut
	}
	for id, b := range m.members {
		before := map[string]bool{}
		for m.replaces(b) && holds(b) && !before[b.Succeeds] && b.Succeeds != id {
			before[b.Succeeds] = true
			b = m.members[b.Succeeds]
		}
		for _, e := range m.revokes[id] {
			if r := e.Data.(*event.Revoke); before[r.Device] {
				cut.add(r)
			}
		}
	}
	return cut
}

// walk follows the office of the keeper from the founder on. holds is as in revoked.
func (m *Members) walk(holds func(Member) bool) []string {
	if !m.keepers[m.shop] {
		return nil
	}
	cut := m.cutBySuccessors(holds)
	path := []string{m.shop}
	used := map[string]int{}  // how many of a log's naming events have been followed
	left := map[string]bool{} // devices that were replaced
	passed := map[string]int64{}
	for cur := m.shop; cur != ""; {
		next := ""
		delete(passed, cur) // it may have become the keeper again
		for used[cur] < len(m.passes[cur]) && next == "" {
			e := m.passes[cur][used[cur]]
			used[cur]++
			if to := e.Data.(*event.Shop).Keeper; cut.counts(e) && to != cur && m.keepers[to] {
				next, passed[cur] = to, e.Seq
			}
		}
		if next == "" && !left[cur] {
			left[cur] = true
			next = m.successor(cur, path, passed, holds)
		}
		if next != "" {
			path = append(path, next)
		}
		cur = next
	}
	return path
}

// successor returns the desk that replaced a keeper, of several the smallest id, "" if none did. The word of a device that this keeper or one before it has
// revoked counts nothing. The first time those that the keeper has endorsed with its own key go before those of others, the second time, when it is known whom
// they have revoked, after them.
func (m *Members) successor(of string, path []string, passed map[string]int64, holds func(Member) bool) string {
	_, gone := m.revoked(path, passed, nil) // those who had passed the office on may get it back, and revoke then whose word made this one's successor
	for _, own := range []bool{holds == nil, holds != nil} {
		for _, id := range slices.Sorted(maps.Keys(m.keepers)) {
			if b := m.members[id]; b.Succeeds == of && m.replaces(b) && (b.By == of) == own && !m.spoilt(b, gone, path) && (holds == nil || holds(b)) {
				return id
			}
		}
	}
	return ""
}
