package fold_test

import (
	"context"
	"reflect"
	"testing"

	"countback/projections/fold"
	"countback/projections/foldtest"
)

// A snapshot goes through its text unchanged and is taken up again, also one of orders of which nothing was packed, reversed or placed yet.
func TestASnapshotSurvivesItsText(t *testing.T) {
	log, err := fold.Read(context.Background(), foldtest.Facts(base+`
		restock 2026-01-02 {"lines":[{"item":"A","qty":"10","cost":"10"}]}
		order 2026-01-03 {"order":"1","zone":"ca","lines":[{"item":"A","qty":"2"}]}
		order 2026-01-03 {"order":"2","zone":"ca","lines":[{"item":"A","qty":"2"}]}
		pack 2026-01-04 {"order":"1","lines":[{"item":"A","qty":"1"}]}
		damage 2026-01-05 {"item":"S","qty":"3","reason":"damaged"}
		pack 2026-01-06 {"order":"1","lines":[{"item":"A","qty":"1"}]}
		pack 2026-01-07 {"order":"2"}`), fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	var all []fold.Movement
	var snaps []*fold.Snapshot
	var at []int
	whole := log.Run(fold.Run{
		Marks:   []int64{1767312000000, 1767398400000, 1767484800000, 1767571200000, 1767657600000}, // the first instants of 2 to 6 January
		Mark:    func(sn *fold.Snapshot) { snaps, at = append(snaps, sn), append(at, len(all)) },
		Observe: func(m fold.Movement) { all = append(all, m) },
	})
	if len(snaps) != 6 {
		t.Fatalf("%d snapshots", len(snaps))
	}
	for i, sn := range snaps {
		text, err := sn.Encode()
		if err != nil {
			t.Fatal(err)
		}
		read, err := fold.DecodeSnapshot(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if again, err := read.Encode(); err != nil || string(again) != string(text) {
			t.Fatalf("%s\nis written again as\n%s (%v)", text, again, err)
		}
		for range 2 { // a snapshot can be taken up more than once
			var rest []fold.Movement
			s := log.Run(fold.Run{From: read, Observe: func(m fold.Movement) { rest = append(rest, m) }})
			if len(rest)+len(all[at[i]:]) > 0 && !reflect.DeepEqual(rest, all[at[i]:]) {
				t.Fatalf("after snapshot %d:\n%v\nwithout it:\n%v", i, rest, all[at[i]:])
			}
			for _, item := range []string{"A", "B", "S"} {
				if show(s, item) != show(whole, item) {
					t.Errorf("after snapshot %d: %s is %s, without it %s", i, item, show(s, item), show(whole, item))
				}
			}
		}
	}
}
