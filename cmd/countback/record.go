package main

import (
	"bytes"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"countback/ledger/event"
	"countback/ledger/record"
)

func (m *Main) recordCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "record FILE|-",
		Short: "Record facts from a file of JSON lines: all of them or none",
		Long: `Record facts, one JSON object a line: {"kind": KIND, "time": TIME, "data": {...}}. Either all are recorded or none. A fact with an "id" that the
ledger holds already is skipped, so that a file can be recorded twice.`,
		Example: "  countback record facts.jsonl",
		Args:    cobra.ExactArgs(1),
	}
	cmd.ValidArgsFunction = byPlace(files)
	cmd.RunE = m.writing(func(d *desk, args []string) error {
		file, err := m.readFile(args[0], event.MaxFile)
		if err != nil {
			return err
		}
		facts, err := event.ParseFacts(file)
		if err != nil {
			return inPlace(fileName(args[0]), nothing, err)
		}
		lines := factLines(file)
		result, err := d.record(facts, func(i int) string { return fmt.Sprintf("%s, line %d", fileName(args[0]), lines[i]) })
		if err != nil {
			return err
		}
		return d.tellMany(facts, result)
	})
	return cmd
}

// factLines numbers the lines of a fact file that hold a fact.
func factLines(file []byte) []int {
	var list []int
	n := 0
	for line := range bytes.Lines(bytes.TrimPrefix(file, []byte("\xef\xbb\xbf"))) {
		n++
		if len(bytes.TrimSpace(line)) > 0 {
			list = append(list, n)
		}
	}
	return list
}

// tellMany says in one sentence what became of many facts; their ids are there for machines.
func (d *desk) tellMany(facts []event.Fact, result record.Result) error {
	differ := differText(result.Differ)
	if d.m.format == formatTable {
		return d.m.printTable(recordedText(result), nil, differ)
	}
	out := &posted{Recorded: []postedEvent{}, Skipped: result.Skipped}
	for _, id := range result.Differ {
		out.Notices = append(out.Notices, postedNote{Event: id.String(), Why: "the ledger holds an event of this id that says something else; it stays as it is"})
	}
	for i, f := range facts {
		if i < len(result.IDs) {
			out.Recorded = append(out.Recorded, postedEvent{result.IDs[i].String(), string(f.Data.Kind()), f.Time.String(), orderOf(f.Data)})
		}
	}
	return d.printPosted(out)
}

func recordedText(result record.Result) string {
	s := count(result.Recorded, "fact was", "facts were") + " recorded"
	switch {
	case result.Skipped > 0 && result.Recorded == 0:
		return "Nothing new: all " + count(result.Skipped, "fact was", "facts were") + " here already."
	case result.Skipped > 0:
		s += ", " + count(result.Skipped, "was", "were") + " here already"
	}
	return s + "."
}

// differText warns of facts that were skipped though they say something else than what is held.
func differText(ids []event.ID) string {
	if len(ids) == 0 {
		return ""
	}
	const most = 5
	names := make([]string, 0, most)
	for _, id := range ids[:min(most, len(ids))] {
		names = append(names, id.String())
	}
	text := count(len(ids), "fact of the file says", "facts of the file say") + " something else than the event of that id here, which stays as it is: " + strings.Join(names, ", ")
	if len(ids) > most {
		text += fmt.Sprintf(" and %d more", len(ids)-most)
	}
	return text + ". To change one, reverse it and record it anew under a new id."
}
