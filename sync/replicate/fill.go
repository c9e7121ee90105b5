package replicate

import (
	"errors"

	"github.com/go-json-experiment/json"

	"countback/ledger/event"
	"countback/ledger/store"
)

// downloaded takes in a part of the hand-over file. Whatever goes wrong, the stream has it all.
func (m *Machine) downloaded(in Downloaded) error {
	k := m.link(in.Bus)
	if !k.up || !k.filling || k.pending.n != in.Op {
		return nil
	}
	if in.Err != nil {
		m.endFilling(k, in.Err)
		return nil
	}
	if err := m.file(in.Lines, nil); err != nil {
		return err
	}
	k.file = append(k.file, in.Receipts...)
	k.pending.by = m.elapsed + downloadWait
	if !in.Done {
		return nil
	}
	if err := m.file(nil, k.file); err != nil {
		return err
	}
	if err := m.goOn(k, in.Place); err != nil {
		return err
	}
	m.endFilling(k, nil)
	return nil
}

func (m *Machine) endFilling(k *link, err error) {
	if err != nil {
		m.report(Report{What: NoDownload, Bus: k.name, Err: err})
	}
	k.filling, k.file = false, nil
	k.verify = k.Mark != ""
	m.fetch(k)
}

// file takes in lines and receipts of a hand-over file.
func (m *Machine) file(lines, receipts [][]byte) error {
	items := make([]item, len(lines))
	for i, line := range lines {
		items[i] = item{line: line}
	}
	if len(items) > 0 {
		if err := m.take(items, nil, touched); err != nil {
			return err
		}
	}
	for _, body := range receipts {
		if err := m.takeReceipt("", body); err != nil {
			return err
		}
	}
	return nil
}

// Place says up to where a bus's stream is in this device's store, for a hand-over file that is read after the call: all lines of the logs, then the lines of
// Aside. It is nil if something of the stream waits or was left there, because whoever goes on from the place would never see that.
func (m *Machine) Place(bus string) ([]byte, error) {
	k := m.link(bus)
	if m.failing || !k.up || k.Seq == 0 || len(k.Holes) > 0 || k.Left {
		return nil, nil
	}
	p := k.place
	p.Heads = nil
	for _, l := range m.logs {
		if len(l.cands) > 0 {
			return nil, nil
		}
		if l.head.Seq > 0 {
			p.Heads = append(p.Heads, logTip{l.device, l.head.Seq, l.head.Hash})
		}
	}
	return json.Marshal(p)
}

// goOn moves the cursor to the place that came with a hand-over file, if everything that the sender held is here.
func (m *Machine) goOn(k *link, raw []byte) error {
	var p place
	if raw == nil || json.Unmarshal(raw, &p, json.RejectUnknownMembers(true)) != nil || p.Created != k.Created || p.Seq <= k.Seq {
		return nil
	}
	for _, h := range p.Heads {
		row, err := m.cfg.Store.At(m.ctx, h.Device, h.Seq)
		if errors.Is(err, store.ErrNotFound) || err == nil && event.HashLine(row.Line) != h.Hash {
			return nil
		}
		if err != nil {
			return err
		}
	}
	p.Heads, p.Holes, p.Left = nil, nil, false
	for _, s := range p.Seen {
		if s.Seq > m.log(s.Device).head.Seq {
			return nil
		}
	}
	return m.write(func(tx transaction) error {
		k.place, k.backing = p, false
		return k.save(tx)
	})
}
