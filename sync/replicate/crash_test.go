package replicate_test

import (
	"fmt"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/simulate"
)

// The program crashes in its first, second, third … write, just before or just after that is durable, until it gets through: with a backlog, a gap, a fork
// whose facts are adopted, a new build that tries refused lines again, and a bus made anew. Every time the end is the same.
func TestEveryWriteCrashesOnce(t *testing.T) {
	d := storetest.NewLog(1, "")
	deskLog := storetest.Some(d, 4)
	phone := storetest.NewLog(2, d.Shop)
	phoneLog := []*event.Event{phone.Next(phone.Device(d, "phone"))}
	for i := range 6 {
		phoneLog = append(phoneLog, phone.NextID(phone.IDAt(int64(300+i)), storetest.Order(fmt.Sprintf("W-%d", i), 1)))
	}
	low, high := fork(phone)
	build := func(c *replicate.Config) { c.Desk, c.Build = true, "2" }
	for _, after := range []bool{false, true} {
		crashes := 0
		for n := 1; ; n++ {
			st := memory.New()
			storetest.Put(t, st, deskLog...)
			disk := &simulate.Disk{Store: st}
			r := &rig{t: t, st: disk, bus: simulate.NewServer(1, 3), now: time.UnixMilli(storetest.Start)}
			r.restart(d.Key, d.Shop, desk)
			job := []func(){
				r.up,
				func() { r.put("log", phone.Key.Device(), d.Shop, linesOf(phoneLog[3:])...) },
				func() { r.put("carry", phone.Key.Device(), d.Shop, []byte("junk")) },
				func() { r.put("carry", phone.Key.Device(), d.Shop, linesOf(phoneLog[:3])...) },
				func() { r.put("log", phone.Key.Device(), d.Shop, linesOf(high)...) },
				func() { r.put("carry", phone.Key.Device(), d.Shop, linesOf(low)...) },
				func() { r.restart(d.Key, d.Shop, build); r.up() },
				func() { r.bus.Wipe(2); r.up() },
				func() { r.pass(time.Minute) },
			}
			disk.CrashIn, disk.After = n, after
			for _, do := range job {
				if crashed(do) {
					crashes++
					r.fetch, r.wake = replicate.Fetch{}, 0
					r.restart(d.Key, d.Shop, build)
					r.up()
				}
			}
			r.pass(10 * time.Minute)
			r.wantLog(phone.Key.Device(), append(phoneLog, low...)...)
			on := map[string]bool{}
			for _, line := range r.onBus() {
				on[line] = true
			}
			lines := storetest.Lines(t, st)
			if len(lines) != len(deskLog)+len(phoneLog)+4 {
				t.Errorf("crash %d (durable: %v): %d events, want those of both logs and two adopted facts", n, after, len(lines))
			}
			for _, line := range lines {
				if !on[string(line)] {
					t.Errorf("crash %d (durable: %v): an event isn't on the bus", n, after)
				}
			}
			list, err := replicate.Aside(ctx, st)
			count(t, list, err, 2, "aside")
			list, err = replicate.Refused(ctx, st)
			count(t, list, err, 1, "refused")
			list, err = replicate.Waiting(ctx, st)
			count(t, list, err, 0, "waiting")
			if t.Failed() {
				t.Fatalf("crash %d (durable: %v)", n, after)
			}
			if disk.CrashIn > 0 {
				break
			}
		}
		if crashes < 10 {
			t.Errorf("only %d writes have crashed", crashes)
		}
	}
}

// crashed does something and reports whether the program crashed in it.
func crashed(do func()) (yes bool) {
	defer func() { yes = recover() != nil }()
	do()
	return false
}
