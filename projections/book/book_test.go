package book_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"os"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/book"
)

// op is one operation on an account.
type op struct {
	what     string // receive, issue, gain, back, credit
	n        num.Qty
	cost     num.Money // of a receipt; of a credit the amount
	estimate *num.Money
	source   event.ID
}

func (o op) String() string {
	est := "none"
	if o.estimate != nil {
		est = o.estimate.String()
	}
	return fmt.Sprintf("%s %s cost %s estimate %s source %d", o.what, o.n, o.cost, est, o.source[15])
}

// genOp draws operations; large leans towards the largest numbers that may be written, so that sums leave 64 bits.
func genOp(large bool) *rapid.Generator[op] {
	qty := rapid.OneOf(
		rapid.Map(rapid.Int64Range(1, 12), num.Whole),
		rapid.Map(rapid.Int64Range(1, 30_000_000), num.QtyMillionths),
		rapid.Map(rapid.Int64Range(1, 3), num.QtyMillionths))
	money := rapid.OneOf(
		rapid.Map(rapid.Int64Range(0, 2000), func(cents int64) num.Money { return num.MoneyUnits(cents * 1_000_000) }),
		rapid.Map(rapid.Int64Range(0, 5_000_000_000), num.MoneyUnits),
		rapid.Map(rapid.Int64Range(0, 3), num.MoneyUnits))
	if large {
		qty = rapid.OneOf(qty, rapid.SampledFrom([]num.Qty{num.MustQty("999999999999.999999"), num.MustQty("999999999999"), num.MustQty("400000000000.000001")}))
		money = rapid.OneOf(money, rapid.SampledFrom([]num.Money{num.MustMoney("9999999999.99999999"), num.MustMoney("5000000000"), num.MustMoney("0.00000001")}))
	}
	return rapid.Custom(func(t *rapid.T) op {
		o := op{what: rapid.SampledFrom([]string{"receive", "receive", "issue", "issue", "issue", "gain", "back", "credit"}).Draw(t, "what"), n: qty.Draw(t, "n"), cost: money.Draw(t, "cost"),
			source: event.ID{15: byte(rapid.IntRange(1, 3).Draw(t, "source"))}}
		if rapid.Bool().Draw(t, "estimated") {
			e := money.Draw(t, "estimate")
			o.estimate = &e
		}
		if o.what == "credit" && rapid.IntRange(0, 3).Draw(t, "bill") == 0 {
			o.cost = o.cost.Neg()
		}
		return o
	})
}

// books is what an account's columns come to: in, and out by issues, credits and adjustments.
type books struct {
	qty   num.Qty
	value book.Amounts
}

// do runs one operation on an account and on the model, compares all that they say, and keeps the books.
func do(t rapid.TB, a *book.Account, m *model, b *books, o op) {
	t.Helper()
	t.Log(o)
	n, cost, est := ratOf(t, o.n), ratOf(t, o.cost), ratOrNil(t, o.estimate)
	switch o.what {
	case "receive":
		adjusted := a.Receive(o.n, book.Same(o.cost), o.source)
		same(t, "adjusted", adjusted, m.receive(n, cost, o.source))
		b.qty, b.value = b.qty.Add(o.n), b.value.Add(book.Same(o.cost)).Sub(adjusted)
	case "issue", "back":
		var got book.Issued
		var source *event.ID
		if o.what == "issue" {
			got = a.Issue(o.n, o.estimate)
		} else {
			got, source = a.GiveBack(o.n, o.estimate, o.source), &o.source
		}
		want, provisional, noCost := m.issue(n, est, source)
		same(t, "issued", got.Cost, want)
		if got.Provisional != provisional || got.NoCost != noCost {
			t.Fatalf("%s: provisional %v no cost %v, the model says %v %v", o, got.Provisional, got.NoCost, provisional, noCost)
		}
		b.qty, b.value = b.qty.Sub(o.n), b.value.Sub(got.Cost)
	case "gain":
		got, known := a.Gain(o.n, o.estimate, o.source)
		want, wantKnown := m.gain(n, est, o.source)
		same(t, "gained", got, want)
		if known != wantKnown {
			t.Fatalf("%s: known is %v, the model says %v", o, known, wantKnown)
		}
		b.qty, b.value = b.qty.Add(o.n), b.value.Add(got)
	case "credit":
		lost := a.Credit(o.cost, o.n, o.source)
		same(t, "credited", lost, m.credit(cost, n, o.source))
		b.value = b.value.Sub(lost)
	}
	check(t, a, m, b)
}

// check compares the account as it stands with the model and the books.
func check(t rapid.TB, a *book.Account, m *model, b *books) {
	t.Helper()
	if ratOf(t, a.OnHand()).Cmp(m.onHand()) != 0 {
		t.Fatalf("on hand is %s, the model says %s", a.OnHand(), m.onHand().FloatString(6))
	}
	same(t, "value", a.Value(), m.value())
	if a.OnHand().Cmp(b.qty) != 0 || !a.Value().Sub(b.value).IsZero() {
		t.Fatalf("not conserved: the columns come to %s and %v, the account holds %s and %v", b.qty, b.value, a.OnHand(), a.Value())
	}
	if len(a.Layers()) > 0 && len(a.Shortfalls()) > 0 {
		t.Fatalf("both layers %v and shortfalls %v", a.Layers(), a.Shortfalls())
	}
	var q num.Qty
	var v num.Money
	for i, l := range a.Layers() {
		if l.Qty.Sign() <= 0 || l.Value.Sign() < 0 {
			t.Fatalf("layer %d holds %s at %s", i, l.Qty, l.Value)
		}
		q, v = q.Add(l.Qty), v.Add(l.Value)
	}
	if a.OnHand().Sign() >= 0 && (q.Cmp(a.OnHand()) != 0 || v.Cmp(a.Value()[book.FIFO]) != 0) {
		t.Fatalf("layers come to %s and %s, the account has %s and %s", q, v, a.OnHand(), a.Value()[book.FIFO])
	}
	for _, c := range book.Costings {
		if a.OnHand().Sign() >= 0 && a.Value()[c].Sign() < 0 {
			t.Fatalf("%s on hand at a value of %s (%s)", a.OnHand(), a.Value()[c], c)
		}
		if a.OnHand().IsZero() && !a.Value()[c].IsZero() {
			t.Fatalf("nothing on hand at a value of %s (%s)", a.Value()[c], c)
		}
	}
	for _, e := range []*num.Money{nil, new(num.Money)} {
		got, known := a.UnitCost(e)
		want, wantKnown := m.provisional(big.NewRat(1, 1), ratOrNil(t, e))
		if m.qty.Sign() > 0 {
			one := big.NewRat(1, 1)
			want, wantKnown = [2]*big.Rat{share(m.avg, one, m.qty), share(m.layered(), one, m.qty)}, true
		}
		same(t, "unit cost", got, want)
		if known != wantKnown {
			t.Fatalf("unit cost known is %v, the model says %v", known, wantKnown)
		}
	}
}

func steps() int {
	if os.Getenv("COUNTBACK_FULL") == "1" {
		return 200
	}
	return 40
}

// Every sequence of operations gives what a slow model in fractions gives, loses nothing, and never shows a value below 0 for what is there.
func TestAccountEqualsTheModel(t *testing.T) {
	for _, large := range []bool{false, true} {
		t.Run(fmt.Sprintf("large %v", large), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				var a book.Account
				m, b := newModel(), &books{}
				for _, o := range rapid.SliceOfN(genOp(large), 1, steps()).Draw(t, "ops") {
					do(t, &a, m, b, o)
				}
			})
		})
	}
}

// A snapshot that went through its text gives an account that behaves the same from there on, and using it changes neither it nor the account it was taken of.
func TestASnapshotBehavesTheSame(t *testing.T) {
	for _, large := range []bool{false, true} {
		t.Run(fmt.Sprintf("large %v", large), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				ops := rapid.SliceOfN(genOp(large), 2, steps()).Draw(t, "ops")
				at := rapid.IntRange(0, len(ops)-1).Draw(t, "at")
				var a book.Account
				m, b := newModel(), &books{}
				for _, o := range ops[:at] {
					do(t, &a, m, b, o)
				}
				snap := a.Snapshot()
				text, err := json.Marshal(snap)
				var read book.Snapshot
				if err == nil {
					err = json.Unmarshal(text, &read)
				}
				if err != nil {
					if !large || !errors.Is(err, num.ErrNumber) {
						t.Fatalf("%s: %v", text, err)
					}
					read = a.Snapshot() // sums beyond what may be written are refused, never read as something else
				}
				for _, again := range []book.Account{snap.Account(), read.Account(), snap.Account()} {
					m2, b2 := m.clone(), *b
					check(t, &again, m2, &b2)
					for _, o := range ops[at:] {
						do(t, &again, m2, &b2, o)
					}
					if now, _ := json.Marshal(snap); string(now) != string(text) {
						t.Fatalf("the snapshot was %s, its use made it %s", text, now)
					}
					check(t, &a, m, b)
				}
			})
		})
	}
}

// Amounts at the limits of what may be written, summed until they leave 64 bits, are the model's to the last place; the sums themselves are worked by hand.
func TestSumsBeyond64Bits(t *testing.T) {
	var a book.Account
	m, b := newModel(), &books{}
	most := op{what: "receive", n: num.MustQty("999999999999.999999"), cost: num.MustMoney("9999999999.99999999"), source: event.ID{15: 1}}
	const times = 30
	for range times {
		do(t, &a, m, b, most)
	}
	// 30 · 999999999999.999999 and 30 · 9999999999.99999999; 64 bits end at 9223372036854.775807 units and 92233720368.54775807 of money
	if got := a.OnHand().String() + " " + a.Value()[book.Average].String() + " " + a.Value()[book.FIFO].String(); got != "29999999999999.99997 299999999999.9999997 299999999999.9999997" {
		t.Errorf("on hand and value are %s", got)
	}
	do(t, &a, m, b, op{what: "issue", n: num.MustQty("0.000001")})
	do(t, &a, m, b, op{what: "back", n: num.MustQty("999999999999"), source: event.ID{15: 1}})
	do(t, &a, m, b, op{what: "credit", n: num.MustQty("999999999999.999999"), cost: num.MustMoney("9999999999.99999999"), source: event.ID{15: 1}})
	do(t, &a, m, b, op{what: "gain", n: num.MustQty("999999999999.999999"), source: event.ID{15: 2}})
	for range times + 10 { // down through zero and as far below
		do(t, &a, m, b, op{what: "issue", n: num.MustQty("999999999999.999999")})
	}
	for range times {
		do(t, &a, m, b, most)
	}
}

// Each case is one rule of the figures, section 3, worked by hand.
func TestRulesOfTheAccount(t *testing.T) {
	q, v, s1, s2 := num.MustQty, num.MustMoney, event.ID{15: 1}, event.ID{15: 2}
	est := func(s string) *num.Money { m := v(s); return &m }
	for _, c := range []struct {
		rule string
		ops  []op
		want string // on hand, value by average, value by first in first out
	}{
		{"what takes the last unit takes the rest", []op{{what: "receive", n: q("3"), cost: v("10")}, {what: "issue", n: q("1")}, {what: "issue", n: q("1")}, {what: "issue", n: q("1")}}, "0 0 0"},
		{"a share is rounded once, halves to even", []op{{what: "receive", n: q("2"), cost: v("0.00000001")}, {what: "issue", n: q("1")}}, "1 0.00000001 0.00000001"},
		{"and up where that is the even one", []op{{what: "receive", n: q("2"), cost: v("0.00000003")}, {what: "issue", n: q("1")}}, "1 0.00000001 0.00000001"},
		{"the pair before the issue that took stock to zero, not a rounded unit cost: 4 of 3 at 10.00, the one short 10/3", []op{{what: "receive", n: q("3"), cost: v("10")}, {what: "issue", n: q("4")}}, "-1 -3.33333333 -3.33333333"},
		{"three short of (3, 10) are 10 exactly", []op{{what: "receive", n: q("3"), cost: v("10")}, {what: "issue", n: q("6")}}, "-3 -10 -10"},
		{"first in first out: what was left of the newest layer", []op{{what: "receive", n: q("1"), cost: v("1"), source: s1}, {what: "receive", n: q("1"), cost: v("3"), source: s2}, {what: "issue", n: q("3")}}, "-1 -2 -3"},
		{"an increase that only settles sets no pair", []op{{what: "receive", n: q("1"), cost: v("1")}, {what: "issue", n: q("3")}, {what: "receive", n: q("2"), cost: v("100")}, {what: "issue", n: q("1")}}, "-1 -1 -1"},
		{"without a pair the item's own unit cost", []op{{what: "issue", n: q("4"), estimate: est("0.25")}}, "-4 -1 -1"},
		{"a receipt settles the oldest first, the rest is stock", []op{{what: "issue", n: q("2"), estimate: est("1")}, {what: "issue", n: q("2"), estimate: est("5")}, {what: "receive", n: q("3"), cost: v("6")}}, "-1 -5 -5"},
		{"and what is over enters at its share", []op{{what: "issue", n: q("2"), estimate: est("1")}, {what: "receive", n: q("3"), cost: v("10")}}, "1 3.33333333 3.33333333"},
		{"a gain from below zero settles at the provisional cost", []op{{what: "issue", n: q("2"), estimate: est("1")}, {what: "gain", n: q("2")}}, "0 0 0"},
		{"a gain enters at the average, and at the newest layer's cost", []op{{what: "receive", n: q("1"), cost: v("1"), source: s1}, {what: "receive", n: q("1"), cost: v("3"), source: s2}, {what: "gain", n: q("2"), source: s1}}, "4 8 10"},
		{"goods go back from their own layers first", []op{{what: "receive", n: q("2"), cost: v("2"), source: s1}, {what: "receive", n: q("2"), cost: v("6"), source: s2}, {what: "back", n: q("3"), source: s2}}, "1 2 1"},
		{"a credit touches the share on hand", []op{{what: "receive", n: q("4"), cost: v("8"), source: s1}, {what: "issue", n: q("3")}, {what: "credit", n: q("4"), cost: v("2"), source: s1}}, "1 1.5 1.5"},
		{"a credit never takes more than there is", []op{{what: "receive", n: q("4"), cost: v("8"), source: s1}, {what: "credit", n: q("4"), cost: v("9"), source: s1}}, "4 0 0"},
		{"a later bill raises the value", []op{{what: "receive", n: q("4"), cost: v("8"), source: s1}, {what: "credit", n: q("4"), cost: v("-1"), source: s1}}, "4 9 9"},
		{"a credit of another restock: the average moves, no layer does", []op{{what: "receive", n: q("4"), cost: v("8"), source: s1}, {what: "credit", n: q("4"), cost: v("2"), source: s2}}, "4 6 8"},
		{"a receipt that costs 0 is a known cost of 0", []op{{what: "receive", n: q("4")}, {what: "issue", n: q("5"), estimate: est("7")}}, "-1 0 0"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			var a book.Account
			m, b := newModel(), &books{}
			for _, o := range c.ops {
				do(t, &a, m, b, o)
			}
			if got := a.OnHand().String() + " " + a.Value()[book.Average].String() + " " + a.Value()[book.FIFO].String(); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

// A list of a snapshot is read as it was written, or refused.
func FuzzSnapshot(f *testing.F) {
	var a book.Account
	a.Receive(num.Whole(10), book.Amounts{num.MustMoney("4.5"), num.MustMoney("4.5")}, event.ID{1, 15: 1})
	for range 2 {
		text, err := json.Marshal(a.Snapshot())
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
		a.Issue(num.Whole(12), nil)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		var s, again book.Snapshot
		if json.Unmarshal(text, &s) != nil {
			return
		}
		written, err := json.Marshal(s)
		if err == nil {
			err = json.Unmarshal(written, &again)
		}
		if err != nil || !reflect.DeepEqual(s.Layers, again.Layers) || !reflect.DeepEqual(s.Shortfalls, again.Shortfalls) {
			t.Fatalf("%s is written again as %s (%v)", text, written, err)
		}
	})
}
