package demo

import (
	"time"

	"countback/ledger/event"
)

// Zones of the shop's orders, and its one option.
const (
	home     = "CA"
	states   = "US"
	europe   = "EU"
	world    = "WORLD"
	giftWrap = "gift-wrap"
)

func line(item, n, per string, set ...func(*event.Line)) event.Line {
	l := event.Line{Item: item, Qty: dec(n), Per: per}
	for _, f := range set {
		f(&l)
	}
	return l
}

func in(measure string) func(*event.Line)    { return func(l *event.Line) { l.Measure = measure } }
func class(name string) func(*event.Line)    { return func(l *event.Line) { l.Class = name } }
func option(name string) func(*event.Line)   { return func(l *event.Line) { l.Option = name } }
func zones(list ...string) func(*event.Line) { return func(l *event.Line) { l.Zones = list } }
func every(n int) func(*event.Line)          { return func(l *event.Line) { l.Every = wholep(n) } }
func from(n int) func(*event.Line)           { return func(l *event.Line) { l.From = wholep(n) } }
func to(n int) func(*event.Line)             { return func(l *event.Line) { l.To = wholep(n) } }

// packSpec returns the packing spec with the given strips of tape for a carton. The first version forgot that bookmarks go into a bag too.
func packSpec(strips string, bookmarkBag bool) *event.PackSpec {
	lines := []event.Line{
		line("insert", "1", "order"),
		line("freebie", "1", "order", every(3)),
		line("env-c6", "1", "unit", class("card")),
		line("env-c6", "5", "unit", class("set")),
		line("bag", "1", "unit", class("sticker")),
		line("wrap", "1", "unit", in("wrap"), class("print")),
		line("wrap", "1", "unit", in("wrap"), class("notebook")),
		line("wrap", "2", "order", in("wrap"), option(giftWrap)),
		line("cord", "1", "order", in("tie"), option(giftWrap)),
		line("seal", "1", "order", option(giftWrap)),
	}
	if bookmarkBag {
		lines = append(lines, line("bag", "1", "unit", class("bookmark")))
	}
	return &event.PackSpec{Lines: lines, Formats: []event.Format{
		{Format: "letter", Accepts: []string{"card", "sticker", "bookmark"}, Holds: wholep(4), Lines: []event.Line{
			line("env-letter", "1", "parcel"),
			line("seal", "1", "parcel"),
			line("label-address", "1", "parcel"),
			line("stamp-home", "1", "parcel", zones(home)),
			line("stamp-home", "1", "parcel", zones(home), from(3)),
			line("stamp-us", "1", "parcel", zones(states)),
			line("stamp-world", "1", "parcel", zones(europe, world)),
		}},
		{Format: "flat mailer", Accepts: []string{"card", "sticker", "bookmark", "print", "set", "tags"}, Holds: wholep(14), Lines: []event.Line{
			line("mailer-flat", "1", "parcel"),
			line("stiffener", "1", "parcel"),
			line("tape", "1", "parcel", in("strip")),
			line("label-address", "1", "parcel"),
			line("label-bend", "1", "parcel"),
			line("label-post", "1", "parcel"),
		}},
		{Format: "box", Holds: wholep(40), Lines: []event.Line{
			line("box-small", "1", "parcel"),
			line("tape", strips, "parcel", in("strip")),
			line("wrap", "3", "parcel", in("wrap"), to(2)),
			line("label-address", "1", "parcel"),
			line("label-post", "1", "parcel"),
		}},
	}}
}

// Days of the spec's history: the correction replaces the first version from the start, the revision holds from its day.
var (
	correctionDay = dayOf(2026, time.March, 3)
	revisionDay   = dayOf(2026, time.May, 4)
	newProfileDay = dayOf(2026, time.April, 13) // prints take less ink
)

// makeSpecs returns the bill of materials of everything made here.
func makeSpecs(printInk string) []*event.MakeSpec {
	list := []*event.MakeSpec{}
	for _, id := range []string{"card-tern", "card-harbour", "card-fern", "card-lantern", "card-snow"} {
		list = append(list, &event.MakeSpec{Item: id, Pieces: whole(2), NormalSpoilage: decp("0.04"),
			Lines: []event.Line{line("cardstock", "1", "cycle"), line("ink", "1.5", "cycle")}})
	}
	for _, id := range []string{"stickers-birds", "stickers-tea"} {
		list = append(list, &event.MakeSpec{Item: id, Pieces: whole(2), NormalSpoilage: decp("0.05"),
			Lines: []event.Line{line("paper-sticker", "1", "cycle"), line("ink", "2", "cycle")}})
	}
	for _, id := range []string{"print-coast", "print-moths"} {
		list = append(list, &event.MakeSpec{Item: id, Pieces: whole(2), NormalSpoilage: decp("0.06"),
			Lines: []event.Line{line("cardstock", "1", "cycle"), line("ink", printInk, "cycle")}})
	}
	return append(list,
		&event.MakeSpec{Item: "bookmark-kelp", Pieces: whole(6), NormalSpoilage: decp("0.05"),
			Lines: []event.Line{line("cardstock", "1", "cycle"), line("ink", "1.8", "cycle")}},
		&event.MakeSpec{Item: "tags-star", Pieces: whole(2), NormalSpoilage: decp("0.04"),
			Lines: []event.Line{line("cardstock", "1", "cycle"), line("ink", "1", "cycle"), line("cord", "8", "piece", in("loop")), line("glue", "2", "piece", in("pinch"))}},
		&event.MakeSpec{Item: "insert", Pieces: whole(8), NormalSpoilage: decp("0.03"),
			Lines: []event.Line{line("cardstock", "1", "cycle"), line("ink", "0.9", "cycle")}})
}
