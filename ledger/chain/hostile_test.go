package chain_test

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store/storetest"
)

// history is a shop whose people do what the program lets them do.
type history struct {
	t      *rapid.T
	keeper *storetest.Log
	office []*storetest.Log // all keepers so far
	lost   []*storetest.Log // those of them that were recovered from
	others []*storetest.Log // members that are neither the keeper nor replaced
	stolen []*storetest.Log // revoked, and never the keeper
	events []*event.Event
	desks  map[*storetest.Log]bool
	n      byte
}

func (h *history) add(l *storetest.Log, d event.Data) { h.events = append(h.events, l.Next(d)) }

func (h *history) log() *storetest.Log {
	h.n++
	return storetest.NewLog(h.n, h.office[0].Shop)
}

// other draws a member that isn't the keeper; nil if there is none.
func (h *history) other(what string) *storetest.Log {
	if len(h.others) == 0 {
		return nil
	}
	return rapid.SampledFrom(h.others).Draw(h.t, what)
}

func (h *history) take(l *storetest.Log) *storetest.Log {
	h.others = slices.DeleteFunc(h.others, func(x *storetest.Log) bool { return x == l })
	return l
}

func (h *history) crown(l *storetest.Log) {
	h.keeper = l
	h.office = append(h.office, l)
}

func newHistory(t *rapid.T) *history {
	h := &history{t: t, n: 1}
	h.crown(storetest.NewLog(1, ""))
	h.add(h.keeper, h.keeper.Device(nil, "desk"))
	h.desks = map[*storetest.Log]bool{h.keeper: true}
	for range rapid.IntRange(2, 25).Draw(t, "steps") {
		h.step(rapid.SampledFrom([]string{"admit", "admit", "record", "pass", "restore", "recover", "revoke"}).Draw(t, "step"))
	}
	return h
}

func (h *history) step(do string) {
	switch do {
	case "admit":
		l := h.log()
		h.desks[l] = rapid.Bool().Draw(h.t, "desk")
		h.add(l, l.Device(h.keeper, map[bool]string{true: "desk", false: "phone"}[h.desks[l]]))
		h.others = append(h.others, l)
		return
	case "restore":
		l := h.log()
		h.desks[l] = true
		h.add(l, l.Successor(h.keeper, h.keeper, "desk"))
		h.crown(l)
		return
	}
	x := h.other("device")
	switch {
	case x == nil:
	case do == "record":
		h.add(x, storetest.Count("board", 1))
	case do == "pass" && h.desks[x]:
		h.add(h.keeper, &event.Shop{Keeper: x.Key.Device()})
		h.others = append(h.others, h.keeper)
		h.crown(h.take(x))
	case do == "recover":
		l := h.log()
		h.desks[l] = true
		h.add(l, l.Successor(h.keeper, x, "desk"))
		h.lost = append(h.lost, h.keeper)
		h.crown(l)
	case do == "revoke":
		h.take(x)
		h.add(h.keeper, &event.Revoke{Device: x.Key.Device(), Last: x.Seq, Hash: x.Prev, Reason: "lost"})
		if !slices.Contains(h.office, x) {
			h.stolen = append(h.stolen, x)
		}
	}
}

// attack is what can be done with keys of devices that were revoked before they ever were the keeper.
func (h *history) attack() (made []*storetest.Log, events []*event.Event) {
	t := h.t
	all := slices.Concat(h.office, h.others, h.stolen)
	hands := make([]*storetest.Log, len(h.stolen)) // as they go on with the keys
	for i, l := range h.stolen {
		hands[i] = l.Copy()
	}
	for range rapid.IntRange(1, 12).Draw(t, "deeds") {
		by := rapid.SampledFrom(slices.Concat(hands, made)).Draw(t, "thief")
		whom := rapid.SampledFrom(all).Draw(t, "whom")
		switch rapid.IntRange(0, 4).Draw(t, "deed") {
		case 0:
			events = append(events, by.Next(&event.Revoke{Device: whom.Key.Device(), Last: rapid.Int64Range(1, whom.Seq).Draw(t, "last"), Hash: whom.Prev, Reason: "x"}))
			continue
		case 1:
			events = append(events, by.Next(&event.Shop{Keeper: rapid.SampledFrom(slices.Concat(all, made)).Draw(t, "to").Key.Device()}))
			continue
		}
		l := h.log()
		var d *event.Device
		role := rapid.SampledFrom([]string{"desk", "phone"}).Draw(t, "role")
		switch rapid.IntRange(0, 3).Draw(t, "endorsement") {
		case 0:
			d = l.Device(by, role)
		case 1:
			d = l.Successor(by, by, role)
		case 2:
			d = l.Successor(rapid.SampledFrom(slices.Concat(all, made)).Draw(t, "of"), by, role)
		default: // a mixture of what fits and what doesn't
			d = l.Successor(whom, by, role)
			purpose := rapid.SampledFrom([]key.Purpose{key.Admit, key.Recover}).Draw(t, "purpose")
			sig, err := by.Key.Sign(purpose, key.SucceedPayload(l.Shop, d.Key, role, rapid.SampledFrom([]string{"", d.Succeeds}).Draw(t, "signed")))
			if err != nil {
				t.Fatal(err)
			}
			d.Endorsement = sig
		}
		// Of several recoveries of one keeper the smallest id counts, whoever was revoked since: the keeper that is lost can't say whose word he would have taken.
		if slices.ContainsFunc(h.lost, func(x *storetest.Log) bool { return x.Key.Device() == d.Succeeds }) {
			continue
		}
		events = append(events, l.Next(d))
		made = append(made, l)
	}
	return made, events
}

// Whatever is done with the keys of revoked devices that never were the keeper, the keeper stays, nobody else is revoked or replaced, and nothing of it counts. The
// order in which it all becomes known plays no part.
func TestKeysOfRevokedDevicesAreWorthNothing(t *testing.T) {
	attacks := 0
	rapid.Check(t, func(t *rapid.T) {
		h := newHistory(t)
		before := chain.Of(h.office[0].Shop, h.events)
		if before.Keeper() != h.keeper.Key.Device() {
			t.Fatalf("the keeper is %s, not the last of %d", before.Keeper(), len(h.office))
		}
		if len(h.stolen) == 0 {
			return
		}
		attacks++
		made, events := h.attack()
		after := chain.NewMembers(before.Shop())
		for _, e := range rapid.Permutation(slices.Concat(h.events, events)).Draw(t, "order") {
			after.Add(e)
		}
		if after.Keeper() != before.Keeper() {
			t.Fatalf("the keeper is %s now, not %s", after.Keeper(), before.Keeper())
		}
		for _, b := range before.All() {
			if now, _ := after.Get(b.Device); fmt.Sprint(now) != fmt.Sprint(b) || after.Replaced(b.Device) != before.Replaced(b.Device) {
				t.Fatalf("%+v is now %+v", b, now)
			}
		}
		for _, l := range made {
			if _, ok := after.Get(l.Key.Device()); ok && !after.Void(l.Key.Device(), 1) {
				t.Fatalf("device %s, made by a thief, counts", l.Key.Device())
			}
		}
	})
	if attacks == 0 {
		t.Error("nobody was ever attacked")
	}
}
