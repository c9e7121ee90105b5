package closing_test

import (
	"fmt"
	"maps"
	"math/big"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/closing"
	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/oracle"
)

// history is a random ledger in which the months were closed, each over a random part of what there is in the end.
type history struct {
	events []*event.Event
	upto   [len(months)]map[string]event.LogHead // without the keeper's own log
	stages [len(months)]foldtest.Lines           // what the keeper held with each close
	all    foldtest.Lines                        // everything, closes included
}

// The months that are closed, and the one after them, behind which nothing happens.
var months = [...]string{"2026-02", "2026-03", "2026-04"}

const open = "2026-05"

func random(t *rapid.T) history {
	h := history{events: oracle.Ledger(t, rapid.SampledFrom([]int{10, 25, 50}).Draw(t, "size"))}
	h.events = append(anchor(), h.events...)
	lines := foldtest.Events(h.events)
	lengths := map[string]int64{}
	for _, e := range h.events {
		lengths[e.Device] = max(lengths[e.Device], e.Seq)
	}
	covered := map[string]int64{}
	for i, month := range months {
		for _, device := range slices.Sorted(maps.Keys(lengths)) {
			if device == anchored {
				covered[device] = lengths[device]
				continue
			}
			covered[device] = rapid.Int64Range(covered[device], lengths[device]).Draw(t, "covered")
		}
		var held foldtest.Lines
		for k, e := range h.events {
			if e.Seq <= covered[e.Device] {
				held = append(held, lines[k])
			}
		}
		held = append(held, h.closes(i)...) // made before
		h.upto[i] = map[string]event.LogHead{}
		for device := range lengths {
			if covered[device] > 0 {
				h.upto[i][device] = event.LogHead{Seq: covered[device]}
			}
		}
		h.stages[i] = held
		d, err := showR(t, held, month).Data(nil)
		if err != nil {
			t.Fatal(err)
		}
		h.stages[i] = recordedR(held, d)
	}
	h.all = append(slices.Clone(lines), h.closes(len(months))...)
	return h
}

// anchored is the device of two events that every close covers, so that stock moves first in February.
const anchored = "yyyyyyyyyyyyyyyyyyyyyyyyyy"

func anchor() []*event.Event {
	at := event.TimeOf(time.UnixMilli(oracle.Start - 14*24*3600*1000).UTC())
	item := &event.Item{Item: "anchor", Name: "Anchor", Type: "good", Unit: "each"}
	count := &event.Count{Item: "anchor", Qty: ptr(num.Whole(3)), Cost: ptr(num.MustMoney("1"))}
	return []*event.Event{
		{ID: foldtest.ID("Y1"), Shop: foldtest.Devices[0], Device: anchored, Kind: event.KindItem, Version: 1, Time: at, Seq: 1, Data: item},
		{ID: foldtest.ID("Y2"), Shop: foldtest.Devices[0], Device: anchored, Kind: event.KindCount, Version: 1, Time: at, Seq: 2, Data: count},
	}
}

func ptr[T any](v T) *T { return &v }

// closes are the closes of the first months: each the last event of its stage.
func (h *history) closes(n int) (out foldtest.Lines) {
	for i := range n {
		out = append(out, h.stages[i][len(h.stages[i])-1])
	}
	return out
}

func recordedR(lines foldtest.Lines, d event.Data) foldtest.Lines {
	seq := int64(1)
	for _, l := range lines {
		if e, err := event.ParseLine(l); err == nil && e.Device == keeper {
			seq++
		}
	}
	at, _ := event.ParseTime("2026-09-01T00:00:00Z")
	return append(slices.Clip(lines), foldtest.Line(foldtest.ID(fmt.Sprintf("CZ%05d", seq)), keeper, at, seq, d))
}

func readR(t *rapid.T, lines foldtest.Lines) *closing.Ledger {
	l, err := closing.Read(ctx, lines, style.Zone, only)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func showR(t *rapid.T, lines foldtest.Lines, month string) *closing.Figures {
	f, err := readR(t, lines).Show(ctx, period(month))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func period(s string) closing.Period {
	p, err := closing.ParsePeriod(s)
	if err != nil {
		panic(err)
	}
	return p
}

// What the months closed say, and what is open since, is together what a fold that knows no closes says: for every item, column and costing.
func TestClosedAndOpenColumnsAreThePlainFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := random(t)
		l := readR(t, h.all)
		if len(l.Closed) != len(months) || len(l.Void) != 0 {
			t.Fatalf("%d closes count, void: %v", len(l.Closed), l.Void)
		}
		sums := map[string]*closing.Row{}
		var before map[string]fold.Entry
		for _, month := range append(months[:], open) {
			f := showR(t, h.all, month)
			balance := map[string]fold.Entry{}
			for i := range f.Rows {
				r := &f.Rows[i]
				if sums[r.Item] == nil {
					sums[r.Item] = new(closing.Row)
				}
				sum := sums[r.Item]
				for c := range fold.Columns {
					sum.Columns[c].Qty = sum.Columns[c].Qty.Add(r.Columns[c].Qty)
					sum.Columns[c].Value = sum.Columns[c].Value.Add(r.Columns[c].Value)
				}
				if before != nil && before[r.Item] != r.Opening {
					t.Fatalf("%s opens %s with %v, and was closed with %v", r.Item, month, r.Opening, before[r.Item])
				}
				if got := balanceOf(r); got != r.Closing {
					t.Fatalf("%s in %s closes with %v, its columns say %v", r.Item, month, r.Closing, got)
				}
				balance[r.Item] = r.Closing
				sum.Closing = r.Closing
			}
			before = balance
		}
		plain := foldtest.Run(h.all, 0)
		for i, it := range plain.Catalog.Items {
			if it.Prepared() {
				continue
			}
			sum := sums[it.ID]
			if sum == nil {
				t.Fatalf("%s is missing", it.ID)
			}
			if sum.Columns != plain.Items[i].Totals {
				t.Errorf("%s: closed and open %v, plain %v\n%s", it.ID, sum.Columns, plain.Items[i].Totals, oracle.Text(h.events))
			}
			acc := &plain.Items[i].Account
			if sum.Closing != (fold.Entry{Qty: acc.OnHand(), Value: acc.Value()}) {
				t.Errorf("%s: closing %v, on hand %v", it.ID, sum.Closing, acc.OnHand())
			}
		}
	})
}

func balanceOf(r *closing.Row) fold.Entry {
	e := r.Opening
	for c := range fold.Columns {
		if c.In() {
			e.Qty, e.Value = e.Qty.Add(r.Columns[c].Qty), e.Value.Add(r.Columns[c].Value)
		} else {
			e.Qty, e.Value = e.Qty.Sub(r.Columns[c].Qty), e.Value.Sub(r.Columns[c].Value)
		}
	}
	return e
}

// Whatever arrives after a close, and in whatever order, its figures and digests stay.
func TestNothingThatArrivesMovesAClosedMonth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := random(t)
		for i, month := range months {
			was := showR(t, h.stages[i], month)
			now := showR(t, rapid.Permutation(h.all).Draw(t, "arrival"), month)
			if !now.Same() || now.Digest != was.Digest || fmt.Sprint(now.Rows) != fmt.Sprint(was.Rows) || fmt.Sprint(now.Earlier) != fmt.Sprint(was.Earlier) {
				t.Errorf("%s was\n%v\nand is\n%v\n%s", month, was.Rows, now.Rows, oracle.Text(h.events))
			}
		}
	})
}

// Closing changes nothing that any other report says.
func TestThePlainFoldIgnoresCloses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := random(t)
		with, without := foldtest.Run(h.all, 0), foldtest.Run(foldtest.Events(h.events), 0)
		if !reflect.DeepEqual(with.Items, without.Items) || fmt.Sprint(with.Notices) != fmt.Sprint(without.Notices) { // printed, a large figure would be an address
			t.Errorf("with closes %v\nwithout %v", with.Items, without.Items)
		}
	})
}

// A replica that lacks any of the events that are covered waits, and says for what.
func TestAReplicaThatLacksACoveredEventWaits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := random(t)
		device := rapid.SampledFrom(slices.Sorted(maps.Keys(h.upto[2]))).Draw(t, "device")
		upto := h.upto[2][device].Seq
		left := rapid.Int64Range(0, upto-1).Draw(t, "left")
		var some foldtest.Lines
		for _, line := range h.all {
			if e, err := event.ParseLine(line); err != nil || e.Device != device || e.Seq <= left {
				some = append(some, line)
			}
		}
		f := showR(t, some, months[2])
		want := fmt.Sprintf("[waiting for %s %d…%d]", device, left+1, upto)
		if f.State != nil || len(f.Rows) > 0 || fmt.Sprint(f.Report(style).Waiting) != want {
			t.Errorf("waits for %v, want %s", f.Report(style).Waiting, want)
		}
	})
}

// Where what came late changes an earlier period at all, events are named for it; without anything late nothing is "from earlier periods".
func TestWhatComesFromEarlierPeriodsIsListed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := random(t)
		for _, month := range append(months[:], open) {
			f := showR(t, h.all, month)
			moved := false
			for i := range f.Rows {
				moved = moved || f.Rows[i].Earlier != [fold.Columns]fold.Entry{}
			}
			if moved && len(f.Earlier) == 0 {
				t.Errorf("something changed what was closed before %s, and nothing is named\n%s", month, oracle.Text(h.events))
			}
			again := showR(t, rapid.Permutation(h.all).Draw(t, "arrival"), month)
			if fmt.Sprint(f.Earlier) != fmt.Sprint(again.Earlier) {
				t.Error("the list hangs on the order of arrival")
			}
		}
	})
}

// Closed figures are those of the slow reading, to the last digit.
func TestClosedFiguresAgreeWithTheOracle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := random(t)
		var covered []oracle.Closed
		for i, month := range months {
			upto := map[string]int64{}
			for device, head := range h.upto[i] {
				upto[device] = head.Seq
			}
			_, end := period(month).Span(style.Zone)
			covered = append(covered, oracle.Closed{Upto: upto, End: end})
		}
		want := oracle.Close(h.events, covered, 2)
		for i, month := range months {
			f := showR(t, h.all, month)
			got := map[string][]string{}
			for k := range f.Rows {
				r := &f.Rows[k]
				list := []string{entry(r.Opening)}
				for c := range fold.Columns {
					list = append(list, entry(r.Columns[c]))
				}
				got[r.Item] = append(list, entry(r.Closing))
			}
			exp := map[string][]string{}
			for item, list := range want[i].Items {
				for _, a := range list {
					exp[item] = append(exp[item], amount(a))
				}
			}
			if fmt.Sprint(got) != fmt.Sprint(exp) {
				t.Errorf("%s\n got %v\nwant %v\n%s", month, got, exp, oracle.Text(h.events))
			}
			if f.Digest.Average != want[i].Average || f.Digest.FIFO != want[i].FIFO {
				t.Errorf("%s: digests %v, want %s and %s", month, f.Digest, want[i].Average, want[i].FIFO)
			}
		}
	})
}

func entry(e fold.Entry) string { return fmt.Sprint(e.Qty, " ", e.Value[0], " ", e.Value[1]) }

func amount(a oracle.Amount) string { return dec(a.Qty) + " " + dec(a.Average) + " " + dec(a.FIFO) }

func dec(r *big.Rat) string {
	s := strings.TrimRight(strings.TrimRight(r.FloatString(8), "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}
