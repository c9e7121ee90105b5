package pair_test

import (
	"slices"
	"testing"
	"time"

	"countback/ledger/store/memory"
	"countback/sync/pair"
)

func TestWhatADeskRemembers(t *testing.T) {
	st := memory.New()
	if _, ok, err := pair.Door(ctx, st); ok || err != nil {
		t.Error(ok, err)
	}
	door := pair.Announced{Base: "https://countback-a.local:8743", Pin: "p", Local: "127.0.0.1:8743", Trust: "http://countback-a.local:8744"}
	want(t, pair.Announce(ctx, st, door), nil, "announce")
	if got, ok, err := pair.Door(ctx, st); got != door || !ok || err != nil {
		t.Error(got, ok, err)
	}
	one, two := pair.Peer{Device: "b", Base: "https://b.local:8743", Pin: "q", At: "192.0.2.7:8743"}, pair.Peer{Device: "a", Base: "https://a.local:8743", Pin: "r"}
	for _, p := range []pair.Peer{{Device: "b", Base: "https://old.local:1", Pin: "q"}, one, two, {Device: "c"}} {
		want(t, pair.KeepPeer(ctx, st, p), nil, "keep")
	}
	want(t, pair.ForgetPeer(ctx, st, "c"), nil, "forget")
	if got, err := pair.Peers(ctx, st); err != nil || !slices.Equal(got, []pair.Peer{two, one}) {
		t.Error(got, err)
	}
	for _, s := range []pair.Sight{{"a", 1000, 0}, {"b", 2000, -3 * time.Hour}, {"a", 3000, 5 * time.Minute}} {
		want(t, pair.KeepSight(ctx, st, s), nil, "keep")
	}
	got, err := pair.Sights(ctx, st)
	if err != nil || len(got) != 2 || got["a"] != (pair.Sight{Device: "a", At: 3000, Ahead: 5 * time.Minute}) || got["b"] != (pair.Sight{Device: "b", At: 2000, Ahead: -3 * time.Hour}) {
		t.Error(got, err)
	}
}

// A door is only taken for open where somebody with the authority's key answers.
func TestWhetherADoorIsKept(t *testing.T) {
	h, other := newHouse(t), newHouse(t)
	door := pair.Announced{Base: h.base, Pin: h.auth.Pin(), Local: h.base[len("https://"):]}
	if !door.Answers(ctx, h.clock.Now) {
		t.Error("it is kept")
	}
	door.Pin = other.auth.Pin()
	if door.Answers(ctx, h.clock.Now) {
		t.Error("another desk's")
	}
	door.Pin, door.Local = h.auth.Pin(), "127.0.0.1:1"
	if door.Answers(ctx, h.clock.Now) {
		t.Error("nobody is there")
	}
}
