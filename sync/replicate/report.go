package replicate

import (
	"fmt"
	"time"
)

// What names a thing that a person should know.
type What string

// What is reported. Device is the log or device that it is about.
const (
	Forked     What = "forked"     // two branches of one log; the other one stands aside
	Copied     What = "copied"     // a fork of this device's own log, or the bus holds more of it than this folder does
	Adopted    What = "adopted"    // facts of a branch that stands aside were recorded anew
	NotAdopted What = "notadopted" // such a fact couldn't be recorded
	Forged     What = "forged"     // a line isn't signed by its device
	Unsigned   What = "unsigned"   // an event of a log has a wrong signature, though later ones vouch for it
	Foreign    What = "foreign"    // an event or message of another shop
	Unreadable What = "unreadable" // a message that is no event
	TooLarge   What = "toolarge"   // a message that is longer than any event
	NotMember  What = "notmember"  // events of a device that nobody has admitted wait
	Flooded    What = "flooded"    // one sender has more waiting, or refused, than is kept; the rest is left on the bus
	BadReceipt What = "badreceipt" // a receipt that isn't its device's
	NewStream  What = "newstream"  // the bus's stream was made anew; it is filled again
	LostTail   What = "losttail"   // the bus has lost what it had acknowledged; it is filled again
	BusDown    What = "busdown"    // the bus can't be reached
	BusFull    What = "busfull"    // the bus takes nothing more
	BusDenied  What = "busdenied"  // the bus doesn't let this device publish
	NoDownload What = "nodownload" // the hand-over file couldn't be fetched; the bus is read instead
	StoreFails What = "storefails" // the own store can't be read or written
	ClockOff   What = "clockoff"   // the own clock and the bus's differ
	ClockAhead What = "clockahead" // events of a device are dated after the bus stored them
	ClockBack  What = "clockback"  // the own clock was set back
)

// Report is something that a person should know. The same one comes at most once in ten minutes; Count says how often it has happened.
type Report struct {
	What   What
	Bus    string // empty where no bus is meant
	Device string // what it is about
	From   string // the device that sent it, if not the same
	Seq    int64  // a place of the device's log, 0 where none is meant
	Off    time.Duration
	Count  int64
	Err    error
}

// Text says it in one line: what, where, and what to do.
func (r Report) Text() string {
	about := "device " + r.Device
	if r.From != "" && r.From != r.Device {
		about += " (sent by " + r.From + ")"
	}
	switch r.What {
	case Forked:
		return fmt.Sprintf("%s: two copies of it have recorded event %d; one branch stands aside, and the keeper records its facts anew; keep only one copy", about, r.Seq)
	case Copied:
		return fmt.Sprintf("another copy of this device records under its name, from event %d on; let one of them join as a new device", r.Seq)
	case Adopted:
		return fmt.Sprintf("%s: %d facts of the branch aside were recorded anew", about, r.Count)
	case NotAdopted:
		return fmt.Sprintf("%s: event %d of the branch aside couldn't be recorded anew: %v; see review", about, r.Seq, r.Err)
	case Forged:
		return fmt.Sprintf("%s: event %d isn't signed by it; it was refused; see devices for who may have sent it", about, r.Seq)
	case Unsigned:
		return fmt.Sprintf("%s: event %d has a wrong signature, though later ones vouch for it; look at that device", about, r.Seq)
	case Foreign:
		return fmt.Sprintf("%s: a message of another shop was refused; check which bus this is", about)
	case Unreadable:
		return fmt.Sprintf("%s: a message that is no event was refused: %v; see review", about, r.Err)
	case TooLarge:
		return fmt.Sprintf("%s: a message longer than an event can be was refused; see devices", about)
	case NotMember:
		return fmt.Sprintf("%s: nobody has admitted it; its events wait for that; see devices", about)
	case Flooded:
		return fmt.Sprintf("%s: %d of its messages were left on the bus, because as many as are kept wait already; see review", about, r.Count)
	case BadReceipt:
		return fmt.Sprintf("%s: a receipt that isn't its own was refused; see devices", about)
	case NewStream:
		return fmt.Sprintf("bus %s: it was made anew; it is filled from this device", r.Bus)
	case LostTail:
		return fmt.Sprintf("bus %s: it has lost messages that it had confirmed; it is filled from this device; check that its writes are synced", r.Bus)
	case BusDown:
		return fmt.Sprintf("bus %s: it can't be reached (%v); recording goes on, entries are sent later", r.Bus, r.Err)
	case BusFull:
		return fmt.Sprintf("bus %s: it takes nothing more; raise its limit or free its disk; recording goes on, entries are sent later", r.Bus)
	case BusDenied:
		return fmt.Sprintf("bus %s: it doesn't let this device publish (%v); pair again, or correct the rights there", r.Bus, r.Err)
	case NoDownload:
		return fmt.Sprintf("bus %s: the hand-over file couldn't be fetched (%v); events come over the bus instead, which takes longer", r.Bus, r.Err)
	case StoreFails:
		return fmt.Sprintf("the ledger can't be written: %v", r.Err)
	case ClockOff:
		return fmt.Sprintf("bus %s: this device's clock and the bus's differ by %s; set the one that is wrong", r.Bus, r.Off.Round(time.Second))
	case ClockAhead:
		return fmt.Sprintf("%s: its clock is %s ahead of the bus's; set it", about, r.Off.Round(time.Second))
	case ClockBack:
		return fmt.Sprintf("this device's clock was set back by %s; check the time of the last entries", r.Off.Round(time.Second))
	}
	return fmt.Sprintf("%s: %s", about, r.What)
}

const (
	saidAgain = 10 * time.Minute // before the same report comes once more
	maxSaid   = 1000             // different reports that are told apart
)

type saying struct {
	what              What
	bus, device, from string
}

type said struct {
	at    time.Duration
	count int64
}

// report passes a report on, unless the same has just been said.
func (m *Machine) report(r Report) {
	n := max(r.Count, 1)
	key := saying{r.What, r.Bus, r.Device, r.From}
	s, known := m.said[key]
	if !known && len(m.said) >= maxSaid {
		key.device, key.from = "", ""
		s, known = m.said[key]
	}
	s.count += n
	if known && m.elapsed < s.at+saidAgain {
		m.said[key] = s
		return
	}
	r.Count = s.count
	m.said[key] = said{m.elapsed, 0}
	m.out = append(m.out, r)
}
