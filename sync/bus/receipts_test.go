//go:build !js

package bus_test

import (
	"testing"
)

// Receipts have numbers of their own. Where there are more of them than events, nothing waits for events that never come.
func TestMoreReceiptsThanEvents(t *testing.T) {
	a, b := pairOf(t)
	h := newHouse(t)
	h.admit(b.log, "desk")
	a.run(a.log.Shop, true, h.own)
	b.run(a.log.Shop, true, h.as(b.log.Key))
	for range 4 { // an event and a receipt of each device
		a.record(1)
		inStep(t, "one more event", a, b)
	}
	settled := func(r *replica) bool {
		states, _, err := r.runner.States(ctx)
		return err == nil && len(states) == 1 && states[0].Settled() && states[0].Stored < 12
	}
	eventually(t, "both know that they have read everything", func() bool { return settled(a) && settled(b) })
}
