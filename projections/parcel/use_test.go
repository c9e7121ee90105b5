package parcel_test

import (
	"strings"
	"testing"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/parcel"
)

func contains(s, part string) bool { return strings.Contains(s, part) }

// Make specs (figures, sections 3 and 5): n pieces are good and spoiled together.
func TestRuns(t *testing.T) {
	one := num.MustQty("2.5")
	for _, c := range []struct {
		rule, spec, n string
		cycles        *num.Qty
		use           string
	}{
		{"cycles are pieces by pieces per cycle, rounded up", `"pieces":"4","lines":[{"item":"S","qty":"1","per":"cycle"}]`, "9", nil, "S=3"},
		{"a full cycle is one", `"pieces":"4","lines":[{"item":"S","qty":"1","per":"cycle"}]`, "8", nil, "S=2"},
		{"pieces per cycle may be a fraction", `"pieces":"2.5","lines":[{"item":"S","qty":"1","per":"cycle"}]`, "6", nil, "S=3"},
		{"cycles given", `"pieces":"4","lines":[{"item":"S","qty":"2","per":"cycle"},{"item":"T","qty":"1","per":"piece"}]`, "9", &one, "S=5 T=9"},
		{"per piece", `"pieces":"4","lines":[{"item":"T","qty":"1","measure":"strip","per":"piece"}]`, "9", nil, "T=1084.5"},
		{"every, in cycles", `"pieces":"4","lines":[{"item":"N","qty":"1","per":"cycle","every":"2"}]`, "9", nil, "N=2"},
		{"every, in pieces", `"pieces":"4","lines":[{"item":"N","qty":"1","per":"piece","every":"2"}]`, "9", nil, "N=5"},
		{"every, of cycles given", `"pieces":"4","lines":[{"item":"N","qty":"1","per":"cycle","every":"1"}]`, "9", &one, "N=3"},
		{"lines of one item add up", `"pieces":"4","lines":[{"item":"S","qty":"1","per":"cycle"},{"item":"S","qty":"0.5","per":"piece"}]`, "9", nil, "S=7.5"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			b := newBench(t)
			use, err := parcel.Run(b.c, b.v, makeSpec(t, `{"item":"A",`+c.spec+`}`), num.MustQty(c.n), c.cycles, nil)
			if err != nil {
				t.Fatal(err)
			}
			if got := b.useText(use); got != c.use {
				t.Errorf("uses %q, by hand %q", got, c.use)
			}
		})
	}
	b := newBench(t)
	if use, err := parcel.Run(b.c, b.v, nil, num.Whole(9), nil, nil); err != nil || use != nil {
		t.Errorf("without a spec: %v, %v", use, err)
	}
}

func change(item, qty, total, instead, measure string) event.Change {
	ch := event.Change{Item: item, InsteadOf: instead, Measure: measure}
	number := func(s string) *num.Qty {
		if s == "" {
			return nil
		}
		q := num.MustQty(s)
		return &q
	}
	ch.Qty, ch.Total = number(qty), number(total)
	return ch
}

func TestChanges(t *testing.T) {
	add := func(item, qty string) event.Change { return change(item, qty, "", "", "") }
	whole := func(item, total string) event.Change { return change(item, "", total, "", "") }
	instead := func(item, total, other string) event.Change { return change(item, "", total, other, "") }
	for _, c := range []struct {
		rule, spec string
		changes    []event.Change
		use, below string
		void       string
	}{
		{"none", "M=1", nil, "M=1", "", ""},
		{"a difference is added", "M=1", []event.Change{add("M", "2"), add("N", "1.5")}, "M=3 N=1.5", "", ""},
		{"differences add up, also signed", "M=5", []event.Change{add("M", "-2"), add("M", "0.5")}, "M=3.5", "", ""},
		{"a total is the whole use", "M=5", []event.Change{whole("M", "2")}, "M=2", "", ""},
		{"a total of 0 is without", "M=5 N=1", []event.Change{whole("M", "0")}, "M=0 N=1", "", ""},
		{"of two totals the last", "M=5", []event.Change{whole("M", "2"), whole("M", "3")}, "M=3", "", ""},
		{"a difference acts after a total, wherever it stands", "M=5", []event.Change{add("M", "1"), whole("M", "2")}, "M=3", "", ""},
		{"instead of: the other becomes 0, this one's total is on top of the spec's own", "M=5 N=1", []event.Change{instead("N", "2", "M")}, "M=0 N=3", "", ""},
		{"instead of something that the spec doesn't use", "N=1", []event.Change{instead("N", "2", "M")}, "M=0 N=3", "", ""},
		{"two for one item add up", "M=5 T=4", []event.Change{instead("N", "2", "M"), instead("N", "3", "T")}, "M=0 N=5 T=0", "", ""},
		{"two instead of one item", "M=5", []event.Change{instead("N", "2", "M"), instead("T", "3", "M")}, "M=0 N=2 T=3", "", ""},
		{"in list order: one that was brought in is replaced again", "M=5", []event.Change{instead("N", "2", "M"), instead("T", "3", "N")}, "M=0 N=0 T=3", "", ""},
		{"a total acts after instead of, wherever it stands", "M=5 N=1", []event.Change{whole("N", "7"), instead("N", "2", "M")}, "M=0 N=7", "", ""},
		{"a total of what was replaced", "M=5", []event.Change{whole("M", "1"), instead("N", "2", "M")}, "M=1 N=2", "", ""},
		{"in a measure", "T=1", []event.Change{change("T", "2", "", "", "strip")}, "T=242", "", ""},
		{"below 0 counts as 0 and is listed", "M=1 N=2", []event.Change{add("M", "-3")}, "M=0 N=2", "M", ""},
		{"once, at the end: back above 0 is not below", "M=1", []event.Change{add("M", "-3"), add("M", "4")}, "M=2", "", ""},
		{"prepared items are changed by their name", "STRIP=1", []event.Change{add("STRIP", "1"), add("S", "1")}, "S=1 STRIP=2", "", ""},
		{"an item that isn't there", "M=1", []event.Change{add("Q", "1")}, "", "", "Q"},
		{"instead of one that isn't there", "M=1", []event.Change{instead("N", "1", "Q")}, "", "", "Q"},
		{"a measure that isn't there", "M=1", []event.Change{change("T", "1", "", "", "roll")}, "", "", "roll"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			b := newBench(t)
			spec := b.uses(t, c.spec)
			use, below, err := parcel.Apply(b.c, b.v, spec, c.changes)
			isVoid(t, err, c.void)
			if got := b.useText(use); got != c.use {
				t.Errorf("uses %q, by hand %q", got, c.use)
			}
			names := ""
			for _, i := range below {
				names += b.c.Items[i].ID
			}
			if names != c.below {
				t.Errorf("below 0: %q, by hand %q", names, c.below)
			}
			if got := b.useText(spec); got != b.useText(b.uses(t, c.spec)) {
				t.Errorf("the spec's own use became %s", got)
			}
		})
	}
}

func TestPartsOfPreparedItems(t *testing.T) {
	for _, c := range []struct{ rule, use, parts, void string }{
		{"what has stock stays", "A=2 T=3.5", "A=2 T=3.5", ""},
		{"a set's parts", "SET=3", "A=6 B=3", ""},
		{"beside its own parts", "A=1 SET=1", "A=3 B=1", ""},
		{"parts of parts, each item once: 2 sets of 2 A and 1 B, 1 A, 3 strips of a sixth of a sheet", "GIFT=1", "A=5 B=2 S=0.500001", ""},
		{"rounded once: 2.5 gifts are 7.5 strips, 7.5 · 0.166667 = 1.2500025 to the even 1.250002", "GIFT=2.5", "A=12.5 B=5 S=1.250002", ""},
		{"what isn't used is dropped", "SET=0 A=0 B=1", "B=1", ""},
		{"an item in itself", "LOOP=1", "", "LOOP"},
		{"a circle of two", "RING=1", "", "RING"},
		{"without parts", "EMPTY=1", "", "EMPTY"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			b := newBench(t,
				`{"item":"LOOP","name":"Loop","type":"prepared","unit":"each","parts":[{"item":"A","qty":"1"},{"item":"LOOP","qty":"1"}]}`,
				`{"item":"RING","name":"Ring","type":"prepared","unit":"each","parts":[{"item":"RUNG","qty":"1"}]}`,
				`{"item":"RUNG","name":"Rung","type":"prepared","unit":"each","parts":[{"item":"RING","qty":"1"}]}`,
				`{"item":"EMPTY","name":"Empty","type":"prepared","unit":"each"}`)
			use, err := parcel.Parts(b.c, b.v, b.uses(t, c.use))
			isVoid(t, err, c.void)
			if got := b.useText(use); got != c.parts {
				t.Errorf("%s stands for %q, by hand %q", c.use, got, c.parts)
			}
		})
	}
}
