package words

import (
	"testing"

	"countback/ledger/num"
	"countback/projections/audit"
	"countback/projections/bridge"
	"countback/projections/plan"
	"countback/projections/reorder"
	"countback/projections/tally"
)

func TestNumbers(t *testing.T) {
	for _, x := range []struct{ got, want string }{
		{Grouped("1234567.5"), "1,234,567.5"}, {Grouped("-1234"), "-1,234"}, {Grouped("999"), "999"}, {Grouped("a word"), "a word"},
		{Metres("999", "mm"), "999 mm"}, {Metres("106905", "mm"), "106.905 m"}, {Metres("-1500", "mm"), "-1.5 m"}, {Metres("1500", "each"), "1,500"}, {Metres("5621.608", "ml"), "5,621.61 ml"},
		{Short("9.96"), "10"}, {Short("9.94"), "9.9"}, {Short("-183.4"), "-183"}, {ShortQty("99.96"), "100"}, {ShortQty("1234.56"), "1,235"},
		{Percent("0.0314"), "3.1 %"}, {Percent("1.006"), "100.6 %"}, {Percent(""), ""}, {Span("1", "8.94"), "1 to 8.9"}, {Span("", "8"), ""},
		{Signed("-12.5"), "−12.5"}, {Signed("1200"), "+1,200"}, {Signed("0.00"), "0.00"}, {Signed("-0.0"), "0.0"},
		{InUnit("1", "each"), "1"}, {Count(1, "order", "orders"), "1 order"}, {Count(1204, "order", "orders"), "1,204 orders"},
		{Weight(&audit.Finding{Weight: "0.995"}), "almost certain"}, {Weight(&audit.Finding{Weight: "0.42"}), "42 %"},
		{Weight(&audit.Finding{Weight: "0.001"}), "little speaks for it, but these counts don't rule it out"},
	} {
		if x.got != x.want {
			t.Errorf("%q, want %q", x.got, x.want)
		}
	}
}

// A finding is named by its sign, and where nothing was counted none is called certain.
func TestFindings(t *testing.T) {
	for _, x := range []struct {
		f    audit.Finding
		want string
	}{
		{audit.Finding{Rank: 1, Cause: audit.SpecDrift, Weight: "0.995", Qty: "316"}, "1. each use takes more than the spec says: almost certain, about 316"},
		{audit.Finding{Rank: 1, Cause: audit.SpecDrift, Weight: "0.995", Qty: "-316"}, "1. each use takes less than the spec says: almost certain, about 316 more"},
		{audit.Finding{Rank: 2, Cause: audit.CountSlip, Weight: "0.2", Qty: "-10"}, "2. a count that was misread: 20 %, about 10 more"},
		{audit.Finding{Rank: 1, Cause: audit.None, Weight: "0.8", Qty: "0"}, "1. chance, usual waste and counting: 80 %"},
		{audit.Finding{Rank: 1, Cause: audit.None, Weight: "1", Qty: "0", Why: audit.NotCounted}, "Nothing can be said yet"},
	} {
		if got := Finding(&x.f, "each"); got != x.want {
			t.Errorf("%q, want %q", got, x.want)
		}
	}
}

// An audit names what took most where the records have it, and not where nobody wrote it down.
func TestMostly(t *testing.T) {
	var r audit.Report
	r.Unit, r.RanOut = "each", true
	for _, x := range []struct{ volume, spec, unknown, want string }{
		{"-87", "-307", "80", " Most of the difference from what was expected: specs that take more, 307."}, {"-87", "-30", "-90", ""}, {"5", "0", "-1", ""}, {"-20", "0", "0", " Most of the difference from what was expected: more orders, 20."},
	} {
		r.Bridge = []bridge.Line{{Part: bridge.OrderVolume, Qty: x.volume}, {Part: bridge.SpecChange, Qty: x.spec}, {Part: bridge.Unknown, Qty: x.unknown}, {Part: bridge.Price, Value: "-999"}}
		if got := Mostly(&r); got != x.want {
			t.Errorf("%v: %q", x, got)
		}
	}
}

func TestDays(t *testing.T) {
	const today = 20_514 // 2 March 2026
	for _, x := range []struct{ got, want string }{
		{InDays(0), "today"}, {InDays(1), "tomorrow"}, {InDays(-1), "yesterday"}, {InDays(-9), "9 days ago"}, {InDays(60), "in 60 days"}, {InDays(92), "in 3 months"},
		{DayAhead(today, 1), "Tue 3 Mar"}, {DayAhead(today, 365), "2 Mar 2027"}, {ShortDate(today, 0), "2 Mar"}, {OrderWhen(today, 0), "order today"},
		{OrderWhen(today, 3), "order by Thu 5 Mar (in 3 days)"}, {OrderWhen(today, -2), "order now (the last day was Sat 28 Feb)"}, {Month("2026-03"), "March 2026"},
		{DayOf("2026-03-02T23:59:59-04:00"), "Mon 2 Mar 2026"}, {SinceDay("2026-05-31T23:59:59.999-03:00"), "2026-06-01"}, {DaysBetween("2026-03-01T00:00:00Z", "2026-03-31T12:30:00Z"), "31"},
	} {
		if x.got != x.want {
			t.Errorf("%q, want %q", x.got, x.want)
		}
	}
}

// What a run-out is called hangs on how far its tenth and ninetieth case are apart.
func TestSureness(t *testing.T) {
	const horizon = 365
	for _, x := range []struct {
		p10, p50, p90 int
		want          string
	}{{10, 12, 14, "to a day or two"}, {10, 15, 24, "to a week"}, {10, 20, 45, "to a few weeks"}, {10, 40, 100, "to a month or so"}, {10, 40, 101, "very unsure"}, {10, 40, 366, "very unsure"}, {0, 0, 0, "certain"}, {300, 366, 366, ""}} {
		it := reorder.Item{Basis: "history", P10: x.p10, P50: x.p50, P90: x.p90}
		if got := Sureness(&it, horizon); got != x.want {
			t.Errorf("%v: %q", x, got)
		}
	}
}

// The steps of a bridge are rounded so that what is shown adds up from the first to the last.
func TestStepsAddUp(t *testing.T) {
	f := bridge.Figures{Expected: "342.34397", Actual: "0", ExpectedValue: "69.88", ActualValue: "0.00", Bridge: []bridge.Line{
		{Part: bridge.OrderVolume, Qty: "-57.743827"}, {Part: bridge.OrderMix, Qty: "-18.600143"}, {Part: bridge.Returns, Qty: "0"}, {Part: bridge.Unknown, Qty: "-266"},
	}}
	list := Steps(&f, "each")
	sum := num.Qty{}
	for i, s := range list {
		if i < len(list)-1 {
			sum = sum.Add(Quantity(s.Qty))
		}
	}
	if last := list[len(list)-1]; len(list) != 5 || sum != Quantity(last.Qty) || last.Text != "There was" || list[3].Part != bridge.Unknown {
		t.Errorf("%+v add up to %s", list, sum)
	}
	if got := StepQty(list[1]); got != "−58" {
		t.Error(got)
	}
}

func TestCauses(t *testing.T) {
	for _, c := range []audit.Cause{audit.ShortPack, audit.UnitSlip, audit.DoubleEntry, audit.MissingEntry, audit.SpecDrift, audit.OneOffLoss, audit.SteadyLoss, audit.CountSlip, audit.SpoiledRuns, audit.MoreOrders, audit.HeavierOrders, audit.None} {
		if Cause(&audit.Finding{Cause: c}) == "" {
			t.Errorf("%s has no words", c)
		}
	}
}

func TestThings(t *testing.T) {
	for _, x := range []struct{ got, want string }{
		{Goods([]plan.Line{{Item: "card", Qty: "1"}, {Item: "print", Qty: "1200"}}), "card, 1,200 × print"},
		{What(plan.Prepare{Work: plan.Cut, Measure: "wrap", Size: "310", Unit: "mm"}), "wrap (310 mm)"}, {What(plan.Prepare{Work: plan.Cut, Size: "310", Unit: "mm"}), "310 mm"},
		{CountedAs(&tally.Row{Pack: "box", Holds: num.Whole(1500), Base: "each"}), "box of 1,500"}, {CountedAs(&tally.Row{Base: "each"}), "loose"}, {CountedAs(&tally.Row{Base: "each", First: true}), "pieces"},
		{CountedAs(&tally.Row{Base: "mm"}), "mm, opened"}, {CountedAs(&tally.Row{Pack: "spool", Holds: num.Whole(50000), Base: "mm"}), "spool of 50,000 mm"},
		{Reason("own_use"), "own use"}, {Zone(""), "no zone"}, {Some([]string{"a", "b", "c", "d", "e", "f", "g", "h"}), "a, b, c, d, e, f and 2 more"},
	} {
		if x.got != x.want {
			t.Errorf("%q, want %q", x.got, x.want)
		}
	}
}
