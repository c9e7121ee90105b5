package replicate_test

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/simulate"
)

// shop is a desk, which is the keeper and runs the machine; an honest phone; and a member that means harm.
type shop struct {
	*rig
	id                 string
	desk, phone, enemy *storetest.Log
	deskLog, phoneLog  []*event.Event
	enemyLog           []*event.Event
}

func newShop(t *testing.T, change ...func(*replicate.Config)) *shop {
	t.Helper()
	s := &shop{desk: storetest.NewLog(1, "")}
	s.id = s.desk.Shop
	s.phone, s.enemy = storetest.NewLog(2, s.id), storetest.NewLog(3, s.id)
	s.deskLog = storetest.Some(s.desk, 4)
	s.phoneLog = []*event.Event{s.phone.Next(s.phone.Device(s.desk, "phone")), s.phone.Next(storetest.Order("W-1", 1)), s.phone.Next(storetest.Count("board", 5))}
	s.enemyLog = []*event.Event{s.enemy.Next(s.enemy.Device(s.desk, "phone")), s.enemy.Next(storetest.Order("W-7", 2))}
	s.rig = newRig(t, s.desk.Key, s.id, simulate.NewServer(1, 100), append([]func(*replicate.Config){desk}, change...)...)
	storetest.Put(t, s.st, s.deskLog...)
	s.step(replicate.Changed{})
	s.up()
	s.put("log", s.phone.Key.Device(), s.id, linesOf(s.phoneLog)...)
	s.put("log", s.enemy.Key.Device(), s.id, linesOf(s.enemyLog)...)
	s.wantLog(s.phone.Key.Device(), s.phoneLog...)
	s.wantLog(s.enemy.Key.Device(), s.enemyLog...)
	if len(s.reports) > 0 {
		t.Fatalf("before any harm: %v", s.reports)
	}
	return s
}

// unharmed checks that honest devices go on as if nothing had been.
func (s *shop) unharmed() {
	s.t.Helper()
	for range 3 {
		s.phoneLog = append(s.phoneLog, s.phone.Next(storetest.Order(fmt.Sprintf("W-2%d", len(s.phoneLog)), 1)))
		s.put("log", s.phone.Key.Device(), s.id, s.phoneLog[len(s.phoneLog)-1].Line)
	}
	s.wantLog(s.phone.Key.Device(), s.phoneLog...)
	s.wantLog(s.desk.Key.Device(), s.deskLog...)
}

// byEnemy sends lines on the enemy's own subject for events of others.
func (s *shop) byEnemy(lines ...[]byte) { s.put("carry", s.enemy.Key.Device(), s.id, lines...) }

// signedBy returns an event of a log's next place, signed with another key.
func signedBy(l *storetest.Log, k *key.Key, d event.Data) *event.Event {
	c := l.Copy()
	c.Key = l.Key
	u := event.Unsigned{
		ID: l.IDAt(200), Shop: l.Shop, Device: l.Key.Device(), Time: event.TimeOf(time.UnixMilli(storetest.Start)), Seq: l.Seq + 1, Prev: l.Prev, Data: d,
	}
	head, err := u.Head()
	if err != nil {
		panic(err)
	}
	c.Key = k
	return c.Seal(head)
}

func TestForgedSignature(t *testing.T) {
	s := newShop(t)
	forged := signedBy(s.phone, s.enemy.Key, storetest.Order("W-666", 9))
	s.byEnemy(forged.Line)
	s.wantSaid(replicate.Forged)
	s.wantLog(s.phone.Key.Device(), s.phoneLog...)
	s.unharmed() // the true event takes the place
	list, err := replicate.Refused(ctx, s.st)
	count(t, list, err, 1, "refused")
	if len(list) == 1 && (!bytes.Equal(list[0].Line, forged.Line) || list[0].From != s.enemy.Key.Device() || list[0].Reason == "") {
		t.Errorf("kept as %+v", list[0])
	}
	if err := replicate.EmptyRefused(ctx, s.st); err != nil {
		t.Fatal(err)
	}
	s.step(replicate.Changed{})
	list, err = replicate.Refused(ctx, s.st)
	count(t, list, err, 0, "refused after emptying")
}

func TestOtherBytesUnderAKnownSequence(t *testing.T) {
	s := newShop(t)
	other := storetest.NewLog(2, s.id)
	other.Seq, other.Prev = s.phoneLog[0].Seq, s.phoneLog[0].Hash
	changed := bytes.Replace(s.phoneLog[1].Line, []byte("W-1"), []byte("W-9"), 1)
	s.byEnemy(signedBy(other, s.enemy.Key, storetest.Order("W-666", 9)).Line, changed)
	s.wantSaid(replicate.Forged)
	s.unharmed()
	list, err := replicate.Refused(ctx, s.st)
	count(t, list, err, 2, "refused")
	list, err = replicate.Aside(ctx, s.st)
	count(t, list, err, 0, "aside")
}

// An event of another branch isn't passed over for standing among others that are known.
func TestOtherBytesAmongKnownOnes(t *testing.T) {
	s := newShop(t)
	twin := s.phone.Copy()
	twin.Seq, twin.Prev = s.phoneLog[1].Seq, s.phoneLog[1].Hash
	other := twin.NextID(s.phone.IDAt(100), storetest.Order("W-5", 1))
	s.phoneLog = append(s.phoneLog, s.phone.Next(storetest.Order("W-6", 1)))
	s.put("log", s.phone.Key.Device(), s.id, s.phoneLog[3].Line)
	s.byEnemy(s.phoneLog[0].Line, s.phoneLog[1].Line, other.Line, s.phoneLog[3].Line)
	s.wantSaid(replicate.Forked)
	for _, e := range append(s.phoneLog[1:], other) { // whichever branch is the log, the keeper has recorded the other one's facts anew
		if rows, err := s.st.ByID(ctx, e.ID); err != nil || len(rows) == 0 {
			t.Errorf("fact %s stands in no log, %v", e.ID, err)
		}
	}
}

// The keeper records facts of a branch aside anew, and none by which a device would get the keeper's word for what isn't in its power.
func TestWhatTheKeeperDoesntAdopt(t *testing.T) {
	s := newShop(t)
	low, high := fork(s.enemy)
	branch := s.enemy.Copy()
	branch.Seq, branch.Prev = high[len(high)-1].Seq, high[len(high)-1].Hash
	next := func(n int64, d event.Data) *event.Event { return branch.NextID(s.enemy.IDAt(n), d) }
	harm := []*event.Event{
		next(150, &event.Revoke{Device: s.phone.Key.Device(), Last: 1, Hash: s.phoneLog[0].Hash, Reason: "lost"}),
		next(151, &event.Shop{Keeper: s.enemy.Key.Device()}),
	}
	fact := next(152, storetest.Order("W-88", 1))
	s.put("log", s.enemy.Key.Device(), s.id, linesOf(low)...)
	s.put("carry", s.enemy.Key.Device(), s.id, linesOf(slices.Concat(high, harm, []*event.Event{fact}))...)
	s.wantSaid(replicate.Forked, replicate.Adopted, replicate.NotAdopted)
	s.pass(2 * time.Hour)
	for _, e := range harm {
		if rows, err := s.st.ByID(ctx, e.ID); err != nil || len(rows) != 0 {
			t.Errorf("the keeper has recorded a %s of the enemy's, %v", e.Kind, err)
		}
	}
	if rows, err := s.st.ByID(ctx, fact.ID); err != nil || len(rows) != 1 {
		t.Errorf("a fact of the branch stands in %d logs, %v", len(rows), err)
	}
	if b, _ := s.m.Members().Get(s.phone.Key.Device()); b.Revoked {
		t.Error("the phone was revoked")
	}
}

// A desk that was admitted begins its log a second time, there as the successor of the keeper, and with the lower hash.
func TestAnAdmittedDeskClaimsTheOffice(t *testing.T) {
	s := newShop(t)
	second := storetest.NewLog(4, s.id)
	admission := second.Device(s.desk, "desk")
	first := second.Next(admission)
	s.put("log", second.Key.Device(), s.id, first.Line)
	s.wantLog(second.Key.Device(), first)
	claim := *admission
	claim.Succeeds = s.id
	for n := 0; ; n++ {
		forked := storetest.NewLog(4, s.id)
		claim.Name = fmt.Sprintf("second %d", n)
		if e := forked.Next(&claim); e.Hash < first.Hash {
			s.put("log", second.Key.Device(), s.id, e.Line, forked.Next(&event.Revoke{Device: s.id, Last: 1, Hash: s.deskLog[0].Hash, Reason: "stolen"}).Line)
			break
		}
	}
	s.wantLog(second.Key.Device(), first)
	if k := s.m.Members().Keeper(); k != s.id {
		t.Errorf("the keeper is %s", k)
	}
	s.unharmed()
}

// The key of a revoked device endorses another one. Its log is held and passed on, as every log is, and nothing in it counts, whatever has come first.
func TestSuccessorOfARevokedDevice(t *testing.T) {
	var ends []string
	for _, late := range []bool{false, true} {
		s := newShop(t)
		thief := storetest.NewLog(9, s.id)
		claims := [][]byte{thief.Next(thief.Successor(s.enemy, s.enemy, "phone")).Line, thief.Next(storetest.Order("W-666", 9)).Line}
		desk := storetest.NewLog(10, s.id)
		claims = append(claims, desk.Next(desk.Successor(s.desk, s.enemy, "desk")).Line, desk.Next(&event.Revoke{Device: s.id, Last: 4, Hash: s.deskLog[3].Hash, Reason: "stolen"}).Line)
		revoke := func() {
			e := s.desk.Next(&event.Revoke{Device: s.enemy.Key.Device(), Last: 2, Hash: s.enemy.Prev, Reason: "lost"})
			s.deskLog = append(s.deskLog, e)
			storetest.Put(t, s.st, e)
			s.step(replicate.Changed{})
		}
		if !late {
			revoke()
		}
		s.byEnemy(claims...)
		if late {
			revoke()
		}
		m := s.m.Members()
		for _, l := range []*storetest.Log{thief, desk} {
			if !m.Void(l.Key.Device(), 1) {
				t.Errorf("late %v: a device of the revoked one's counts", late)
			}
		}
		if m.Keeper() != s.id || m.Void(s.id, s.desk.Seq) {
			t.Errorf("late %v: the keeper is %s", late, m.Keeper())
		}
		s.unharmed()
		heads, err := s.st.Heads(ctx)
		if err != nil {
			t.Fatal(err)
		}
		ends = append(ends, fmt.Sprint(heads, m.All(), m.Keeper()))
	}
	if ends[0] != ends[1] {
		t.Errorf("it hangs on the order:\n%s\n%s", ends[0], ends[1])
	}
}

func TestForgedAdmission(t *testing.T) {
	s := newShop(t)
	friend := storetest.NewLog(9, s.id)
	first := friend.Next(friend.Device(s.enemy, "desk"))
	s.byEnemy(first.Line, friend.Next(storetest.Order("W-666", 9)).Line)
	s.wantSaid(replicate.NotMember)
	s.wantLog(friend.Key.Device())
	s.unharmed()
	list, err := replicate.Waiting(ctx, s.st)
	count(t, list, err, 2, "waiting")
}

// A device admitted later finds its events waiting.
func TestAdmissionComesLate(t *testing.T) {
	s := newShop(t)
	second := storetest.NewLog(4, s.id) // a desk that is to be the keeper
	third := storetest.NewLog(5, s.id)  // whom it admits
	thirdLog := []*event.Event{third.Next(third.Device(second, "phone")), third.Next(storetest.Order("W-3", 1))}
	s.put("log", third.Key.Device(), s.id, linesOf(thirdLog)...)
	s.wantLog(third.Key.Device())
	secondFirst := second.Next(second.Device(s.desk, "desk"))
	s.put("log", second.Key.Device(), s.id, secondFirst.Line)
	s.wantLog(third.Key.Device())
	pass := s.desk.Next(&event.Shop{Keeper: second.Key.Device()})
	storetest.Put(t, s.st, pass) // the command line records beside the machine
	s.step(replicate.Changed{})
	s.wantLog(third.Key.Device(), thirdLog...)
	list, err := replicate.Waiting(ctx, s.st)
	count(t, list, err, 0, "waiting")
}

// fork returns two endings of a device's log, both signed by it, the one with the lower hash first.
func fork(l *storetest.Log) (low, high []*event.Event) {
	a, b := l.Copy(), l.Copy()
	low = []*event.Event{a.NextID(l.IDAt(101), storetest.Order("W-51", 1)), a.NextID(l.IDAt(102), storetest.Order("W-52", 1))}
	high = []*event.Event{b.NextID(l.IDAt(103), storetest.Order("W-53", 1)), b.NextID(l.IDAt(104), storetest.Order("W-54", 1))}
	if low[0].Hash > high[0].Hash {
		low, high = high, low
	}
	return low, high
}

func TestForkedChain(t *testing.T) {
	for _, lowFirst := range []bool{true, false} {
		t.Run(fmt.Sprint(lowFirst), func(t *testing.T) {
			s := newShop(t)
			low, high := fork(s.enemy)
			first, second := low, high
			if !lowFirst {
				first, second = high, low
			}
			s.put("log", s.enemy.Key.Device(), s.id, linesOf(first)...)
			s.wantLog(s.enemy.Key.Device(), append(s.enemyLog, first...)...)
			s.put("log", s.enemy.Key.Device(), s.id, linesOf(second)...)
			s.wantSaid(replicate.Forked, replicate.Adopted)
			s.wantLog(s.enemy.Key.Device(), append(s.enemyLog, low...)...)
			list, err := replicate.Aside(ctx, s.st)
			count(t, list, err, 2, "aside")
			for _, e := range high {
				rows, err := s.st.ByID(ctx, e.ID)
				if err != nil || len(rows) != 1 {
					t.Fatalf("%d events with the id of a fact aside, %v", len(rows), err)
				}
				got, err := event.ParseLine(rows[0].Line)
				if err != nil || got.Device != s.desk.Key.Device() || !bytes.Equal(got.Raw, e.Raw) || got.Time.String() != e.Time.String() {
					t.Errorf("adopted as %s, %v", rows[0].Line, err)
				}
				s.deskLog = append(s.deskLog, got)
			}
			s.unharmed()
		})
	}
}

// A revoked device's events behind the last that counts are held, and void; a fork before it can't push what counts aside, however low its hash.
func TestRevokedDeviceGoesOn(t *testing.T) {
	s := newShop(t)
	r := &event.Revoke{Device: s.enemy.Key.Device(), Last: s.enemy.Seq, Hash: s.enemy.Prev, Reason: "lost"}
	e := s.desk.Next(r)
	s.deskLog = append(s.deskLog, e)
	storetest.Put(t, s.st, e)
	s.step(replicate.Changed{})
	on := s.enemy.Copy().Next(storetest.Order("W-66", 6))
	s.put("log", s.enemy.Key.Device(), s.id, on.Line)
	s.wantLog(s.enemy.Key.Device(), append(s.enemyLog, on)...)
	if !s.m.Members().Void(on.Device, on.Seq) || s.m.Members().Void(on.Device, on.Seq-1) {
		t.Error("what a revoked device records isn't void, or too much is")
	}
	back := storetest.NewLog(3, s.id)
	back.Seq, back.Prev = 1, s.enemyLog[0].Hash
	var lower *event.Event
	for i := int64(1); lower == nil || lower.Hash > s.enemyLog[1].Hash; i++ {
		lower = back.Copy().NextID(back.IDAt(1000+i), storetest.Order("W-66", i))
	}
	s.put("log", s.enemy.Key.Device(), s.id, lower.Line)
	s.wantSaid(replicate.Forked)
	s.wantLog(s.enemy.Key.Device(), append(s.enemyLog, on)...)
	if rows, err := s.st.ByID(ctx, lower.ID); err != nil || len(rows) > 0 {
		t.Errorf("a fact of a revoked device's branch was adopted: %d %v", len(rows), err)
	}
	s.unharmed()
}

// The same where the branch comes before the revocation, and has already taken the place.
func TestRevocationBringsABranchBack(t *testing.T) {
	s := newShop(t)
	low, high := fork(s.enemy)
	s.put("log", s.enemy.Key.Device(), s.id, linesOf(high)...)
	s.put("log", s.enemy.Key.Device(), s.id, linesOf(low)...)
	s.wantLog(s.enemy.Key.Device(), append(s.enemyLog, low...)...)
	var adopted int64
	if h, err := s.st.Heads(ctx); err == nil {
		adopted = h[s.desk.Key.Device()].Seq - s.desk.Seq
	}
	if adopted != 2 {
		t.Errorf("%d facts adopted", adopted)
	}
	h, _ := s.st.Heads(ctx)
	s.desk.Seq, s.desk.Prev = h[s.desk.Key.Device()].Seq, h[s.desk.Key.Device()].Hash
	e := s.desk.NextID(s.desk.IDAt(250), &event.Revoke{Device: s.enemy.Key.Device(), Last: high[0].Seq, Hash: high[0].Hash, Reason: "lost"})
	storetest.Put(t, s.st, e)
	s.step(replicate.Changed{})
	s.wantLog(s.enemy.Key.Device(), append(s.enemyLog, high...)...)
}

func TestSigningInputAsNonce(t *testing.T) {
	l := storetest.NewLog(1, "")
	head, _, err := event.Signed(l.Next(l.Device(nil, "desk")).Line)
	if err != nil {
		t.Fatal(err)
	}
	r, err := replicate.SignReceipt(l.Key, 1, []replicate.Head{{Device: l.Key.Device(), Seq: 1, Hash: l.Prev}})
	if err != nil {
		t.Fatal(err)
	}
	for _, planted := range [][]byte{head, event.SigningInput(head), key.AdmitPayload(l.Shop, l.Key.Public(), "desk"), r.Body()} {
		if _, err := l.Key.Sign(key.Nonce, planted); !errors.Is(err, key.ErrPurpose) {
			t.Errorf("%.30q was signed as a nonce: %v", planted, err)
		}
	}
}

func TestOversizeAndUnreadable(t *testing.T) {
	s := newShop(t)
	shop := storetest.NewLog(20, "")
	foreign := shop.Next(shop.Device(nil, "desk"))
	s.byEnemy(bytes.Repeat([]byte("x"), event.MaxLine+1), bytes.Repeat([]byte("y"), 100<<20), []byte("{}"), nil, foreign.Line)
	s.put("other", s.enemy.Key.Device(), s.id, []byte("z"))
	s.put("carry", s.enemy.Key.Device(), shop.Shop, foreign.Line)
	s.wantSaid(replicate.TooLarge, replicate.Unreadable, replicate.Foreign)
	s.wantLog(foreign.Device)
	list, err := replicate.Refused(ctx, s.st)
	count(t, list, err, 3, "refused") // never what is too long for an event
	s.unharmed()
}

func TestFloodOfJunk(t *testing.T) {
	s := newShop(t, func(c *replicate.Config) { c.Refused = 100 })
	for i := range 500 {
		s.byEnemy(fmt.Appendf(nil, "junk %d", i))
	}
	s.wantSaid(replicate.Flooded)
	list, err := replicate.Refused(ctx, s.st)
	count(t, list, err, 25, "refused of one sender")
	if len(s.reports) > 4 {
		t.Errorf("%d reports for one flood", len(s.reports))
	}
	s.put("carry", s.phone.Key.Device(), s.id, []byte("of another sender"))
	list, err = replicate.Refused(ctx, s.st)
	count(t, list, err, 26, "refused of two senders")
	s.unharmed()
	// A later build may read what was left on the bus; here it can't.
	s.restart(s.desk.Key, s.id, desk, func(c *replicate.Config) { c.Refused, c.Build = 1000, "2" })
	s.up()
	list, err = replicate.Refused(ctx, s.st)
	count(t, list, err, 251, "refused by a later build with more room")
}

// What waits is bounded for each sender; what is more is read again once there is a place for it.
func TestFloodOfEventsAhead(t *testing.T) {
	s := newShop(t, func(c *replicate.Config) { c.Waiting = 20 })
	var ahead []*event.Event
	first := s.enemy.Next(storetest.Order("W-60", 1))
	for i := range 60 {
		ahead = append(ahead, s.enemy.Next(storetest.Order(fmt.Sprintf("W-%d", 61+i), 1)))
	}
	s.put("log", s.enemy.Key.Device(), s.id, linesOf(ahead)...)
	s.wantSaid(replicate.Flooded)
	list, err := replicate.Waiting(ctx, s.st)
	count(t, list, err, 20, "waiting")
	s.unharmed()
	left, err := replicate.ReadPlace(ctx, s.st, "desk")
	if err != nil || left.Left == 0 || s.keep >= left.Left || left.Seq != s.bus.Last() {
		t.Errorf("of %d messages up to %d need not come again; the cursor is %+v, %v", s.bus.Last(), s.keep, left, err)
	}
	// Its room is full, and yet what continues a log needs none.
	s.put("carry", s.enemy.Key.Device(), s.id, first.Line)
	s.pass(5 * time.Second)
	s.wantLog(s.enemy.Key.Device(), append(append(s.enemyLog, first), ahead...)...)
	list, err = replicate.Waiting(ctx, s.st)
	count(t, list, err, 0, "waiting")
	if c, err := replicate.ReadPlace(ctx, s.st, "desk"); err != nil || c.Left != 0 || c.Seq != s.bus.Last() || s.keep != c.Seq-1 {
		t.Errorf("the cursor stands at %+v of %d, %v", c, s.bus.Last(), err)
	}
}

func TestFloodOfStrangers(t *testing.T) {
	s := newShop(t, func(c *replicate.Config) { c.Strangers = 5 })
	for n := range byte(20) {
		l := storetest.NewLog(100+n, s.id)
		s.byEnemy(l.Next(l.Device(s.enemy, "desk")).Line)
	}
	s.wantSaid(replicate.NotMember, replicate.Flooded)
	list, err := replicate.Waiting(ctx, s.st)
	count(t, list, err, 5, "waiting")
	late := storetest.NewLog(30, s.id)
	first := late.Next(late.Device(s.desk, "phone"))
	s.put("log", late.Key.Device(), s.id, first.Line)
	s.wantLog(late.Key.Device(), first)
	s.unharmed()
}

// A run is taken in up to its last valid signature.
func TestRunUpToLastSignature(t *testing.T) {
	for name, change := range map[string][]func(*replicate.Config){"desk": nil, "phone": {func(c *replicate.Config) { c.Desk = false }}} {
		t.Run(name, func(t *testing.T) {
			s := newShop(t, change...)
			l := s.phone
			broken := func(n int64) *event.Event { // it names the log's end, and is signed by nobody; what follows is built upon it
				e := signedBy(l, s.enemy.Key, storetest.Order(fmt.Sprintf("W-%d", n), 1))
				l.Seq, l.Prev = e.Seq, e.Hash
				return e
			}
			run := []*event.Event{l.Next(storetest.Order("W-31", 1)), broken(32), l.NextID(l.IDAt(133), storetest.Order("W-33", 1)), broken(34), broken(35)}
			s.put("log", l.Key.Device(), s.id, linesOf(run)...)
			s.wantLog(l.Key.Device(), append(s.phoneLog, run[:3]...)...)
			s.wantSaid(replicate.Forged)
			if s.said(replicate.Unsigned) != (name == "desk") {
				t.Errorf("the wrong signature in the middle: %v", s.reports)
			}
			list, err := replicate.Waiting(ctx, s.st)
			count(t, list, err, 2, "waiting")
			e := l.NextID(l.IDAt(136), storetest.Order("W-36", 1))
			s.put("log", l.Key.Device(), s.id, e.Line)
			s.wantLog(l.Key.Device(), append(append(s.phoneLog, run...), e)...)
		})
	}
}

func TestForgedReceipts(t *testing.T) {
	s := newShop(t)
	held := func(from string, body []byte) {
		s.step(replicate.Held{Bus: "desk", Device: from, Body: body})
	}
	safe := func() int64 {
		list, err := s.m.Standings()
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			if x.Device == s.desk.Key.Device() {
				return x.Safe
			}
		}
		return -1
	}
	sign := func(k *key.Key, n, seq int64, hash string) *replicate.Receipt {
		r, err := replicate.SignReceipt(k, n, []replicate.Head{{Device: s.desk.Key.Device(), Seq: seq, Hash: hash}})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	phone, enemy := s.phone.Key.Device(), s.enemy.Key.Device()
	last := s.deskLog[3].Hash
	good := sign(s.phone.Key, 5, 3, s.deskLog[2].Hash)
	stranger := storetest.NewLog(40, s.id)
	for _, c := range []struct {
		name, from string
		body       []byte
	}{
		{"another's", enemy, good.Body()},
		{"signed by another", phone, bytes.Replace(sign(s.enemy.Key, 1, 4, last).Body(), []byte(enemy), []byte(phone), 1)},
		{"a changed count", phone, bytes.Replace(good.Body(), []byte("\n5\n"), []byte("\n6\n"), 1)},
		{"a changed list", phone, bytes.Replace(good.Body(), []byte(`"seq":3`), []byte(`"seq":4`), 1)},
		{"a count with a nought", phone, bytes.Replace(good.Body(), []byte("\n5\n"), []byte("\n05\n"), 1)},
		{"a line more", phone, append(bytes.Clone(good.Body()), '\n')},
		{"nothing", phone, nil},
		{"100 MB", phone, bytes.Repeat([]byte("x"), 100<<20)},
		{"of nobody who belongs to us", stranger.Key.Device(), sign(stranger.Key, 1, 4, last).Body()},
		{"of another branch", enemy, sign(s.enemy.Key, 1, 4, s.phoneLog[0].Hash).Body()},
		{"ahead of what there is", enemy, sign(s.enemy.Key, 2, 9, last).Body()},
		{"the desk's own", s.desk.Key.Device(), sign(s.desk.Key, 900, 4, last).Body()},
	} {
		held(c.from, c.body)
		if got := safe(); got != 0 {
			t.Fatalf("%s: %d events are called safe", c.name, got)
		}
	}
	s.wantSaid(replicate.BadReceipt, replicate.Copied)
	held(phone, good.Body())
	if safe() != 3 {
		t.Errorf("safe are %d", safe())
	}
	held(phone, sign(s.phone.Key, 4, 4, last).Body()) // an older one changes nothing
	if safe() != 3 {
		t.Errorf("after an older receipt safe are %d", safe())
	}
	held(phone, sign(s.phone.Key, 6, 4, last).Body())
	if safe() != 4 {
		t.Errorf("after a newer receipt safe are %d", safe())
	}
	r, err := replicate.ParseReceipt(good.Body())
	if err != nil || r.Count != 5 || r.Verify(s.phone.Key.Public()) != nil || r.Verify(s.enemy.Key.Public()) == nil {
		t.Errorf("a good receipt reads as %+v, %v", r, err)
	}
	// Once the phone is revoked, or replaced, its receipts count for nothing.
	e := s.desk.NextID(s.desk.IDAt(77), &event.Revoke{Device: phone, Last: 1, Hash: s.phoneLog[0].Hash, Reason: "lost"})
	storetest.Put(t, s.st, e)
	s.step(replicate.Changed{})
	if safe() != 0 {
		t.Errorf("with a revoked device's receipt %d are called safe", safe())
	}
}

// What a branch that isn't the log says of membership counts no more, and again once the keeper has recorded it anew.
func TestMembershipOfABranchAside(t *testing.T) {
	d := storetest.NewLog(1, "")
	deskLog := storetest.Some(d, 3)
	second := storetest.NewLog(4, d.Shop)
	secondFirst := second.Next(second.Device(d, "desk"))
	third := storetest.NewLog(5, d.Shop)
	thirdLog := []*event.Event{third.Next(third.Device(second, "phone")), third.Next(storetest.Order("W-3", 1))}
	b := d.Copy()
	other := b.NextID(d.IDAt(70), storetest.Order("W-9", 1))
	var pass *event.Event
	for i := int64(1); pass == nil || pass.Hash < other.Hash; i++ {
		pass = d.Copy().NextID(d.IDAt(100+i), &event.Shop{Keeper: second.Key.Device()})
	}
	r := newRig(t, storetest.NewLog(8, d.Shop).Key, d.Shop, simulate.NewServer(1, 10))
	r.step(replicate.File{Lines: linesOf(append(deskLog, pass, secondFirst))})
	if k := r.m.Members().Keeper(); k != second.Key.Device() {
		t.Fatalf("the keeper is %s", k)
	}
	r.step(replicate.File{Lines: [][]byte{other.Line}})
	if k := r.m.Members().Keeper(); k != d.Key.Device() {
		t.Errorf("by a branch that stands aside the keeper is %s", k)
	}
	r.step(replicate.File{Lines: linesOf(thirdLog)})
	r.wantLog(third.Key.Device())
	r.step(replicate.File{Lines: [][]byte{b.NextID(pass.ID, &event.Shop{Keeper: second.Key.Device()}).Line}})
	r.wantLog(third.Key.Device(), thirdLog...)
}

// A device that was replaced has lost its disk: what its receipts say counts no more.
func TestReceiptsOfAReplacedDevice(t *testing.T) {
	s := newShop(t)
	safe := func() (n int64) {
		list, err := s.m.Standings()
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			if x.Device == s.desk.Key.Device() {
				n = x.Safe
			}
		}
		return n
	}
	held := func(l *storetest.Log, seq int64, hash string) {
		r, err := replicate.SignReceipt(l.Key, 1, []replicate.Head{{Device: s.desk.Key.Device(), Seq: seq, Hash: hash}})
		if err != nil {
			t.Fatal(err)
		}
		s.step(replicate.Held{Bus: "desk", Device: l.Key.Device(), Body: r.Body()})
	}
	held(s.phone, 4, s.deskLog[3].Hash)
	if safe() != 4 {
		t.Errorf("safe are %d", safe())
	}
	next := storetest.NewLog(12, s.id)
	s.put("log", next.Key.Device(), s.id, next.Next(next.Successor(s.phone, s.phone, "phone")).Line)
	if _, ok := s.m.Members().Get(next.Key.Device()); !ok || safe() != 0 {
		t.Errorf("by a replaced device's receipt %d are safe (member: %v)", safe(), ok)
	}
	held(next, 2, s.deskLog[1].Hash)
	if safe() != 2 {
		t.Errorf("safe are %d", safe())
	}
}

// The same for a branch aside: what was left of it on the bus is read again once it has gone on, so that none of its facts is lost.
func TestBranchAsideAheadOfItsChain(t *testing.T) {
	s := newShop(t, func(c *replicate.Config) { c.Waiting = 4 })
	low, high := fork(s.enemy)
	s.put("log", s.enemy.Key.Device(), s.id, linesOf(low)...)
	branch := s.enemy.Copy()
	branch.Seq, branch.Prev = high[1].Seq, high[1].Hash
	for i := range 20 {
		high = append(high, branch.NextID(s.enemy.IDAt(int64(150+i)), storetest.Order(fmt.Sprintf("W-7%d", i), 1)))
	}
	s.put("carry", s.enemy.Key.Device(), s.id, linesOf(high[1:])...)
	s.wantSaid(replicate.Flooded)
	s.put("carry", s.enemy.Key.Device(), s.id, high[0].Line)
	s.pass(5 * time.Second)
	for _, e := range high {
		if rows, err := s.st.ByID(ctx, e.ID); err != nil || len(rows) != 1 {
			t.Errorf("fact %s of the branch aside stands in %d logs, %v", e.ID, len(rows), err)
		}
	}
}
