package main

import (
	"strings"
	"testing"
)

// A person at the terminal is asked before an odd count is recorded; yes records it, anything else doesn't.
func TestOddCountsAreAskedAbout(t *testing.T) {
	b := newBench(t)
	b.must("init", "--shop", "Fennimoor Paper", "--currency", "CAD", "--zone", "America/Halifax")
	b.must("item", "board", "--name", "Board", "--type", "supply", "--unit", "each", "--pack", "box=150")
	b.must("restock", "board", "3", "box", "--cost", "90")
	b.setUp = func(m *Main) { m.Asks = true }
	onHand := func(want string) {
		t.Helper()
		if out := b.must("stock", "board", "--json"); !strings.Contains(out, `"on_hand": "`+want+`"`) {
			t.Errorf("not %s on hand: %s", want, out)
		}
	}
	for _, answer := range []string{"no\n", "\n", "", "yes please\n"} {
		o := b.feed(answer, "count", "board", "300")
		if o.status != statusUse || !strings.Contains(o.errors, "one box may have been missed") || !strings.Contains(o.errors, "not recorded") {
			t.Errorf("%q: status %d\n%s", answer, o.status, o.errors)
		}
		onHand("450")
	}
	sheet := b.file("counts.csv", "item,counted\nboard,4500\n")
	if o := b.feed("no\n", "import", "counts", sheet); o.status != statusUse || !strings.Contains(o.errors, "nought too many") {
		t.Errorf("status %d\n%s", o.status, o.errors)
	}
	onHand("450")
	if o := b.feed("", "count", "board", "448"); o.status != 0 || o.errors != "" {
		t.Errorf("an ordinary count was asked about: %s", o.errors)
	}
	if o := b.feed("Yes\n", "count", "board", "298"); o.status != 0 {
		t.Errorf("status %d\n%s", o.status, o.errors)
	}
	onHand("298")
	if o := b.feed("", "count", "board", "598", "--sure"); o.status != 0 || strings.Contains(o.errors, "Record it") {
		t.Errorf("status %d\n%s", o.status, o.errors)
	}
	onHand("598")
	if o := b.feed("no\n", "restock", "board", "1", "--cost", "30"); o.status != statusUse || !strings.Contains(o.errors, "was it 1 box") {
		t.Errorf("status %d\n%s", o.status, o.errors)
	}
}
