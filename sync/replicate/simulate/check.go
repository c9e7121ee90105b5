package simulate

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/sync/replicate"
)

// lines returns a replica's events.
func (w *world) lines(r *Replica) map[string]bool {
	out := map[string]bool{}
	err := r.Store.Scan(w.ctx, 0, func(row store.Row) error {
		out[string(row.Line)] = true
		return nil
	})
	if err != nil {
		w.fail("%s: %w", r.Name, err)
	}
	return out
}

// notes returns what a replica keeps beside its logs.
func (w *world) notes(r *Replica) (out []replicate.Kept) {
	for _, read := range []func() ([]replicate.Kept, error){
		func() ([]replicate.Kept, error) { return replicate.Aside(w.ctx, r.Store) },
		func() ([]replicate.Kept, error) { return replicate.Waiting(w.ctx, r.Store) },
		func() ([]replicate.Kept, error) { return replicate.Refused(w.ctx, r.Store) },
	} {
		list, err := read()
		if err != nil {
			w.fail("%s: %w", r.Name, err)
		}
		out = append(out, list...)
	}
	return out
}

// holds returns the ids of all events on a replica's disk. What waits doesn't count: what it waits for may be on the disk that is lost.
func (w *world) holds(r *Replica, ids map[event.ID]bool) {
	for line := range w.lines(r) {
		ids[idOf(line)] = true
	}
	aside, err := replicate.Aside(w.ctx, r.Store)
	if err != nil {
		w.fail("%s: %w", r.Name, err)
	}
	for _, k := range aside {
		ids[idOf(string(k.Line))] = true
	}
}

// idOf reads the id alone.
func idOf(line string) event.ID {
	const before = `{"specversion":"1.0","id":"`
	id, err := event.ParseID(line[len(before) : len(before)+26])
	if err != nil {
		panic(err)
	}
	return id
}

func (w *world) lose(why string) { w.loseBut(why, nil) }

// loseBut takes note of the facts that no disk holds any more. extra is a replica that isn't among the others yet.
func (w *world) loseBut(why string, extra *Replica) {
	ids := map[event.ID]bool{}
	for _, r := range w.alive() {
		w.holds(r, ids)
	}
	if extra != nil {
		w.holds(extra, ids)
	}
	for _, f := range w.facts {
		if f.lost == "" && !ids[f.id] {
			f.lost = why
		}
	}
}

// checkPlaces checks that no cursor has passed an event that isn't on the replica's disk.
func (w *world) checkPlaces(r *Replica) {
	have := w.lines(r)
	for _, k := range w.notes(r) {
		have[string(k.Line)] = true
	}
	for _, c := range r.conns {
		at, err := replicate.ReadPlace(w.ctx, r.Store, c.bus.name)
		if err != nil {
			w.fail("%s: %w", r.Name, err)
			return
		}
		log := c.bus.Log()
		if at.Created != c.bus.Created || at.Seq == 0 || at.Seq > uint64(len(log)) || !at.At(log[at.Seq-1]) {
			continue // it is of a stream that is no more
		}
		for _, msg := range log[:at.Seq] {
			if at.Left > 0 && msg.Seq >= at.Left {
				break
			}
			if !have[string(msg.Body)] {
				w.fail("%s: the cursor of bus %s stands at %d, and message %d isn't on the disk", r.Name, c.bus.name, at.Seq, msg.Seq)
			}
		}
	}
}

// checkSafe checks that what a machine calls safe is on another member's disk.
func (w *world) checkSafe(r *Replica) {
	if r.m == nil || w.disks {
		return
	}
	list, err := r.m.Standings()
	if errors.Is(err, replicate.ErrFailing) {
		return
	}
	if err != nil {
		w.fail("%s: %w", r.Name, err)
		return
	}
	for _, s := range list {
		if s.Safe == 0 {
			continue
		}
		mine, err := r.Store.At(w.ctx, s.Device, s.Safe)
		if err != nil {
			w.fail("%s: %w", r.Name, err)
			return
		}
		held := false
		for _, o := range w.reps {
			if o == r || held {
				continue
			}
			row, err := o.Store.At(w.ctx, s.Device, s.Safe)
			held = err == nil && bytes.Equal(row.Line, mine.Line) ||
				slices.ContainsFunc(w.notes(o), func(k replicate.Kept) bool { return bytes.Equal(k.Line, mine.Line) }) // after a fork it may stand aside there
		}
		if !held {
			w.fail("%s: event %d of device %s is called safe, and nobody else has it", r.Name, s.Safe, s.Device)
		}
	}
}

// heal lets everything work again, waits until all replicas are the same, and checks what was promised.
func (w *world) heal() {
	w.tell("%s: everything works again", w.now)
	w.calm, w.loss = true, 0
	w.dropOrphans()
	for _, b := range w.buses {
		b.Limit = 0
	}
	for _, r := range w.alive() {
		r.disk.CrashIn, r.disk.Full = 0, 0
		w.checkPlaces(r)
		w.checkSafe(r)
		for _, c := range r.conns {
			w.connectSoon(c)
		}
		w.step(r, replicate.Changed{})
	}
	from := w.now
	for w.err == nil && w.now < from+6*time.Hour {
		w.run(w.now + 20*time.Second)
		if w.same() && w.nothingOwed() {
			w.stats.Healed = w.now - from
			w.run(w.now + 2*time.Minute)
			w.checkEnd()
			return
		}
	}
	if w.err == nil {
		w.fail("after six hours the replicas still differ: %s", w.difference())
	}
}

// dropOrphans takes replicas out whose admission nobody can prove any more, because the log of the device that endorsed them was on a lost disk alone. Their
// people pair them again.
func (w *world) dropOrphans() {
	m := chain.NewMembers(w.shop)
	add := func(line []byte) {
		if e, err := event.ParseLine(bytes.Clone(line)); err == nil {
			m.Add(e)
		}
	}
	for _, r := range w.alive() {
		err := r.Store.ScanKinds(w.ctx, []event.Kind{event.KindDevice, event.KindShop}, 0, func(row store.Row) error {
			add(row.Line)
			return nil
		})
		if err != nil {
			w.fail("%s: %w", r.Name, err)
		}
		for _, k := range w.notes(r) {
			add(k.Line)
		}
	}
	for _, r := range w.alive() {
		if _, ok := m.Get(r.key.Device()); !ok {
			w.tell("%s is nobody's any more", r.Name)
			w.gone(r, "nobody who is left has admitted it")
		}
	}
}

// same reports whether all logs go equally far, and everyone has the newest receipts of all.
func (w *world) same() bool {
	var first map[string]store.Head
	for _, r := range w.alive() {
		if r.m == nil {
			return false
		}
		heads, err := r.Store.Heads(w.ctx)
		if err != nil {
			w.fail("%s: %w", r.Name, err)
			return false
		}
		if first == nil {
			first = heads
		}
		if !maps.Equal(first, heads) {
			return false
		}
	}
	return true
}

// nothingOwed reports whether every fact aside has been adopted or never will be.
func (w *world) nothingOwed() bool {
	for _, f := range w.facts {
		if f.lost == "" && !w.inLogs(f) && !w.asideOfRevoked(f) {
			return false
		}
	}
	return true
}

func (w *world) inLogs(f *fact) bool {
	rows, err := w.alive()[0].Store.ByID(w.ctx, f.id)
	return err == nil && len(rows) > 0
}

// asideOfRevoked reports whether a fact stands on a branch of a revoked device, which a person looks through; or on any branch where no keeper is left, so that
// it stands there until a recovery has made one; or names a keeper, which nobody does in another's place.
func (w *world) asideOfRevoked(f *fact) bool {
	for _, r := range w.alive() {
		m, err := chain.Load(w.ctx, r.Store, w.shop)
		if err != nil {
			w.fail("%s: %w", r.Name, err)
			return false
		}
		list, err := replicate.Aside(w.ctx, r.Store)
		if err != nil {
			w.fail("%s: %w", r.Name, err)
			return false
		}
		for _, k := range list {
			e, err := event.ParseLine(k.Line)
			if err != nil || e.ID != f.id {
				continue
			}
			shop, ok := e.Data.(*event.Shop)
			if named := ok && shop.Keeper != ""; named || e.Kind == event.KindDevice || w.keeperOf() == nil {
				return true
			}
			if b, ok := m.Get(e.Device); ok && b.Revoked {
				return true
			}
		}
	}
	return false
}

func (w *world) difference() string {
	var out []string
	for _, r := range w.alive() {
		heads, _ := r.Store.Heads(w.ctx)
		text := r.Name + " (" + r.key.Device()[:4] + "):"
		for _, d := range slices.Sorted(maps.Keys(heads)) {
			text += fmt.Sprintf(" %s=%d/%s", d[:4], heads[d].Seq, heads[d].Hash[:4])
		}
		waiting, _ := replicate.Waiting(w.ctx, r.Store)
		aside, _ := replicate.Aside(w.ctx, r.Store)
		text += fmt.Sprintf(" waiting %d aside %d", len(waiting), len(aside))
		out = append(out, text)
	}
	for _, f := range w.facts {
		if f.lost == "" && !w.inLogs(f) && !w.asideOfRevoked(f) {
			out = append(out, "fact "+f.id.String()+" of "+f.device[:4]+" stands in no log")
		}
	}
	return strings.Join(out, "\n")
}

// checkWaiting checks that nothing waits for ever, except for events of a branch aside whose facts have been adopted: nobody sends what they wait for any more.
// Where a disk was lost or cut off, what is waited for may have been on it alone.
func (w *world) checkWaiting(r *Replica) {
	if w.gaps {
		return
	}
	list, err := replicate.Waiting(w.ctx, r.Store)
	if err != nil {
		w.fail("%s: %w", r.Name, err)
	}
	for _, k := range list {
		if rows, err := r.Store.ByID(w.ctx, idOf(string(k.Line))); err != nil || len(rows) == 0 {
			w.fail("%s: of %d events that still wait one stands nowhere else (%v)", r.Name, len(list), err)
		}
	}
}

// checkReceipts checks that in the end everything is safe on everyone else's disk.
func (w *world) checkReceipts() {
	if w.rolled {
		return
	}
	members := map[string]bool{}
	m := w.alive()[0].m.Members()
	for _, r := range w.alive() {
		if b, ok := m.Get(r.key.Device()); ok && !b.Revoked {
			members[b.Device] = true
		}
	}
	for _, b := range m.All() {
		if m.Replaced(b.Device) {
			delete(members, b.Device)
		}
	}
	for _, r := range w.alive() {
		if others := len(members); others < 1 || others == 1 && members[r.key.Device()] {
			continue
		}
		list, err := r.m.Standings()
		if err != nil {
			w.fail("%s: %w", r.Name, err)
			return
		}
		for _, s := range list {
			if s.Safe != s.Kept {
				w.fail("%s: of %d events of device %s only %d are called safe", r.Name, s.Kept, s.Device, s.Safe)
			}
		}
	}
}

// checkThieves checks that nothing counts that was made with the key of a revoked device, as long as the revocation is known.
func (w *world) checkThieves() {
	m := w.alive()[0].m.Members()
	for _, device := range w.thieves {
		b, ok := m.Get(device)
		if !ok {
			continue
		}
		by, _ := m.Get(b.By)
		if counts := by.Revoked && !m.Kept(by.Device); counts && !m.Void(device, 1) {
			w.fail("device %s was endorsed by a revoked one, and counts", device)
		}
	}
}

// checkEnd checks the end of a schedule.
func (w *world) checkEnd() {
	all := w.alive()
	first := w.lines(all[0])
	for _, r := range all {
		if !maps.Equal(w.lines(r), first) {
			w.fail("%s and %s hold other bytes", r.Name, all[0].Name)
		}
		w.checkPlaces(r)
		w.checkSafe(r)
		w.checkWaiting(r)
		if list, err := replicate.Refused(w.ctx, r.Store); err != nil || len(list) > 0 {
			w.fail("%s: %d lines were refused, though nobody has forged any (%v)", r.Name, len(list), err)
		}
	}
	w.checkReceipts()
	w.checkThieves()
	for _, f := range w.facts {
		if f.lost == "" && !w.inLogs(f) && !w.asideOfRevoked(f) {
			w.fail("fact %s of device %s was confirmed, and is gone", f.id, f.device)
		}
	}
	rep, err := chain.Audit(w.ctx, all[0].Store, chain.Options{Shop: w.shop, Workers: 1})
	if err != nil {
		w.fail("audit: %w", err)
	}
	for _, f := range rep.Faults {
		w.fail("audit: %s: %s", f.Event, f.What)
	}
}
