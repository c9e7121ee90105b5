package closing_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"countback/ledger/num"
	"countback/projections/closing"
	"countback/projections/foldtest"
	"countback/projections/report"
)

// What is printed ties in every direction: rows and total row across, columns down to the total row, an opening with the closing before it, and the year.
func TestPrintedMoneyTies(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := random(t)
		st := style
		st.Exact = rapid.Bool().Draw(t, "exact")
		before := map[string]closing.Cell{}
		for _, month := range append(months[:], open) {
			r := showR(t, h.all, month).Report(st)
			ties(t, month, r.Items, *r.Totals)
			for _, it := range r.Items {
				if was, ok := before[it.Item]; ok && was != it.Opening {
					t.Errorf("%s opens %s with %v and was closed with %v", it.Item, month, it.Opening, was)
				}
				before[it.Item] = it.Closing
			}
			near(t, r, h, month)
		}
		y, err := readR(t, h.all).Year(ctx, 2026, st)
		if err != nil {
			t.Fatal(err)
		}
		ties(t, "the year", y.Items, *y.Totals)
		last := len(months) - 1
		if len(y.Months) != len(months) || y.Months[0].Totals.Opening != y.Totals.Opening || y.Months[last].Totals.Closing != y.Totals.Closing {
			t.Errorf("the months and the year have other ends: %+v", y.Months)
		}
		for k, cell := range y.Totals.List() {
			if k == 0 || k == 13 {
				continue
			}
			var sum [2]num.Money
			for i := range y.Months {
				for c, m := range money(y.Months[i].Totals.List()[k].Cell) {
					sum[c] = sum[c].Add(m)
				}
			}
			if sum != money(cell.Cell) {
				t.Errorf("%s: the months add up to %v, the year says %v", cell.Name, sum, cell.Cell)
			}
		}
	})
}

// money is what a report prints, under each costing.
func money(c closing.Cell) [2]num.Money {
	return [2]num.Money{num.MustMoney(c.Average), num.MustMoney(c.FIFO)}
}

func ties(t *rapid.T, name string, items []closing.Item, totals closing.Roll) {
	across := func(name string, r *closing.Roll) {
		var sum [2]num.Money
		list := r.List()
		for _, cell := range list[:13] {
			for c, m := range money(cell.Cell) {
				switch cell.Name {
				case "opening", "opened", "bought", "made", "gained":
					sum[c] = sum[c].Add(m)
				default:
					sum[c] = sum[c].Sub(m)
				}
			}
		}
		if sum != money(list[13].Cell) {
			t.Errorf("%s: closing %v, columns %v", name, list[13].Cell, sum)
		}
	}
	down := make([][2]num.Money, 15)
	for i := range items {
		across(name+" "+items[i].Item, &items[i].Roll)
		for k, cell := range append(items[i].List(), closing.Named{Cell: items[i].Material}) {
			for c, m := range money(cell.Cell) {
				down[k][c] = down[k][c].Add(m)
			}
		}
	}
	across(name+" totals", &totals)
	for k, cell := range append(totals.List(), closing.Named{Name: "material", Cell: totals.Material}) {
		if money(cell.Cell) != down[k] {
			t.Errorf("%s: %s adds up to %v, and the total says %v", name, cell.Name, down[k], cell.Cell)
		}
	}
}

// near: every printed figure is less than one minor unit from the exact one, and whole amounts are as they are.
func near(t *rapid.T, r closing.Report, h history, month string) {
	exact := showR(t, h.all, month).Report(report.Style{Zone: style.Zone, Exact: true})
	cent := num.MustMoney("0.01")
	for i := range r.Items {
		for k, cell := range r.Items[i].List() {
			was := money(exact.Items[i].List()[k].Cell)
			for c, m := range money(cell.Cell) {
				if off := m.Sub(was[c]).Abs(); !off.Less(cent) || was[c].Round(2) == was[c] && !off.IsZero() {
					t.Errorf("%s in %s: %s prints %s for %s", r.Items[i].Item, month, cell.Name, m, was[c])
				}
			}
		}
	}
}

func TestTheCautionStandsOnEveryReport(t *testing.T) {
	lines := closed(t, march, "2026-03")
	y, err := read(t, lines).Year(ctx, 2026, style)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{show(t, lines, "2026-03").Report(style).Caution, show(t, lines, "2026-04").Report(style).Caution, y.Caution} {
		if !strings.Contains(text, "local rules") || !strings.Contains(text, "licensed accountant") {
			t.Errorf("the caution reads %q", text)
		}
	}
}

// Items on hand that nobody counted, and items of which more left than came, are named.
func TestWhatWasNotCountedIsNamed(t *testing.T) {
	r := show(t, later(t, march, `
		item 2026-03-01 {"item":"seal","name":"Seal","type":"supply","unit":"each"}
		damage 2026-03-09 {"item":"seal","qty":"2","reason":"sample"}`), "2026-03").Report(style)
	if strings.Join(r.Uncounted, " ") != "card seal" || strings.Join(r.Short, " ") != "seal" {
		t.Errorf("not counted %v, short %v", r.Uncounted, r.Short)
	}
}

// Halves go up, so that a whole amount between two half cents stays whole; of what was rounded the largest remainder goes up.
func TestHowCentsAreShared(t *testing.T) {
	line := func(r *closing.Roll) string {
		var list []string
		for _, c := range r.List() {
			if num.MustMoney(c.Cell.Average).Sign() != 0 {
				list = append(list, c.Name+" "+c.Cell.Average)
			}
		}
		return strings.Join(list, ", ")
	}
	base := `
		shop 2026-03-01 {"name":"Fennimoor Paper","currency":"CAD","zone":"UTC"}
		item 2026-03-01 {"item":"card","name":"Card","type":"good","unit":"each"}
		restock 2026-03-02 {"lines":[{"item":"card","qty":"1","cost":"0.005"}]}
		restock 2026-04-02 {"lines":[{"item":"card","qty":"1","cost":"0.01"}]}`
	lines := closed(t, foldtest.Facts(base), "2026-03")
	for month, want := range map[string]string{"2026-03": "bought 0.01, closing 0.01", "2026-04": "opening 0.01, bought 0.01, closing 0.02"} {
		if got := line(&show(t, lines, month).Report(style).Items[0].Roll); got != want {
			t.Errorf("%s: %s, want %s", month, got, want)
		}
	}
	thirds := show(t, foldtest.Facts(`
		item 2026-03-01 {"item":"card","name":"Card","type":"good","unit":"each"}
		restock 2026-03-02 {"lines":[{"item":"card","qty":"300","cost":"100"}]}
		damage 2026-03-03 {"item":"card","qty":"1","reason":"gift"}
		damage 2026-03-03 {"item":"card","qty":"2","reason":"own_use"}
		damage 2026-03-03 {"item":"card","qty":"2","reason":"damaged"}`), "2026-03")
	// 0.33333333 given, 0.66666667 used and lost: closing 98.33333333 rounds to 98.33, so 1.67 go out. Of -0.33333333, -0.66666667 and
	// -0.66666667 rounded down, -0.34, -0.67 and -0.67, one goes up: given has the largest remainder.
	if got, want := line(&thirds.Report(style).Items[0].Roll), "bought 100.00, given 0.33, own_use 0.67, lost 0.67, closing 98.33"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
