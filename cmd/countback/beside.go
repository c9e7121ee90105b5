package main

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"countback/ledger/chain"
	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/fold"
	"countback/sync/replicate"
)

// toReview lists what needs a look and isn't in the fold: closes that don't count, lines that were refused, facts of branches that nobody has recorded anew, and
// desks that took another's place by the word of a third.
func (d *desk) toReview() ([]fold.Notice, error) {
	var out []fold.Notice
	for _, find := range []func() ([]fold.Notice, error){d.voidCloses, d.refusedLines, d.branchFacts, d.recoveries} {
		list, err := find()
		if err != nil {
			return nil, err
		}
		out = append(out, list...)
	}
	return out, nil
}

const emptyFlag = "throw-away"

// refusedLines tells of the quarantine, sender by sender.
func (d *desk) refusedLines() (out []fold.Notice, err error) {
	list, err := replicate.Refused(d.ctx, d.store)
	if err != nil {
		return nil, err
	}
	type group struct{ from, reason string }
	n := map[group]int{}
	for _, k := range list {
		n[group{k.From, k.Reason}]++
	}
	byText := func(a, b group) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.reason, b.reason)) }
	for _, g := range slices.SortedFunc(maps.Keys(n), byText) {
		from := "device " + g.from
		if g.from == "" {
			from = "a file"
		}
		out = append(out, fold.Notice{
			Topic: "refused", About: g.from, Why: fmt.Sprintf("%s from %s can stand in no log: %s", count(n[g], "line", "lines"), from, g.reason),
			Choices: []string{"look whose device that is: countback devices", "throw all refused lines away: countback review --" + emptyFlag},
		})
	}
	return out, nil
}

// branchFacts lists the facts of branches that aren't the log and that stand in no log under their id.
func (d *desk) branchFacts() (out []fold.Notice, err error) {
	list, err := replicate.Aside(d.ctx, d.store)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	members, err := chain.Load(d.ctx, d.store, d.shopID)
	if err != nil {
		return nil, err
	}
	for _, k := range list {
		e, err := event.ParseLine(k.Line)
		if err != nil {
			return nil, store.Fail("read what stands aside", "", store.ErrDamaged, err)
		}
		if e.ID.IsZero() || e.Kind == event.KindDevice || e.Kind == event.KindClose {
			continue
		}
		rows, err := d.store.ByID(d.ctx, e.ID)
		if err != nil {
			return nil, err
		}
		if len(rows) > 0 {
			continue
		}
		b, _ := members.Get(e.Device)
		why := "another copy of device " + e.Device + " recorded this, and its log holds something else at that place"
		again := "if it is right, say so at the keeper's desk yourself"
		switch line, err := factLine(k.Line); {
		case err != nil:
			return nil, err
		case line != nil:
			again = "if it is true, record it anew: countback record FILE, with this line in the file: " + string(line)
		}
		choices := []string{again}
		switch {
		case b.Revoked:
			why += "; the device was revoked, so that nobody records it anew by itself"
		case e.Kind.Fact():
			choices = []string{"leave it: the keeper's desk records it anew by itself, once it has it", again}
		}
		out = append(out, fold.Notice{Event: e.ID, Topic: "aside", About: string(e.Kind), Why: why, Choices: choices})
	}
	return out, nil
}

// recoveries lists the desks that took another's place by the word of a third device, for everybody to see.
func (d *desk) recoveries() (out []fold.Notice, err error) {
	members, err := chain.Load(d.ctx, d.store, d.shopID)
	if err != nil {
		return nil, err
	}
	for _, b := range members.All() {
		if b.Succeeds == "" || b.Succeeds == b.By {
			continue
		}
		row, err := d.store.At(d.ctx, b.Device, 1)
		if err != nil {
			return nil, err
		}
		e, err := event.ParseLine(row.Line)
		if err != nil {
			return nil, store.Fail("read the ledger", "the log of "+b.Device, store.ErrDamaged, err)
		}
		n := fold.Notice{Event: e.ID, Topic: "recovered", About: b.Name, Choices: []string{"nothing is to be done if that was you"}}
		old, _ := members.Get(b.Succeeds)
		by, _ := members.Get(b.By)
		n.Why = fmt.Sprintf("desk %q (%s) took the place of %q (%s) as the keeper, by the word of %q (%s)", b.Name, b.Device, old.Name, old.Device, by.Name, by.Device)
		switch {
		case b.Revoked && b.Last == 0:
			n.Why += "; that device is revoked, so nothing of it counts"
		case !members.Kept(b.Device):
			n.Why += "; it isn't the keeper, because another desk is"
			n.Choices = append(n.Choices, "if it isn't yours, revoke it: countback revoke "+b.Device)
		case !old.Revoked:
			n.Choices = append(n.Choices, "if the old desk may be in other hands, revoke it: countback revoke "+old.Device)
		}
		out = append(out, n)
	}
	return out, nil
}
