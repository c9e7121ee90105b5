package demo

import (
	"cmp"
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"time"

	"countback/ledger/event"
)

// The year's source of chance. Another pair of numbers is another year.
const (
	chanceHigh = 0x66656e6e696d6f6f
	chanceLow  = 2511
)

// Facts returns the year's facts in the order of their times.
func Facts() []event.Fact {
	return newYear(rand.NewPCG(chanceHigh, chanceLow)).play()
}

// year is the shop while its year is played.
type year struct {
	dice  dice
	items []entry
	specs [2]*event.PackSpec // before and from the revision
	index map[string]int     // looked up, never walked
	facts []event.Fact

	shelf []milli // what is there
	book  []milli // what the facts say
	empty []bool  // somebody has looked and found too little; until more comes in

	day int
	sec int // the shop's wall clock, seconds after midnight

	orders  []*order // open ones, oldest first
	number  int      // of the last order
	tasks   []task
	buying  []*purchase
	bought  int // purchases so far
	arrived int // deliveries so far
	short   int // deliveries that lacked a pack
	runs    int // print runs so far
	forgot  int // packed orders never entered
}

// task is something to do on a later day.
type task struct {
	day int
	do  func()
}

func newYear(src rand.Source) *year {
	y := &year{dice: dice{src}, items: newCatalog(), specs: [2]*event.PackSpec{packSpec("4", true), packSpec("5", true)}, index: map[string]int{}, number: 1000}
	for i, e := range y.items {
		y.index[e.def.Item] = i
	}
	n := len(y.items)
	y.shelf, y.book, y.empty = make([]milli, n), make([]milli, n), make([]bool, n)
	return y
}

func (y *year) play() []event.Fact {
	y.setUp()
	for y.day = range yearDays {
		y.placeOrders()
		y.sec = hm(8, 30)
		y.receive()
		if packingDay(y.day) {
			y.at(hm(9, 30))
			y.packBatch()
		}
		if y.day == yearDays-1 {
			break // the evening has not come yet
		}
		y.changeSpecs()
		y.at(hm(15, 0))
		y.print()
		y.at(hm(16, 30))
		y.mishaps()
		y.doTasks()
		y.at(hm(18, 0))
		y.buy()
		if countingDay(y.day) {
			y.at(hm(19, 0))
			y.countAll()
		}
	}
	slices.SortStableFunc(y.facts, func(a, b event.Fact) int {
		return cmp.Or(cmp.Compare(a.Time.Ms(), b.Time.Ms()), a.ID.Compare(b.ID))
	})
	return y.facts
}

// at moves the clock forward to s if it isn't there yet.
func (y *year) at(s int) { y.sec = max(y.sec, s) }

// now returns the instant and lets some seconds pass.
func (y *year) now(least, most int) time.Time {
	t := clock(y.day, y.sec)
	y.sec += y.dice.between(least, most)
	return t
}

// emit adds a fact that was recorded when it happened.
func (y *year) emit(t time.Time, d event.Data) event.ID { return y.emitLate(t, t, d) }

// emitLate adds a fact of time t that was recorded later: the time in its id is that of recording.
func (y *year) emitLate(t, recorded time.Time, d event.Data) event.ID {
	id := y.newID(recorded)
	y.facts = append(y.facts, event.Fact{ID: id, Time: event.TimeOf(t), Data: d})
	return id
}

// newID makes a ULID: 48 bits of milliseconds and 80 of chance, as in its specification.
func (y *year) newID(t time.Time) event.ID {
	var b [16]byte
	binary.BigEndian.PutUint64(b[:], uint64(t.UnixMilli())<<16|y.dice.src.Uint64()>>48)
	binary.BigEndian.PutUint64(b[8:], y.dice.src.Uint64())
	return event.ID(b)
}

// undo records that an event was wrong.
func (y *year) undo(id event.ID, reason string) time.Time {
	t := y.now(30, 90)
	y.emit(t, &event.Reverse{Event: id, Reason: reason})
	return t
}

// in puts a task on a later working day.
func (y *year) in(days int, do func()) {
	d := y.day + days
	if onHoliday(d) {
		d = holidayTo + 1
	}
	y.tasks = append(y.tasks, task{d, do})
}

func (y *year) doTasks() {
	due := []task{}
	y.tasks = slices.DeleteFunc(y.tasks, func(t task) bool {
		if t.day <= y.day {
			due = append(due, t)
			return true
		}
		return false
	})
	for _, t := range due {
		t.do()
	}
}

// gain puts stock on shelf and book.
func (y *year) gain(item int, n milli) {
	y.shelf[item] += n
	y.book[item] += n
	if n > 0 {
		y.empty[item] = false
	}
}

// vary are the items cut or poured, whose single use is never quite the spec's; waste those of which a piece is spoiled now and then.
var (
	vary  = []string{"wrap", "cord", "tape", "ink", "glue"}
	waste = []string{"env-c6", "env-letter", "seal", "label-address", "label-bend", "label-post", "insert", "freebie", "bag", "wrap", "tape"}
)

// spend takes from the book what the facts say was used, and from the shelf what really was.
func (y *year) spend(item int, n milli) {
	id, real := y.items[item].def.Item, n
	if slices.Contains(vary, id) {
		real += n * milli(y.dice.around(60)) / 1000
	}
	if slices.Contains(waste, id) && y.dice.once(70) {
		real += min(n, y.smallest(id))
	}
	if id == "stiffener" && y.day >= thinBoard {
		real = 2 * n
	}
	y.book[item] -= n
	y.shelf[item] = max(0, y.shelf[item]-real)
}

// smallest is one use of an item.
func (y *year) smallest(id string) milli {
	switch id {
	case "wrap":
		return 310 * one
	case "tape":
		return 120 * one
	}
	return one
}

// find counts an item that turned out to be short, once until more comes in, and sets the book right.
func (y *year) find(item int) {
	if y.empty[item] {
		return
	}
	y.empty[item] = true
	y.shelf[item] -= y.shelf[item] % one
	y.emit(y.now(20, 40), &event.Count{Item: y.items[item].def.Item, Qty: qtyp(y.shelf[item]), Note: "ran short at the bench, this is all there is"})
	y.book[item] = y.shelf[item]
}

// changeSpecs records the year's changes of specs: a correction, a revision and new ink figures.
func (y *year) changeSpecs() {
	switch y.day {
	case correctionDay:
		y.at(hm(15, 0))
		s := packSpec("4", true)
		s.Restates, s.Note = y.firstSpec(), "bookmarks go into a glassine bag too, and always did"
		y.emit(y.now(60, 90), s)
	case revisionDay:
		s := packSpec("5", true)
		s.Note = "five strips on a carton from today"
		y.emit(clock(y.day, hm(8, 5)), s)
	case newProfileDay:
		for i, m := range makeSpecs("2.8") {
			if m.Item == "print-coast" || m.Item == "print-moths" {
				m.Note = "new colour profile, less ink"
				y.emit(clock(y.day, hm(8, 5)+i), m)
			}
		}
	}
}

func (y *year) firstSpec() event.ID {
	for _, f := range y.facts {
		if f.Data.Kind() == event.KindPackSpec {
			return f.ID
		}
	}
	return event.ID{}
}

// spec returns the packing spec in force on a day, as is known at the end of the year.
func (y *year) spec() *event.PackSpec {
	if y.day >= revisionDay {
		return y.specs[1]
	}
	return y.specs[0]
}

func (y *year) makeSpec(id string) *event.MakeSpec {
	ink := "3.2"
	if y.day >= newProfileDay {
		ink = "2.8"
	}
	for _, m := range makeSpecs(ink) {
		if m.Item == id {
			return m
		}
	}
	return nil
}

// setUp records the shop, its items and specs, and the first count, which opens the stock.
func (y *year) setUp() {
	y.sec = hm(8, 0)
	y.emit(y.now(60, 60), &event.Shop{Name: Shop.Name, Currency: Shop.Currency, Zone: Shop.Zone, Costing: Shop.Costing})
	for i := range y.items {
		def := y.items[i].def
		y.emit(y.now(20, 40), &def)
	}
	y.emit(y.now(60, 60), packSpec("4", false))
	for _, m := range makeSpecs("3.2") {
		y.emit(y.now(20, 40), m)
	}
	y.at(hm(9, 0))
	for i, e := range y.items {
		if e.def.Type == "prepared" {
			continue
		}
		y.gain(i, milli(e.opening)*one)
		y.emit(y.now(20, 60), &event.Count{Item: e.def.Item, Qty: wholep(e.opening), Place: e.def.Place, Session: "opening", Cost: cents(e.cost)})
	}
}
