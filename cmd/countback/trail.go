package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"countback/ledger/event"
	"countback/ledger/store"
	"countback/projections/bridge"
	"countback/projections/fold"
	"countback/projections/history"
)

// told is the history of something: what moved stock, and, of an order or an event, all events of it, whether they moved anything or not.
type told struct {
	history.Report
	Events   []trailed  `json:"events,omitempty"`
	Purchase []owedLine `json:"purchase,omitempty"` // of an event that is one
	OnOrder  []owing    `json:"on_order,omitempty"` // of an item: purchases that owe some of it
	Runout   []lasting  `json:"runout,omitempty"`   // of an item, where it was asked for: as long as the entries
}

// lasting is what one entry did to the day on which an item runs out, at the pace of the 90 days before it. Its fields are empty while there is no pace.
type lasting struct {
	PerDay  string `json:"per_day"`
	Days    string `json:"days"` // by how many days it moved that day: below 0 is sooner
	RunsOut string `json:"runs_out"`
}

// runout lines the steps of an item up with the entries of its history: changes of value alone have none.
func (d *desk) runout(log *fold.Log, run fold.Run, item string) []lasting {
	it, ok := log.Catalog.Find(item)
	if !ok {
		return nil
	}
	steps := bridge.Read(log, run).Trail(it.Index)
	out := []lasting{}
	k := 0
	run.Observe = func(m fold.Movement) {
		switch {
		case m.Item != it.Index:
		case m.Column == fold.Adjusted:
			out = append(out, lasting{})
		default:
			s := &steps[k]
			k++
			x := lasting{Days: s.Tenths()}
			if x.Days != "" {
				x.PerDay = s.PerDay.String()
			}
			if s.RunsOut != 0 {
				x.RunsOut = d.style().Time(s.RunsOut)
			}
			out = append(out, x)
		}
	}
	log.Run(run)
	return out
}

// trailed is one event as recorded.
type trailed struct {
	Event    string          `json:"event"`
	Time     string          `json:"time"`
	Kind     string          `json:"kind"`
	Device   string          `json:"device"`
	Person   string          `json:"person,omitempty"`
	Reversed bool            `json:"reversed,omitempty"`
	Data     json.RawMessage `json:"data"`

	key event.Key
}

// trail lists the events of an order, or the one event with those that name it, in fold order.
func (d *desk) trail(log *fold.Log, what history.What, asOf int64) ([]trailed, error) {
	var rows []store.Row
	var err error
	switch {
	case what.Order != "":
		rows, err = d.store.ByOrder(d.ctx, what.Order)
	case !what.Event.IsZero():
		rows, err = d.about(what.Event)
	}
	if err != nil {
		return nil, err
	}
	var list []trailed
	for _, r := range rows {
		e, err := event.ParseLine(r.Line)
		if err != nil {
			return nil, store.Fail("read the ledger", fmt.Sprintf("event number %d", r.N), store.ErrDamaged, err)
		}
		if what.Event.IsZero() && e.Time.Ms() > asOf {
			continue
		}
		list = append(list, trailed{
			Event: e.ID.String(), Time: e.Time.String(), Kind: string(e.Kind), Device: e.Device, Person: e.Person,
			Reversed: log.Reversed(e.ID), Data: json.RawMessage(e.Raw), key: e.Key(),
		})
	}
	slices.SortStableFunc(list, func(a, b trailed) int { return a.key.Compare(b.key) })
	return list, nil
}

// about returns an event and those that name it: what reversed or decided it, and deliveries of a purchase.
func (d *desk) about(id event.ID) ([]store.Row, error) {
	rows, err := d.store.ByID(d.ctx, id)
	if err != nil {
		return nil, err
	}
	list, err := scan(d.ctx, d.store, []event.Kind{event.KindReverse, event.KindDecide, event.KindRestock})
	if err != nil {
		return nil, err
	}
	for _, e := range list {
		switch f := e.Data.(type) {
		case *event.Reverse:
			if f.Event == id {
				rows = append(rows, store.Row{Line: e.Line})
			}
		case *event.Decide:
			if f.Event == id {
				rows = append(rows, store.Row{Line: e.Line})
			}
		case *event.Restock:
			if f.Purchase == id {
				rows = append(rows, store.Row{Line: e.Line})
			}
		}
	}
	return rows, nil
}

// trailText prints the events above the movements: those of an order as a table, one event with all that it says.
func (m *Main) trailText(list []trailed, what history.What) string {
	if m.format != formatTable || len(list) == 0 {
		return ""
	}
	if !what.Event.IsZero() {
		var b strings.Builder
		for _, e := range list {
			by := "device " + e.Device
			if e.Person != "" {
				by = e.Person + " on " + by
			}
			fmt.Fprintf(&b, "%s  %s, %s, recorded by %s%s\n  %s\n", e.Event, e.Kind, clock(e.Time).show(), visible(by), reversedText(e), visible(string(e.Data)))
		}
		return b.String() + "\n"
	}
	g := &grid{columns: []column{{head: "Event"}, {head: "When"}, {head: "What"}, {head: "Note", flexible: true}}}
	for _, e := range list {
		var said struct {
			Note string `json:"note"`
		}
		_ = json.Unmarshal(e.Data, &said) // data of an unknown kind may say anything
		g.add(plain(e.Event), clock(e.Time), plain(e.Kind+reversedText(e)), plain(said.Note))
	}
	return m.layOut(g) + "\n\n"
}

func reversedText(e trailed) string {
	if e.Reversed {
		return ", reversed"
	}
	return ""
}
