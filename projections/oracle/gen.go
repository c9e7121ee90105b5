package oracle

import (
	"fmt"
	"math/bits"
	"strings"
	"time"

	"pgregory.net/rapid"

	"countback/ledger/event"
	"countback/ledger/num"
)

// Start is the instant at which random ledgers begin, in ms since 1970 UTC; they last Days days.
const (
	Start = int64(1772409600000) // 2026-03-02T00:00:00Z
	Days  = 60
)

// The names of random ledgers. The prepared ones stand for others: set for goods, kit for a set and more, ready for supplies.
var (
	stockedNames = []string{"card", "cord", "ink", "mailer", "print"}
	goodsNames   = []string{"card", "print", "set", "kit"}
	useNames     = []string{"mailer", "cord", "ink", "ready", "card"}
	allNames     = []string{"card", "cord", "ink", "kit", "mailer", "print", "ready", "set"}
	classNames   = []string{"flat", "thick"}
	zoneNames    = []string{"home", "abroad"}
	optionNames  = []string{"gift_wrap", "tracked"}
	formatNames  = []string{"envelope", "box", "tube"}
	orderNames   = []string{"A1", "A2", "A3", "A4"}
	placeNames   = []string{"", "cart", "desk"}
	sessionNames = []string{"march", "april"}
	unitNames    = map[string]string{"cord": "mm", "ink": "g"}
)

// gen builds one random ledger.
type gen struct {
	t       *rapid.T
	devices []string
	seqs    map[string]int64
	pool    []int64 // instants that events share
	events  []*event.Event
}

var bit = rapid.Bool()

// Ledger draws a random ledger of about size facts, and its setup, on one to three devices over 60 days. Names are few, so that things collide.
func Ledger(t *rapid.T, size int) []*event.Event {
	// Drawn inside a generator of its own, so that a failing test doesn't print every bit.
	return rapid.Custom(func(t *rapid.T) ledgerText { return ledgerText{draw(t, size)} }).Draw(t, "ledger").events
}

// ledgerText prints a ledger as text where rapid shows what it drew.
type ledgerText struct{ events []*event.Event }

func (l ledgerText) GoString() string { return "\n" + Text(l.events) }

func draw(t *rapid.T, size int) []*event.Event {
	g := &gen{t: t, seqs: map[string]int64{}}
	for i := range g.n(1, 3) {
		g.devices = append(g.devices, strings.Repeat(string(rune('a'+i)), 26))
	}
	for range 4 + size/6 {
		g.pool = append(g.pool, Start+int64(g.n(0, Days-1))*day+int64(g.n(0, 3))*(day/4))
	}
	g.setup()
	for facts := len(g.events) + size; len(g.events) < facts; {
		g.scene()
	}
	g.care(size)
	g.circle()
	g.double()
	for _, e := range g.events {
		if err := event.Check(e.Data); err != nil {
			e.Data, e.Fault = nil, err
		}
	}
	return g.events
}

// Text writes a ledger one event a line, for messages about it.
func Text(events []*event.Event) string {
	var b strings.Builder
	for _, e := range events {
		fmt.Fprintf(&b, "%s %d %s %s %s", e.Device[:1], e.Seq, e.ID, e.Time, e.Kind)
		if e.Fault != nil {
			fmt.Fprintf(&b, " fault: %v\n", e.Fault)
			continue
		}
		data, err := event.EncodeData(e.Data)
		if err != nil {
			fmt.Fprintf(&b, " %v", err)
		}
		fmt.Fprintf(&b, " %s\n", data)
	}
	return b.String()
}

// n is a number of the range, each as likely as the others: rapid's own ranges prefer their ends, single bits don't.
func (g *gen) n(from, to int) int {
	width := bits.Len(uint(to-from)) + 3
	u := 0
	for range width {
		u <<= 1
		if bit.Draw(g.t, "bit") {
			u++
		}
	}
	return from + u*(to-from+1)>>width
}

// in reports true in about percent of a hundred cases; the simplest ledger has none of them.
func (g *gen) in(percent int) bool { return g.n(0, 99) >= 100-percent }

func pick[T any](g *gen, list []T) T { return list[g.n(0, len(list)-1)] }

// some picks a few of a list, or none.
func some[T any](g *gen, list []T, percent int) []T {
	var out []T
	for _, x := range list {
		if g.in(percent) {
			out = append(out, x)
		}
	}
	return out
}

func yes() *bool { b := true; return &b }

func ptr[T any](v T) *T { return &v }

func (g *gen) whole(from, to int) num.Qty { return num.Whole(int64(g.n(from, to))) }

// qty is a quantity above 0, now and then with a fraction.
func (g *gen) qty(to int) num.Qty {
	if g.in(25) {
		return num.MustQty(fmt.Sprintf("%d.%s", g.n(0, to), pick(g, []string{"5", "25", "333333", "000001"})))
	}
	return g.whole(1, to)
}

func (g *gen) money(to int) num.Money {
	switch g.n(0, 9) {
	case 8:
		return num.Money{}
	case 9:
		return num.MustMoney(fmt.Sprintf("%d.%s", g.n(0, to), pick(g, []string{"125", "005", "3333", "00000001"})))
	}
	return num.MustMoney(fmt.Sprintf("%d.%02d", g.n(0, to), g.n(0, 99)))
}

// at is an instant: often one that others have, or exactly a day or a millisecond from it.
func (g *gen) at() int64 {
	if g.in(25) {
		return Start + int64(g.n(0, Days*day-1))
	}
	return pick(g, g.pool) + g.gap()
}

func (g *gen) gap() int64 {
	return pick(g, []int64{0, 0, 0, 1, day / 24, day - 1, day, day + 1, 3 * day})
}

// item is one of the names, rarely one that nobody defined.
func (g *gen) item(names []string) string {
	if g.n(0, 399) == 399 {
		return "ghost"
	}
	return pick(g, names)
}

// add records data at an instant (ms) on one of the devices, at once or some days later.
func (g *gen) add(at int64, d event.Data) event.ID {
	dev := pick(g, g.devices)
	recorded := at
	if g.in(30) {
		recorded += int64(g.n(0, 20)) * day
	}
	var id event.ID
	for i := range 6 {
		id[i] = byte(recorded >> (8 * (5 - i)))
	}
	id[6] = byte(g.n(0, 3)) // so that ids of one millisecond don't follow the order in which they were drawn
	id[14], id[15] = byte(len(g.events)>>8), byte(len(g.events))
	g.place(dev, &event.Event{ID: id, Kind: d.Kind(), Time: event.TimeOf(time.UnixMilli(at).UTC()), Data: d})
	return id
}

func (g *gen) place(dev string, e *event.Event) {
	g.seqs[dev]++
	e.Shop, e.Device, e.Version, e.Seq = strings.Repeat("a", 26), dev, 1, g.seqs[dev]
	g.events = append(g.events, e)
}

// of picks an event of one of the kinds, rarely any other or one that isn't there; zero if there is none yet.
func (g *gen) of(kinds ...event.Kind) event.ID {
	if g.n(0, 59) == 59 {
		return event.ID{0, 0, 1, byte(g.n(0, 3))}
	}
	var ids []event.ID
	any := g.n(0, 59) == 59
	for _, e := range g.events {
		for _, k := range kinds {
			if any || e.Kind == k {
				ids = append(ids, e.ID)
				break
			}
		}
	}
	if len(ids) == 0 {
		return event.ID{}
	}
	return pick(g, ids)
}

// setup defines the items and specs, in any order and at any time, with later changes.
func (g *gen) setup() {
	for _, name := range allNames {
		if g.n(0, 79) != 79 {
			g.add(g.early(), g.firstItem(name))
		}
	}
	for range g.n(0, 5) {
		g.changeItem()
	}
	for range g.n(1, 4) {
		if g.n(0, 9) != 9 {
			g.add(g.early(), g.packSpec())
		}
	}
	for range g.n(0, 4) {
		g.add(g.early(), g.makeSpec(pick(g, []string{"card", "print", "mailer"})))
	}
}

// early is mostly before the facts.
func (g *gen) early() int64 {
	if g.in(60) {
		return Start - int64(g.n(0, 2))
	}
	return g.at()
}

func (g *gen) firstItem(name string) *event.Item {
	d := &event.Item{Item: name, Name: "The " + name, Type: "supply", Unit: "each"}
	if u := unitNames[name]; u != "" {
		d.Unit = u
	}
	switch name {
	case "card", "print":
		d.Type = "good"
	case "set", "kit", "ready":
		d.Type = "prepared"
		d.Parts = g.parts(name)
	}
	g.fields(d)
	return d
}

// parts never go in a circle: a kit holds a set, a set holds goods, ready holds supplies.
func (g *gen) parts(name string) []event.Part {
	of := map[string][]string{"set": {"card", "print"}, "kit": {"set", "card", "ready"}, "ready": {"mailer", "cord"}}[name]
	var list []event.Part
	for _, p := range of {
		if g.in(75) {
			list = append(list, event.Part{Item: p, Qty: pick(g, []num.Qty{num.Whole(1), num.Whole(2), num.MustQty("0.5")})})
		}
	}
	if list == nil {
		list = []event.Part{{Item: of[0], Qty: num.Whole(1)}}
	}
	if g.in(10) {
		list = append(list, list[0])
	}
	return list
}

// fields sets some of an item's other fields.
func (g *gen) fields(d *event.Item) {
	if g.in(80) {
		d.Packs = map[string]num.Qty{"pack": g.whole(2, 6)}
		if g.in(70) {
			d.Packs["carton"] = g.qty(12)
		}
	}
	if g.in(80) {
		d.Measures = map[string]num.Qty{"wrap": g.qty(4)}
		if g.in(70) {
			d.Measures["strip"] = num.MustQty("0.333333")
		}
	}
	if g.in(50) {
		d.Class = pick(g, classNames)
	}
	if g.in(40) {
		d.Points = pick(g, []*num.Qty{ptr(num.Whole(1)), ptr(num.Whole(2)), ptr(num.Whole(3)), ptr(num.MustQty("0.5")), ptr(num.Qty{})})
	}
	if g.in(75) {
		d.PieceWeight = pick(g, []*num.Qty{ptr(num.Whole(3)), ptr(num.MustQty("4.2")), ptr(num.MustQty("0.7"))})
	}
	if g.in(40) {
		d.UnitCost = ptr(g.money(2))
	}
}

// changeItem changes some fields of an item, or restates an earlier event about it.
func (g *gen) changeItem() {
	name := g.item(allNames)
	d := &event.Item{Item: name}
	g.fields(d)
	if g.in(30) {
		switch name {
		case "set", "kit", "ready":
			d.Parts = g.parts(name)
		}
	}
	switch g.n(0, 14) {
	case 12:
		d.Type, d.Unit, d.Name = "supply", "mm", "Other" // void for most
	case 13:
		d.Packs = map[string]num.Qty{} // takes the packs away
		d.Measures = map[string]num.Qty{}
	case 14:
		d.Parts = []event.Part{{Item: "ghost", Qty: num.Whole(1)}}
	}
	if g.in(35) {
		d.Restates = g.itemEvent(name)
	}
	g.add(g.at(), d)
}

func (g *gen) itemEvent(name string) event.ID {
	var ids []event.ID
	for _, e := range g.events {
		if d, ok := e.Data.(*event.Item); ok && (d.Item == name || g.n(0, 99) == 99) {
			ids = append(ids, e.ID)
		}
	}
	if len(ids) == 0 {
		return event.ID{}
	}
	return pick(g, ids)
}

// circle lets two restatements name each other.
func (g *gen) circle() {
	if !g.in(15) {
		return
	}
	var specs []*event.Event
	for _, e := range g.events {
		if e.Kind == event.KindPackSpec {
			specs = append(specs, e)
		}
	}
	if len(specs) > 1 {
		a, b := pick(g, specs), pick(g, specs)
		a.Data.(*event.PackSpec).Restates, b.Data.(*event.PackSpec).Restates = b.ID, a.ID
	}
}

// double puts some events into a second log, as they are or changed.
func (g *gen) double() {
	for _, e := range g.events {
		if len(g.devices) < 2 || g.n(0, 39) != 39 {
			continue
		}
		c := *e
		dev := pick(g, g.devices)
		if dev == e.Device {
			continue
		}
		if d, ok := e.Data.(*event.Damage); ok {
			other := *d
			other.Qty = g.qty(3)
			c.Data = &other
		} else if g.in(30) {
			c.Time = event.TimeOf(time.UnixMilli(g.at()).UTC())
		}
		g.place(dev, &c)
	}
}
