//go:build !js

package replicate_test

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/record"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
	"countback/sync/replicate"
	"countback/sync/replicate/simulate"
)

// The desk's file through all of it: a backlog, a fork, a flood, a program that starts anew, and the command line recording through another connection.
func TestOnTheDesksFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	file, err := sqlite.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	d := storetest.NewLog(1, "")
	phone := storetest.NewLog(2, d.Shop)
	deskLog := storetest.Some(d, 5)
	phoneLog := []*event.Event{phone.Next(phone.Device(d, "phone"))}
	for i := range 50 {
		phoneLog = append(phoneLog, phone.NextID(phone.IDAt(int64(300+i)), storetest.Order(fmt.Sprintf("W-%d", i), 1)))
	}
	r := &rig{t: t, st: file, bus: simulate.NewServer(1, 20), now: time.UnixMilli(storetest.Start)}
	storetest.Put(t, file, deskLog...)
	r.restart(d.Key, d.Shop, desk)
	r.put("log", phone.Key.Device(), d.Shop, linesOf(phoneLog[20:])...)
	r.up()
	list, err := replicate.Waiting(ctx, file)
	count(t, list, err, 31, "waiting")
	r.restart(d.Key, d.Shop, desk)
	r.up()
	low, high := fork(phone)
	r.put("carry", phone.Key.Device(), d.Shop, linesOf(append(phoneLog[:20:20], high...))...)
	r.wantLog(phone.Key.Device(), append(phoneLog, high...)...)
	r.put("carry", phone.Key.Device(), d.Shop, linesOf(low)...)
	r.wantLog(phone.Key.Device(), append(phoneLog, low...)...)
	list, err = replicate.Aside(ctx, file)
	count(t, list, err, 2, "aside")

	second, err := sqlite.Open(path, sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	heads, err := second.Heads(ctx)
	if err != nil || heads[d.Key.Device()].Seq != 7 {
		t.Fatalf("the facts aside weren't adopted: %v, %v", heads, err)
	}
	d.Seq, d.Prev = heads[d.Key.Device()].Seq, heads[d.Key.Device()].Hash
	storetest.Put(t, second, d.NextID(d.IDAt(150), storetest.Order("W-99", 1)))
	r.step(replicate.Changed{})
	on := map[string]bool{}
	for _, line := range r.onBus() {
		on[line] = true
	}
	for _, line := range storetest.Lines(t, second) {
		if !on[string(line)] {
			t.Errorf("not on the bus: %s", line)
		}
	}
	rep, err := chain.Audit(ctx, second, chain.Options{Shop: d.Shop, Signatures: true})
	if err != nil || len(rep.Faults) > 0 {
		t.Errorf("%v %v", rep.Faults, err)
	}
	backup := filepath.Join(t.TempDir(), "backup.db")
	if err := second.Backup(ctx, backup); err != nil {
		t.Fatal(err)
	}
	old, err := sqlite.Open(backup, sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer old.Close()
	list, err = replicate.Aside(ctx, old) // facts that stand nowhere else may stand there
	count(t, list, err, 2, "aside in a backup")
}

// The command line records through another connection while the machine takes in and publishes: nothing of either is lost, and no log breaks.
func TestCommandLineRecordsBeside(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	file, err := sqlite.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	d := storetest.NewLog(1, "")
	phone := storetest.NewLog(2, d.Shop)
	storetest.Put(t, file, storetest.Some(d, 3)...)
	phoneLog := []*event.Event{phone.Next(phone.Device(d, "phone"))}
	for i := range 400 {
		phoneLog = append(phoneLog, phone.NextID(phone.IDAt(int64(300+i)), storetest.Order(fmt.Sprintf("P-%d", i), 1)))
	}
	const facts = 150
	done := make(chan error)
	go func() {
		second, err := sqlite.Open(path, sqlite.Options{})
		if err != nil {
			done <- err
			return
		}
		defer second.Close()
		now := func() time.Time { return time.UnixMilli(storetest.Start) }
		rec := record.Recorder{Store: second, Key: d.Key, Shop: d.Shop, Now: now, Entropy: rand.NewChaCha8([32]byte{1})}
		for i := range facts {
			fact := event.Fact{Time: event.TimeOf(now()), Data: storetest.Order(fmt.Sprintf("D-%d", i), 1)}
			if _, err := rec.Record(ctx, []event.Fact{fact}, nil); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	r := &rig{t: t, st: file, bus: simulate.NewServer(1, 20), now: time.UnixMilli(storetest.Start).Add(time.Hour)}
	r.restart(d.Key, d.Shop, desk)
	r.up()
	for i := 0; i < len(phoneLog); i += 4 {
		r.put("log", phone.Key.Device(), d.Shop, linesOf(phoneLog[i:min(i+4, len(phoneLog))])...)
		r.step(replicate.Changed{})
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	r.step(replicate.Changed{})
	r.wantLog(phone.Key.Device(), phoneLog...)
	var own int64
	for _, msg := range r.bus.Log() {
		if e, err := event.ParseLine(msg.Body); err == nil && e.Device == d.Key.Device() {
			if own++; e.Seq != own {
				t.Fatalf("event %d of the own log stands at place %d of the bus", e.Seq, own)
			}
		}
	}
	if own != 3+facts {
		t.Errorf("%d own events on the bus, want %d", own, 3+facts)
	}
	if len(r.reports) > 0 {
		t.Errorf("reported: %v", r.reports)
	}
}
