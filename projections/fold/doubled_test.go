package fold_test

import (
	"math/rand"
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/store/storetest"
	"countback/projections/foldtest"
)

// Inside one log the first of one id counts, whatever its time, and whether or not another device is there.
func TestOneIDTwiceInOneLog(t *testing.T) {
	const facts = base + `
restock 2026-01-02 {"lines":[{"item":"S","qty":"100","cost":"10"}]}
#X1 damage 2026-01-09 {"item":"S","qty":"7","reason":"damaged"}
damage 2026-01-03 {"item":"S","qty":"1","reason":"damaged"}
#X1 damage 2026-01-04 {"item":"S","qty":"20","reason":"damaged"}
#X1 order 2026-01-05 {"order":"W-1","zone":"home","lines":[{"item":"A","qty":"1"}]}`
	for _, other := range []string{"", "\n@2 count 2026-01-02 {\"item\":\"B\",\"qty\":\"3\"}"} {
		lines := foldtest.Facts(facts + other)
		for seed := range int64(4) {
			s := foldtest.Run(lines, 0)
			if got := show(s, "S"); got != "92/9.2/9.2" {
				t.Errorf("with %q, order %d: %s", other, seed, got)
			}
			if got := topics(s); !strings.Contains(got, "doubled") {
				t.Errorf("with %q, order %d: %s", other, seed, got)
			}
			rand.New(rand.NewSource(seed)).Shuffle(len(lines), func(i, k int) { lines[i], lines[k] = lines[k], lines[i] })
		}
	}
}

// What a revoked device goes on recording takes no other event's place, and only revocations that count take anything out.
func TestRevocationsThatCount(t *testing.T) {
	desk := storetest.NewLog(1, "")
	n := byte(2)
	for storetest.NewLog(n, "").Key.Device() > desk.Key.Device() { // of two events with one id the phone's is to count
		n++
	}
	phone, thief := storetest.NewLog(n, desk.Shop), storetest.NewLog(n+1, desk.Shop)
	var lines foldtest.Lines
	add := func(e *event.Event) *event.Event {
		lines = append(lines, e.Line)
		return e
	}
	want := func(what, stock string) {
		t.Helper()
		for seed := range int64(4) {
			if s := foldtest.Run(lines, 0); s.Catalog == nil || show(s, "board") != stock+"/0/0" {
				t.Errorf("%s: %s", what, show(s, "board"))
			}
			rand.New(rand.NewSource(seed)).Shuffle(len(lines), func(i, k int) { lines[i], lines[k] = lines[k], lines[i] })
		}
	}
	lost := func(n int64) event.Data { return &event.Damage{Item: "board", Qty: num.Whole(n), Reason: "damaged"} }
	add(desk.Next(desk.Device(nil, "desk")))
	add(desk.Next(&event.Item{Item: "board", Name: "Board", Type: "supply", Unit: "each"}))
	add(desk.Next(storetest.Count("board", 100)))
	deskLoss := add(desk.Next(lost(1)))
	add(phone.Next(phone.Device(desk, "phone")))
	add(phone.At(storetest.Start+20_000, lost(10)))
	want("at first", "89")
	add(phone.Next(&event.Revoke{Device: desk.Key.Device(), Last: 1, Hash: desk.Prev, Reason: "lost"}))
	want("a phone revokes nobody", "89")
	head := phone.Prev
	seq := phone.Seq
	add(phone.NextID(deskLoss.ID, lost(2)))
	want("the smallest source counts", "88")
	add(thief.Next(thief.Successor(phone, phone, "phone")))
	add(thief.At(storetest.Start+20_000, lost(30)))
	want("somebody has taken the phone's place", "58")
	add(desk.Next(&event.Revoke{Device: phone.Key.Device(), Last: seq, Hash: head, Reason: "lost"}))
	want("the phone is revoked, and whom it has endorsed", "89")
}
