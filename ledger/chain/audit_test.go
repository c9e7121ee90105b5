package chain_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/ledger/store/storetest"
)

var ctx = context.Background()

// rows is a store's content as bare lines, so that a test can damage them.
type rows [][]byte

func (r rows) Scan(_ context.Context, after int64, fn func(store.Row) error) error {
	for i, line := range r {
		if err := fn(store.Row{N: int64(i + 1), Line: line}); err != nil {
			return err
		}
	}
	return nil
}

func small() (out rows, desk, phone *storetest.Log) {
	desk = storetest.NewLog(1, "")
	phone = storetest.NewLog(2, desk.Shop)
	for _, e := range storetest.Some(desk, 5) {
		out = append(out, e.Line)
	}
	out = append(out, phone.Next(phone.Device(desk, "phone")).Line, phone.Next(storetest.Count("board", 3)).Line)
	return append(out, desk.Next(storetest.Order("W-9", 2)).Line), desk, phone
}

func audit(t testing.TB, src chain.Source, signatures bool) chain.Report {
	t.Helper()
	r, err := chain.Audit(ctx, src, chain.Options{Signatures: signatures, Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestWholeLedger(t *testing.T) {
	lines, desk, phone := small()
	for _, signatures := range []bool{false, true} {
		r := audit(t, lines, signatures)
		if len(r.Faults) != 0 || r.Events != 8 || len(r.Devices) != 2 {
			t.Fatalf("%+v", r)
		}
		for _, d := range r.Devices {
			for _, l := range []*storetest.Log{desk, phone} {
				if d.Device == l.Key.Device() && (d != chain.DeviceReport{Device: d.Device, Last: l.Seq, Head: l.Prev, OK: true}) {
					t.Errorf("%+v", d)
				}
			}
		}
	}
}

// Every byte of a small ledger is changed, one at a time: each change is reported, with the log's hash chain and last signatures alone and with all
// signatures.
func TestEveryByte(t *testing.T) {
	lines, _, _ := small()
	step := 3 // every third byte; COUNTBACK_FULL=1 changes each in eight ways
	bits := []uint{0}
	if os.Getenv("COUNTBACK_FULL") != "" {
		step, bits = 1, []uint{0, 1, 2, 3, 4, 5, 6, 7}
	}
	for i := range lines {
		for at := i % step; at < len(lines[i]); at += step {
			for _, bit := range bits {
				bad := append(rows{}, lines...)
				bad[i] = bytes.Clone(lines[i])
				bad[i][at] ^= 1 << bit
				for _, signatures := range []bool{false, true} {
					r := audit(t, bad, signatures)
					if len(r.Faults) == 0 {
						t.Fatalf("line %d, byte %d, bit %d (%q): nothing reported", i, at, bit, lines[i][max(at-10, 0):at+1])
					}
					for _, f := range r.Faults {
						if f.What == "" || f.Repair == "" {
							t.Fatalf("a fault without words: %+v", f)
						}
					}
				}
			}
		}
	}
}

func wantFault(t *testing.T, r chain.Report, part string) {
	t.Helper()
	for _, f := range r.Faults {
		if strings.Contains(f.What, part) {
			return
		}
	}
	t.Errorf("no fault says %q: %+v", part, r.Faults)
}

func TestFaultsListed(t *testing.T) {
	whole, _, _ := small()
	for name, c := range map[string]struct {
		change func(rows) rows
		want   []string
	}{
		"a line is missing":     {func(r rows) rows { return append(r[:2:2], r[3:]...) }, []string{"comes after 2"}},
		"a line stands twice":   {func(r rows) rows { return append(r, r[7]) }, []string{"comes after 6"}},
		"the first is missing":  {func(r rows) rows { return r[1:] }, []string{"comes after 0", "doesn't begin with the device event", "nobody has admitted"}},
		"two lines are swapped": {func(r rows) rows { r[2], r[3] = r[3], r[2]; return r }, []string{"comes after 2", "comes after 4"}},
		"a line is no event":    {func(r rows) rows { return append(r, []byte(`{"a":1}`)) }, []string{"can't be read"}},
		"a line is nothing":     {func(r rows) rows { return append(r, nil) }, []string{"can't be read"}},
		"a log nobody has admitted": {func(r rows) rows {
			l := storetest.NewLog(7, whole0(whole).Shop)
			return append(r, l.Next(l.Device(nil, "phone")).Line)
		}, []string{"nobody has admitted"}},
		"another shop": {func(r rows) rows {
			l := storetest.NewLog(7, "")
			return append(r, l.Next(l.Device(nil, "desk")).Line)
		}, []string{"belongs to shop"}},
		"a void event": {func(r rows) rows {
			l := storetest.NewLog(1, "")
			storetest.Some(l, 5)
			l.Next(storetest.Order("W-9", 2))
			return append(r, l.Foreign("countback.order.v1", `{"bogus":"1"}`).Line)
		}, []string{"check of shape"}},
	} {
		r := audit(t, c.change(append(rows{}, whole...)), true)
		for _, want := range c.want {
			t.Run(name, func(t *testing.T) { wantFault(t, r, want) })
		}
	}
}

func whole0(r rows) *event.Event {
	e, err := event.ParseLine(r[0])
	if err != nil {
		panic(err)
	}
	return e
}

// A forged line in the middle whose successors were rehashed is seen by the signatures alone.
func TestForgedAndRehashed(t *testing.T) {
	lines, desk, _ := small()
	forger := storetest.NewLog(1, "")
	var out rows
	for i, line := range lines[:5] {
		e, err := event.ParseLine(line)
		if err != nil {
			t.Fatal(err)
		}
		head, sig, _ := event.Signed(line)
		if i >= 2 {
			head = bytes.Replace(head, []byte(e.Prev), []byte(forger.Prev), 1)
			head = bytes.Replace(head, []byte("W-102"), []byte("W-999"), 1)
		}
		forged, err := event.Seal(head, sig)
		if err != nil {
			t.Fatal(err)
		}
		forger.Prev = event.HashLine(forged)
		out = append(out, forged)
	}
	_ = desk
	r := audit(t, out, true)
	if len(r.Faults) != 3 {
		t.Errorf("%+v", r.Faults)
	}
	wantFault(t, r, "the signature isn't that of device")
	wantFault(t, audit(t, out, false), "the signature isn't that of device") // of the last event
}

func TestUnknownKindsAreNoFault(t *testing.T) {
	lines, desk, _ := small()
	lines = append(lines, desk.Foreign("countback.inkwell.v1", `{"a":"b"}`).Line, desk.Foreign("countback.order.v9", `{}`).Line)
	if r := audit(t, lines, true); len(r.Faults) != 0 {
		t.Errorf("%+v", r.Faults)
	}
}

type failing struct{}

func (failing) Scan(context.Context, int64, func(store.Row) error) error {
	return errors.New("the disk is gone")
}

func TestAuditCantRead(t *testing.T) {
	if _, err := chain.Audit(ctx, failing{}, chain.Options{}); err == nil {
		t.Error("no error")
	}
	if r := audit(t, rows{}, true); r.Events != 0 || len(r.Faults) != 0 {
		t.Errorf("an empty ledger: %+v", r)
	}
}

func BenchmarkAudit(b *testing.B) {
	var lines rows
	for _, e := range storetest.Some(storetest.NewLog(1, ""), 5000) {
		lines = append(lines, e.Line)
	}
	for _, signatures := range []bool{false, true} {
		b.Run(fmt.Sprintf("signatures=%v", signatures), func(b *testing.B) {
			for b.Loop() {
				if _, err := chain.Audit(ctx, lines, chain.Options{Signatures: signatures}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N*len(lines))/b.Elapsed().Seconds(), "events/s")
		})
	}
}
