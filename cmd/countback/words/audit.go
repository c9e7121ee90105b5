package words

import (
	"strconv"
	"strings"
	"time"

	"countback/ledger/num"
	"countback/projections/audit"
	"countback/projections/bridge"
)

// Part is a part in words, by its sign. Where nothing was expected, it is all that went or came in that way.
func Part(name, qty string, all bool) string {
	words := map[string][3]string{ // took away, brought, all of it
		bridge.Receipts:       {"less came in than it should have", "more came in than it should have", "came in"},
		bridge.OrderVolume:    {"more orders", "fewer orders", "orders took"},
		bridge.OrderMix:       {"orders that take more", "orders that take less", ""},
		bridge.SpecChange:     {"specs that take more", "specs that take less", ""},
		bridge.PackingChanges: {"taken beside the spec, at the bench", "spared at the bench", ""},
		bridge.Returns:        {"came back", "came back", ""},
		bridge.PrintRuns:      {"print runs took more", "print runs took less", "print runs took"},
		bridge.WriteOffs:      {"written off or given away", "", ""},
		bridge.Unknown:        {"nobody wrote down", "found by counts", ""},
		bridge.Price:          {"dearer or cheaper than at the start", "dearer or cheaper than at the start", ""},
	}[name]
	switch {
	case all && words[2] != "":
		return words[2]
	case strings.HasPrefix(qty, "-"):
		return words[0]
	}
	return words[1]
}

// Audit is the answer in one or two plain sentences.
func Audit(r *audit.Report) string {
	to := DayOf(r.To)
	ended := "There were " + InUnit(r.Actual, r.Unit) + " on " + to + "."
	switch {
	case r.RanOut && Quantity(r.Actual).Sign() <= 0:
		ended = "It ran out on " + to + Early(r.DaysEarly) + "."
	case r.RanOut:
		ended = "On " + to + " there was less left than one use: " + InUnit(r.Actual, r.Unit) + Early(r.DaysEarly) + "."
	case r.Actual == "1":
		ended = "There was 1 on " + to + "."
	}
	return strings.TrimSpace(ended+Mostly(r)+" "+Unknown(r)) + Likeliest(r)
}

// Mostly names the part that took most, where the records have it: then what is likely behind the rest isn't the reason why it is gone. Empty where nobody wrote
// most of it down.
func Mostly(r *audit.Report) string {
	var most, unknown num.Qty
	text := ""
	for _, l := range r.Bridge {
		q := Quantity(l.Qty)
		switch {
		case l.Part == bridge.Price:
		case l.Part == bridge.Unknown:
			unknown = q
		case q.Less(most):
			most, text = q, Part(l.Part, l.Qty, false)
		}
	}
	if !r.RanOut || text == "" || !most.Less(unknown) {
		return ""
	}
	return " Most of the difference from what was expected: " + text + ", " + InUnit(Short(most.Neg().String()), r.Unit) + "."
}

// Early says by how many days a window ran out before it was to be expected, or after; empty for no difference.
func Early(days string) string {
	q := Quantity(days).Round(0)
	switch n, _ := q.Int(); {
	case days == "" || n == 0:
		return ""
	case n < 0:
		return ", " + Count(-n, "day", "days") + " later than was to be expected"
	default:
		return ", " + Count(n, "day", "days") + " early"
	}
}

// Unknown says what no record explains.
func Unknown(r *audit.Report) string {
	for _, l := range r.Bridge {
		if l.Part != bridge.Unknown {
			continue
		}
		q := Quantity(l.Qty)
		switch {
		case r.LastCount == "":
			return ""
		case q.Sign() < 0:
			return InUnit(q.Neg().String(), r.Unit) + " more left than the records explain."
		case q.Sign() > 0:
			return InUnit(q.String(), r.Unit) + " more was there than the records explain."
		}
	}
	return "The records explain all of it."
}

// DaysBetween is the number of days, rounded, from one time of RFC 3339 to another.
func DaysBetween(from, to string) string {
	a, _ := time.Parse(time.RFC3339, from)
	b, _ := time.Parse(time.RFC3339, to)
	return decimal(int64(b.Sub(a).Hours()/24 + 0.5))
}

// Finding is a finding in a line: rank, cause, how likely, and how much of it.
func Finding(f *audit.Finding, unit string) string {
	if f.Why == audit.NotCounted {
		return Cause(f)
	}
	head := strconv.Itoa(f.Rank) + ". " + Cause(f) + ": " + Weight(f)
	if about := About(f, unit); about != "" {
		head += ", about " + about
	}
	return head
}

// About is how much a finding explains, with the unit: "12", or "12 more" where more was there than the records have; empty where it has no amount.
func About(f *audit.Finding, unit string) string {
	if f.Cause == audit.None || f.Qty == "" {
		return ""
	}
	less, more := strings.CutPrefix(f.Qty, "-")
	text := InUnit(Short(less), unit)
	if more {
		text += " more"
	}
	return text
}

// Likeliest is what to say first of the causes, and of one that is likely beside it; empty where nothing stands out.
func Likeliest(r *audit.Report) string {
	if len(r.Findings) == 0 || !Likely(&r.Findings[0]) {
		return ""
	}
	f := &r.Findings[0]
	most := Cause(f)
	for i := 1; i < len(r.Findings); i++ {
		if beside := &r.Findings[i]; beside.Rank > f.Rank && Likely(beside) {
			most += ", and beside it " + Cause(beside)
			break
		}
	}
	if w, err := num.ParseQty(f.Weight); err != nil || w.Less(num.MustQty("0.9")) {
		return " Most likely: " + most + "."
	}
	return " The reason: " + most + "."
}

// Likely reports whether a cause is likelier than not.
func Likely(f *audit.Finding) bool {
	w, err := num.ParseQty(f.Weight)
	return err == nil && f.Cause != audit.None && !w.Less(num.MustQty("0.5"))
}

// Weight writes how likely a cause is, in words where a figure would say more than is known.
func Weight(f *audit.Finding) string {
	q, err := num.ParseQty(f.Weight)
	switch {
	case err != nil || f.Why == audit.NotCounted:
		return ""
	case !q.Less(num.MustQty("0.99")):
		return "almost certain"
	case q.Less(num.MustQty("0.01")):
		return "little speaks for it, but these counts don't rule it out"
	}
	return q.Times(num.Whole(100)).Round(0).String() + " %"
}

// causes names a cause in the trade's words.
var causes = map[audit.Cause]string{
	audit.ShortPack:     "packs that hold less than they say",
	audit.UnitSlip:      "a delivery entered in the wrong unit",
	audit.DoubleEntry:   "a delivery entered twice",
	audit.MissingEntry:  "packs that were never entered",
	audit.SpecDrift:     "each use takes more than the spec says",
	audit.OneOffLoss:    "something was lost at once",
	audit.SteadyLoss:    "a steady loss, day by day",
	audit.CountSlip:     "a count that was misread",
	audit.SpoiledRuns:   "more spoiled in print runs",
	audit.MoreOrders:    "more orders than before",
	audit.HeavierOrders: "orders that take more than before",
	audit.None:          "chance, usual waste and counting",
}

// Cause names a finding's cause in the trade's words.
func Cause(f *audit.Finding) string {
	switch {
	case f.Why == audit.NotCounted:
		return "Nothing can be said yet"
	case f.Cause == audit.SpecDrift && strings.HasPrefix(f.Qty, "-"):
		return "each use takes less than the spec says"
	}
	return causes[f.Cause]
}
