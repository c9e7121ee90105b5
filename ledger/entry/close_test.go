package entry_test

import (
	"testing"

	"countback/ledger/event"
)

// A close is made by its own command, so no fact line holds one.
func TestACloseAcceptsEventsThatAreThere(t *testing.T) {
	at, err := event.ParseTime("2026-03-31T12:00:00Z")
	if err != nil {
		t.Fatal(err)
	}
	d := &event.Close{Period: "2026-02", Accepted: []event.ID{ulid("PACK"), ulid("REST")}}
	if err := check(stationer(), []event.Fact{{Time: at, Data: d}}); err != nil {
		t.Error(err)
	}
	d.Accepted = append(d.Accepted, ulid("N0PE"))
	const want = "accepted[2]: no event has the id 01KKTEST00000000000000N0PE; close again, with the questions as they are now"
	if e := fault(t, check(stationer(), []event.Fact{{Time: at, Data: d}})); e.Error() != want {
		t.Errorf("got  %s\nwant %s", e, want)
	}
}
