package replicate

import (
	"errors"
	"time"

	"countback/ledger/event"
	"countback/ledger/record"
	"countback/ledger/store"
)

// adoptAgain is how long a fact that couldn't be recorded anew is left alone.
const adoptAgain = time.Hour

// standsFor reports whether an event of a branch aside is a fact that must not be lost: not the device's own admission, not a close (whose digests are of
// another ledger), not what is void, not what was beyond its device's power, and nothing of a revoked device, whose branches a person looks through.
func (m *Machine) standsFor(n *node) bool {
	if n.e.Fault != nil || n.e.ID.IsZero() || n.e.Kind == event.KindDevice || n.e.Kind == event.KindClose {
		return false
	}
	b, ok := m.members.Get(n.e.Device)
	return ok && !b.Revoked && !m.beyond(n)
}

// beyond reports whether an event would, recorded by the keeper, count for more than its device had to say: a revocation by one that never was the keeper, a new
// keeper named by any but this device itself.
func (m *Machine) beyond(n *node) bool {
	switch d := n.e.Data.(type) {
	case *event.Revoke:
		return !m.members.Kept(n.e.Device)
	case *event.Shop:
		return d.Keeper != "" && n.e.Device != m.own
	}
	return false
}

var errBeyond = errors.New("it changes who belongs to the shop, which only the keeper's own word does; revoke or name the keeper anew if it is right")

// inLedger reports whether some log has an event with the node's id. Only a cut can take that back.
func (m *Machine) inLedger(n *node) (bool, error) {
	if n.heldAt == m.cuts+1 {
		return true, nil
	}
	rows, err := m.cfg.Store.ByID(m.ctx, n.e.ID)
	if err != nil || len(rows) == 0 {
		return false, err
	}
	n.heldAt = m.cuts + 1
	return true, nil
}

// adopt records the facts of branches aside anew under their old ids, if this device is the keeper.
func (m *Machine) adopt() error {
	if m.adoptAt < 0 || m.elapsed < m.adoptAt || m.members.Keeper() != m.own {
		return nil
	}
	m.adoptAt = -1
	recorded := false
	for _, l := range m.logs {
		for _, n := range l.aside {
			if m.beyond(n) {
				m.report(Report{What: NotAdopted, Device: n.e.Device, Seq: n.e.Seq, Err: errBeyond})
			}
			if n.e.Data == nil || !m.standsFor(n) {
				continue
			}
			held, err := m.inLedger(n)
			if err != nil {
				return err
			}
			if held {
				continue
			}
			if err := m.record(n); err != nil {
				return err
			}
			recorded = true
		}
	}
	if !recorded {
		return nil
	}
	return m.changed()
}

// record records one fact as this device.
func (m *Machine) record(n *node) error {
	r := record.Recorder{Store: m.cfg.Store, Key: m.cfg.Key, Shop: m.cfg.Shop, Person: n.e.Person, Now: func() time.Time { return time.UnixMilli(m.now) }}
	_, err := r.Record(m.ctx, []event.Fact{{ID: n.e.ID, Time: n.e.Time, Data: n.e.Data}}, nil)
	var storeErr *store.Error
	switch {
	case err == nil:
		m.report(Report{What: Adopted, Device: n.e.Device})
		return nil
	case errors.As(err, &storeErr) || m.ctx.Err() != nil:
		return err
	}
	m.adoptAt = m.elapsed + adoptAgain
	m.report(Report{What: NotAdopted, Device: n.e.Device, Seq: n.e.Seq, Err: err})
	return nil
}

// owed returns the events aside of a log that others must know of: facts that stand in no log yet, and what leads to them.
func (m *Machine) owed(l *log) ([]*node, error) {
	if len(l.aside) == 0 {
		return nil, nil
	}
	needed := map[string]bool{}
	for i := len(l.aside) - 1; i >= 0; i-- {
		n := l.aside[i]
		if !needed[n.e.Hash] && m.owes(n) {
			held, err := m.inLedger(n)
			if err != nil {
				return nil, err
			}
			needed[n.e.Hash] = !held
		}
		if needed[n.e.Hash] {
			needed[n.e.Prev] = true
		}
	}
	var out []*node
	for _, n := range l.aside {
		if needed[n.e.Hash] {
			out = append(out, n)
		}
	}
	return out, nil
}

// owes is standsFor for the bus: what a revoked device has recorded is passed on as well, for a person to see.
func (m *Machine) owes(n *node) bool {
	return n.e.Kind != event.KindDevice && n.e.Kind != event.KindClose && !n.e.ID.IsZero()
}
