package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/rivo/uniseg"
	"github.com/spf13/cobra"

	"countback/cmd/countback/paper"
	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/audit"
	"countback/projections/bridge"
	"countback/projections/closing"
	"countback/projections/fold"
)

func (m *Main) auditCmd() *cobra.Command {
	var a asked
	var from, to, pdf, size string
	var windows int
	cmd := &cobra.Command{
		Use:   "audit ITEM",
		Short: "Why it ran out early",
		Long: `Why an item ran out before its time: from what was expected to be on hand to what was, in parts that add up to the last unit.
For what no record explains it names the likeliest causes, each with how likely it is, how much of it, what speaks for it and what to do.
Without --from and --to it is about the last box: from the count before it came to the moment when nothing was left, or to the last count. The 90 days before it say
what was to be expected. --windows shows the boxes before beside it. --pdf writes a page to keep, or to send to a supplier. It records nothing.`,
		Example: "  countback audit stiffener\n  countback audit stiffener --windows 3\n  countback audit stiffener --from 2026-05-29 --to 2026-09-16 --pdf stiffener.pdf",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	a.flags(cmd)
	fl := cmd.Flags()
	fl.StringVar(&from, "from", "", "begin with this `day`, or time")
	fl.StringVar(&to, "to", "", "end with this `day`, or time")
	fl.IntVar(&windows, "windows", 0, "show `n` boxes before it as well")
	fl.StringVar(&pdf, "pdf", "", "write a page to this `file`")
	fl.StringVar(&size, "paper", paper.Sizes[0], strings.Join(paper.Sizes, " or "))
	complete(cmd, "paper", choices(paper.Sizes...))
	cmd.RunE = m.reading(func(d *desk, args []string) error {
		item, err := d.stocked(args[0])
		if err != nil {
			return err
		}
		var ask bridge.Ask
		if ask.From, err = d.edge(from, dayStart, "--from"); err != nil {
			return err
		}
		if ask.To, err = d.edge(to, dayEnd, "--to"); err != nil {
			return err
		}
		if windows < 0 || windows > 50 {
			return wrong("--windows", "give a number from 1 to 50", "%d is no number of boxes", windows)
		}
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		if ask.To > run.AsOf {
			return wrong("--to", "end it earlier, or give a later --as-of", "the window would end after what the report knows")
		}
		r, err := d.audit(log, run, item, ask, windows)
		if err != nil {
			return err
		}
		if pdf != "" {
			return d.auditPaper(r, pdf, size)
		}
		return m.printAudit(d, r)
	})
	return cmd
}

// audited is an audit with what its words need.
type audited struct {
	audit.Report
	Notes []string `json:"notes"` // what a reader should know of the window
}

func (d *desk) audit(log *fold.Log, run fold.Run, item int, ask bridge.Ask, windows int) (audited, error) {
	id := log.Catalog.Items[item].ID
	shop := audit.Read(log, run)
	r := shop.Record
	w, err := r.Window(item, ask)
	switch {
	case errors.Is(err, bridge.ErrNothing):
		return audited{}, wrong("audit", "record what is there with countback count "+id+" N, and what comes with countback restock "+id, "nothing of %s ever came in, was used or was counted, so there is nothing to explain", id)
	case errors.Is(err, bridge.ErrOrder):
		return audited{}, wrong("--from", "name an earlier day, or a later --to", "the window would end before it begins")
	case err != nil:
		return audited{}, err
	}
	list := []bridge.Bridge{r.Of(item, w, d.zone)}
	for _, before := range r.Before(item, w, windows) {
		list = append(list, r.Of(item, before, d.zone))
	}
	out := audited{Report: shop.Of(d.style(), list), Notes: []string{}}
	out.Notes = append(out.Notes, d.windowNotes(log, &list[0], windows-len(list)+1)...)
	return out, nil
}

// windowNotes says what the window can't tell.
func (d *desk) windowNotes(log *fold.Log, b *bridge.Bridge, missing int) (notes []string) {
	id := log.Catalog.Items[b.Item].ID
	if b.Why != "" {
		notes = append(notes, "There is no expectation: "+b.Why+". The bridge leads from what was there at the start.")
	}
	switch {
	case b.CountedTo == 0:
		notes = append(notes, "Nothing was counted in this window, so the bridge has no unknown part: what nobody wrote down still hides in what is on hand. Count it: countback count "+id+" N")
	case !b.Counted:
		notes = append(notes, "The last count in this window was on "+showDay(time.UnixMilli(b.CountedTo).In(d.zone))+"; what went unrecorded after it isn't known yet. Count it: countback count "+id+" N")
	}
	if b.Box.IsZero() {
		notes = append(notes, id+" had not come in before the window's end, so no box is measured: what is expected is what was there.")
	}
	if len(b.Twins) > 0 {
		notes = append(notes, count(len(b.Twins), "delivery", "deliveries")+" within three days is just like the one that the window is about; it stands under what came in.")
	}
	if missing > 0 {
		notes = append(notes, "There are no more boxes before it.")
	}
	if closed := closedIn(log, b.FromMs, b.ToMs, d.zone); len(closed) > 0 {
		notes = append(notes, "It reaches into "+closedMonths(closed)+". An audit reads what is known today, late entries and corrected specs included; the closed figures stay as they were. What you correct now shows in the next month that you close, as from earlier periods.")
	}
	return notes
}

// closedIn lists the months that somebody closed and that a time reaches into.
func closedIn(log *fold.Log, from, to int64, zone *time.Location) (months []string) {
	log.Events(func(e *event.Event, _ bool) {
		c, ok := e.Data.(*event.Close)
		if !ok || slices.Contains(months, c.Period) {
			return
		}
		first, last := closing.PeriodOf(from, zone), closing.PeriodOf(to, zone)
		if first.String() <= c.Period && c.Period <= last.String() {
			months = append(months, c.Period)
		}
	})
	slices.Sort(months)
	return months
}

func closedMonths(months []string) string {
	if len(months) == 1 {
		return "a closed month, " + months[0]
	}
	return fmt.Sprintf("%d closed months, %s to %s", len(months), months[0], months[len(months)-1])
}

// partText is a part in words, by its sign. Where nothing was expected, it is all that went or came in that way.
func partText(name, qty string, all bool) string {
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

// quantity is a decimal of a report.
func quantity(s string) num.Qty {
	q, err := num.ParseQty(s)
	if err != nil {
		return num.Qty{} // a sum beyond what can be entered
	}
	return q
}

// signed writes a quantity with its sign; 0 has none.
func signed(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	if strings.HasPrefix(s, "-") {
		return strings.Replace(grouped(s), "-", "−", 1)
	}
	return "+" + grouped(s)
}

// auditLead is the answer in one or two plain sentences.
func auditLead(r *audited) string {
	to := day(r.To).show()
	ended := "There were " + inUnit(r.Actual, r.Unit) + " on " + to + "."
	switch {
	case r.RanOut && quantity(r.Actual).Sign() <= 0:
		ended = "It ran out on " + to + earlyText(r.DaysEarly) + "."
	case r.RanOut:
		ended = "On " + to + " there was less left than one use: " + inUnit(r.Actual, r.Unit) + earlyText(r.DaysEarly) + "."
	case r.Actual == "1":
		ended = "There was 1 on " + to + "."
	}
	return ended + " " + unknownText(r) + likeliest(r)
}

func earlyText(days string) string {
	q := quantity(days).Round(0)
	switch n, _ := q.Int(); {
	case days == "" || n == 0:
		return ""
	case n < 0:
		return ", " + count(-n, "day", "days") + " later than was to be expected"
	default:
		return ", " + count(n, "day", "days") + " early"
	}
}

// unknownText says what no record explains.
func unknownText(r *audited) string {
	for _, l := range r.Bridge {
		if l.Part != bridge.Unknown {
			continue
		}
		q := quantity(l.Qty)
		switch {
		case r.LastCount == "":
			return ""
		case q.Sign() < 0:
			return inUnit(q.Neg().String(), r.Unit) + " more left than the records explain."
		case q.Sign() > 0:
			return inUnit(q.String(), r.Unit) + " more was there than the records explain."
		}
	}
	return "The records explain all of it."
}

func inUnit(qty, unit string) string {
	if unit == "each" {
		return grouped(qty)
	}
	return metres(qty, unit)
}

func (m *Main) printAudit(d *desk, r audited) error {
	if m.format != formatTable {
		return m.report(r, "", auditGrid(r), "")
	}
	var b strings.Builder
	b.WriteString(m.bold(m.wrapAll(r.Name+" ("+r.Item+")")) + "\n" + m.wrapAll(auditLead(&r)) + "\n\n")
	b.WriteString(m.picture(&r) + "\n")
	b.WriteString("\n" + m.findingsText(&r))
	if t := m.sideBySide(&r); t != "" {
		b.WriteString("\n" + t + "\n")
	}
	for _, n := range r.Notes {
		b.WriteString("\n" + m.wrapAll(n) + "\n")
	}
	return m.printTable(b.String()+auditFoot(&r), nil, incompleteText(r.Head))
}

// auditFoot says where the rest is.
func auditFoot(r *audited) string {
	return "\nEvery figure down to its events: countback audit " + r.Item + " --json; event by event: countback history " + r.Item
}

// step is one line of the picture: a level or a part.
type step struct {
	text, qty, value string
	from, to         num.Qty
	level            bool
}

// steps leads from expected to actual. Quantities are rounded for the eye, so that what is shown still adds up.
func steps(f *bridge.Figures, unit string) []step {
	at := quantity(f.Expected)
	list := []step{{text: "Expected", value: f.ExpectedValue, to: at, level: true}}
	if f.NoExpectation != "" {
		list[0].text = "There at the start"
	}
	shown := []num.Money{asMoney(at)}
	for _, l := range f.Bridge {
		q := quantity(l.Qty)
		if q.IsZero() {
			continue
		}
		list = append(list, step{partText(l.Part, l.Qty, f.NoExpectation != ""), "", l.Value, at, at.Add(q), false})
		shown = append(shown, asMoney(q))
		at = at.Add(q)
	}
	places := 0
	if unit != "mm" && at.Abs().Less(num.Whole(100)) && quantity(f.Expected).Abs().Less(num.Whole(100)) {
		places = 1
	}
	rounded, total := num.RoundLines(shown, places)
	for i := range list {
		list[i].qty = rounded[i].String()
	}
	return append(list, step{"There was", total.String(), f.ActualValue, num.Qty{}, quantity(f.Actual), true})
}

// asMoney writes a quantity as an amount: both are decimals, and amounts can be rounded so that they add up.
func asMoney(q num.Qty) num.Money {
	m, err := num.ParseMoney(q.Round(6).String())
	if err != nil {
		return num.Money{}
	}
	return m
}

const (
	barsAtMost  = 44
	barsAtLeast = 10
)

// picture draws the bridge as bars below each other, zero shown. A part that took away is dark, one that brought is light, and the sign says the same.
func (m *Main) picture(r *audited) string {
	list := steps(&r.Figures, r.Unit)
	money := m.Width == 0 || m.Width >= 90
	if price := r.Bridge[len(r.Bridge)-1]; money && strings.Trim(price.Value, "-0.") != "" {
		list = slices.Insert(list, len(list)-1, step{text: partText(price.Part, price.Value, false), value: price.Value, from: list[len(list)-1].to, to: list[len(list)-1].to})
	}
	text, qty, value := 0, 0, 0
	for _, s := range list {
		text, qty = max(text, uniseg.StringWidth(s.text)+2), max(qty, uniseg.StringWidth(stepQty(s)))
		value = max(value, uniseg.StringWidth(stepValue(s)))
	}
	room := barsAtMost
	if m.Width > 0 {
		room = min(room, m.Width-text-qty-4)
		if money {
			room = min(barsAtMost, m.Width-text-qty-value-6)
		}
	}
	var b strings.Builder
	head := unitsHead(r.Unit)
	if money {
		head += " and " + r.Currency
	}
	b.WriteString(m.wrapAll(fmt.Sprintf("%s, from %s to %s", head, day(r.From).show(), day(r.To).show())) + "\n")
	low, high := num.Qty{}, num.Qty{}
	for _, s := range list {
		low, high = num.Min(low, num.Min(s.from, s.to)), num.Max(high, num.Max(s.from, s.to))
	}
	for _, s := range list {
		name := s.text
		if !s.level {
			name = "  " + name
		}
		line := name + strings.Repeat(" ", text-uniseg.StringWidth(name)) + "  " + padLeft(stepQty(s), qty)
		if money {
			line += "  " + padLeft(stepValue(s), value)
		}
		if room >= barsAtLeast && low.Less(high) {
			line += "  " + bar(s, low, high, room)
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	return strings.TrimRight(b.String(), "\n")
}

func stepQty(s step) string {
	if s.level || s.qty == "" {
		return grouped(s.qty)
	}
	return signed(s.qty)
}

func stepValue(s step) string {
	if s.level {
		return grouped(s.value)
	}
	return signed(s.value)
}

func padLeft(s string, width int) string {
	return strings.Repeat(" ", max(0, width-uniseg.StringWidth(s))) + s
}

// bar is one line's bar between two levels on a scale; where the scale has something below zero, zero is a line of its own.
func bar(s step, low, high num.Qty, room int) string {
	at := func(q num.Qty) int {
		n, _ := num.Whole(int64(room)).Part(q.Sub(low), high.Sub(low)).Round(0).Int()
		return n
	}
	from, to := at(s.from), at(s.to)
	ink := "█"
	switch {
	case s.level:
		ink = "━"
	case from < to:
		ink = "░"
	}
	if from > to {
		from, to = to, from
	}
	if from == to && !s.level {
		to = min(room, from+1)
		from = to - 1
		ink = "▏"
	}
	cells := make([]string, room+1)
	for i := range cells {
		cells[i] = " "
		if i >= from && i < to {
			cells[i] = ink
		}
	}
	if zero := at(num.Qty{}); low.Sign() < 0 && cells[zero] == " " {
		cells[zero] = "│"
	}
	return strings.Join(cells, "")
}

func unitsHead(unit string) string {
	if unit == "each" {
		return "Pieces"
	}
	return "In " + unit
}

// sideBySide sets the windows before beside the one that was asked about.
func (m *Main) sideBySide(r *audited) string {
	if len(r.Earlier) == 0 {
		return ""
	}
	g := &grid{columns: []column{{head: "From"}, {head: "To"}, {head: "Days", figure: true}, {head: "Orders", figure: true}, {head: "Expected", figure: true}}}
	all := append([]bridge.Figures{r.Figures}, r.Earlier...)
	heads := []string{"Came in", "Orders", "Mix", "Specs", "Bench", "Back", "Runs", "Written off", "Unknown"}
	for _, h := range heads {
		g.columns = append(g.columns, column{head: h, figure: true})
	}
	g.columns[6].head = "Number"
	g.columns = append(g.columns, column{head: "There was", figure: true})
	used := make([]bool, len(heads))
	for _, f := range all {
		for i := range heads {
			used[i] = used[i] || f.Bridge[i].Qty != "0"
		}
	}
	for _, f := range all {
		row := []cell{day(f.From), day(f.To), plain(daysBetween(f.From, f.To)), figure(fmtInt(int64(f.Orders))), {f.Expected, shortQty(f.Expected)}}
		for i := range heads {
			if used[i] {
				row = append(row, cell{f.Bridge[i].Qty, signed(short(f.Bridge[i].Qty))})
			} else {
				row = append(row, cell{})
			}
		}
		g.add(append(row, cell{f.Actual, shortQty(f.Actual)})...)
	}
	return "This box and those before it\n\n" + m.layOut(g)
}

func daysBetween(from, to string) string {
	a, _ := time.Parse(time.RFC3339, from)
	b, _ := time.Parse(time.RFC3339, to)
	return fmtInt(int64(b.Sub(a).Hours()/24 + 0.5))
}

// auditGrid is the bridge for spreadsheets: each part of each window, and the lines below it.
func auditGrid(r audited) *grid {
	g := &grid{columns: []column{{name: "from"}, {name: "to"}, {name: "part"}, {name: "line"}, {name: "qty", figure: true}, {name: "value", figure: true}, {name: "rank", figure: true}, {name: "weight", figure: true}, {name: "events"}, {name: "why"}}}
	for _, f := range append([]bridge.Figures{r.Figures}, r.Earlier...) {
		g.add(plain(f.From), plain(f.To), plain("expected"), plain(""), plain(f.Expected), plain(f.ExpectedValue), plain(""), plain(""), plain(""), plain(""))
		for _, l := range f.Bridge {
			g.add(plain(f.From), plain(f.To), plain(l.Part), plain(""), plain(l.Qty), plain(l.Value), plain(""), plain(""), plain(strings.Join(l.Events, " ")), plain(""))
			for _, s := range l.Sub {
				g.add(plain(f.From), plain(f.To), plain(l.Part), plain(s.Name), plain(s.Qty), plain(""), plain(""), plain(""), plain(strings.Join(s.Events, " ")), plain(""))
			}
		}
		g.add(plain(f.From), plain(f.To), plain("actual"), plain(""), plain(f.Actual), plain(f.ActualValue), plain(""), plain(""), plain(""), plain(""))
	}
	for _, f := range r.Findings {
		g.add(plain(r.From), plain(r.To), plain("finding"), plain(string(f.Cause)), plain(f.Qty), plain(""), plain(fmtInt(int64(f.Rank))), plain(f.Weight), plain(strings.Join(f.Events, " ")), plain(f.Why))
	}
	return g
}
