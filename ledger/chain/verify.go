package chain

import (
	"errors"
	"fmt"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
)

// What can keep an event out of a log.
var (
	ErrShop      = errors.New("belongs to another shop")
	ErrHeld      = errors.New("stands before the end of its log")
	ErrGap       = errors.New("events before it are missing; it waits for them")
	ErrPrev      = errors.New("doesn't name the event before it; two copies of one device have recorded")
	ErrFirst     = errors.New("a log begins with the device event of its own key")
	ErrSignature = errors.New("isn't signed by its device; it was changed or made by somebody else")
	ErrMember    = errors.New("is from a device that nobody has admitted; it waits for that, see devices")
)

func refuse(e *event.Event, kind error) error {
	return fmt.Errorf("%s: %w", store.EventName(e), kind)
}

// Verify checks whether an event may be put behind head. The errors wrap one of this package's kinds. Whoever inserts the event then tells members with
// Add.
func Verify(e *event.Event, head store.Head, members *Members) error {
	if err := Continues(e, head); err != nil {
		return err
	}
	return Signed(e, members)
}

// Continues checks sequence and prevhash alone.
func Continues(e *event.Event, head store.Head) error {
	switch {
	case e.Seq <= head.Seq:
		return refuse(e, ErrHeld)
	case e.Seq > head.Seq+1:
		return refuse(e, ErrGap)
	case e.Prev != head.Hash:
		return refuse(e, ErrPrev)
	}
	return nil
}

// Signed checks shop, signature and membership alone. A valid signature vouches for all events before it in its chain.
func Signed(e *event.Event, members *Members) error {
	if e.Shop != members.shop {
		return refuse(e, ErrShop)
	}
	public := ""
	if e.Seq == 1 {
		d, ok := e.Data.(*event.Device)
		if !ok {
			return refuse(e, ErrFirst)
		}
		if own, err := key.DeviceOf(d.Key); err != nil || own != e.Device {
			return refuse(e, ErrFirst)
		}
		public = d.Key
	} else if b, ok := members.Get(e.Device); ok {
		public = b.Key
	} else {
		return refuse(e, ErrMember)
	}
	head, sig, err := event.Signed(e.Line)
	if err != nil {
		return err
	}
	if members.verify(public, key.Event, head, sig) != nil {
		return refuse(e, ErrSignature)
	}
	if e.Seq == 1 && !members.admits(e) {
		return refuse(e, ErrMember)
	}
	return nil
}
