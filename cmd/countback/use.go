package main

import (
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"countback/cmd/countback/words"
	"countback/ledger/event"
	"countback/projections/fold"
	"countback/projections/interval"
	"countback/projections/use"
)

func (m *Main) useCmd() *cobra.Command {
	var a asked
	var p posting
	var apply bool
	var since string
	cmd := &cobra.Command{
		Use:   "use [ITEM]",
		Short: "What is really used, against what the specs say",
		Long: `Of each item that was counted over at least three intervals: what the packing and make specs say was used, what really went, and the ratio of the two with the
bounds that hold it 19 times in 20. Print runs are compared with the spoilage that is normal. Where the ratio is off by more than counting, handling and usual waste explain, the line of the spec that would put it right is proposed.

--apply records the proposal of one item, or of all that are clear: as a spec that was wrong from the start, so that the past is worked out anew, or, with --since, as a new
revision from a day on. It can be taken back with countback reverse.`,
		Example: "  countback use\n  countback use board --apply --since 2026-06-01",
		Args:    cobra.MaximumNArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(m.itemIDs)
	a.flags(cmd)
	cmd.Flags().BoolVar(&apply, "apply", false, "record the proposed specs")
	cmd.Flags().StringVar(&since, "since", "", "with --apply: they hold from a `day`, or a time (default: from the start of the spec)")
	cmd.Flags().StringVar(&p.note, "note", "", "with --apply: `text` to keep with it")
	run := func(d *desk, args []string) error {
		item := ""
		if len(args) > 0 {
			item = args[0]
			if _, err := d.stocked(item); err != nil {
				return err
			}
		}
		if !apply && since != "" {
			return wrong("--since", "add --apply, or leave it out", "it says from when a proposal is applied")
		}
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		t := interval.Read(log, run)
		r := use.Of(t, d.style(), item)
		r.Runs = use.RunsOf(log, t.State, d.style(), item)
		if !apply {
			return m.printUse(r, item)
		}
		return d.applyUse(log, t.State, r, item != "", since, p.note)
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if apply {
			if a.asOf != "" || a.known != "" {
				return wrong("--apply", "leave out --as-of and --known", "proposals are applied as everything stands now")
			}
			return m.writing(run)(cmd, args)
		}
		return m.reading(run)(cmd, args)
	}
	return cmd
}

func (m *Main) printUse(r use.Report, item string) error {
	g := &grid{columns: []column{
		{name: "item", head: "Item"}, {name: "from", head: "Since"}, {name: "to", csvOnly: true}, {name: "spec_qty", head: "By the spec", figure: true}, {name: "actual_qty", head: "Really", figure: true}, {head: "Unit"},
		{name: "ratio", head: "Ratio", figure: true}, {name: "low", head: "Likely", figure: true}, {name: "high", csvOnly: true, figure: true}, {name: "usual", csvOnly: true, figure: true},
		{name: "pattern", head: "Verdict"}, {name: "spec", csvOnly: true}, {name: "line", csvOnly: true}, {name: "qty_now", csvOnly: true, figure: true}, {name: "qty", head: "Proposed", figure: true},
	}}
	items := slices.Clone(r.Items)
	if m.format == formatTable {
		slices.SortStableFunc(items, func(a, b use.Item) int { return order(a.Proposed != nil) - order(b.Proposed != nil) })
		slices.SortStableFunc(items, func(a, b use.Item) int { return order(a.Pattern != "agrees") - order(b.Pattern != "agrees") })
	}
	for _, it := range items {
		spec, line, now, qty := "", "", "", cell{}
		if p := it.Proposed; p != nil {
			spec, line, now, qty = p.Spec, p.Line, p.QtyNow, cell{p.Qty, p.QtyNow + " → " + p.Qty + words.Measure(p)}
		}
		g.add(plain(it.Item), day(it.From), plain(it.To), cell{it.SpecQty, words.ShortQty(it.SpecQty)}, cell{it.ActualQty, words.ShortQty(it.ActualQty)}, plain(it.Unit), cell{it.Ratio, words.Ratio(it.Ratio)},
			cell{it.Low, words.Ratio(it.Low) + " to " + words.Ratio(it.High)}, plain(it.High), plain(it.Usual), cell{it.Pattern, words.Pattern(it)}, plain(spec), plain(line), figure(now), qty)
	}
	lead := "Real use against the specs, " + asOfText(r.Head) + "."
	if len(r.Items) == 0 {
		lead = "Nothing can be compared yet: it takes four counts of an item that the specs use. Count everything once a month: countback count sheet --format csv > counts.csv"
		if item != "" {
			lead = item + " can't be compared yet: it takes three intervals between counts in which it was used."
		}
	}
	return m.report(r, lead, g, join2(useText(r), incompleteText(r.Head)))
}

// useText says what is proposed, and how to take it.
func useText(r use.Report) string {
	var lines []string
	shown := 0
	for _, it := range r.Items {
		if it.Pattern == "agrees" {
			continue
		}
		text := it.Item + ": " + it.Why + "."
		if it.PerDay != "" {
			text += " About " + words.Short(it.PerDay) + words.BehindUnit(it.Unit) + " a day."
		}
		lines = append(lines, text)
		if p := it.Proposed; p != nil {
			shown++
			command := "countback use " + it.Item + " --apply"
			if it.Changed {
				command += " --since " + words.SinceDay(it.From)
			}
			lines = append(lines, "  "+words.SpecLine(p)+": "+p.QtyNow+" would be "+p.Qty+words.Measure(p)+" (likely "+words.Ratio(p.Low)+" to "+words.Ratio(p.High)+"). To record it: "+command)
		}
	}
	if len(r.Items) > 0 && len(lines) == 0 {
		lines = append(lines, "No spec needs a change, as far as these counts can tell.")
	}
	lines = append(lines, runsText(r.Runs)...)
	if len(r.Waiting) > 0 {
		lines = append(lines, "Not counted often enough to say (it takes three intervals between counts): "+strings.Join(r.Waiting, ", ")+".")
	}
	return join2(lines...)
}

// runsText says what print runs spoil beyond what is normal, and which runs are like no other.
func runsText(runs []use.Runs) []string {
	var lines, odd []string
	for _, r := range runs {
		if r.More {
			lines = append(lines, "Print runs of "+r.Item+" spoil "+words.Percent(r.Share)+" (likely "+words.Percent(r.Low)+" to "+words.Percent(r.High)+"); the make spec calls "+words.Percent(r.Normal)+" normal.")
		}
		for _, o := range r.Odd {
			odd = append(odd, r.Item+" on "+day(o.Time).show()+" ("+o.Spoiled+" of "+o.Pieces+")")
		}
	}
	if len(runs) > 0 && len(lines) == 0 {
		lines = append(lines, "Print runs spoil no more than their make specs call normal.")
	}
	if len(odd) > 0 {
		lines = append(lines, "Runs that spoiled far more than others of their item, left out of that: "+strings.Join(odd, ", ")+".")
	}
	return lines
}

// applyUse records the proposals; those that may be a steady loss only where the item was named.
func (d *desk) applyUse(log *fold.Log, state *fold.State, r use.Report, named bool, since, note string) error {
	var list []*use.Proposal
	for i := range r.Items {
		if it := &r.Items[i]; it.Proposed != nil && (named || it.Pattern != "unclear") {
			list = append(list, it.Proposed)
		}
	}
	if len(list) == 0 {
		return wrong("use --apply", "see countback use for what the counts say", "there is no proposal to record")
	}
	at := event.TimeOf(d.now())
	var from *event.Time
	if since != "" {
		t, err := parseMoment(since, dayStart, d.zone)
		if err != nil {
			return inPlace("--since", "", err)
		}
		at = event.TimeOf(t)
		from = &at
	}
	specs, err := use.Apply(log, state, list, from)
	var early *use.TooEarly
	if errors.As(err, &early) {
		return wrong("--since", "name a later day, or leave --since out to put the spec right from its start", "the spec in force begins only on %s", showDay(time.UnixMilli(early.Begins).In(d.zone)))
	}
	if err != nil {
		return err
	}
	var facts []event.Fact
	for _, data := range specs {
		setSpecNote(data, note)
		facts = append(facts, event.Fact{Time: at, Data: data})
	}
	result, err := d.record(facts, nil)
	if err != nil {
		return err
	}
	if err := d.tell(facts, result, standingOf(state)); err != nil || since != "" {
		return err
	}
	for _, it := range r.Items {
		if it.Proposed != nil && it.Changed && (named || it.Pattern != "unclear") {
			err := d.m.say("\nNote: the use of %s changed only after the count of %s, and this puts the spec right from its start.\n  - to take it back: countback reverse %s --reason …\n  - then: countback use %s --apply --since %s",
				it.Item, day(it.From).show(), result.IDs[0], it.Item, words.SinceDay(it.From))
			if err != nil {
				return err
			}
		}
	}
	return nil
}

func setSpecNote(data event.Data, note string) {
	switch d := data.(type) {
	case *event.PackSpec:
		setNote(&d.Note, note)
	case *event.MakeSpec:
		setNote(&d.Note, note)
	}
}
