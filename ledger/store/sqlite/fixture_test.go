//go:build !js

package sqlite_test

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/ledger/store"
	"countback/ledger/store/sqlite"
	"countback/ledger/store/storetest"
)

var makeFixture = flag.String("make-fixture", "", "write a ledger of the current layout into this folder, which must not hold one")

const fixtures = "../../../testdata/ledgers"

// Ledgers of every layout that was ever released open and are whole, with the same bytes, and can be written on.
func TestOldLedgers(t *testing.T) {
	if *makeFixture != "" {
		writeFixture(t, *makeFixture)
	}
	folders, err := filepath.Glob(filepath.Join(fixtures, "v*"))
	if err != nil || len(folders) == 0 {
		t.Fatalf("no old ledgers: %v", err)
	}
	for _, folder := range folders {
		t.Run(filepath.Base(folder), func(t *testing.T) { oldLedger(t, folder) })
	}
}

func oldLedger(t *testing.T, folder string) {
	path := filepath.Join(t.TempDir(), "ledger.db") // opening makes files beside it
	in, err := os.Open(filepath.Join(folder, "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	raw, err := io.ReadAll(in)
	if err == nil {
		err = os.WriteFile(path, raw, 0o600)
	}
	want, e := os.ReadFile(filepath.Join(folder, "lines.jsonl"))
	if err != nil || e != nil {
		t.Fatal(err, e)
	}
	st, err := sqlite.Open(path, sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	lines := storetest.Lines(t, st)
	if got := append(bytes.Join(lines, []byte("\n")), '\n'); !bytes.Equal(got, want) {
		t.Error("the lines differ from lines.jsonl")
	}
	r, err := chain.Audit(ctx, st, chain.Options{Signatures: true})
	if err != nil || len(r.Devices) != 2 || len(r.Faults) != 1 || !strings.Contains(r.Faults[0].What, "check of shape") {
		t.Fatalf("%v %+v", err, r)
	}
	kinds := map[event.Kind]bool{}
	var shop string
	for _, line := range lines {
		e, err := event.ParseLine(line)
		if err != nil {
			t.Fatal(err)
		}
		kinds[e.Kind], shop = true, e.Shop
	}
	for _, k := range event.Kinds() {
		if !kinds[k] {
			t.Logf("no event of kind %s; it is younger than this ledger", k)
		}
	}
	if len(kinds) != 20 { // the 19 of the first release and one that nobody knows
		t.Errorf("%d kinds", len(kinds))
	}
	m, err := chain.Load(ctx, st, shop)
	if err != nil || m.Keeper() != shop || len(m.All()) != 2 {
		t.Errorf("%v %+v", err, m.All())
	}
	if d, err := st.Doubled(ctx); err != nil || len(d) != 1 {
		t.Errorf("doubled: %v %v", d, err)
	}
	if rows, err := st.ByOrder(ctx, "W-101"); err != nil || len(rows) < 4 {
		t.Errorf("order W-101 has %d events, %v", len(rows), err)
	}
	since := func() (n int) {
		if err := st.ScanSince(ctx, storetest.Start, func(store.Row) error { n++; return nil }); err != nil {
			t.Fatal(err)
		}
		return n
	}
	before := since() // without the index
	if err := st.SaveCheckpoint(ctx, store.Checkpoint{Key: "stock", State: []byte("s")}); err != nil {
		t.Fatal(err)
	}
	if n := since(); n != before || n == 0 {
		t.Errorf("%d events since the start, with the index %d", before, n)
	}
	if points, err := st.Checkpoints(ctx, "stock"); err != nil || len(points) != 1 {
		t.Errorf("checkpoints: %v %v", points, err)
	}
	desk := storetest.NewLog(1, "")
	heads, err := st.Heads(ctx)
	if err != nil {
		t.Fatal(err)
	}
	desk.Seq, desk.Prev = heads[shop].Seq, heads[shop].Hash
	storetest.Put(t, st, desk.Next(storetest.Order("W-200", 1)))
}

func ptr[T any](v T) *T { return &v }

func money(t *testing.T, s string) *num.Money {
	t.Helper()
	m, err := num.ParseMoney(s)
	if err != nil {
		t.Fatal(err)
	}
	return &m
}

// writeFixture writes a few events of each kind.
func writeFixture(t *testing.T, folder string) {
	path := filepath.Join(folder, "ledger.db")
	st, err := sqlite.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	desk := storetest.NewLog(1, "")
	phone := storetest.NewLog(2, desk.Shop)
	one, ten := num.Whole(1), num.Whole(10)
	put := func(e *event.Event) *event.Event { storetest.Put(t, st, e); return e }
	on := func(l *storetest.Log, list ...event.Data) (last *event.Event) {
		for _, d := range list {
			last = put(l.Next(d))
		}
		return last
	}
	on(desk, desk.Device(nil, "desk"), &event.Shop{Name: "Paper Moon Press", Currency: "CAD", Zone: "America/Halifax", Costing: "average"},
		&event.Item{Item: "card-a6", Name: "Folded card, A6", Type: "good", Unit: "each", Class: "flat"},
		&event.Item{Item: "board", Name: "Board stiffener", Type: "supply", Unit: "each", Packs: map[string]num.Qty{"box": num.Whole(150)}},
		&event.Item{Item: "old-seal", Name: "Seal, round", Type: "supply", Unit: "each"}, &event.Retire{Item: "old-seal", Note: "faded"})
	spec := on(desk, &event.PackSpec{Formats: []event.Format{{Format: "mailer", Lines: []event.Line{{Item: "board", Qty: one, Per: "parcel"}}}}})
	on(desk, &event.MakeSpec{Item: "card-a6", Pieces: num.Whole(4), Lines: []event.Line{{Item: "board", Qty: one, Per: "cycle"}}})
	on(phone, phone.Device(desk, "phone"))
	on(desk, &event.Purchase{Supplier: "Kestrel Board Mill", Lines: []event.PurchaseLine{{Item: "board", Qty: one, Pack: "box"}}})
	restock := on(phone, &event.Restock{Supplier: "Kestrel Board Mill", Lines: []event.RestockLine{{Item: "board", Qty: &one, Pack: "box", Cost: money(t, "41.25")}}})
	on(desk, &event.Credit{Restock: restock.ID, Lines: []event.CreditLine{{Item: "board", Qty: &ten, Amount: money(t, "2.75")}}},
		&event.Reprint{Item: "card-a6", Good: &ten, Spoiled: &one}, storetest.Order("W-101", 2), storetest.Order("W-102", 1))
	on(phone, &event.Pack{Order: "W-101", Spec: spec.ID}, &event.Pack{Order: "W-102", Changes: []event.Change{{Item: "board", Qty: &one}}})
	bad := on(phone, &event.Damage{Item: "board", Qty: one, Reason: "spoiled", Order: "W-101"})
	on(desk, &event.Return{Order: "W-101", Lines: []event.ReturnLine{{Item: "card-a6", Qty: one, Condition: "saleable"}}}, storetest.Count("board", 133))
	on(phone, &event.Reverse{Event: bad.ID, Reason: "it was the old stock"})
	on(desk, &event.Decide{Event: restock.ID, Keep: ptr(true)})
	same := desk.IDAt(100)
	put(desk.NextID(same, storetest.Order("W-103", 1)))
	put(phone.NextID(same, storetest.Order("W-103", 1)))
	put(phone.Foreign("countback.inkwell.v1", `{"colour":"sepia","order":"W-101"}`))
	put(phone.Foreign("countback.order.v1", `{"order":"W-104","paper":"laid"}`))
	zero := strings.Repeat("0", 64)
	on(desk, &event.Close{Period: "2026-02", Upto: map[string]event.LogHead{phone.Key.Device(): {Seq: phone.Seq, Hash: phone.Prev}}, Digest: event.Digests{Average: zero, FIFO: zero}, Engine: "1"},
		&event.Revoke{Device: phone.Key.Device(), Last: phone.Seq, Hash: phone.Prev, Reason: "sold"})
	lines := storetest.Lines(t, st)
	if err := os.WriteFile(filepath.Join(folder, "lines.jsonl"), append(bytes.Join(lines, []byte("\n")), '\n'), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
}
