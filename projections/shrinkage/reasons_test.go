package shrinkage_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"countback/projections/fold"
	"countback/projections/foldtest"
	"countback/projections/oracle"
	"countback/projections/report"
	"countback/projections/shrinkage"
)

func reasons(t interface{ Fatal(...any) }, lines foldtest.Lines, what shrinkage.What) string {
	log, err := fold.Read(context.Background(), lines, fold.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(shrinkage.ReasonsOf(log, fold.Run{}, report.Style{Zone: time.UTC}, what))
}

// A piece costs 0.25. Entries of one reason add up, a reversed one and one outside of the time stand in none, and the dearest reason stands first.
func TestReasons(t *testing.T) {
	facts := foldtest.Facts(shop + `
damage 2026-05-01 {"item":"board","qty":"2","reason":"gift"}
#Z1 damage 2026-05-02 {"item":"board","qty":"90","reason":"sample"}
reverse 2026-05-03 {"event":"#Z1","reason":"slip"}
`)
	for _, x := range []struct {
		what shrinkage.What
		want string
	}{
		{shrinkage.What{}, "[{gift 1 2 0.77} {damaged 1 1 0.75}]"},
		{shrinkage.What{From: ms("2026-02-01")}, "[{gift 1 1 0.52}]"},
		{shrinkage.What{To: ms("2026-02-01")}, "[{damaged 1 1 0.75} {gift 1 1 0.25}]"},
		{shrinkage.What{From: ms("2026-06-01")}, "[]"},
	} {
		if got := reasons(t, facts, x.what); got != x.want {
			t.Errorf("%v: %s, want %s", x.what, got, x.want)
		}
	}
}

// In whatever order the events arrive, the reasons are the same.
func TestReasonsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		events := oracle.Ledger(t, 60)
		want := reasons(t, foldtest.Events(events), shrinkage.What{})
		if got := reasons(t, foldtest.Events(rapid.Permutation(events).Draw(t, "arrival")), shrinkage.What{}); got != want {
			t.Fatalf("%s, want %s", got, want)
		}
	})
}
