package report_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/report"
)

func TestMoneyIsWritten(t *testing.T) {
	for _, c := range []struct {
		amount               string
		digits               int
		money, exact, perOne string
	}{
		{"0", 2, "0.00", "0.00000000", "0.000000"},
		{"1.005", 2, "1.00", "1.00500000", "1.005000"}, // half to even
		{"1.015", 2, "1.02", "1.01500000", "1.015000"},
		{"-0.125", 2, "-0.12", "-0.12500000", "-0.125000"},
		{"-0.001", 2, "0.00", "-0.00100000", "-0.001000"},
		{"1234.5", 0, "1234", "1234.50000000", "1234.5000"},
		{"0.00000001", 2, "0.00", "0.00000001", "0.000000"},
		{"0.12345678", 3, "0.123", "0.12345678", "0.1234568"},
		{"0.12345678", 4, "0.1235", "0.12345678", "0.12345678"},
	} {
		m := num.MustMoney(c.amount)
		plain, exact := report.Style{}, report.Style{Exact: true}
		if got := plain.Money(m, c.digits); got != c.money {
			t.Errorf("%s with %d digits: %s, want %s", c.amount, c.digits, got, c.money)
		}
		if got := plain.UnitCost(m, c.digits); got != c.perOne {
			t.Errorf("%s a piece with %d digits: %s, want %s", c.amount, c.digits, got, c.perOne)
		}
		if exact.Money(m, c.digits) != c.exact || exact.UnitCost(m, c.digits) != c.exact {
			t.Errorf("%s exactly: %s and %s, want %s", c.amount, exact.Money(m, c.digits), exact.UnitCost(m, c.digits), c.exact)
		}
	}
}

func TestLinesAddUp(t *testing.T) {
	for _, c := range []struct {
		rule, amounts string
		digits        int
		exact         bool
		want          string
	}{
		{"none", "", 2, false, " = 0.00"},
		{"as they are", "1.10 2.20", 2, false, "1.10 2.20 = 3.30"},
		{"the total is rounded once, the cents go to the largest remainders", "0.333 0.333 0.334", 2, false, "0.33 0.33 0.34 = 1.00"},
		{"ties go to the earlier line", "0.005 0.005", 2, false, "0.01 0.00 = 0.01"},
		{"below zero", "-0.006 -0.006 0.002", 2, false, "0.00 -0.01 0.00 = -0.01"},
		{"in whole units", "0.5 0.5 0.5", 0, false, "1 1 0 = 2"},
		{"exactly", "0.333 0.333", 2, true, "0.33300000 0.33300000 = 0.66600000"},
	} {
		var amounts []num.Money
		for text := range strings.FieldsSeq(c.amounts) {
			amounts = append(amounts, num.MustMoney(text))
		}
		lines, total := report.Style{Exact: c.exact}.Lines(amounts, c.digits)
		if got := strings.Join(lines, " ") + " = " + total; got != c.want {
			t.Errorf("%s: %s, want %s", c.rule, got, c.want)
		}
	}
}

func TestTimesAreTheShops(t *testing.T) {
	zone, err := time.LoadLocation("America/Halifax")
	if err != nil {
		t.Fatal(err)
	}
	st := report.Style{Zone: zone}
	for ms, want := range map[int64]string{
		0:             "1969-12-31T20:00:00-04:00",
		1772481600000: "2026-03-02T16:00:00-04:00",
		1772481600007: "2026-03-02T16:00:00.007-04:00",
		1783018800100: "2026-07-02T16:00:00.100-03:00", // summer time
	} {
		if got := st.Time(ms); got != want {
			t.Errorf("%d: %s, want %s", ms, got, want)
		}
	}
}

func TestHeadSaysWhatIsIncomplete(t *testing.T) {
	st := report.Style{Zone: time.UTC}
	h := report.HeadOf(&fold.State{AsOf: 1772481600000}, st)
	if h != (report.Head{AsOf: "2026-03-02T20:00:00Z", Engine: report.Engine}) {
		t.Errorf("%+v", h)
	}
	h = report.HeadOf(&fold.State{Unknown: map[string]int{"lease": 2, "audit": 1, "pack": 4}}, st)
	if h.Incomplete == nil || h.Incomplete.Events != 7 || !slices.Equal(h.Incomplete.Kinds, []string{"audit", "lease", "pack"}) {
		t.Errorf("%+v", h.Incomplete)
	}
}
