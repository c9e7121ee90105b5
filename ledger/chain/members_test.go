package chain_test

import (
	"errors"
	"fmt"
	"math/rand"
	"strings"
	"testing"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store"
	"countback/ledger/store/storetest"
)

// house is a shop with its devices' logs, and all events in the order of making.
type house struct {
	t      *testing.T
	desk   *storetest.Log
	events []*event.Event
}

func newHouse(t *testing.T) *house {
	h := &house{t: t, desk: storetest.NewLog(1, "")}
	h.next(h.desk, h.desk.Device(nil, "desk"))
	return h
}

func (h *house) next(l *storetest.Log, d event.Data) *event.Event {
	e := l.Next(d)
	h.events = append(h.events, e)
	return e
}

func (h *house) join(n byte, by *storetest.Log, role string) *storetest.Log {
	l := storetest.NewLog(n, h.desk.Shop)
	h.next(l, l.Device(by, role))
	return l
}

// replace adds a desk that succeeds another: with its own key, or, where by is a third device, by recovery.
func (h *house) replace(n byte, old, by *storetest.Log) *storetest.Log {
	l := storetest.NewLog(n, h.desk.Shop)
	h.next(l, l.Successor(old, by, "desk"))
	return l
}

func (h *house) pass(from, to *storetest.Log) { h.next(from, &event.Shop{Keeper: to.Key.Device()}) }

func (h *house) revoke(by, whom *storetest.Log, last int64) {
	h.next(by, &event.Revoke{Device: whom.Key.Device(), Last: last, Hash: whom.Prev, Reason: "lost"})
}

// members folds the events in several orders, which must agree.
func (h *house) members() *chain.Members {
	h.t.Helper()
	first := chain.NewMembers(h.desk.Shop)
	for _, e := range h.events {
		first.Add(e)
	}
	want := fmt.Sprint(first.All(), first.Keeper())
	for seed := range int64(5) {
		m := chain.NewMembers(h.desk.Shop)
		list := append([]*event.Event{}, h.events...)
		rand.New(rand.NewSource(seed)).Shuffle(len(list), func(i, k int) { list[i], list[k] = list[k], list[i] })
		for _, e := range list {
			m.Add(e)
		}
		if got := fmt.Sprint(m.All(), m.Keeper()); got != want {
			h.t.Fatalf("another order gives\n%s, not\n%s", got, want)
		}
	}
	return first
}

func (h *house) wantKeeper(l *storetest.Log) {
	h.t.Helper()
	if got := h.members().Keeper(); got != l.Key.Device() {
		h.t.Errorf("the keeper is %s, want %s", got, l.Key.Device())
	}
}

func (h *house) wantMember(l *storetest.Log, want bool) {
	h.t.Helper()
	if _, got := h.members().Get(l.Key.Device()); got != want {
		h.t.Errorf("member: %v, want %v", got, want)
	}
}

func sign(t *testing.T, by *storetest.Log, p key.Purpose, payload []byte) string {
	t.Helper()
	sig, err := by.Key.Sign(p, payload)
	if err != nil {
		t.Fatal(err)
	}
	return sig
}

func TestFounderIsKeeper(t *testing.T) {
	h := newHouse(t)
	h.wantKeeper(h.desk)
	h.wantMember(h.desk, true)
	if m := chain.NewMembers(h.desk.Shop); m.Keeper() != "" || len(m.All()) != 0 {
		t.Error("there are members before the first event")
	}
	phoneFounder := storetest.NewLog(3, "")
	m := chain.NewMembers(phoneFounder.Shop)
	m.Add(phoneFounder.Next(phoneFounder.Device(nil, "phone")))
	if len(m.All()) != 0 {
		t.Error("a phone founds a shop")
	}
}

func TestOnlyKeepersAdmit(t *testing.T) {
	h := newHouse(t)
	phone := h.join(2, h.desk, "phone")
	h.wantMember(phone, true)
	h.wantMember(h.join(3, phone, "phone"), false)
	self := storetest.NewLog(4, h.desk.Shop)
	h.next(self, self.Device(nil, "desk"))
	h.wantMember(self, false)
	forged := storetest.NewLog(5, h.desk.Shop)
	d := forged.Device(phone, "desk")
	d.By = h.desk.Key.Device()
	h.next(forged, d)
	h.wantMember(forged, false)
	raised := storetest.NewLog(6, h.desk.Shop)
	d = raised.Device(h.desk, "phone")
	d.Role = "desk"
	h.next(raised, d)
	h.wantMember(raised, false)
	elsewhere := storetest.NewLog(8, "")
	d = elsewhere.Device(h.desk, "phone") // endorsed for another shop
	elsewhere.Shop = h.desk.Shop
	h.next(elsewhere, d)
	h.wantMember(elsewhere, false)
}

func TestKeeperPassesOn(t *testing.T) {
	h := newHouse(t)
	second := h.join(2, h.desk, "desk")
	phone := h.join(3, h.desk, "phone")
	h.pass(h.desk, phone) // a phone can't be the keeper
	h.pass(phone, phone)
	h.wantKeeper(h.desk)
	h.pass(second, second) // names itself without being the keeper
	h.wantKeeper(h.desk)
	h.pass(h.desk, second)
	h.wantKeeper(second)
	h.wantMember(h.join(4, second, "phone"), true)
	h.pass(second, h.desk)
	h.wantKeeper(h.desk)
	h.pass(h.desk, second)
	h.wantKeeper(second)
}

func TestSuccession(t *testing.T) {
	h := newHouse(t)
	phone := h.join(2, h.desk, "phone")
	next := h.replace(3, h.desk, h.desk)
	h.wantKeeper(next)
	h.wantMember(h.join(4, next, "phone"), true)
	newPhone := storetest.NewLog(5, h.desk.Shop)
	h.next(newPhone, newPhone.Successor(phone, phone, "phone"))
	h.wantMember(newPhone, true)
	h.wantKeeper(next)
}

func TestRecovery(t *testing.T) {
	h := newHouse(t)
	phone := h.join(2, h.desk, "phone")
	notRecovery := storetest.NewLog(9, h.desk.Shop)
	d := notRecovery.Successor(h.desk, phone, "desk")
	d.Endorsement = sign(t, phone, key.Admit, key.SucceedPayload(h.desk.Shop, d.Key, d.Role, d.Succeeds)) // to admit, not to recover
	h.next(notRecovery, d)
	h.wantMember(notRecovery, false)
	one := h.replace(3, h.desk, phone)
	h.wantKeeper(one)
	two := h.replace(4, h.desk, phone)
	smaller := one
	if two.Key.Device() < one.Key.Device() {
		smaller = two
	}
	h.wantKeeper(smaller)
	again := h.replace(5, smaller, phone)
	h.wantKeeper(again)
}

func TestRevocation(t *testing.T) {
	h := newHouse(t)
	phone, other := h.join(2, h.desk, "phone"), h.join(3, h.desk, "phone")
	h.revoke(other, phone, 1) // a phone revokes nobody
	if h.members().Void(phone.Key.Device(), 99) {
		t.Error("a phone has revoked a phone")
	}
	h.revoke(h.desk, phone, 5)
	h.revoke(h.desk, phone, 3)
	h.revoke(h.desk, phone, 4)
	m := h.members()
	for seq, want := range map[int64]bool{1: false, 3: false, 4: true, 99: true} {
		if got := m.Void(phone.Key.Device(), seq); got != want {
			t.Errorf("event %d is void: %v", seq, got)
		}
	}
	if m.Void(other.Key.Device(), 99) || m.Void("nobody", 1) {
		t.Error("others are void too")
	}
}

// A stolen desk that was recovered from can neither hand its office on nor revoke the one that replaced it.
func TestStolenKeeper(t *testing.T) {
	h := newHouse(t)
	phone := h.join(2, h.desk, "phone")
	accomplice := h.join(6, h.desk, "desk")
	last := h.desk.Seq
	fresh := h.replace(3, h.desk, phone)
	h.pass(h.desk, accomplice)
	h.revoke(h.desk, fresh, 1)
	h.revoke(accomplice, fresh, 1)
	h.revoke(fresh, h.desk, last)
	h.wantKeeper(fresh)
	m := h.members()
	if m.Void(fresh.Key.Device(), fresh.Seq) || !m.Void(h.desk.Key.Device(), last+1) {
		t.Errorf("%+v", m.All())
	}
}

func TestVerify(t *testing.T) {
	desk := storetest.NewLog(1, "")
	es := storetest.Some(desk, 4)
	phone := storetest.NewLog(2, desk.Shop)
	admitted := phone.Next(phone.Device(desk, "phone"))
	count := phone.Next(storetest.Count("board", 1))
	m := chain.NewMembers(desk.Shop)
	head := store.EmptyHead
	if err := chain.Verify(admitted, store.EmptyHead, m); !errors.Is(err, chain.ErrMember) {
		t.Errorf("before its keeper is known: %v", err)
	}
	for i, e := range es {
		if i < 3 {
			if err := chain.Verify(es[i+1], head, m); !errors.Is(err, chain.ErrGap) {
				t.Errorf("a gap: %v", err)
			}
		}
		if err := chain.Verify(e, head, m); err != nil {
			t.Fatal(err)
		}
		m.Add(e)
		head = store.Head{Seq: e.Seq, Hash: e.Hash}
		if err := chain.Verify(e, head, m); !errors.Is(err, chain.ErrHeld) {
			t.Errorf("again: %v", err)
		}
	}
	if err := chain.Signed(count, m); !errors.Is(err, chain.ErrMember) {
		t.Errorf("a device without its first event: %v", err)
	}
	if err := chain.Verify(admitted, store.EmptyHead, m); err != nil {
		t.Error(err)
	}
	m.Add(admitted)
	if err := chain.Verify(count, store.Head{Seq: 1, Hash: admitted.Hash}, m); err != nil {
		t.Error(err)
	}
	if err := chain.Verify(count, store.Head{Seq: 1, Hash: es[0].Hash}, m); !errors.Is(err, chain.ErrPrev) {
		t.Errorf("a wrong prevhash: %v", err)
	}
	other := storetest.NewLog(9, "")
	if err := chain.Verify(other.Next(other.Device(nil, "desk")), store.EmptyHead, m); !errors.Is(err, chain.ErrShop) {
		t.Errorf("another shop: %v", err)
	}
	noDevice := storetest.NewLog(8, desk.Shop)
	if err := chain.Verify(noDevice.Next(storetest.Count("board", 1)), store.EmptyHead, m); !errors.Is(err, chain.ErrFirst) {
		t.Errorf("a log that begins otherwise: %v", err)
	}
	forger := storetest.NewLog(7, desk.Shop)
	first := forger.Device(desk, "phone")
	first.Key = phone.Key.Public()
	if err := chain.Verify(forger.Next(first), store.EmptyHead, m); !errors.Is(err, chain.ErrFirst) {
		t.Errorf("another's key: %v", err)
	}
	body, _, _ := event.Signed(count.Line)
	sig, _ := forger.Key.Sign(key.Event, body)
	line, _ := event.Seal(body, sig)
	e, _ := event.ParseLine(line)
	if err := chain.Verify(e, store.Head{Seq: 1, Hash: admitted.Hash}, m); !errors.Is(err, chain.ErrSignature) {
		t.Errorf("another's signature: %v", err)
	}
}

func TestRevocationNamesTheLastEvent(t *testing.T) {
	h := newHouse(t)
	phone := h.join(2, h.desk, "phone")
	for _, r := range []struct {
		last int64
		hash string
	}{{7, "c"}, {5, "b"}, {5, "a"}, {6, "0"}} {
		h.next(h.desk, &event.Revoke{Device: phone.Key.Device(), Last: r.last, Hash: strings.Repeat(r.hash, 64), Reason: "lost"})
	}
	if m, _ := h.members().Get(phone.Key.Device()); !m.Revoked || m.Last != 5 || m.Hash != strings.Repeat("a", 64) {
		t.Errorf("the last that counts is %d with %s", m.Last, m.Hash)
	}
}

// Who was admitted can't say in a second first event that he takes the keeper's place: an endorsement names whom its device succeeds.
func TestAnAdmissionIsNoSuccession(t *testing.T) {
	h := newHouse(t)
	phone := h.join(2, h.desk, "phone")
	keeper := h.desk.Key.Device()
	for n, claim := range map[byte]struct {
		role, by, succeeds string
		sig                func(*storetest.Log) string
	}{
		10: {"desk", keeper, keeper, func(l *storetest.Log) string { return l.Device(h.desk, "desk").Endorsement }},
		11: {"phone", keeper, keeper, func(l *storetest.Log) string { return l.Device(h.desk, "phone").Endorsement }},
		12: {"phone", keeper, phone.Key.Device(), func(l *storetest.Log) string { return l.Device(h.desk, "phone").Endorsement }},
		13: {"desk", keeper, "", func(l *storetest.Log) string { return l.Successor(h.desk, h.desk, "desk").Endorsement }},
		14: {"desk", phone.Key.Device(), keeper, func(l *storetest.Log) string { return l.Successor(phone, h.desk, "desk").Endorsement }},
		15: {"desk", phone.Key.Device(), keeper, func(l *storetest.Log) string {
			return sign(t, phone, key.Recover, key.AdmitPayload(l.Shop, l.Key.Public(), "desk"))
		}},
	} {
		l := storetest.NewLog(n, h.desk.Shop)
		h.next(l, &event.Device{Key: l.Key.Public(), Name: "x", Role: claim.role, By: claim.by, Succeeds: claim.succeeds, Endorsement: claim.sig(l)})
		h.wantMember(l, false)
	}
	h.wantKeeper(h.desk)
	if h.members().Replaced(keeper) {
		t.Error("the keeper counts as replaced")
	}
}

// wantGood checks up to which event a log counts, -1: all.
func (h *house) wantGood(l *storetest.Log, last int64) {
	h.t.Helper()
	m := h.members()
	if last < 0 {
		if m.Void(l.Key.Device(), l.Seq) {
			h.t.Errorf("the %d events of device %s count no more", l.Seq, l.Key.Device())
		}
		return
	}
	if last > 0 && m.Void(l.Key.Device(), last) || !m.Void(l.Key.Device(), last+1) {
		b, _ := m.Get(l.Key.Device())
		h.t.Errorf("it counts up to %d, want %d: %+v", b.Last, last, b)
	}
}

// The key of a revoked device makes no device that counts, whether it is used for a successor, for a recovery, or over somebody in between.
func TestARevokedDeviceEndorsesNobody(t *testing.T) {
	t.Run("a successor", func(t *testing.T) {
		h := newHouse(t)
		phone := h.join(2, h.desk, "phone")
		thief := storetest.NewLog(3, h.desk.Shop)
		h.next(thief, thief.Successor(phone, phone, "phone"))
		h.wantGood(thief, -1)
		if !h.members().Replaced(phone.Key.Device()) {
			t.Error("the phone was replaced")
		}
		h.revoke(h.desk, phone, 1)
		h.wantGood(thief, 0)
		h.wantMember(thief, true) // so that its log is the same everywhere
		second := storetest.NewLog(4, h.desk.Shop)
		h.next(second, second.Successor(thief, thief, "phone"))
		h.wantGood(second, 0)
		h.revoke(second, h.desk, 1)
		h.revoke(thief, phone, 1)
		h.wantGood(h.desk, -1)
		if h.members().Replaced(phone.Key.Device()) {
			t.Error("the phone was replaced by somebody who doesn't count")
		}
	})
	t.Run("a recovery", func(t *testing.T) {
		h := newHouse(t)
		phone := h.join(2, h.desk, "phone")
		before := h.desk.Seq
		h.revoke(h.desk, phone, 1)
		thief := h.replace(3, h.desk, phone)
		h.revoke(thief, h.desk, before) // so that the revocation would not count
		h.wantKeeper(h.desk)
		h.wantGood(thief, 0)
		h.wantGood(h.desk, -1)
		helper := h.join(4, thief, "desk")
		h.wantGood(helper, 0)
		again := h.replace(5, h.desk, helper)
		h.wantKeeper(h.desk)
		h.wantGood(again, 0)
		h.revoke(h.desk, thief, thief.Seq) // said to count so far; whom it has let in does not
		h.wantGood(helper, 0)
	})
	t.Run("a keeper before", func(t *testing.T) {
		h := newHouse(t)
		second, phone := h.join(2, h.desk, "desk"), h.join(3, h.desk, "phone")
		before := h.desk.Seq
		h.pass(h.desk, second)
		h.revoke(second, h.desk, h.desk.Seq)
		h.revoke(second, phone, 1)
		h.wantKeeper(second)
		for n, by := range map[byte]*storetest.Log{4: h.desk, 5: phone} {
			thief := h.replace(n, h.desk, by)
			h.revoke(thief, h.desk, before) // so that the office wasn't handed on
			h.revoke(thief, second, 1)
			h.wantKeeper(second)
			h.wantGood(thief, 0)
			h.wantGood(second, -1)
		}
	})
}

// Whoever became the keeper rightly stays so when he revokes what he owes it to.
func TestAKeeperRevokesItsEndorser(t *testing.T) {
	t.Run("recovered", func(t *testing.T) {
		h := newHouse(t)
		phone := h.join(2, h.desk, "phone")
		fresh := h.replace(3, h.desk, phone)
		h.revoke(fresh, phone, 1)
		h.revoke(fresh, h.desk, h.desk.Seq)
		h.wantKeeper(fresh)
		h.wantGood(fresh, -1)
		h.wantGood(phone, 1)
	})
	t.Run("restored", func(t *testing.T) {
		h := newHouse(t)
		phone := h.join(2, h.desk, "phone")
		once := h.replace(3, h.desk, h.desk)
		twice := h.replace(4, once, once)
		h.revoke(twice, h.desk, h.desk.Seq)
		h.revoke(twice, once, once.Seq)
		h.wantKeeper(twice)
		h.wantGood(twice, -1)
		h.wantGood(phone, -1) // what a keeper has admitted stands
		thief := h.replace(5, twice, once)
		h.wantKeeper(twice)
		h.wantGood(thief, 0)
	})
	t.Run("a desk that isn't the keeper", func(t *testing.T) {
		h := newHouse(t)
		second := h.join(2, h.desk, "desk")
		fresh := h.replace(3, second, second)
		h.revoke(fresh, second, 1) // by right of its place
		h.wantGood(fresh, -1)
		h.wantGood(second, 1)
		h.next(fresh, storetest.Count("board", 1))
		h.revoke(h.desk, second, 1)
		h.wantGood(fresh, 0)
		h.revoke(h.desk, fresh, 2) // the keeper says that it is good so far
		h.wantGood(fresh, 2)
	})
}
