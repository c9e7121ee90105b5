package replicate_test

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/simulate"
)

// own is a desk with a log, and nothing on the bus yet.
func own(t *testing.T, events, batch int, change ...func(*replicate.Config)) (*rig, *storetest.Log, []*event.Event) {
	t.Helper()
	l := storetest.NewLog(1, "")
	es := storetest.Some(l, events)
	r := newRig(t, l.Key, l.Shop, simulate.NewServer(1, batch), append([]func(*replicate.Config){desk}, change...)...)
	storetest.Put(t, r.st, es...)
	r.step(replicate.Changed{})
	return r, l, es
}

// onBus returns the lines of the log stream.
func (r *rig) onBus() (out []string) {
	for _, msg := range r.bus.Log() {
		out = append(out, string(msg.Body))
	}
	return out
}

func (r *rig) wantOnBus(events ...*event.Event) {
	r.t.Helper()
	var want []string
	for _, e := range events {
		want = append(want, string(e.Line))
	}
	if got := r.onBus(); !slices.Equal(got, want) {
		r.t.Errorf("%d messages on the bus, want %d, or they differ", len(got), len(want))
	}
}

func TestOwnLogIsPublishedInBatches(t *testing.T) {
	for _, batch := range []int{0, 3, 1000} {
		r, l, es := own(t, 10, batch)
		r.up()
		r.wantOnBus(es...)
		logs := 0
		for _, p := range r.sent {
			if p.Subject == replicate.Subject(l.Shop, "log", l.Key.Device()) {
				if logs++; !p.Expected || len(p.Bodies) > max(batch, 1) {
					t.Errorf("batches of %d: %d messages, expected %v", batch, len(p.Bodies), p.Expected)
				}
			}
		}
		if want := (len(es) + max(batch, 1) - 1) / max(batch, 1); logs != want {
			t.Errorf("batches of %d: %d publishes, want %d", batch, logs, want)
		}
		e := l.Next(storetest.Order("W-2", 1))
		storetest.Put(t, r.st, e)
		r.step(replicate.Changed{})
		r.wantOnBus(append(es, e)...)
		r.up() // after a reconnect nothing comes twice
		r.pass(time.Hour)
		r.wantOnBus(append(es, e)...)
	}
}

// Where an answer is lost, the subject's end tells what has happened.
func TestLostAnswer(t *testing.T) {
	for _, silent := range []bool{true, false} {
		r, _, es := own(t, 5, 3)
		r.silent, r.unsure = silent, !silent // the driver says nothing, or that it can't tell
		r.up()
		r.silent, r.unsure = false, false
		r.pass(40 * time.Second)
		r.wantOnBus(es...)
		// And where nothing has happened.
		r, _, es = own(t, 5, 3)
		r.silent, r.unsure, r.deaf = silent, !silent, true
		r.up()
		r.silent, r.unsure, r.deaf = false, false, false
		r.pass(40 * time.Second)
		r.wantOnBus(es...)
	}
	r, l, es := own(t, 5, 3)
	r.up()
	// An answer that comes late, of a session that is over, changes nothing.
	e := l.Next(storetest.Order("W-2", 1))
	storetest.Put(t, r.st, e)
	r.silent = true
	r.step(replicate.Changed{})
	late := replicate.Published{Bus: "desk", Op: 1 << 40, Seq: 99, Err: replicate.ErrFull}
	for _, p := range r.sent {
		late.Op = p.Op
		r.step(late)
	}
	r.silent = false
	r.step(replicate.Down{Bus: "desk", Err: errors.New("unplugged")})
	r.step(late)
	r.up()
	r.pass(time.Minute)
	r.wantOnBus(append(es, e)...)
	r.wantSaid(replicate.BusDown)
}

func TestBusMadeAnewIsFilledAgain(t *testing.T) {
	s := newShop(t)
	s.pass(time.Minute)
	before := s.onBus()
	s.bus.Wipe(2)
	s.up()
	s.pass(time.Minute)
	s.wantSaid(replicate.NewStream)
	after := s.onBus()
	slices.Sort(before)
	slices.Sort(after)
	if !slices.Equal(before, after) {
		t.Errorf("%d messages stood there, %d stand there now, or they differ", len(before), len(after))
	}
	s.unharmed()
}

// The tail is lost, and the sequences are given again before this device comes back.
func TestLostTail(t *testing.T) {
	for _, again := range []int{0, 1, 3, 6} {
		s := newShop(t)
		s.pass(time.Minute)
		want := len(s.onBus())
		s.bus.DropTail(3)
		s.step(replicate.Down{Bus: "desk"})
		var more, lost []*event.Event
		if again > 0 { // the phone goes on behind what is left of its log there
			lost = s.phoneLog[2:]
		}
		for i := range again {
			more = append(more, s.phone.Next(storetest.Order(fmt.Sprintf("W-4%d", i), 1)))
		}
		s.away = true
		s.put("log", s.phone.Key.Device(), s.id, linesOf(slices.Concat(lost, more))...)
		s.away = false
		s.phoneLog = append(s.phoneLog, more...)
		s.up()
		s.pass(time.Minute)
		s.wantSaid(replicate.LostTail)
		s.wantLog(s.phone.Key.Device(), s.phoneLog...)
		got := map[string]bool{}
		for _, line := range s.onBus() {
			got[line] = true
		}
		if len(got) != want+again {
			t.Errorf("%d more: %d different messages on the bus, want %d", again, len(got), want+again)
		}
	}
}

// What somebody else's receipt doesn't cover is carried at once; the rest only once the ones that are nearer have had their time.
func TestCarry(t *testing.T) {
	d, a, b := storetest.NewLog(1, ""), storetest.NewLog(2, ""), storetest.NewLog(3, "")
	a.Shop, b.Shop = d.Shop, d.Shop
	deskLog := storetest.Some(d, 3)
	aLog := []*event.Event{a.Next(a.Device(d, "phone")), a.Next(storetest.Order("W-1", 1))}
	bLog := []*event.Event{b.Next(b.Device(d, "phone"))}
	r := newRig(t, b.Key, d.Shop, simulate.NewServer(1, 100))
	storetest.Put(t, r.st, slices.Concat(deskLog, aLog, bLog)...)
	r.step(replicate.Changed{})
	covers, err := replicate.SignReceipt(d.Key, 1, []replicate.Head{{Device: d.Key.Device(), Seq: 3, Hash: d.Prev}})
	if err != nil {
		t.Fatal(err)
	}
	r.step(replicate.Held{Bus: "desk", Device: d.Key.Device(), Body: covers.Body()})
	r.up()
	carried := func() (n [3]int) {
		for _, msg := range r.bus.Log() {
			e, err := event.ParseLine(msg.Body)
			if err != nil {
				t.Fatal(err)
			}
			_, sort, device, _ := replicate.ParseSubject(msg.Subject)
			if device != b.Key.Device() || (sort == replicate.SubjectLog) != (e.Device == device) {
				t.Errorf("a phone published %s of %s on %s", e.ID, e.Device, msg.Subject)
			}
			n[slices.Index([]string{d.Key.Device(), a.Key.Device(), b.Key.Device()}, e.Device)]++
		}
		return n
	}
	if got := carried(); got != [3]int{0, 2, 1} {
		t.Errorf("at once were sent %v", got)
	}
	r.pass(2 * time.Minute)
	if got := carried(); got != [3]int{3, 2, 1} {
		t.Errorf("after a while were sent %v", got)
	}
}

// A receipt that was given up and arrives late takes the place of a newer one on the bus. The newer one is sent again.
func TestLateReceipt(t *testing.T) {
	d := storetest.NewLog(1, "")
	r := newRig(t, d.Key, d.Shop, simulate.NewServer(1, 100), desk)
	storetest.Put(t, r.st, storetest.Some(d, 2)...)
	r.step(replicate.Changed{})
	r.up()
	newest := func() (body []byte) {
		r.bus.Receipts(func(_ string, b []byte) { body = b })
		return body
	}
	old := newest()
	storetest.Put(t, r.st, d.Next(storetest.Count("board", 7)))
	r.step(replicate.Changed{})
	r.pass(2 * time.Second)
	want := newest()
	if len(old) == 0 || bytes.Equal(old, want) {
		t.Fatal("no second receipt")
	}
	if _, err := r.bus.Publish(replicate.Publish{Subject: replicate.Subject(d.Shop, replicate.SubjectHeld, d.Key.Device()), Bodies: [][]byte{old}}, 1); err != nil {
		t.Fatal(err)
	}
	r.step(replicate.Held{Bus: "desk", Device: d.Key.Device(), Body: old})
	if !bytes.Equal(newest(), want) {
		t.Error("the bus is left with the older receipt")
	}
}

// Junk on the own subject stops nobody.
func TestJunkOnTheOwnSubject(t *testing.T) {
	r, l, es := own(t, 4, 100)
	r.put("log", l.Key.Device(), l.Shop, []byte("junk"))
	r.up()
	r.pass(time.Minute)
	if got := r.onBus(); len(got) != 5 || got[4] != string(es[3].Line) {
		t.Errorf("%d messages on the bus", len(got))
	}
	r.wantSaid(replicate.Unreadable)
}

// Another copy of this device has sent more than this folder holds: it is taken in, and said.
func TestOlderCopy(t *testing.T) {
	r, l, es := own(t, 4, 100)
	more := []*event.Event{l.Next(storetest.Order("W-2", 1)), l.Next(storetest.Order("W-3", 1))}
	r.put("log", l.Key.Device(), l.Shop, linesOf(append(es, more...))...)
	r.up()
	r.wantLog(l.Key.Device(), append(es, more...)...)
	r.wantSaid(replicate.Copied)
	r.wantOnBus(append(es, more...)...)
}

func TestBusFullAndDenied(t *testing.T) {
	r, l, es := own(t, 4, 100)
	r.bus.Limit = 1
	r.up()
	r.wantOnBus()
	r.wantSaid(replicate.BusFull)
	e := l.Next(storetest.Order("W-2", 1)) // recording goes on
	storetest.Put(t, r.st, e)
	r.step(replicate.Changed{})
	r.bus.Limit = 0
	r.pass(time.Minute)
	r.wantOnBus(append(es, e)...)
}

// More than so many events behind, the hand-over file is fetched, and the stream read behind it only.
func TestFirstFill(t *testing.T) {
	host := newShop(t)
	host.pass(time.Minute)
	var asked []uint64
	for _, c := range []string{"whole", "cut off", "without a place", "an event missing"} {
		place, err := host.m.Place("desk")
		if err != nil || place == nil {
			t.Fatalf("%q, %v", place, err)
		}
		late := storetest.NewLog(8, host.id)
		r := newRig(t, late.Key, host.id, host.bus, func(c *replicate.Config) { c.Far = 3 })
		r.files = func(o replicate.Download) []replicate.Downloaded {
			lines := storetest.Lines(t, host.st)
			out := []replicate.Downloaded{
				{Bus: o.Bus, Op: o.Op, Lines: lines[:4]},
				{Bus: o.Bus, Op: o.Op, Lines: lines[4:], Place: place, Done: true},
			}
			switch c {
			case "cut off":
				out[1] = replicate.Downloaded{Bus: o.Bus, Op: o.Op, Err: errors.New("cut off")}
			case "without a place":
				out[1].Place = nil
			case "an event missing":
				out[1].Lines = lines[4 : len(lines)-1]
			}
			return out
		}
		r.up()
		if got := r.fetch.After; got != host.bus.Last() {
			t.Errorf("%s: the stream is read behind %d of %d", c, got, host.bus.Last())
		}
		r.wantLog(host.phone.Key.Device(), host.phoneLog...)
		if (c == "cut off") != r.said(replicate.NoDownload) {
			t.Errorf("%s: %v", c, r.reports)
		}
		asked = append(asked, r.fetch.After)
		at, err := replicate.ReadPlace(ctx, r.st, "desk")
		if err != nil || at.Seq != host.bus.Last() {
			t.Errorf("%s: the cursor stands at %+v, %v", c, at, err)
		}
	}
	if len(asked) != 4 {
		t.Error(asked)
	}
	// Nothing is said of a place while something waits: whoever goes on from it would never see that.
	ahead := host.phone.Copy()
	ahead.Next(storetest.Order("W-80", 1))
	host.put("log", host.phone.Key.Device(), host.id, ahead.Next(storetest.Order("W-81", 1)).Line)
	if place, err := host.m.Place("desk"); place != nil || err != nil {
		t.Errorf("%s, %v", place, err)
	}
}

func TestStoreFails(t *testing.T) {
	l := storetest.NewLog(1, "")
	es := storetest.Some(l, 3)
	phone := storetest.NewLog(2, l.Shop)
	phoneLog := []*event.Event{phone.Next(phone.Device(l, "phone")), phone.Next(storetest.Order("W-1", 1))}
	r := newRig(t, l.Key, l.Shop, simulate.NewServer(1, 10), desk)
	storetest.Put(t, r.st, es...)
	disk := &simulate.Disk{Store: r.st}
	r.st = disk
	r.restart(l.Key, l.Shop, desk)
	r.up()
	disk.Full = 3
	r.put("log", phone.Key.Device(), l.Shop, linesOf(phoneLog)...)
	r.wantLog(phone.Key.Device())
	r.wantSaid(replicate.StoreFails)
	if list, err := r.m.Standings(); !errors.Is(err, replicate.ErrFailing) || list != nil {
		t.Errorf("while the store fails it is said that %v, %v", list, err)
	}
	if c, err := replicate.ReadPlace(ctx, r.st, "desk"); err != nil || c.Seq > 3 {
		t.Errorf("the cursor went on to %+v, %v", c, err)
	}
	r.pass(time.Minute)
	r.wantLog(phone.Key.Device(), phoneLog...)
	if list, err := r.m.Standings(); err != nil || len(list) != 2 {
		t.Errorf("when it works again it is said that %v, %v", list, err)
	}
}

func TestClocks(t *testing.T) {
	s := newShop(t)
	ahead := s.phone.NextID(s.phone.IDAt(7200), storetest.Order("W-1", 1)) // two hours
	s.put("log", s.phone.Key.Device(), s.id, ahead.Line)
	s.wantSaid(replicate.ClockAhead)
	if d := s.m.Ahead(s.phone.Key.Device()); d < 110*time.Minute || d > 2*time.Hour {
		t.Errorf("ahead by %s", d)
	}
	s.now = s.now.Add(-3 * time.Hour)
	s.step(replicate.Tick{})
	s.wantSaid(replicate.ClockBack)
	// What waits isn't stopped by it.
	e := s.desk.Next(storetest.Order("W-30", 1))
	storetest.Put(t, s.st, e)
	s.step(replicate.Changed{})
	if on := s.onBus(); on[len(on)-1] != string(e.Line) {
		t.Error("after the clock was set back nothing is sent")
	}
}

// A branch that came by file, or over another bus, and is the log, is put onto the bus that has the other one.
func TestBranchFromAFileIsPublished(t *testing.T) {
	s := newShop(t)
	low, high := fork(s.enemy)
	s.put("log", s.enemy.Key.Device(), s.id, linesOf(high)...)
	s.step(replicate.File{Lines: linesOf(low)})
	s.wantLog(s.enemy.Key.Device(), append(s.enemyLog, low...)...)
	s.pass(time.Minute)
	on := s.onBus()
	for _, e := range low {
		if !slices.Contains(on, string(e.Line)) {
			t.Errorf("event %d of the branch that is the log isn't on the bus", e.Seq)
		}
	}
	// And the other way round: facts of a branch that isn't the log, which no bus has, are sent as long as they stand nowhere else.
	r := newRig(t, s.phone.Key, s.id, simulate.NewServer(1, 10))
	storetest.Put(t, r.st, slices.Concat(s.deskLog, s.phoneLog, s.enemyLog, low)...)
	r.step(replicate.Changed{})
	r.step(replicate.File{Lines: linesOf(high)})
	r.up()
	r.pass(10 * time.Minute)
	on = r.onBus()
	for _, e := range high {
		if !slices.Contains(on, string(e.Line)) {
			t.Errorf("event %d of the branch aside isn't on the bus", e.Seq)
		}
	}
	if n := len(on); n != len(s.deskLog)+len(s.phoneLog)+len(s.enemyLog)+4 {
		t.Errorf("%d messages on the bus", n)
	}
}

// A gap before a subject's end, however it came about, is filled in the end.
func TestGapOnTheStreamIsFilled(t *testing.T) {
	r, l, es := own(t, 6, 100)
	r.put("log", l.Key.Device(), l.Shop, es[0].Line, es[1].Line, es[4].Line, es[5].Line)
	r.up()
	r.pass(5 * time.Minute)
	on := r.onBus()
	for _, e := range es {
		if !slices.Contains(on, string(e.Line)) {
			t.Errorf("event %d isn't on the bus", e.Seq)
		}
	}
	if len(on) > 8 {
		t.Errorf("%d messages for 6 events", len(on))
	}
	r.pass(time.Hour)
	if n := len(r.onBus()); n != len(on) {
		t.Errorf("%d messages after an hour, %d before", n, len(on))
	}
}
