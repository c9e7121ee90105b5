package event

import "cmp"

// Key is an event's place in the fold order: time as an instant in milliseconds, then the rank of its kind, then its id.
type Key struct {
	Ms   int64
	Rank uint8
	ID   ID
}

// Key returns the event's place in the fold order.
func (e *Event) Key() Key { return Key{e.Time.ms, e.Kind.Rank(), e.ID} }

// Compare orders keys; it returns -1, 0 or 1.
func (k Key) Compare(o Key) int {
	if c := cmp.Compare(k.Ms, o.Ms); c != 0 {
		return c
	}
	if c := cmp.Compare(k.Rank, o.Rank); c != 0 {
		return c
	}
	return k.ID.Compare(o.ID)
}

// Before reports whether k stands before o.
func (k Key) Before(o Key) bool { return k.Compare(o) < 0 }
