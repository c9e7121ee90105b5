package simulate

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/key"
	"countback/ledger/record"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/sync/replicate"
)

// alive returns the replicas that run.
func (w *world) alive() (out []*Replica) {
	for _, r := range w.reps {
		if !r.dead {
			out = append(out, r)
		}
	}
	return out
}

// act does one step of a schedule, if what it needs is there.
func (w *world) act(x Step) {
	all := w.alive()
	r := w.suited(x)
	did := true
	switch x.Do {
	case "record":
		var facts []event.Fact
		for i := range x.B%3 + 1 {
			facts = append(facts, w.some(r, x.B/7+13*i))
		}
		if x.B%17 == 0 { // a day's backlog
			for i := range 30 {
				facts = append(facts, w.some(r, x.B/11+29*i))
			}
		}
		_, err := w.record(r, facts...)
		did = err == nil
	case "given":
		did = w.given(r, all[x.B%len(all)], x.B)
	case "apart":
		w.disconnect(r.conns[x.B%len(r.conns)], x.For)
	case "crash":
		w.restart(r, x.For/4)
	case "inwrite":
		r.disk.CrashIn, r.disk.After = x.B%6+1, x.B%2 == 0
	case "full":
		r.disk.Full = x.B%5 + 1
	case "clock":
		r.off = time.Duration(x.B%600-300) * time.Minute
	case "pair":
		did = w.pair(x)
	case "snap":
		r.snap, r.snapKey = w.copyOf(r), r.key
	case "restore":
		did = w.restore(r, x, true)
	case "rollback":
		did = w.restore(r, x, false)
	case "copy":
		did = w.copyFolder(r)
	case "rejoin":
		did = w.rejoin(r, x)
	case "revoke":
		did = w.revoke(r, all[x.B%len(all)], x)
	case "keeper":
		did = w.passKeeper(r, all[x.B%len(all)])
	case "recover":
		did = w.recover(x)
	case "thief":
		did = w.thief(r, x)
	case "wipe":
		w.wipe(w.buses[x.A%len(w.buses)])
	case "tail":
		w.tail(w.buses[x.A%len(w.buses)], x.B%12+1)
	case "scatter":
		w.scatter(r, w.buses[0], x.B%25+3)
	case "busfull":
		b := w.buses[x.A%len(w.buses)]
		b.Limit = max(b.size, 1)
		w.in(x.For, func() { b.Limit = 0 })
	}
	if did {
		w.stats.Did[x.Do]++
		w.tell("%s %s: %s", w.now.Round(time.Millisecond), r.Name, x.Do)
	}
}

// suited returns a replica that a step can be done with, if there is one.
func (w *world) suited(x Step) *Replica {
	all := w.alive()
	var fit []*Replica
	for _, r := range all {
		ok := false
		switch x.Do {
		case "restore", "rollback":
			ok = r.snap != nil
		case "rejoin":
			ok = w.twins(r)
		case "revoke", "keeper":
			ok = r == w.keeperOf()
		case "copy":
			ok = !w.twins(r)
		}
		if ok {
			fit = append(fit, r)
		}
	}
	if len(fit) > 0 {
		return fit[x.A%len(fit)]
	}
	return all[x.A%len(all)]
}

// given records one fact file on two devices.
func (w *world) given(a, b *Replica, n int) bool {
	f := w.some(a, n)
	f.ID = w.newID()
	_, errA := w.record(a, f)
	_, errB := w.record(b, f)
	return errA == nil && errB == nil
}

func (w *world) copyOf(r *Replica) *memory.Store {
	st, err := Copy(w.ctx, r.Store)
	if err != nil {
		w.fail("%s: copy: %w", r.Name, err)
	}
	return st
}

// keeperOf returns a replica that takes itself for the keeper.
func (w *world) keeperOf() *Replica {
	for _, r := range w.alive() {
		if r.m != nil && r.m.Members().Keeper() == r.key.Device() {
			return r
		}
	}
	return nil
}

// join begins the log of a new device, endorsed by a key.
func (w *world) join(r *Replica, by *key.Key, succeeds string) bool {
	role := "phone"
	if r.Desk {
		role = "desk"
	}
	sig, err := by.Sign(key.Admit, key.SucceedPayload(w.shop, r.key.Public(), role, succeeds))
	if err != nil {
		w.fail("endorse: %w", err)
		return false
	}
	d := event.Device{Key: r.key.Public(), Name: r.Name, Role: role, By: by.Device(), Endorsement: sig, Succeeds: succeeds}
	now := func() time.Time { return w.clock(r) }
	if err := record.Join(w.ctx, r.Store, r.key, now, randomness{w.rng}, w.shop, d, event.TimeOf(now())); err != nil {
		w.fail("%s: join: %w", r.Name, err)
		return false
	}
	return true
}

func (w *world) pair(x Step) bool {
	keeper := w.keeperOf()
	if keeper == nil || len(w.alive()) >= mostReplicas {
		return false
	}
	r := &Replica{Store: memory.New(), Desk: x.B%3 == 0, key: w.newKey(), off: time.Duration(x.A%400-200) * time.Minute}
	r.Name = fmt.Sprintf("phone %d", len(w.reps))
	buses := w.buses[:1]
	if r.Desk {
		r.Name = fmt.Sprintf("desk %d", len(w.reps))
		buses = w.buses
	}
	if !w.join(r, keeper.key, "") {
		return false
	}
	w.add(r, buses...)
	return true
}

// gone ends a replica, and with it its disk.
func (w *world) gone(r *Replica, why string) {
	w.stop(r)
	r.dead, w.gaps = true, true
	w.lose(why)
}

// twins reports whether another replica runs under the same key.
func (w *world) twins(r *Replica) bool {
	for _, o := range w.alive() {
		if o != r && o.key == r.key {
			return true
		}
	}
	return false
}

// restore loses a disk and goes on from an older copy of it: as a new device, or, where nobody has noticed, under the old name.
func (w *world) restore(r *Replica, x Step, asNew bool) bool {
	if r.snap == nil || len(w.reps) > 40 {
		return false
	}
	st, err := Copy(w.ctx, r.snap)
	if err != nil {
		w.fail("%s: restore: %w", r.Name, err)
		return false
	}
	w.rolled = w.rolled || !asNew
	key := r.snapKey // a backup holds the key
	buses := r.conns
	n := &Replica{Name: r.Name + "'", Store: st, Desk: r.Desk, key: key, off: r.off, snap: r.snap, snapKey: key}
	if asNew {
		n.key = w.newKey()
		n.snap = nil
	}
	w.stop(r)
	r.dead, w.disks, w.gaps = true, true, true
	for _, b := range w.buses {
		if b.host == r {
			b.host = n
			w.wipe(b)
		}
	}
	w.loseBut("its disk was lost", n)
	if asNew && !w.join(n, key, key.Device()) {
		return false
	}
	var to []*bus
	for _, c := range buses {
		to = append(to, c.bus)
	}
	w.add(n, to...)
	return true
}

// copyFolder lets a copy of a data folder run under the same name.
func (w *world) copyFolder(r *Replica) bool {
	if len(w.alive()) >= mostReplicas || w.twins(r) {
		return false
	}
	n := &Replica{Name: r.Name + "=", Store: w.copyOf(r), Desk: r.Desk, key: r.key, off: r.off + time.Minute}
	var to []*bus
	for _, c := range r.conns {
		to = append(to, c.bus)
	}
	w.add(n, to...)
	return true
}

// rejoin makes one of two copies a new device: it was noticed.
func (w *world) rejoin(r *Replica, x Step) bool {
	if !w.twins(r) {
		return false
	}
	w.stop(r)
	old := r.key
	r.key = w.newKey()
	r.Name += "+"
	if !w.join(r, old, old.Device()) {
		return false
	}
	w.in(time.Second, func() {
		if r.m == nil && !r.dead {
			w.start(r)
		}
	})
	return true
}

// revoke lets a keeper revoke a device, at the end of what it holds of it. The device is cut off the bus, or goes on.
func (w *world) revoke(keeper, r *Replica, x Step) bool {
	m, err := chain.Load(w.ctx, keeper.Store, w.shop)
	if err != nil || m.Keeper() != keeper.key.Device() || r.key.Device() == keeper.key.Device() || len(w.alive()) <= 2 {
		return false
	}
	heads, err := keeper.Store.Heads(w.ctx)
	h, ok := heads[r.key.Device()]
	if err != nil || !ok {
		return false
	}
	d := &event.Revoke{Device: r.key.Device(), Last: h.Seq, Hash: h.Hash, Reason: "lost"}
	if _, err := w.record(keeper, event.Fact{Time: event.TimeOf(w.clock(keeper)), Data: d}); err != nil {
		w.fail("revoke: %w", err)
		return false
	}
	w.revoked = append(w.revoked, r.key)
	host := false
	for _, b := range w.buses {
		host = host || b.host == r
	}
	if x.A%2 == 0 && !host {
		for _, o := range w.alive() {
			if o.key == r.key {
				w.gone(o, "it was revoked and cut off")
			}
		}
	}
	return true
}

// recover loses the keeper's desk. A device that is left hands its ledger over to a new one, and makes that one the keeper.
func (w *world) recover(x Step) bool {
	lost := w.keeperOf()
	if lost == nil || w.twins(lost) || len(w.alive()) < 2 || len(w.reps) > 40 {
		return false
	}
	var by *Replica
	for i, all := 0, w.alive(); by == nil && i < len(all); i++ {
		r := all[(i+x.A)%len(all)]
		m, err := chain.Load(w.ctx, r.Store, w.shop)
		if err != nil {
			w.fail("%s: %w", r.Name, err)
			return false
		}
		if b, ok := m.Get(r.key.Device()); ok && !b.Revoked && r.key != lost.key && m.Keeper() == lost.key.Device() {
			by = r
		}
	}
	if by == nil {
		return false
	}
	n := &Replica{Name: fmt.Sprintf("desk %d", len(w.reps)), Store: memory.New(), Desk: true, key: w.newKey(), off: by.off}
	lines := w.handover(by)
	w.gone(lost, "its desk was lost")
	w.disks = true
	for _, b := range w.buses {
		if b.host == lost {
			b.host = n
			w.wipe(b)
		}
	}
	sig, err := by.key.Sign(key.Recover, key.SucceedPayload(w.shop, n.key.Public(), "desk", lost.key.Device()))
	if err != nil {
		w.fail("recover: %w", err)
		return false
	}
	d := event.Device{Key: n.key.Public(), Name: n.Name, Role: "desk", By: by.key.Device(), Endorsement: sig, Succeeds: lost.key.Device()}
	now := func() time.Time { return w.clock(n) }
	if err := record.Join(w.ctx, n.Store, n.key, now, randomness{w.rng}, w.shop, d, event.TimeOf(now())); err != nil {
		w.fail("%s: join: %w", n.Name, err)
		return false
	}
	w.add(n, w.buses...)
	w.step(n, replicate.File{Lines: lines})
	return true
}

// handover is what a hand-over file of a replica holds, receipts aside.
func (w *world) handover(r *Replica) (lines [][]byte) {
	err := r.Store.Scan(w.ctx, 0, func(row store.Row) error {
		lines = append(lines, bytes.Clone(row.Line))
		return nil
	})
	if err != nil {
		w.fail("%s: %w", r.Name, err)
	}
	for _, read := range []func(context.Context, store.Store) ([]replicate.Kept, error){replicate.Aside, replicate.Waiting} {
		list, err := read(w.ctx, r.Store)
		if err != nil {
			w.fail("%s: %w", r.Name, err)
		}
		for _, k := range list {
			lines = append(lines, k.Line)
		}
	}
	return lines
}

// thief uses the key of a revoked device: for one that takes its place, or, in every second case, that of the keeper. Somebody lets the log onto a bus.
func (w *world) thief(r *Replica, x Step) bool {
	if len(w.revoked) == 0 {
		return false
	}
	by, b := w.revoked[x.A%len(w.revoked)], w.buses[x.B%len(w.buses)]
	k, purpose, succeeds, role := w.newKey(), key.Admit, by.Device(), "phone"
	if keeper := w.keeperOf(); x.B%2 == 0 && keeper != nil && keeper.key != by {
		purpose, succeeds, role = key.Recover, keeper.key.Device(), "desk"
	}
	sig, err := by.Sign(purpose, key.SucceedPayload(w.shop, k.Public(), role, succeeds))
	if err != nil {
		w.fail("thief: %w", err)
		return false
	}
	list := []event.Data{
		&event.Device{Key: k.Public(), Name: "thief", Role: role, By: by.Device(), Endorsement: sig, Succeeds: succeeds},
		w.some(r, x.A).Data, &event.Revoke{Device: w.shop, Last: 1, Hash: event.FirstPrev, Reason: "x"}, w.some(r, x.B).Data,
	}
	head := store.EmptyHead
	for _, d := range list {
		u := event.Unsigned{ID: w.newID(), Shop: w.shop, Device: k.Device(), Time: event.TimeOf(w.clock(r)), Seq: head.Seq + 1, Prev: head.Hash, Data: d}
		e, err := u.Make(func(b []byte) (string, error) { return k.Sign(key.Event, b) })
		if err != nil {
			w.fail("thief: %w", err)
			return false
		}
		head = store.Head{Seq: e.Seq, Hash: e.Hash}
		b.Publish(replicate.Publish{Subject: replicate.Subject(w.shop, replicate.SubjectCarry, r.key.Device()), Bodies: [][]byte{e.Line}}, w.wall())
	}
	w.thieves = append(w.thieves, k.Device())
	w.serve(b)
	return true
}

// newID is an id of this time.
func (w *world) newID() (id event.ID) {
	ms := uint64(epoch.Add(w.now).UnixMilli())
	for i := range 6 {
		id[5-i] = byte(ms >> (8 * i))
	}
	for i := 6; i < 16; i++ {
		id[i] = byte(w.rng.Uint32())
	}
	return id
}

// scatter puts events that a replica holds onto a bus once more, in any order, as an odd driver or a faulty program may.
func (w *world) scatter(r *Replica, b *bus, n int) {
	var lines [][]byte
	err := r.Store.Scan(w.ctx, 0, func(row store.Row) error {
		lines = append(lines, bytes.Clone(row.Line))
		return nil
	})
	if err != nil {
		w.fail("%s: %w", r.Name, err)
		return
	}
	w.rng.Shuffle(len(lines), func(i, k int) { lines[i], lines[k] = lines[k], lines[i] })
	for _, line := range lines[:min(n, len(lines))] {
		// A full bus refuses some, which does no harm.
		b.Publish(replicate.Publish{Subject: replicate.Subject(w.shop, replicate.SubjectCarry, r.key.Device()), Bodies: [][]byte{line}}, w.wall())
	}
	w.serve(b)
}

// passKeeper lets the keeper name another desk.
func (w *world) passKeeper(r, to *Replica) bool {
	m, err := chain.Load(w.ctx, r.Store, w.shop)
	if err != nil || m.Keeper() != r.key.Device() || !to.Desk || to.key == r.key {
		return false
	}
	if b, ok := m.Get(to.key.Device()); !ok || b.Revoked {
		return false
	}
	_, err = w.record(r, event.Fact{Time: event.TimeOf(w.clock(r)), Data: &event.Shop{Keeper: to.key.Device()}})
	return err == nil
}

// again lets all sessions with a bus begin anew, as after a restart of its server.
func (w *world) again(b *bus) {
	for _, r := range w.alive() {
		for _, c := range r.conns {
			if c.bus == b && c.up {
				c.up = false
				c.gen++
				w.step(r, replicate.Down{Bus: b.name})
			}
			if c.bus == b {
				w.connectSoon(c)
			}
		}
	}
}

func (w *world) wipe(b *bus) {
	w.tell("%s: bus %s is wiped", w.now, b.name)
	b.Wipe(w.wall())
	w.again(b)
}

func (w *world) tail(b *bus, n int) {
	w.tell("%s: bus %s loses %d messages", w.now, b.name, n)
	b.DropTail(n)
	w.again(b)
}
