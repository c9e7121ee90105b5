package replicate

import (
	"bytes"
	"cmp"
	"errors"
	"slices"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
)

const (
	receiptGap = time.Second // at least, between two receipts of this device
	maxLater   = 256         // receipts that are put off
)

// held takes a receipt from a bus.
func (m *Machine) held(in Held) error {
	if in.Device == m.own {
		m.overtaken(m.link(in.Bus), in.Body)
	}
	return m.takeReceipt(in.Device, in.Body)
}

// overtaken sees to it that a bus has the newest of the own receipts: one that was given up may arrive after those behind it, and takes their place.
func (m *Machine) overtaken(k *link, body []byte) {
	if r, err := ParseReceipt(body); err == nil && r.Device == m.own {
		k.heldSent = min(k.heldSent, r.Count)
	}
}

// takeReceipt takes a receipt. from is the device that its subject names, "" for a file.
func (m *Machine) takeReceipt(from string, body []byte) error {
	if old := m.receiptOf(from); old != nil && bytes.Equal(old.body, body) { // after each Up it comes once more
		return nil
	}
	r, err := ParseReceipt(body)
	if err != nil || from != "" && r.Device != from {
		m.report(Report{What: BadReceipt, Device: from, Err: err})
		return nil
	}
	if old := m.receiptOf(r.Device); old != nil && old.Count >= r.Count {
		if string(old.body) != string(r.body) && old.Count == r.Count && r.Device == m.own {
			m.report(Report{What: Copied, Device: m.own, Seq: m.log(m.own).head.Seq + 1})
		}
		return nil
	}
	b, ok := m.members.Get(r.Device)
	if !ok {
		m.putOff(r)
		return nil
	}
	if err := r.verify(b.Key, m.cfg.Verify); err != nil {
		m.report(Report{What: BadReceipt, Device: r.Device, From: from, Err: err})
		return nil
	}
	if r.Device == m.own {
		m.report(Report{What: Copied, Device: m.own, Seq: m.log(m.own).head.Seq + 1})
	}
	return m.putReceipt(r)
}

func (m *Machine) putReceipt(r *Receipt) error {
	if err := m.write(func(tx transaction) error { return tx.SetLocal(noteHeld+r.Device, r.body) }); err != nil {
		m.putOff(r)
		return err
	}
	i, ok := slices.BinarySearchFunc(m.receipts, r.Device, byDevice)
	if ok {
		m.receipts[i] = r
	} else {
		m.receipts = slices.Insert(m.receipts, i, r)
	}
	return nil
}

func byDevice(r *Receipt, device string) int { return cmp.Compare(r.Device, device) }

func (m *Machine) receiptOf(device string) *Receipt {
	if i, ok := slices.BinarySearchFunc(m.receipts, device, byDevice); ok {
		return m.receipts[i]
	}
	return nil
}

// putOff keeps a receipt until its device is a member, or the store works again.
func (m *Machine) putOff(r *Receipt) {
	i, ok := slices.BinarySearchFunc(m.later, r.Device, byDevice)
	switch {
	case ok && m.later[i].Count < r.Count:
		m.later[i] = r
	case !ok && len(m.later) < maxLater:
		m.later = slices.Insert(m.later, i, r)
	}
}

// lateReceipts takes the receipts that were put off, as far as their devices are members now.
func (m *Machine) lateReceipts() error {
	for _, r := range slices.Clone(m.later) {
		if _, ok := m.members.Get(r.Device); !ok {
			continue
		}
		m.later = slices.DeleteFunc(m.later, func(x *Receipt) bool { return x == r })
		if err := m.takeReceipt(r.Device, r.body); err != nil {
			return err
		}
	}
	return nil
}

// makeReceipt signs a new receipt if the logs have changed since the last one and a bus could take it.
func (m *Machine) makeReceipt() error {
	if err := m.lateReceipts(); err != nil {
		return err
	}
	if m.elapsed < m.receiptAt || m.log(m.own).head.Seq == 0 || !slices.ContainsFunc(m.links, func(k *link) bool { return k.up }) {
		return nil
	}
	var heads []Head
	for _, l := range m.logs {
		if l.head.Seq > 0 {
			heads = append(heads, Head{l.device, l.head.Seq, l.head.Hash})
		}
	}
	count := int64(1)
	if last := m.receiptOf(m.own); last != nil {
		if slices.Equal(last.Heads, heads) {
			return nil
		}
		count = last.Count + 1
	}
	r, err := SignReceipt(m.cfg.Key, count, heads)
	if err != nil {
		return err
	}
	m.receiptAt = m.elapsed + receiptGap
	return m.putReceipt(r)
}

// counts reports whether a device's receipt says that a disk holds something: of a member that is neither revoked nor replaced by another.
func (m *Machine) counts(device string) bool {
	if m.live == nil {
		m.live = map[string]bool{}
		for _, b := range m.members.All() {
			m.live[b.Device] = !b.Revoked && !m.members.Replaced(b.Device)
		}
	}
	return m.live[device]
}

// safe returns up to where a log stands on the disk of another member, by its receipt.
func (m *Machine) safe(l *log) (int64, error) {
	best := int64(0)
	for _, r := range m.receipts {
		h, ok := r.head(l.device)
		if r.Device == m.own || !ok || h.Seq <= best || h.Seq > l.head.Seq || !m.counts(r.Device) {
			continue
		}
		hash := l.head.Hash
		if h.Seq != l.head.Seq {
			row, err := m.cfg.Store.At(m.ctx, l.device, h.Seq)
			if errors.Is(err, store.ErrNotFound) {
				continue
			}
			if err != nil {
				return 0, err
			}
			hash = event.HashLine(row.Line)
		}
		if hash == h.Hash {
			best = h.Seq
		}
	}
	return best, nil
}

// Standing says how far a log has come. Each number counts the log's events from the first on.
type Standing struct {
	Device string
	Kept   int64 // on this device's disk
	Sent   int64 // on a bus that isn't on the same disk
	Safe   int64 // on the disk of another member, by a receipt of it
}

// ErrFailing is returned by Standings while the store can't be read or written.
var ErrFailing = errors.New("the ledger can't be written, so how far it goes isn't known; free some space, or see status")

// Standings returns how far each log has come, by device. A receipt that is ahead of this device counts once this device has caught up with it. While the store
// fails nothing is said (ErrFailing): what the machine knows may be ahead of the disk then.
func (m *Machine) Standings() (out []Standing, err error) {
	if m.failing {
		return nil, ErrFailing
	}
	for _, l := range m.logs {
		if l.head.Seq == 0 {
			continue
		}
		s := Standing{Device: l.device, Kept: l.head.Seq}
		for _, k := range m.links {
			if k.said.Created != 0 && !k.said.SameDisk {
				s.Sent = max(s.Sent, min(k.sentOf(l.device), l.head.Seq))
			}
		}
		if s.Safe, err = m.safe(l); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// Members returns who belongs to the shop, as the machine knows it. It is only to be read, and not while Step runs.
func (m *Machine) Members() *chain.Members { return m.members }

// Ahead returns how far the events of a device were dated after the bus had stored them, at most, since the machine was made; 0 if they never were.
func (m *Machine) Ahead(device string) time.Duration { return m.log(device).dated }
