package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"countback/ledger/event"
	"countback/projections/doubt"
	"countback/projections/fold"
)

// doubts are the questions about what was recorded just now: a cost per piece that is ten times the last one, a count that looks like a slip. They are said
// with the command that takes the entry back.
func doubts(log *fold.Log, facts []event.Fact, ids []event.ID) []postedNote {
	var notes []postedNote
	for _, q := range doubt.Of(log, facts, ids) {
		id := ids[q.Index].String()
		notes = append(notes, postedNote{Event: id, Why: q.Why, Choices: []string{q.Hint, "countback reverse " + id + " --reason slip"}})
	}
	return notes
}

// ask puts the questions about facts before they are recorded, where a person sits at the terminal. Elsewhere nobody can answer: then the facts are
// recorded, and the questions are said afterwards and by review.
func (d *desk) ask(facts []event.Fact, sure bool) error {
	if sure || !d.m.Asks || d.m.format != formatTable || !doubt.Possible(facts) {
		return nil
	}
	log, err := d.log(0)
	if err != nil {
		return err
	}
	list := doubt.Of(log, facts, nil)
	if len(list) == 0 {
		return nil
	}
	for _, q := range list {
		fmt.Fprintf(d.m.Stderr, "%s: %s.\n", strings.ToUpper(q.Why[:1])+q.Why[1:], q.Hint)
	}
	fmt.Fprint(d.m.Stderr, "Record it as it is? (yes or no) ")
	answer, err := bufio.NewReader(d.m.Stdin).ReadString('\n')
	if err != nil && err != io.EOF {
		return err
	}
	switch strings.ToLower(strings.TrimSpace(answer)) {
	case "y", "yes":
		return nil
	}
	return &fault{what: "not recorded", hint: "enter it anew, or answer yes if it is right", status: statusUse}
}
