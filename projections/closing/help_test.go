package closing_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/event"
	"countback/projections/closing"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/report"
)

var ctx = context.Background()

// keeper is the device that closes in tests; its log holds nothing but closes.
const keeper = "zzzzzzzzzzzzzzzzzzzzzzzzzz"

// only is the office of a shop with one keeper for ever.
func only([]*event.Event) (string, func(string, int64) bool) {
	return keeper, func(string, int64) bool { return false }
}

var style = report.Style{Zone: time.UTC}

func read(t testing.TB, lines foldtest.Lines) *closing.Ledger {
	t.Helper()
	l, err := closing.Read(ctx, lines, time.UTC, only)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func show(t testing.TB, lines foldtest.Lines, period string) *closing.Figures {
	t.Helper()
	p, err := closing.ParsePeriod(period)
	if err != nil {
		t.Fatal(err)
	}
	f, err := read(t, lines).Show(ctx, p)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// closed adds the close of a period over all that is there, as the keeper would record it.
func closed(t testing.TB, lines foldtest.Lines, period string) foldtest.Lines {
	t.Helper()
	d, err := show(t, lines, period).Data(nil)
	if err != nil {
		t.Fatal(err)
	}
	return recorded(t, lines, keeper, "2026-09-01T00:00:00Z", d)
}

// recorded adds an event at the end of a device's log.
func recorded(t testing.TB, lines foldtest.Lines, device, at string, d event.Data) foldtest.Lines {
	t.Helper()
	when, err := event.ParseTime(at)
	if err != nil {
		t.Fatal(err)
	}
	seq := head(t, lines, device).Seq + 1
	id := foldtest.ID(fmt.Sprintf("C%c%05d", device[0]-'a'+'A', seq))
	if device == keeper {
		id = foldtest.ID(fmt.Sprintf("CZ%05d", seq))
	}
	return append(slices.Clip(lines), foldtest.Line(id, device, when, seq, d))
}

// head is the end of a device's log.
func head(t testing.TB, lines foldtest.Lines, device string) (h event.LogHead) {
	t.Helper()
	for _, line := range lines {
		e, err := event.ParseLine(line)
		if err != nil {
			t.Fatal(err)
		}
		if e.Device == device && e.Seq > h.Seq {
			sum := sha256.Sum256(line)
			h = event.LogHead{Seq: e.Seq, Hash: hex.EncodeToString(sum[:])}
		}
	}
	return h
}

// later adds facts to the logs that there are.
func later(t testing.TB, lines foldtest.Lines, facts string) foldtest.Lines {
	t.Helper()
	for n, text := range strings.Split(strings.TrimSpace(facts), "\n") {
		one := foldtest.Facts(text)
		e, err := event.ParseLine(one[0])
		if err != nil {
			t.Fatal(err)
		}
		id := e.ID
		if !strings.Contains(strings.SplitN(text, "{", 2)[0], "#") {
			id = foldtest.ID(fmt.Sprintf("M%02d%05d", n, len(lines)))
		}
		lines = append(slices.Clip(lines), foldtest.Line(id, e.Device, e.Time, head(t, lines, e.Device).Seq+1, e.Data))
	}
	return lines
}

// row says what a column of an item holds: quantity, average, first in first out.
func row(f *closing.Figures, item string) map[string]string {
	out := map[string]string{}
	for i := range f.Rows {
		r := &f.Rows[i]
		if r.Item != item {
			continue
		}
		text := func(e fold.Entry) string {
			s := fmt.Sprint(e.Qty, " ", e.Value[0])
			if e.Value[0] != e.Value[1] {
				s += fmt.Sprint(" ", e.Value[1])
			}
			return s
		}
		for c := range fold.Columns {
			if e := r.Columns[c]; !e.Qty.IsZero() || !e.Value.IsZero() {
				out[c.String()] = text(e)
			}
		}
		out["opening"], out["closing"] = text(r.Opening), text(r.Closing)
	}
	return out
}

func expect(t *testing.T, f *closing.Figures, item string, want map[string]string) {
	t.Helper()
	if got := row(f, item); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%s in %s:\n got %v\nwant %v", item, f.Period, got, want)
	}
}

func sha(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

func names(list []closing.Late) (out []string) {
	for _, e := range list {
		out = append(out, string(e.Kind)+" "+e.About)
	}
	return out
}
