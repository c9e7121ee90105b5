package replicate_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/simulate"
)

// Whatever the order in which events arrive, and in whatever portions, with restarts between them, replicas that know the same events have the same logs:
// with forks of forks, forged lines among them, and a revocation that names one branch.
func TestLogsHangOnNoOrder(t *testing.T) {
	d := storetest.NewLog(1, "")
	deskLog := storetest.Some(d, 3)
	phone := storetest.NewLog(2, d.Shop)
	rapid.Check(t, func(rt *rapid.T) {
		first := phone.Copy()
		all := []*event.Event{first.Next(first.Device(d, "phone"))}
		ends := []*storetest.Log{first}
		id := int64(10)
		for range rapid.IntRange(1, 12).Draw(rt, "events") {
			l := ends[rapid.IntRange(0, len(ends)-1).Draw(rt, "end")]
			if rapid.IntRange(0, 3).Draw(rt, "fork") == 0 {
				l = l.Copy()
				ends = append(ends, l)
			}
			id++
			if rapid.IntRange(0, 7).Draw(rt, "forged") == 0 {
				all = append(all, signedBy(l, d.Key, storetest.Order(fmt.Sprintf("W-%d", id), 1)))
				continue
			}
			// A copy of the log at the same place makes the fork: its next event has another id.
			old := *l
			all = append(all, l.NextID(l.IDAt(id), storetest.Order(fmt.Sprintf("W-%d", id), 1)))
			if rapid.IntRange(0, 2).Draw(rt, "keep") == 0 {
				ends = append(ends, &old)
			}
		}
		desk := deskLog
		if rapid.Bool().Draw(rt, "revoked") {
			e := all[rapid.IntRange(0, len(all)-1).Draw(rt, "last")]
			k := *d
			desk = append(desk[:3:3], k.NextID(k.IDAt(90), &event.Revoke{Device: e.Device, Last: e.Seq, Hash: e.Hash, Reason: "lost"}))
		}
		all = append(all, desk...)
		want := ""
		for range 3 {
			r := newRig(t, storetest.NewLog(5, d.Shop).Key, d.Shop, simulate.NewServer(1, 10), func(c *replicate.Config) { c.Desk = rapid.Bool().Draw(rt, "desk") })
			r.up()
			lines := linesOf(rapid.Permutation(all).Draw(rt, "order"))
			for len(lines) > 0 {
				n := rapid.IntRange(1, len(lines)).Draw(rt, "portion")
				if rapid.Bool().Draw(rt, "by file") {
					r.step(replicate.File{Lines: lines[:n]})
				} else {
					r.away = true
					r.put("carry", phone.Key.Device(), d.Shop, lines[:n]...)
					r.away = false
					r.deliver()
				}
				lines = lines[n:]
				if rapid.IntRange(0, 3).Draw(rt, "restart") == 0 {
					r.restart(storetest.NewLog(5, d.Shop).Key, d.Shop)
					r.up()
				}
			}
			got := ""
			for _, device := range []string{d.Key.Device(), phone.Key.Device()} {
				for seq := int64(1); ; seq++ {
					row, err := r.st.At(ctx, device, seq)
					if err != nil {
						break
					}
					got += event.HashLine(row.Line)[:8] + " "
				}
				got += "\n"
			}
			if want == "" {
				want = got
			}
			if got != want {
				rt.Fatalf("another order gives\n%s, not\n%s", got, want)
			}
			wantNoHole(rt, r.st)
		}
	})
}

func wantNoHole(t *rapid.T, st store.Store) {
	if c, err := replicate.ReadPlace(ctx, st, "desk"); err != nil || c.Left != 0 {
		t.Fatalf("something was left on the bus: %+v, %v", c, err)
	}
}
