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

// cutBySuccessors takes the revocations by devices of the very device that they replaced, or of one before it. They come first: a stolen desk must not be
// able to hand its office on after it was replaced.
func (m *Members) cutBySuccessors() cuts {
	cut := cuts{}
	for id, b := range m.members {
		before := map[string]bool{}
		for m.replaces(b) && !before[b.Succeeds] && b.Succeeds != id {
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

// walk follows the office of the keeper from the founder on.
func (m *Members) walk(cut cuts) []string {
	if !m.keepers[m.shop] {
		return nil
	}
	path := []string{m.shop}
	used := map[string]int{}  // how many of a log's naming events have been followed
	left := map[string]bool{} // devices that were replaced
	for cur := m.shop; cur != ""; {
		next := ""
		for used[cur] < len(m.passes[cur]) && next == "" {
			e := m.passes[cur][used[cur]]
			used[cur]++
			if to := e.Data.(*event.Shop).Keeper; cut.counts(e) && to != cur && m.keepers[to] {
				next = to
			}
		}
		if next == "" && !left[cur] {
			left[cur] = true
			next = m.successor(cur)
		}
		if next != "" {
			path = append(path, next)
		}
		cur = next
	}
	return path
}

// successor returns the desk that replaced a keeper, of several the smallest id, "" if none did.
func (m *Members) successor(of string) string {
	for _, id := range slices.Sorted(maps.Keys(m.keepers)) {
		if b := m.members[id]; b.Succeeds == of && m.replaces(b) {
			return id
		}
	}
	return ""
}

// cutByKeepers takes the revocations by keepers, the latest keeper's first, so that it is right against the ones before it.
func (m *Members) cutByKeepers(cut cuts) {
	done := map[string]bool{}
	for _, id := range slices.Backward(m.path) {
		if done[id] {
			continue
		}
		done[id] = true
		for _, e := range m.revokes[id] {
			if r := e.Data.(*event.Revoke); r.Device != id && cut.counts(e) {
				cut.add(r)
			}
		}
	}
}
