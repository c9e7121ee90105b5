package outlook

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"time"

	"countback/ledger/catalog"
	"countback/ledger/num"
	"countback/projections/fold"
	"countback/projections/forecast"
	"countback/projections/purchases"
)

// Ask is what a person may add to what the ledger says.
type Ask struct {
	Zone    *time.Location
	Ratio   map[int]float64 // measured use ÷ spec, by item
	Guess   map[int]float64 // a person's own estimate of an item's use in base units a day, by item; it goes before the history
	Busier  float64         // how many times as many orders are expected; 0 is 1
	Paths   int             // of the simulation; 0 is 500
	Horizon int             // days looked ahead; 0 is 365
}

// The usual size of a simulation.
const (
	UsualPaths   = 500
	UsualHorizon = 365
)

// Basis is what an item's outlook rests on.
type Basis string

// The bases.
const (
	None    Basis = "none"     // nothing takes it, as far as is known
	History Basis = "history"  // what orders and runs took
	Own     Basis = "estimate" // a person's own
)

// Item is how one item stands.
type Item struct {
	Index    int
	Basis    Basis
	Orders   int     // past orders that took it
	OnHand   num.Qty // base units, as all quantities
	OnOrder  num.Qty // at suppliers
	Counted  float64 // of it: what isn't so late that it is no more counted on
	Promised num.Qty // to open orders
	RunOut   forecast.RunOut
	Class    forecast.Class // of its uses by day
	Batch    num.Qty        // pieces of a print run, of what is made here

	Expected []float64 // use of each day ahead in the mean, the first at 0
}

// Need is the mean use of the next days.
func (it *Item) Need(days int) float64 {
	sum := 0.0
	for _, x := range it.Expected[:min(max(days, 0), len(it.Expected))] {
		sum += x
	}
	return sum
}

// perDayOver is the number of days over which a use per day is the mean.
const perDayOver = 28

// PerDay is the mean use per day over the next four weeks.
func (it *Item) PerDay() float64 { return it.Need(perDayOver) / perDayOver }

// Outlook is how a shop stands on a day.
type Outlook struct {
	State    *fold.State
	Today    int // days since 1970-01-01
	Days     int // of the history
	Orders   int // in it
	Horizon  int
	Items    []Item // all but prepared and retired ones, by index
	Stale    []string
	Late     []purchases.Line // due long ago and no more counted on
	Unpacked error            // the packing spec can't be applied to some order
	Arrivals *forecast.Arrivals

	// Season is how many times as many orders a day the next eight weeks of a year ago had as the eight before them; 0 where the history is too short.
	Season float64

	zone *time.Location
}

// Circle is the error of make specs that come back to where they began: each item is made with the next, the last with the first.
type Circle struct{ Items []string }

func (c *Circle) Error() string {
	if len(c.Items) == 1 {
		return "by its make spec " + c.Items[0] + " is made from itself; correct it with countback makespec FILE"
	}
	return "the make specs go in a circle: " + strings.Join(append(slices.Clone(c.Items), c.Items[0]), " → ") + "; correct one of them with countback makespec FILE"
}

// Of folds a log up to run.AsOf and looks ahead from that day.
func Of(l *fold.Log, run fold.Run, ask Ask) (*Outlook, error) {
	if ask.Paths == 0 {
		ask.Paths = UsualPaths
	}
	if ask.Horizon == 0 {
		ask.Horizon = UsualHorizon
	}
	ask.Guess = maps.Clone(ask.Guess)
	if ask.Guess == nil {
		ask.Guess = map[int]float64{}
	}
	if ask.Busier == 0 {
		ask.Busier = 1
	}
	if run.AsOf == 0 {
		return nil, errors.New("an outlook needs a day to begin from")
	}
	p := &past{zone: ask.Zone, runs: map[int][]printed{}}
	run.Observe, run.Singles = p.see, true
	s := l.Run(run)
	o := &Outlook{zone: ask.Zone, State: s, Today: DayNumber(run.AsOf, ask.Zone), Horizon: ask.Horizon}
	made, err := order(s)
	if err != nil {
		return nil, err
	}
	lines := purchases.Open(l, run.AsOf)
	o.list(purchases.OnOrder(lines))
	uses := o.learn(s, p, ask)
	o.play(s, p, uses, ask, made, o.coming(l, lines))
	return o, nil
}

// list begins the line of every item that has stock and isn't retired.
func (o *Outlook) list(onOrder map[int]num.Qty) {
	for _, it := range o.State.Catalog.Items {
		if it.Prepared() || o.State.View.Retired(it.Index) {
			continue
		}
		o.Items = append(o.Items, Item{Index: it.Index, Basis: None, OnHand: o.State.Items[it.Index].Account.OnHand(), OnOrder: onOrder[it.Index]})
	}
}

// DayNumber is the calendar day of an instant in a zone, in days since 1970-01-01.
func DayNumber(ms int64, zone *time.Location) int {
	y, m, d := time.UnixMilli(ms).In(zone).Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// DayOf is the number of a calendar day.
func DayOf(t time.Time) int { return int(t.Unix() / 86400) }

// Date is the calendar day of a day number.
func Date(day int) time.Time { return time.Unix(int64(day)*86400, 0).UTC() }

// weekdayOf is a day number's weekday, Sunday 0: 1970-01-01 was a Thursday.
func weekdayOf(day int) int { return ((day+4)%7 + 7) % 7 }

// latest is how long after its day, beyond the longest lead time, a purchase is still counted on.
const latest = 14

// coming is what open purchases will bring, by item. What is overdue is counted on for tomorrow, for a while.
func (o *Outlook) coming(log *fold.Log, lines []purchases.Line) map[int][]forecast.Coming {
	out := map[int][]forecast.Coming{}
	for _, l := range lines {
		if l.OnOrder.Sign() <= 0 {
			continue
		}
		def := o.State.View.Def(l.Item)
		lead := latest
		if def.LeadDaysMax != nil {
			lead = max(lead, *def.LeadDaysMax)
		}
		due := o.due(log, l, def)
		if due < o.Today-lead {
			o.Late = append(o.Late, l)
			continue
		}
		for i := range o.Items {
			if it := &o.Items[i]; it.Index == l.Item {
				it.Counted += l.OnOrder.Float()
			}
		}
		out[l.Item] = append(out[l.Item], forecast.Coming{Day: max(1, due-o.Today), Qty: l.OnOrder.Float()})
	}
	return out
}

// due is the day on which a purchase is to come; without one, its usual lead time after the day on which it was ordered.
func (o *Outlook) due(log *fold.Log, l purchases.Line, def *catalog.Def) int {
	if t, err := time.Parse("2006-01-02", string(l.Due)); err == nil {
		return int(t.Unix() / 86400)
	}
	lead := latest
	if def.LeadDays != nil {
		lead = *def.LeadDays
	}
	e, ok := log.Event(l.Purchase)
	if !ok {
		return o.Today
	}
	return DayNumber(e.Time.Ms(), o.zone) + lead
}
