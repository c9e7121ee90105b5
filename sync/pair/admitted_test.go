package pair_test

import (
	"errors"
	"testing"

	"countback/sync/pair"
)

// A device learns at the door whether it is still let in, and by whose door it isn't.
func TestAdmitted(t *testing.T) {
	h := newHouse(t)
	k, stranger := h.key, newKey(t)
	c := h.client(h.auth.Pin())
	if err := c.Admitted(ctx, k, h.shop); err != nil {
		t.Errorf("a member: %v", err)
	}
	if err := c.Admitted(ctx, stranger, h.shop); !errors.Is(err, pair.ErrMember) {
		t.Errorf("a stranger: %v", err)
	}
	if err := c.Admitted(ctx, stranger, stranger.Device()); !errors.Is(err, pair.ErrElsewhere) {
		t.Errorf("at another shop's door: %v", err)
	}
}
