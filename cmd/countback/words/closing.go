package words

import (
	"strings"
	"time"

	"countback/ledger/num"
	"countback/projections/closing"
)

// Month writes a period such as 2026-03 as March 2026.
func Month(period string) string {
	if t, err := time.Parse("2006-01", period); err == nil {
		return t.Format("January 2006")
	}
	return period
}

// RollHeads are the heads of a roll-forward's columns, in the order of their list.
var RollHeads = []string{"Opening", "Opened", "Bought", "Credited", "Made", "Sold", "Packed", "Into runs", "Given", "Own use", "Lost", "Gained", "Adjusted", "Closing"}

// RollRule says how the columns go together.
const RollRule = "Closing = opening + opened + bought + made + gained - all other columns."

// Closed says how the month stands.
func Closed(r closing.Report) string {
	c := r.Closed
	if c == nil {
		events := int64(0)
		for _, h := range r.Upto {
			events += h.Seq
		}
		return "Not closed; a close now would cover " + Count(int(events), "event", "events") + " of " + Count(len(r.Upto), "device", "devices") + "."
	}
	text := "Closed " + ClockOf(c.Time) + " by event " + c.Event + "."
	switch {
	case r.Totals == nil:
	case !c.Agrees && c.Engine != r.Engine:
		text += " These figures are not those that were closed: they were made by other rules (" + c.Engine + ", here " + r.Engine + "). The close stays as it is."
	case !c.Agrees:
		text += " These figures are not those that were closed: their digest differs. The close stays as it is; run countback verify."
	}
	if n := len(c.Accepted); n > 0 {
		text += " It accepted " + Count(n, "open question", "open questions") + "."
	}
	return text
}

// Rounding says where the printed total differs from the exact one.
func Rounding(r closing.Report) string {
	digits := 0
	if _, frac, ok := strings.Cut(r.Totals.Closing.Value, "."); ok {
		digits = len(frac)
	}
	exactly, err := num.ParseMoney(r.Exact.Closing.Value)
	if err != nil || exactly.Round(digits).StringFixed(digits) == r.Totals.Closing.Value {
		return ""
	}
	return "Rounded by itself the closing value is " + Grouped(exactly.Round(digits).StringFixed(digits)) + "; here rows and columns add up as printed. --exact shows all places."
}
