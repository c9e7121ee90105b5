package demo

import (
	"countback/ledger/event"
	"countback/ledger/num"
)

// milli counts thousandths of a base unit.
type milli = int64

const one milli = 1000

func qty(n milli) num.Qty        { return num.QtyMillionths(n * 1000) }
func qtyp(n milli) *num.Qty      { q := qty(n); return &q }
func whole(n int) num.Qty        { return num.Whole(int64(n)) }
func wholep(n int) *num.Qty      { q := whole(n); return &q }
func cents(n int) *num.Money     { m := num.MoneyUnits(int64(n) * 1_000_000); return &m }
func dec(s string) num.Qty       { return num.MustQty(s) }
func decp(s string) *num.Qty     { q := dec(s); return &q }
func moneyp(s string) *num.Money { m := num.MustMoney(s); return &m }
func yes() *bool                 { b := true; return &b }
func days(n int) *int            { return &n }
func millis(q num.Qty) milli     { n, _ := q.Scaled(); return n / 1000 }
func per(packName string, units int64) map[string]num.Qty {
	return map[string]num.Qty{packName: num.Whole(units)}
}

// How an item is counted.
const (
	byNumber  = iota
	byPacks   // full packs and loose pieces, two figures
	byWeight  // on the scale, by its piece weight or in grams
	byMeasure // with tape or jug
)

// entry is an item and what the generator knows about keeping it.
type entry struct {
	def     event.Item
	opening int // base units on the shelf on the first day
	cost    int // cents of the opening stock
	low     int // base units; below it the item is bought or printed
	count   int // how it is counted
	tare    int // grams of the tray it is weighed in

	pack   string // bought in this pack …
	size   int    // … of so many base units
	lot    int    // packs bought at a time
	price  int    // cents a pack, in the supplier's currency
	run    int    // pieces printed at a time; 0: not made here
	weight int    // share in orders
	winter int    // the same in November and December, where it differs
}

// good returns a good of one of the printed kinds; its stock and price follow the kind.
func good(id, name, class, points, place, barcode string, e entry) entry {
	p := dec(points)
	e.def.Item, e.def.Name, e.def.Type, e.def.Unit, e.def.Class, e.def.Points, e.def.Place, e.def.Barcode = id, name, "good", "each", class, &p, place, barcode
	return e
}

func card(id, name, place, barcode string, weight, winter, opening int) entry {
	return good(id, name, "card", "1", place, barcode, entry{def: event.Item{Price: moneyp("6.50")}, opening: opening, cost: opening * 31, low: 20, run: 84, weight: weight, winter: winter})
}

func supply(id, name, unit, place, from string, lead, most int, e entry) entry {
	e.def.Item, e.def.Name, e.def.Type, e.def.Unit, e.def.Place, e.def.Supplier, e.def.LeadDays, e.def.LeadDaysMax = id, name, "supply", unit, place, from, days(lead), days(most)
	if e.pack != "" {
		e.def.Packs = per(e.pack, int64(e.size))
	}
	return e
}

// Suppliers, all invented; the counter sells stamps over the desk.
const (
	envelopes = "Lattenby Envelopes"
	parcels   = "Brackmoor Packing"
	boardMill = "Tarnwick Board"
	labels    = "Pennifold Labels"
	inks      = "Corvane Ink and Stock"
	trims     = "Ostrelle Trims"
	abroad    = "Marrodale Bindery"
	counter   = "post counter"
)

// supplier is what buying from one costs beside the goods.
type supplier struct {
	name     string
	lead     int // days until a delivery is due, and at most
	most     int
	freight  int // cents a delivery
	free     int // cents of goods from which freight is free
	currency string
	rates    []string // shop currency per unit, delivery by delivery
}

var suppliers = []supplier{
	{name: envelopes, lead: 5, most: 8, freight: 1450, free: 25000},
	{name: parcels, lead: 4, most: 7, freight: 1890, free: 40000},
	{name: boardMill, lead: 8, most: 10, freight: 1600, free: 30000},
	{name: labels, lead: 4, most: 7, freight: 950, free: 15000},
	{name: inks, lead: 5, most: 9, freight: 1275, free: 30000},
	{name: trims, lead: 6, most: 9, freight: 1100, free: 20000},
	{name: abroad, lead: 12, most: 16, freight: 3200, free: 1000000, currency: "USD", rates: []string{"1.3842", "1.3715", "1.3968", "1.3791"}},
}

func newCatalog() []entry {
	return append(append(goods(), set()), supplies()...)
}

func goods() []entry {
	tags := good("tags-star", "Gift tags, star, bundle of eight", "tags", "2", "04 goods drawer, right", "FP-0301",
		entry{def: event.Item{Price: moneyp("7.00")}, opening: 90, cost: 6750, low: 16, run: 48, weight: 4, winter: 13})
	notebook := good("notebook-dot", "Notebook, dotted, A5", "notebook", "8", "05 goods shelf", "FP-0401",
		entry{def: event.Item{Price: moneyp("16.00"), Packs: per("carton", 24), Supplier: abroad, LeadDays: days(12), LeadDaysMax: days(16), Tolerance: &event.Tolerance{Value: whole(1)}},
			opening: 96, cost: 47520, low: 40, pack: "carton", size: 24, lot: 4, price: 9360, weight: 4, winter: 6, count: byPacks})
	return []entry{
		card("card-tern", "Card, tern over water", "01 goods drawer, top", "FP-0101", 12, 9, 150),
		card("card-harbour", "Card, harbour at dusk", "01 goods drawer, top", "FP-0102", 10, 8, 130),
		card("card-fern", "Card, unrolling fern", "01 goods drawer, top", "FP-0103", 10, 6, 120),
		card("card-lantern", "Card, paper lantern", "02 goods drawer, second", "FP-0104", 8, 9, 120),
		card("card-snow", "Card, first snow", "02 goods drawer, second", "FP-0105", 2, 20, 210),
		good("stickers-birds", "Sticker sheet, shore birds", "sticker", "1", "03 goods drawer, third", "FP-0201",
			entry{def: event.Item{Price: moneyp("5.00")}, opening: 110, cost: 4400, low: 18, run: 72, weight: 12, winter: 9}),
		good("stickers-tea", "Sticker sheet, tea things", "sticker", "1", "03 goods drawer, third", "FP-0202",
			entry{def: event.Item{Price: moneyp("5.00")}, opening: 95, cost: 3800, low: 17, run: 60, weight: 9, winter: 7}),
		good("print-coast", "Art print, rocky coast, A5", "print", "3", "04 goods drawer, right", "FP-0501",
			entry{def: event.Item{Price: moneyp("14.00")}, opening: 90, cost: 4050, low: 15, run: 60, weight: 9, winter: 8}),
		good("print-moths", "Art print, six moths, A5", "print", "3", "04 goods drawer, right", "FP-0502",
			entry{def: event.Item{Price: moneyp("14.00")}, opening: 80, cost: 3600, low: 14, run: 50, weight: 8, winter: 7}),
		good("bookmark-kelp", "Bookmark, kelp", "bookmark", "1", "03 goods drawer, third", "FP-0601",
			entry{def: event.Item{Price: moneyp("3.50")}, opening: 100, cost: 1500, low: 14, run: 66, weight: 8, winter: 7}),
		tags, notebook,
	}
}

// set is sold and has no stock of its own: it stands for its five cards.
func set() entry {
	return entry{weight: 6, winter: 9, def: event.Item{Item: "set-five", Name: "Set of five cards", Type: "prepared", Unit: "each", Class: "set", Points: decp("5"), Price: moneyp("27.00"), Barcode: "FP-0701",
		Parts: []event.Part{{Item: "card-tern", Qty: whole(2)}, {Item: "card-harbour", Qty: whole(1)}, {Item: "card-fern", Qty: whole(1)}, {Item: "card-lantern", Qty: whole(1)}}}}
}

func supplies() []entry {
	w := func(e entry, weight string, tare int) entry {
		e.def.PieceWeight, e.count, e.tare = decp(weight), byWeight, tare
		return e
	}
	m := func(e entry, names map[string]num.Qty) entry {
		e.def.Measures = names
		return e
	}
	t := func(e entry, tolerance string, percent bool) entry {
		e.def.Tolerance = &event.Tolerance{Value: dec(tolerance), Percent: percent}
		return e
	}
	list := []entry{
		w(supply("env-c6", "Card envelope C6", "each", "06 bench, left rack", envelopes, 5, 8, entry{opening: 1150, cost: 8050, low: 420, pack: "box", size: 500, lot: 2, price: 3650}), "4.1", 85),
		supply("env-letter", "Letter envelope C5, stiff", "each", "06 bench, left rack", envelopes, 5, 8, entry{opening: 340, cost: 7480, low: 130, pack: "box", size: 250, lot: 1, price: 5400, count: byPacks}),
		supply("mailer-flat", "Rigid flat mailer", "each", "07 bench, right rack", parcels, 4, 7, entry{opening: 190, cost: 9880, low: 75, pack: "case", size: 100, lot: 2, price: 5250, count: byPacks}),
		supply("box-small", "Carton, small, folding", "each", "08 shelf under the window", parcels, 4, 7, entry{opening: 70, cost: 6300, low: 26, pack: "bundle", size: 25, lot: 2, price: 2275}),
		supply("stiffener", "Board stiffener A5, cut from sheets", "each", "07 bench, right rack", boardMill, 8, 10, entry{opening: 275, cost: 4125, pack: "bundle", size: 100, price: 1480}),
		t(m(supply("wrap", "Wrapping tissue on the roll", "mm", "09 roll stand", trims, 6, 9, entry{opening: 118000, cost: 4250, low: 45000, pack: "roll", size: 50000, lot: 2, price: 1790, count: byMeasure}), per("wrap", 310)), "2", true),
		w(m(supply("cord", "Cotton cord", "mm", "09 roll stand", trims, 6, 9, entry{opening: 150000, cost: 2400, low: 60000, pack: "spool", size: 100000, lot: 1, price: 1650}),
			map[string]num.Qty{"tie": whole(450), "loop": whole(80)}), "0.0021", 42),
		m(supply("tape", "Gummed paper tape", "mm", "10 bench top", parcels, 4, 7, entry{opening: 74000, cost: 1330, low: 26000, pack: "roll", size: 50000, lot: 2, price: 920, count: byMeasure}), per("strip", 120)),
		t(supply("seal", "Paper seal, round", "each", "10 bench top", labels, 4, 7, entry{opening: 460, cost: 1750, low: 110, pack: "roll", size: 500, lot: 1, price: 1920}), "1", true),
		t(supply("label-address", "Address label", "each", "10 bench top", labels, 4, 7, entry{opening: 640, cost: 1540, low: 190, pack: "roll", size: 500, lot: 1, price: 1210}), "1", true),
		supply("label-bend", "Label, please do not bend", "each", "10 bench top", labels, 4, 7, entry{opening: 345, cost: 1450, low: 70, pack: "roll", size: 250, lot: 1, price: 1050}),
		supply("label-post", "Postage label, thermal", "each", "10 bench top", labels, 4, 7, entry{opening: 380, cost: 1900, low: 100, pack: "roll", size: 250, lot: 1, price: 1260}),
		w(supply("insert", "Thank-you insert", "each", "11 small boxes", "own press", 1, 2, entry{opening: 420, cost: 2520, low: 130, run: 240}), "2.35", 60),
		supply("freebie", "Small free sticker", "each", "11 small boxes", labels, 4, 7, entry{opening: 760, cost: 6080, low: 230, pack: "bag", size: 300, lot: 2, price: 2400, count: byPacks}),
		t(supply("stamp-home", "Stamp, home", "each", "12 stamp folder", counter, 1, 2, entry{opening: 190, cost: 23560, low: 60, pack: "coil", size: 100, lot: 1, price: 12400}), "0.5", false),
		t(supply("stamp-us", "Stamp, United States", "each", "12 stamp folder", counter, 1, 2, entry{opening: 52, cost: 9100, low: 16, pack: "sheet", size: 20, lot: 1, price: 3500}), "0.5", false),
		t(supply("stamp-world", "Stamp, rest of the world", "each", "12 stamp folder", counter, 1, 2, entry{opening: 44, cost: 13068, low: 10, pack: "sheet", size: 20, lot: 1, price: 5940}), "0.5", false),
		supply("cardstock", "Card stock A4, 300 g", "each", "13 paper shelf", inks, 5, 9, entry{opening: 560, cost: 11200, low: 210, pack: "pack", size: 250, lot: 2, price: 4950, count: byPacks}),
		supply("paper-sticker", "Sticker paper A4", "each", "13 paper shelf", inks, 5, 9, entry{opening: 170, cost: 5270, low: 80, pack: "pack", size: 100, lot: 1, price: 3080, count: byPacks}),
		supply("ink", "Pigment ink", "ml", "14 press table", inks, 5, 9, entry{opening: 1150, cost: 12880, low: 520, pack: "bottle", size: 500, lot: 2, price: 5600, count: byMeasure}),
		m(supply("glue", "Bookbinding glue", "g", "14 press table", trims, 6, 9, entry{opening: 310, cost: 868, low: 70, pack: "tub", size: 250, lot: 1, price: 690, count: byWeight, tare: 38}),
			map[string]num.Qty{"pinch": dec("0.4")}),
		w(supply("bag", "Glassine bag", "each", "11 small boxes", envelopes, 5, 8, entry{opening: 430, cost: 2150, low: 130, pack: "pack", size: 200, lot: 2, price: 980}), "1.15", 60),
	}
	for i := range list {
		switch e := &list[i]; e.def.Item {
		case "stiffener":
			e.def.Packs = map[string]num.Qty{"sheet": whole(4), "bundle": whole(100)}
			e.def.Measures = per("A4 piece", 2)
		case "insert":
			e.def.UnitCost = moneyp("0.06")
		}
	}
	return list
}
