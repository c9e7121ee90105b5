package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/rivo/uniseg"
	"github.com/spf13/cobra"

	"countback/cmd/countback/paper"
	"countback/cmd/countback/words"
	"countback/ledger/num"
	"countback/projections/audit"
	"countback/projections/bridge"
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
	out.Notes = append(out.Notes, words.AuditNotes(log, &list[0], windows-len(list)+1, d.zone)...)
	return out, nil
}

func (m *Main) printAudit(d *desk, r audited) error {
	if m.format != formatTable {
		return m.report(r, "", auditGrid(r), "")
	}
	var b strings.Builder
	b.WriteString(m.bold(m.wrapAll(r.Name+" ("+r.Item+")")) + "\n" + m.wrapAll(words.Audit(&r.Report)) + "\n\n")
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

const (
	barsAtMost  = 44
	barsAtLeast = 10
)

// picture draws the bridge as bars below each other, zero shown. A part that took away is dark, one that brought is light, and the sign says the same.
func (m *Main) picture(r *audited) string {
	money := m.Width == 0 || m.Width >= 90
	list := words.Steps(&r.Figures, r.Unit)
	if money {
		list = steps(r)
	}
	text, qty, value := 0, 0, 0
	for _, s := range list {
		text, qty = max(text, uniseg.StringWidth(s.Text)+2), max(qty, uniseg.StringWidth(words.StepQty(s)))
		value = max(value, uniseg.StringWidth(words.StepValue(s)))
	}
	room := barsAtMost
	if m.Width > 0 {
		room = min(room, m.Width-text-qty-4)
		if money {
			room = min(barsAtMost, m.Width-text-qty-value-6)
		}
	}
	var b strings.Builder
	head := words.Units(r.Unit)
	if money {
		head += " and " + r.Currency
	}
	b.WriteString(m.wrapAll(fmt.Sprintf("%s, from %s to %s", head, day(r.From).show(), day(r.To).show())) + "\n")
	low, high := span(list)
	for _, s := range list {
		name := s.Text
		if !s.Level {
			name = "  " + name
		}
		line := name + strings.Repeat(" ", text-uniseg.StringWidth(name)) + "  " + padLeft(words.StepQty(s), qty)
		if money {
			line += "  " + padLeft(words.StepValue(s), value)
		}
		if room >= barsAtLeast && low.Less(high) {
			line += "  " + bar(s, low, high, room)
		}
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	return strings.TrimRight(b.String(), "\n")
}

func padLeft(s string, width int) string {
	return strings.Repeat(" ", max(0, width-uniseg.StringWidth(s))) + s
}

// steps are the bridge's with the one that is in money alone, where there is one.
func steps(r *audited) []words.Step {
	list := words.Steps(&r.Figures, r.Unit)
	price := r.Bridge[len(r.Bridge)-1]
	if strings.Trim(price.Value, "-0.") == "" {
		return list
	}
	at := list[len(list)-1].To
	return slices.Insert(list, len(list)-1, words.Step{Text: words.Part(price.Part, price.Value, false), Value: price.Value, From: at, To: at})
}

// span is what a bridge's bars reach over; zero lies in it.
func span(list []words.Step) (low, high num.Qty) {
	for _, s := range list {
		low, high = num.Min(low, num.Min(s.From, s.To)), num.Max(high, num.Max(s.From, s.To))
	}
	return low, high
}

// bar is one line's bar between two levels on a scale; where the scale has something below zero, zero is a line of its own.
func bar(s words.Step, low, high num.Qty, room int) string {
	at := func(q num.Qty) int {
		n, _ := num.Whole(int64(room)).Part(q.Sub(low), high.Sub(low)).Round(0).Int()
		return n
	}
	from, to := at(s.From), at(s.To)
	ink := "█"
	switch {
	case s.Level:
		ink = "━"
	case from < to:
		ink = "░"
	}
	if from > to {
		from, to = to, from
	}
	if from == to && !s.Level {
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
		row := []cell{day(f.From), day(f.To), plain(words.DaysBetween(f.From, f.To)), figure(fmtInt(int64(f.Orders))), {f.Expected, words.ShortQty(f.Expected)}}
		for i := range heads {
			if used[i] {
				row = append(row, cell{f.Bridge[i].Qty, words.Signed(words.Short(f.Bridge[i].Qty))})
			} else {
				row = append(row, cell{})
			}
		}
		g.add(append(row, cell{f.Actual, words.ShortQty(f.Actual)})...)
	}
	return "This box and those before it\n\n" + m.layOut(g)
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
