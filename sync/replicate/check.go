package replicate

import (
	"bytes"
	"errors"
	"strconv"
	"strings"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
)

// A desk checks the signature of every event. Those that another one behind them vouches for are in the log by then: what is wrong with one is told, and keeps
// nothing out. So it needn't be done while events wait to be taken in, and is done in small portions afterwards.
const (
	checkPortion = 100 // signatures in one Step, some milliseconds
	checkPause   = 10 * time.Millisecond
)

// noteChecked says of a log up to where its signatures were checked.
const noteChecked = "sync/checked/"

// checkSome checks the next signatures.
func (m *Machine) checkSome() error {
	if !m.cfg.Desk {
		return nil
	}
	left := checkPortion
	for _, l := range m.logs {
		if l.device == m.own {
			continue
		}
		for l.checked < l.head.Seq && left > 0 {
			left--
			known, err := m.checkAt(l, l.checked+1)
			if err != nil {
				return err
			}
			if !known {
				break
			}
			l.checked++
			l.unsaved = true
		}
	}
	m.checkDue = 0
	if left == 0 {
		m.checkDue = m.elapsed + checkPause
	}
	return nil
}

// checkAt checks one signature; known is false as long as the device isn't a member.
func (m *Machine) checkAt(l *log, seq int64) (known bool, err error) {
	row, err := m.cfg.Store.At(m.ctx, l.device, seq)
	if err != nil {
		return false, err
	}
	e, err := event.ParseLine(bytes.Clone(row.Line))
	if err != nil {
		return false, store.Fail("check the signatures", l.device, store.ErrDamaged, err)
	}
	switch err := chain.Signed(e, m.members); {
	case errors.Is(err, chain.ErrMember):
		return false, nil
	case err != nil:
		m.report(Report{What: Unsigned, Device: l.device, Seq: seq})
	}
	return true, nil
}

// saveChecked writes how far the logs were checked, with whatever else is written. What a crash loses of it is checked once more.
func (m *Machine) saveChecked(tx transaction) error {
	for _, l := range m.logs {
		if !l.unsaved {
			continue
		}
		l.unsaved = false
		if err := tx.SetLocal(noteChecked+l.device, strconv.AppendInt(nil, l.checked, 10)); err != nil {
			return err
		}
	}
	return nil
}

func (m *Machine) loadChecked() error {
	return m.cfg.Store.Local(m.ctx, noteChecked, func(key string, value []byte) error {
		n, err := strconv.ParseInt(string(value), 10, 64)
		if err != nil {
			return store.Fail("read the notes", key, store.ErrDamaged, err)
		}
		l := m.log(strings.TrimPrefix(key, noteChecked))
		l.checked = min(n, l.head.Seq)
		return nil
	})
}
