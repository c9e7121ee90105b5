package handover_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/memory"
	"countback/ledger/store/storetest"
	"countback/sync/handover"
	"countback/sync/replicate"
)

var ctx = context.Background()

// ledger is a desk's store with a phone's log, receipts of both, and a line that waits.
func ledger(t *testing.T, orders int) (*storetest.Log, *memory.Store) {
	t.Helper()
	desk, st := storetest.NewLog(1, ""), memory.New()
	phone := storetest.NewLog(2, desk.Shop)
	storetest.Put(t, st, storetest.Some(desk, 5)...)
	storetest.Put(t, st, phone.Next(phone.Device(desk, "phone")))
	for range orders {
		storetest.Put(t, st, desk.Next(storetest.Order("W-1", 2)))
	}
	m := machine(t, desk, st)
	r, err := replicate.SignReceipt(phone.Key, 1, []replicate.Head{{Device: phone.Key.Device(), Seq: 1, Hash: phone.Prev}})
	if err != nil {
		t.Fatal(err)
	}
	phone.Next(storetest.Count("board", 1)) // lost on its way
	m.Step(start, replicate.File{Lines: [][]byte{phone.Next(storetest.Count("board", 7)).Line}, Receipts: [][]byte{r.Body()}})
	return desk, st
}

var start = time.UnixMilli(storetest.Start)

func machine(t *testing.T, desk *storetest.Log, st store.Store) *replicate.Machine {
	t.Helper()
	m, err := replicate.New(ctx, replicate.Config{Store: st, Key: desk.Key, Shop: desk.Shop, Desk: true})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func write(t *testing.T, desk *storetest.Log, st store.Store, place []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	if _, err := handover.Write(ctx, &b, st, handover.Head{Shop: desk.Shop, Name: "Fennimoor Paper", Device: desk.Key.Device(), Made: "2026-03-02T09:30:00-04:00"}, place); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// What is in a file makes the same ledger through the same way in as anything else.
func TestAFileMakesTheLedgerAnew(t *testing.T) {
	desk, st := ledger(t, 6_000)
	file := write(t, desk, st, []byte(`{"created":1}`))
	r, err := handover.New(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	fresh := memory.New()
	m := machine(t, storetest.NewLog(9, desk.Shop), fresh)
	parts := 0
	for {
		p, err := r.Next()
		if err != nil {
			t.Fatal(err)
		}
		parts++
		m.Step(start, replicate.File{Lines: p.Lines, Receipts: p.Receipts})
		if p.Done {
			if string(p.Place) != `{"created":1}` {
				t.Errorf("place %q", p.Place)
			}
			break
		}
	}
	if _, err := r.Next(); err != io.EOF {
		t.Error("behind its end:", err)
	}
	if parts < 2 {
		t.Error("all in", parts, "parts")
	}
	if got, want := storetest.Lines(t, fresh), storetest.Lines(t, st); !equal(got, want) {
		t.Errorf("%d lines, not the %d", len(got), len(want))
	}
	waiting, err := replicate.Waiting(ctx, fresh)
	if err != nil || len(waiting) != 1 {
		t.Error("what waited:", waiting, err)
	}
	receipts, err := replicate.Receipts(ctx, fresh)
	if err != nil || len(receipts) != 1 { // the desk's own machine of before has made none
		t.Error("receipts:", len(receipts), err)
	}
	if head, n, err := handover.Check(bytes.NewReader(file)); err != nil || n != int64(len(storetest.Lines(t, st)))+1 || head.Name != "Fennimoor Paper" || r.Head() != head {
		t.Error(head, n, err)
	}
}

// equal compares lines in any order: another replica has another order of arrival.
func equal(a, b [][]byte) bool {
	slices.SortFunc(a, bytes.Compare)
	slices.SortFunc(b, bytes.Compare)
	return bytes.Equal(bytes.Join(a, []byte("\n")), bytes.Join(b, []byte("\n")))
}

func TestADamagedFileIsNoticed(t *testing.T) {
	desk, st := ledger(t, 3)
	file := write(t, desk, st, nil)
	for i := range file {
		if i >= 3 && i <= 9 { // flags, time and system of gzip's head, which say nothing
			continue
		}
		flipped := bytes.Clone(file)
		flipped[i] ^= 1
		if _, _, err := handover.Check(bytes.NewReader(flipped)); !errors.Is(err, handover.ErrFile) {
			t.Errorf("byte %d flipped: %v", i, err)
		}
	}
	for n := range file {
		if _, _, err := handover.Check(bytes.NewReader(file[:n])); !errors.Is(err, handover.ErrFile) {
			t.Errorf("%d bytes of it: %v", n, err)
		}
	}
	text := unzip(t, file)
	lines := strings.SplitAfter(text, "\n")
	lines = lines[:len(lines)-1]
	swap := func(i, k int) string {
		l := append([]string{}, lines...)
		l[i], l[k] = l[k], l[i]
		return strings.Join(l, "")
	}
	last := len(lines) - 1
	for name, bad := range map[string]string{
		"a line more behind":       text + "\n",
		"two lines changed places": swap(1, 2),
		"an event left out":        strings.Join(append(append([]string{}, lines[:2]...), lines[3:]...), ""),
		"an event twice":           strings.Join(append(append([]string{}, lines[:2]...), lines[1:]...), ""),
		"the receipt first":        swap(1, last-1),
		"no end":                   strings.Join(lines[:last], ""),
		"another format":           strings.Replace(text, "handover-v1", "handover-v2", 1),
		"no format":                strings.Join(lines[1:], ""),
		"a long line":              strings.Join(lines[:1], "") + strings.Repeat("x", 3<<20) + "\n",
		"a long event":             strings.Join(lines[:1], "") + strings.Repeat("x", event.MaxLine+1) + "\n",
		"nothing":                  "",
	} {
		if _, _, err := handover.Check(bytes.NewReader(zip(t, bad))); !errors.Is(err, handover.ErrFile) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, _, err := handover.Check(strings.NewReader("no gzip at all")); !errors.Is(err, handover.ErrFile) {
		t.Error(err)
	}
}

func unzip(t *testing.T, file []byte) string {
	t.Helper()
	r, err := gzip.NewReader(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func zip(t *testing.T, text string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	if _, err := io.WriteString(w, text); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Notes of a replica's own, such as a pairing that is open, don't leave with the ledger.
func TestNotesStayHere(t *testing.T) {
	desk, st := ledger(t, 1)
	seed, err := desk.Key.Seed()
	if err != nil {
		t.Fatal(err)
	}
	if err := st.Write(ctx, func(tx store.Tx) error { return tx.SetLocal("pair/open", []byte("planted-note")) }); err != nil {
		t.Fatal(err)
	}
	text := unzip(t, write(t, desk, st, nil))
	for _, secret := range []string{"planted-note", string(seed)} {
		if strings.Contains(text, secret) {
			t.Error("the file holds", secret[:6])
		}
	}
}

// No file makes the reader fail in another way than by its error, and what it takes for whole is.
func FuzzReader(f *testing.F) {
	desk, st := storetest.NewLog(1, ""), memory.New()
	storetest.Put(f, st, storetest.Some(desk, 3)...)
	var b bytes.Buffer
	if _, err := handover.Write(ctx, &b, st, handover.Head{Shop: desk.Shop}, []byte("{}")); err != nil {
		f.Fatal(err)
	}
	r, err := gzip.NewReader(bytes.NewReader(b.Bytes()))
	if err != nil {
		f.Fatal(err)
	}
	text, err := io.ReadAll(r)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(text))
	f.Add(`{"format":"countback-handover-v1","shop":"","name":"","device":"","made":""}` + "\n" + `{"receipt":"x"}` + "\n" + `{"end":{"events":0,"receipts":1,"sha256":""}}` + "\n")
	f.Fuzz(func(t *testing.T, text string) {
		_, n, err := handover.Check(bytes.NewReader(zip(t, text)))
		if err != nil && !errors.Is(err, handover.ErrFile) {
			t.Fatal(err)
		}
		if err == nil && int64(strings.Count(text, "\n")) < n+2 {
			t.Fatalf("%d events in %q", n, text)
		}
	})
}
