package pages

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"countback/ledger/event"
	"countback/projections/fold"
	"countback/projections/purchases"
)

// kept are the last recordings of the forms, so that the page that follows can say what they moved. It is no truth: what isn't here any more is told by the ledger.
type kept struct {
	mu   sync.Mutex
	list []Recorded
}

const mostKept = 64

func (k *kept) keep(r Recorded) {
	if len(r.IDs) == 0 {
		return
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.list = append(k.list, r)
	if len(k.list) > mostKept {
		k.list = slices.Delete(k.list, 0, len(k.list)-mostKept)
	}
}

// find returns the latest recording of a form by its first id; a second one of the same id moved nothing.
func (k *kept) find(id event.ID) (r Recorded, ok bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	for i := len(k.list) - 1; i >= 0; i-- {
		if k.list[i].IDs[0] == id {
			if r, ok = k.list[i], true; r.Recorded > 0 {
				return r, true
			}
		}
	}
	return r, ok
}

// done says what was recorded just now.
type done struct {
	Events  []doneEvent
	OnHand  []Moved
	Names   map[string]string
	Notices []Notice
	Again   bool // all of it was here already
	Below   []string
	Back    []event.ID // what can be taken back
	Kind    string
	Once    event.ID
	Blind   bool // a count: what it moved isn't told beside the figure
}

type doneEvent struct {
	ID   event.ID
	Text string
}

// done looks up what was recorded; nil where nothing was.
func (v *view) done(ids []string) *done {
	if len(ids) == 0 || len(ids) > mostRows {
		return nil
	}
	d := &done{Kind: v.r.PathValue("kind"), Names: map[string]string{}, Once: v.desk().NewID()}
	var first event.ID
	for i, text := range ids {
		id, err := event.ParseID(text)
		if err != nil {
			return nil
		}
		if i == 0 {
			first = id
		}
		e, off, err := v.desk().Held(v.ctx(), id)
		if err != nil || e == nil || e.Data == nil {
			continue
		}
		text := inWords(e.Data)
		if r, ok := e.Data.(*event.Reverse); ok {
			if was, _, err := v.desk().Held(v.ctx(), r.Event); err == nil && was != nil && was.Data != nil {
				text = "Taken back: " + Say(was)
			}
		}
		if off {
			text += " – taken back since"
		}
		d.Events = append(d.Events, doneEvent{id, text + ", " + v.site.clock(time.UnixMilli(e.Time.Ms()).In(v.look.Zone))})
		if e.Kind.Reversible() && !off {
			d.Back = append(d.Back, id)
		}
	}
	if len(d.Events) == 0 {
		return nil
	}
	if r, ok := v.site.kept.find(first); ok {
		d.OnHand, d.Notices, d.Again = r.OnHand, r.Notices, r.Recorded == 0
		for _, m := range r.OnHand {
			if def := v.look.Def(m.Item); def != nil {
				d.Names[m.Item] = def.Name
			}
			if strings.HasPrefix(m.OnHand, "-") {
				d.Below = append(d.Below, cmp.Or(d.Names[m.Item], m.Item))
			}
		}
	}
	d.Again = d.Again || v.r.URL.Query().Has("again")
	return d
}

// inWords says what a fact is and says, in one line.
func inWords(data event.Data) string {
	return KindName(data.Kind()) + ": " + Say(&event.Event{Data: data})
}

// meanwhile says what has come in since a form was made and concerns it: the same items counted or delivered, the same order, the same definitions.
func (v *view) meanwhile(f *form, facts []event.Fact) (out []string, last int64, err error) {
	seen := int64(-1)
	if _, err := fmt.Sscan(f.text("seen"), &seen); err != nil || seen < 0 {
		return nil, 0, nil
	}
	list, last, err := v.desk().Since(v.ctx(), seen)
	if err != nil {
		return nil, 0, err
	}
	own := map[event.ID]bool{}
	about := set{}
	for _, x := range facts {
		own[x.ID] = true
		for _, s := range concerns(x.Data) {
			about.add(s)
		}
	}
	for _, e := range list {
		if own[e.ID] || e.Data == nil {
			continue
		}
		if slices.ContainsFunc(concerns(e.Data), func(s string) bool { return about[s] }) {
			out = append(out, v.site.told(v.look, e))
		}
	}
	return out, last, nil
}

// concerns names what a fact is about, so that two facts about the same thing share a name.
func concerns(data event.Data) (out []string) {
	kind := string(data.Kind())
	switch d := data.(type) {
	case *event.Shop, *event.PackSpec:
		out = append(out, kind)
	case *event.Item:
		out = append(out, "definition "+d.Item)
	case *event.Retire:
		out = append(out, "definition "+d.Item)
	case *event.MakeSpec:
		out = append(out, kind+" "+d.Item)
	case *event.Order:
		out = append(out, "order "+d.Order)
	case *event.Pack:
		out = append(out, "order "+d.Order)
	case *event.Return:
		out = append(out, "order "+d.Order)
	case *event.Purchase:
		for _, l := range d.Lines {
			out = append(out, kind+" "+l.Item)
		}
	case *event.Restock:
		for _, l := range d.Lines {
			out = append(out, kind+" "+l.Item)
		}
		if !d.Purchase.IsZero() {
			out = append(out, "purchase "+d.Purchase.String())
		}
	case *event.Credit:
		out = append(out, "event "+d.Restock.String())
	case *event.Reprint:
		out = append(out, kind+" "+d.Item)
	case *event.Damage:
		out = append(out, kind+" "+d.Item)
	case *event.Count:
		out = append(out, kind+" "+d.Item+" "+d.Place)
	case *event.Reverse:
		out = append(out, "event "+d.Event.String())
	case *event.Decide:
		out = append(out, "event "+d.Event.String())
	}
	return out
}

// newest lists the events of a kind that stand, newest first.
func (l *Look) newest(kind event.Kind, most int) []*event.Event {
	list, _ := once(l, "newest "+string(kind), func() ([]*event.Event, error) {
		var all []*event.Event
		l.Log.Events(func(e *event.Event, reversed bool) {
			if e.Kind == kind && !reversed && e.Data != nil {
				all = append(all, e)
			}
		})
		slices.Reverse(all)
		return all, nil
	})
	return list[:min(len(list), most)]
}

// mostChoices bounds a list to choose an event from.
const mostChoices = 60

// eventInput offers the events of a kind, newest first.
func (f *form) eventInput(name, label, none string, kind event.Kind, skip func(*event.Event) bool) input {
	options := []option{{Value: "", Label: none}}
	for _, e := range f.look.newest(kind, mostChoices) {
		if skip != nil && skip(e) {
			continue
		}
		options = append(options, option{Value: e.ID.String(), Label: time.UnixMilli(e.Time.Ms()).In(f.look.Zone).Format("2 Jan 2006") + ": " + inWords(e.Data)})
	}
	return f.choiceInput(name, label, options...)
}

func (f *form) restockInput(name, label string) input {
	return f.eventInput(name, label, "choose", event.KindRestock, nil)
}

// purchaseInput offers the purchases that something is still to come of.
func (f *form) purchaseInput(name, label string) input {
	open := map[event.ID]bool{}
	for _, l := range purchases.Open(f.look.Log, 0) {
		if l.OnOrder.Sign() > 0 {
			open[l.Purchase] = true
		}
	}
	return f.eventInput(name, label, "no purchase", event.KindPurchase, func(e *event.Event) bool { return !open[e.ID] })
}

// specInput offers the revisions of a spec.
func (f *form) specInput(name, label string, kind event.Kind) input {
	return f.eventInput(name, label, "the one in force", kind, func(e *event.Event) bool {
		m, ok := e.Data.(*event.MakeSpec)
		return ok && f.has("item") && m.Item != f.text("item")
	})
}

// fillPurchase takes the lines of the purchase that a delivery belongs to: what of it is still to come.
func (f *form) fillPurchase() {
	id, err := event.ParseID(f.text("purchase"))
	if err != nil || len(f.rows("lines")) > 0 {
		return
	}
	e, ok := f.look.Log.Event(id)
	if !ok {
		return
	}
	d, ok := e.Data.(*event.Purchase)
	if !ok {
		return
	}
	if !f.has("supplier") {
		f.set("supplier", d.Supplier)
	}
	for i, l := range d.Lines {
		row := rowName("lines", i)
		f.set(row+".item", l.Item)
		f.set(row+".qty", fieldNumber(&l.Qty))
		f.set(row+".in", l.Pack)
		f.set(row+".cost", fieldNumber(l.Cost))
	}
}

// fillRestock names the items of the delivery that a credit is about.
func (f *form) fillRestock() {
	id, err := event.ParseID(f.text("restock"))
	if err != nil || len(f.rows("lines")) > 0 {
		return
	}
	if e, ok := f.look.Log.Event(id); ok {
		if d, ok := e.Data.(*event.Restock); ok {
			for i, l := range d.Lines {
				f.set(rowName("lines", i)+".item", l.Item)
			}
		}
	}
}

// fillReturn names the goods of the order that came back.
func (f *form) fillReturn() {
	o, ok := f.look.State().Orders[f.text("order")]
	if !ok || len(f.rows("lines")) > 0 {
		return
	}
	for i, u := range placedOf(o) {
		f.set(rowName("lines", i)+".item", f.look.Catalog.Items[u].ID)
	}
}

func placedOf(o *fold.Order) (items []int) {
	for _, u := range o.PlacedLines() {
		items = append(items, u.Item)
	}
	return items
}
