package replicate

import (
	"time"

	"countback/ledger/event"
)

// clockSlack is how far clocks may differ before a person is told: far more than a message takes, far less than matters to a count.
const clockSlack = 2 * time.Minute

// clock takes note of the time. What waits is measured in time that has passed, so that a clock that is set back can't stop anything.
func (m *Machine) clock(now time.Time) {
	ms := now.UnixMilli()
	passed := time.Duration(ms-m.now) * time.Millisecond
	switch {
	case m.now == 0:
	case passed >= 0:
		m.elapsed += passed
	case passed < -clockSlack:
		m.report(Report{What: ClockBack, Device: m.own, Off: -passed})
	}
	m.now = ms
}

// compareClocks compares the own clock with the bus's, by an own message that has come back.
func (m *Machine) compareClocks(k *link, msg Message) {
	if k.clockAt == 0 || msg.Seq != k.clockAt {
		return
	}
	k.clockAt = 0
	off := time.Duration(m.now*int64(time.Millisecond) - msg.Stored)         // at most, if it came back at once
	since := time.Duration(k.clockSent*int64(time.Millisecond) - msg.Stored) // at least, if it was stored at once
	k.clockOff = 0
	if since > clockSlack || off < -clockSlack {
		k.clockOff = since
		m.report(Report{What: ClockOff, Bus: k.name, Device: m.own, Off: since})
	}
}

// Off returns how far the own clock was ahead of a bus's when they were compared last, below 0 where it was behind; 0 where that is too little to matter, or they
// weren't compared yet. They are whenever an own event comes back.
func (m *Machine) Off(bus string) time.Duration { return m.link(bus).clockOff }

// compareDates notices events whose id was made later than the bus stored them: the clock of their device is ahead. That one is behind can't be seen, because
// an event may have waited.
func (m *Machine) compareDates(device string, id event.ID, it item) {
	if it.stored == 0 || id.IsZero() || device == m.own {
		return
	}
	ahead := time.Duration(id.Ms()-it.stored/int64(time.Millisecond)) * time.Millisecond
	if ahead <= clockSlack {
		return
	}
	m.log(device).dated = max(m.log(device).dated, ahead)
	m.report(Report{What: ClockAhead, Device: device, From: it.from, Off: ahead})
}
