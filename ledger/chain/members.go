package chain

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
)

// Member is a device that may write.
type Member struct {
	Device   string
	Key      string // public key in nkeys' text
	Name     string
	Role     string // desk or phone
	By       string // who endorsed it
	Succeeds string // the device that it replaces, if any
	Revoked  bool
	Last     int64  // if revoked: events behind it are void. 0: its endorsement counts no more, and so does nothing of it
	Hash     string // if revoked: the hash of the event at Last
}

// Members says who belongs to a shop. Add changes it; the other methods only read, and may be used by several goroutines between changes.
type Members struct {
	shop    string
	verify  key.Verifier
	devices map[string]*event.Event   // first events by device
	passes  map[string][]*event.Event // shop events that name a keeper, by device, in order of sequence
	revokes map[string][]*event.Event // by the device that revokes, in order of sequence
	checked map[string]bool           // endorsements that were verified, by hash of event and key

	members map[string]Member
	keepers map[string]bool // every device that is, was or could be the keeper
	path    []string        // the keepers in their order
	rotten  map[string]bool // members whose endorsement counts no more
}

// NewMembers returns the members of a shop before any event is known.
func NewMembers(shop string) *Members {
	return &Members{
		shop: shop, verify: key.Verify, devices: map[string]*event.Event{}, passes: map[string][]*event.Event{}, revokes: map[string][]*event.Event{}, checked: map[string]bool{},
		members: map[string]Member{}, keepers: map[string]bool{},
	}
}

// Load reads the members of a shop from a store.
func Load(ctx context.Context, st store.Store, shop string) (*Members, error) {
	return LoadVerified(ctx, st, shop, key.Verify)
}

// LoadVerified is Load with another way to check signatures, which the members go on using.
func LoadVerified(ctx context.Context, st store.Store, shop string, verify key.Verifier) (*Members, error) {
	m := NewMembers(shop)
	m.verify = verify
	err := st.ScanKinds(ctx, []event.Kind{event.KindDevice, event.KindShop, event.KindRevoke}, 0, func(r store.Row) error {
		e, err := event.ParseLine(bytes.Clone(r.Line))
		if err != nil {
			return store.Fail("read the members", fmt.Sprintf("event number %d", r.N), store.ErrDamaged, err)
		}
		m.put(e)
		return nil
	})
	if err != nil {
		return nil, err
	}
	m.fold()
	return m, nil
}

// Of returns the members that events tell of, in whatever order they come.
func Of(shop string, events []*event.Event) *Members {
	m := NewMembers(shop)
	for _, e := range events {
		m.put(e)
	}
	m.fold()
	return m
}

// Add takes an event that stands in a log. Kinds that have nothing to say here are passed over.
func (m *Members) Add(e *event.Event) {
	if m.put(e) {
		m.fold()
	}
}

func (m *Members) put(e *event.Event) bool {
	if e.Shop != m.shop || e.Fault != nil {
		return false
	}
	switch d := e.Data.(type) {
	case *event.Device:
		if own, err := key.DeviceOf(d.Key); e.Seq != 1 || err != nil || own != e.Device || m.devices[e.Device] != nil {
			return false
		}
		m.devices[e.Device] = e
		return true
	case *event.Shop:
		return d.Keeper != "" && insert(m.passes, e)
	case *event.Revoke:
		return insert(m.revokes, e)
	}
	return false
}

func insert(logs map[string][]*event.Event, e *event.Event) bool {
	log := logs[e.Device]
	at, found := slices.BinarySearchFunc(log, e.Seq, func(x *event.Event, seq int64) int { return cmp.Compare(x.Seq, seq) })
	if !found {
		logs[e.Device] = slices.Insert(log, at, e)
	}
	return !found
}

// fold works everything out anew. Who is a member and who could be a keeper only ever grow with more events, so the order of adding can't matter; what
// counts of them follows from both at the end.
func (m *Members) fold() {
	m.members, m.keepers = map[string]Member{}, map[string]bool{}
	for changed := true; changed; {
		changed = false
		for _, id := range slices.Sorted(maps.Keys(m.devices)) {
			if _, ok := m.members[id]; ok || !m.admits(m.devices[id]) {
				continue
			}
			d := m.devices[id].Data.(*event.Device)
			m.members[id] = Member{Device: id, Key: d.Key, Name: d.Name, Role: d.Role, By: d.By, Succeeds: d.Succeeds}
			changed = true
		}
		changed = m.growKeepers() || changed
	}
	m.office()
}

// admits reports whether a first event's endorsement holds, as far as the members are known.
func (m *Members) admits(e *event.Event) bool {
	d := e.Data.(*event.Device)
	if d.By == e.Device {
		return e.Device == m.shop && d.Role == desk && d.Succeeds == "" && m.endorsed(e, d, d.Key, key.Admit)
	}
	by, ok := m.members[d.By]
	switch {
	case !ok:
		return false
	case m.keepers[d.By] || d.Succeeds == d.By:
		if m.endorsed(e, d, by.Key, key.Admit) {
			return true
		}
	}
	return d.Role == desk && d.Succeeds != d.By && m.keepers[d.Succeeds] && m.endorsed(e, d, by.Key, key.Recover)
}

const desk = "desk"

func (m *Members) endorsed(e *event.Event, d *event.Device, public string, p key.Purpose) bool {
	name := fmt.Sprint(e.Hash, public, p)
	ok, known := m.checked[name]
	if !known {
		ok = m.verify(public, p, key.SucceedPayload(m.shop, d.Key, d.Role, d.Succeeds), d.Endorsement) == nil
		m.checked[name] = ok
	}
	return ok
}

// growKeepers adds the founder, the desks that keepers name, and the desks that replace keepers.
func (m *Members) growKeepers() (grown bool) {
	add := func(id string) {
		if b, ok := m.members[id]; ok && b.Role == desk && !m.keepers[id] {
			m.keepers[id], grown = true, true
		}
	}
	add(m.shop)
	for id := range m.keepers {
		for _, e := range m.passes[id] {
			add(e.Data.(*event.Shop).Keeper)
		}
	}
	for id, b := range m.members {
		if m.keepers[b.Succeeds] && m.replaces(b) {
			add(id)
		}
	}
	return grown
}

// replaces reports whether a member takes the place of the one that it succeeds: by that one's key, or by recovery.
func (m *Members) replaces(b Member) bool {
	if b.Succeeds == "" {
		return false
	}
	e := m.devices[b.Device]
	return b.By == b.Succeeds || m.endorsed(e, e.Data.(*event.Device), m.members[b.By].Key, key.Recover)
}

// Get returns a member.
func (m *Members) Get(device string) (Member, bool) {
	b, ok := m.members[device]
	return b, ok
}

// All returns the members in the order of their ids.
func (m *Members) All() []Member {
	return slices.SortedFunc(maps.Values(m.members), func(a, b Member) int { return cmp.Compare(a.Device, b.Device) })
}

// Shop returns the shop id.
func (m *Members) Shop() string { return m.shop }

// Keeper returns the device that admits, revokes and closes, "" before the founder is known.
func (m *Members) Keeper() string {
	if len(m.path) == 0 {
		return ""
	}
	return m.path[len(m.path)-1]
}

// RevokedBefore returns up to where a device's log counts by the revocations that count if its own log is known only before a sequence: what the log says from
// there on about the office isn't asked. It is for the choice between two branches of the log, which can't hang on what only one of them says.
func (m *Members) RevokedBefore(device string, seq int64) (last int64, hash string, ok bool) {
	named := false
	for _, list := range m.revokes {
		named = named || slices.ContainsFunc(list, func(e *event.Event) bool { return e.Data.(*event.Revoke).Device == device })
	}
	if !named {
		return 0, "", false
	}
	c := *m
	c.passes, c.revokes = maps.Clone(m.passes), maps.Clone(m.revokes)
	for _, logs := range []map[string][]*event.Event{c.passes, c.revokes} {
		logs[device] = slices.DeleteFunc(slices.Clone(logs[device]), func(e *event.Event) bool { return e.Seq >= seq })
	}
	c.fold()
	b := c.members[device]
	return b.Last, b.Hash, b.Revoked && b.Last > 0
}

// Kept reports whether a device is or was the keeper.
func (m *Members) Kept(device string) bool { return slices.Contains(m.path, device) }

// Replaced reports whether another device has taken a device's place.
func (m *Members) Replaced(device string) bool {
	for id, b := range m.members {
		if b.Succeeds == device && !m.rotten[id] {
			return true
		}
	}
	return false
}

// Void reports whether an event stands behind the last one that counts of a revoked device. What a close covers counts all the same; that is for the
// fold to see.
func (m *Members) Void(device string, seq int64) bool {
	b, ok := m.members[device]
	return ok && b.Revoked && seq > b.Last
}
