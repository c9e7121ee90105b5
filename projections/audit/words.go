package audit

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"countback/ledger/event"
	"countback/ledger/num"
	"countback/projections/bridge"
	"countback/projections/chance"
	"countback/projections/report"
	"countback/projections/use"
)

// words says what findings mean.
type words struct {
	st    report.Style
	shop  *Shop
	g     *gathering
	u     *weighed
	b     *bridge.Bridge
	parts []partCause
	rep   *Report
}

const (
	toldVaried = 1.5 // how far use a day has to vary for drift and steady loss to be told apart
	toldClear  = 3.0 // and how clear the loss has to be for that variation
)

// alike lists the causes that these data can't tell apart, whatever their weights.
func (w *words) alike() (out [][2]Cause) {
	if !w.toldApart() {
		out = append(out, [2]Cause{SpecDrift, SteadyLoss})
	}
	if c := w.u.best[UnitSlip]; c != nil && !c.costed && w.u.weight[UnitSlip] > listed {
		out = append(out, [2]Cause{UnitSlip, OneOffLoss})
	}
	return out
}

// toldApart reports whether use a day varied enough, and the loss is clear enough, to tell drift from a steady loss.
func (w *words) toldApart() bool {
	c := w.u.best[SpecDrift]
	if s := w.u.best[SteadyLoss]; s != nil && (c == nil || w.u.weight[SteadyLoss] > w.u.weight[SpecDrift]) {
		c = s
	}
	if c == nil {
		return true
	}
	used := w.g.used
	if c.place != "" {
		used = c.per
	}
	low, high := math.Inf(1), 0.0
	var n, sum, squares float64
	for k := range w.g.list {
		if w.g.days[k] <= 0 {
			continue
		}
		d := used[k] / w.g.days[k]
		low, high = min(low, d), max(high, d)
		if c.x[k] != 0 {
			n, sum, squares = n+1, sum+d, squares+float64(d*d)
		}
	}
	if n < 2 || sum <= 0 {
		return false
	}
	mean := sum / n
	cv := math.Sqrt(max(0, squares-float64(n*mean*mean))/(n-1)) / mean
	sp := w.g.in[noExtra].by[1]
	x := sp.whiten(c.x)
	z := dot(x, sp.y) / math.Sqrt(dot(x, x))
	return high >= float64(toldVaried*low) && float64(z*cv) >= toldClear
}

// date is how a sentence says a day.
func (w *words) date(ms int64) string {
	return time.UnixMilli(ms).In(w.st.Zone).Format("Mon 2 Jan 2006")
}

// amount writes an estimate for a sentence.
func (w *words) amount(x float64) string {
	places := 0
	if math.Abs(x) < 10 {
		places = 1
	}
	q, err := num.ParseQty(chance.Text(x))
	if err != nil {
		return chance.Text(x)
	}
	text := q.Round(places).String()
	if unit := w.rep.Unit; unit != "each" {
		return text + " " + unit
	}
	return text
}

// between names the counts that an interval lies between.
func (w *words) between(k int) string {
	return "between the counts of " + w.date(w.g.list[k].From.Ms) + " and " + w.date(w.g.list[k].To.Ms)
}

// fill writes why, the events and what to do.
func (w *words) fill(f *Finding) {
	c, size := w.u.best[f.Cause], w.u.size[f.Cause]
	item := w.rep.Item
	if c != nil {
		f.Events = append(f.Events, texts(c.events)...)
	}
	switch f.Cause {
	case SpecDrift:
		w.drift(f, c, size)
	case SteadyLoss:
		f.Events = w.counts(c)
		f.Why = "About " + w.amount(size) + " a day went, whatever was packed, " + w.since(c) + "."
		f.Do = []string{"look where it is kept, and who takes from it", "countback count " + item + " N, once a week, until it is clear when it goes"}
	case OneOffLoss:
		f.Events = texts([]event.ID{w.g.list[c.at].From.Event, w.g.list[c.at].To.Event})
		f.Why = w.amount(size) + " went at once, " + w.between(c.at)
		if len(w.g.list) > 2 {
			f.Why += ", and the other intervals show nothing like it"
		}
		f.Why += "."
		f.Do = []string{"think of what happened in that time: a box that fell, a sample, a favour", "countback damage " + item + " N --reason other --at DAY --note WHAT, so that the next audit knows"}
	case ShortPack:
		w.shortPack(f, c, size)
	case DoubleEntry:
		w.double(f, c)
	case UnitSlip:
		w.slip(f, c)
	case MissingEntry:
		w.missing(f, c)
	case CountSlip:
		w.countSlip(f, c, size)
	case MoreOrders, HeavierOrders, SpoiledRuns:
		w.part(f)
	case None:
		w.none(f)
	}
}

func texts(list []event.ID) []string {
	out := make([]string, len(list))
	for i, id := range list {
		out[i] = id.String()
	}
	return out
}

// counts are the counts of the intervals in which a cause shows.
func (w *words) counts(c *column) []string {
	var out []event.ID
	for k := range c.x {
		if c.x[k] != 0 {
			out = append(out, w.g.list[k].To.Event)
		}
	}
	return texts(out)
}

func (w *words) since(c *column) string {
	if c.onset <= w.g.list[0].From.Ms {
		return "from the first count on"
	}
	return "from about " + w.date(c.onset) + " on"
}

func (w *words) drift(f *Finding, c *column, size float64) {
	f.Events = w.counts(c)
	if c.text == "less" {
		size = -size
	}
	each := "Each use"
	if c.place != "" {
		each += " in " + c.place
	}
	beyond := "what is missing"
	if size < 0 {
		beyond = "what is there beyond the records"
	}
	f.Why = each + " takes about " + chance.Text(math.Round((1+size)*100)/100) + " times what the specs say, " + w.since(c) + ": " + beyond + " goes with what was packed or printed."
	f.Do = []string{"take one parcel apart, or watch the next one, and see what it really takes"}
	r := use.Of(w.shop.Table, w.st, w.rep.Item)
	if len(r.Items) == 1 && r.Items[0].Proposed != nil && (c.place == "" || r.Items[0].Proposed.Format == c.place) {
		p := r.Items[0].Proposed
		at := ""
		if p.Format != "" {
			at = " in " + p.Format
		}
		f.Do = append(f.Do, "countback use "+w.rep.Item+" --apply --since "+use.SinceDay(time.UnixMilli(max(c.onset, w.g.list[0].From.Ms)).In(w.st.Zone))+", which makes the line"+at+" "+p.Qty+" instead of "+p.QtyNow)
		f.Events = append([]string{p.Spec}, f.Events...)
		return
	}
	where := ""
	if c.place != "" {
		where = " in " + c.place
	}
	f.Do = append(f.Do, "countback packspec FILE or countback makespec FILE, with what it takes"+where)
}

func (w *words) shortPack(f *Finding, c *column, size float64) {
	from := "the supplier"
	if c.text != "" {
		from = c.text
	}
	f.Why = fmt.Sprintf("What %s delivers holds about %s %% less than it says, from the delivery of %s on: what is missing goes with what came in, and not with what was used.", from, chance.Text(math.Round(size*1000)/10), w.date(c.onset))
	for i := range w.g.receipts {
		r := &w.g.receipts[i]
		if r.Ms >= c.onset && r.Expected != nil && !r.Qty.Less(*r.Expected) {
			f.Against = append(f.Against, r.Event.String()) // counted when it came, and complete
		}
	}
	last := c.events[len(c.events)-1].String()
	f.Do = []string{"ask " + from + " what a pack holds, and send this page along (--pdf)", "count the next delivery before it goes on the shelf: countback restock " + w.rep.Item + " N --expected M --cost COST",
		"what is refunded: countback credit " + last + " " + w.rep.Item + " AMOUNT"}
}

func (w *words) double(f *Finding, c *column) {
	f.Why = "Two deliveries of " + w.amount(c.inside) + " within three days are just alike, and what is missing is as much as if one of them never came"
	if c.text != "" {
		f.Why += "; " + c.text
	}
	f.Why += "."
	f.Do = []string{"look for two papers from the supplier", "if there is one: countback reverse " + c.events[1].String() + " --reason \"entered twice\""}
}

func (w *words) slip(f *Finding, c *column) {
	f.Why = "The delivery " + c.events[0].String() + " may have been " + c.text + ": then " + w.amount(math.Abs(c.inside)) + " of what was entered " + map[bool]string{true: "never came", false: "came beside it"}[c.inside > 0] + ", which is what is missing."
	if c.inside <= 0 {
		f.Why = "The delivery " + c.events[0].String() + " may have been " + c.text + ": then more came than was entered."
	}
	if c.costed {
		f.Why += " What it cost apiece says so too."
	} else {
		f.Why += " It was entered without a cost, so nothing else says whether it is so."
	}
	f.Do = []string{"look at the supplier's paper", "countback reverse " + c.events[0].String() + " --reason \"wrong unit\", then countback restock " + w.rep.Item + " N PACK --cost COST --at DAY with what came"}
}

func (w *words) missing(f *Finding, c *column) {
	if c.text == "ratio" {
		f.Why = "The supplies are short together, in the ratio in which orders take them, in the time before the count of " + w.dayOf(c.events[0]) + ": " + fmt.Sprint(c.at) + " others besides this one. Packs seem to be missing from the records."
		f.Do = []string{"look for orders that went out and were never entered, and enter them: countback pack ORDER ITEM=N --at DAY"}
		return
	}
	n := len(c.events)
	f.Why = fmt.Sprintf("%d orders that were placed were never packed by the records, and what they would have taken is missing, here and of %d other items. Orders that were called off look the same, but take nothing.", n, c.at)
	if n == 1 {
		f.Why = fmt.Sprintf("An order that was placed was never packed by the records, and what it would have taken is missing, here and of %d other items.", c.at)
	}
	var numbers []string
	for _, u := range w.shop.unpacked {
		if slices.Contains(c.events, u.Placed) && len(numbers) < 3 {
			numbers = append(numbers, u.Number)
		}
	}
	f.Do = []string{"look up whether they went out: " + strings.Join(numbers, ", ") + map[bool]string{true: " …", false: ""}[n > len(numbers)], "if it went out: countback pack " + numbers[0] + " --at DAY", "if it was called off: countback reverse " + c.events[0].String() + " --reason \"called off\""}
}

func (w *words) dayOf(id event.ID) string {
	if e, ok := w.shop.Record.Log.Event(id); ok {
		return w.date(e.Time.Ms())
	}
	return id.String()
}

func (w *words) countSlip(f *Finding, c *column, size float64) {
	k := c.at
	figure := w.g.list[k].To.Figure
	off := float64(size * c.x[k])
	f.Why = "The count of " + w.date(w.g.list[k].To.Ms) + " says " + figure.String() + "; " + w.amount(figure.Float()+off) + " fits what was counted before and after it"
	if c.text != "" {
		f.Why += " (" + c.text + ")"
	}
	f.Why += ". The next count takes the difference back, so nothing is lost."
	f.Events = texts([]event.ID{w.g.list[k].To.Event, w.g.list[k+1].To.Event})
	if c.text == onShelf {
		f.Events = append(f.Events, c.events[1].String())
		f.Do = []string{"see whether it was on the shelf that day", "countback reverse " + c.events[1].String() + " --reason \"it came before the count\", then countback restock " + w.rep.Item + " N PACK --cost COST --at DAY, a day before the count"}
		return
	}
	f.Do = []string{"look at the count sheet", "countback reverse " + w.g.list[k].To.Event.String() + " --reason \"misread\", then countback count " + w.rep.Item + " N --at DAY with what it says"}
}

func (w *words) part(f *Finding) {
	for i := range w.parts {
		p := &w.parts[i]
		if p.cause != f.Cause {
			continue
		}
		f.Events = texts(p.events)
		earlier := "There is no earlier window to compare it with"
		if n := len(p.change.past); n > 0 {
			earlier = "In earlier windows of this length it never rose"
			if most := changeOf(f.Cause, p.change.most()); most > 0 {
				earlier = "In earlier windows of this length it rose by " + chance.Text(math.Round(most*1000)/10) + " % at most"
			}
		}
		now := chance.Text(math.Round(changeOf(f.Cause, p.change.now)*1000)/10) + " %"
		switch f.Cause {
		case MoreOrders:
			f.Why = "Orders a day were up by " + now + " on the 90 days before. " + earlier + "."
			f.Do = []string{"nothing is wrong with the records", "buy for the new pace: countback reorder"}
		case HeavierOrders:
			f.Why = "An order took " + now + " more of it than in the 90 days before, because of what was ordered. " + earlier + "."
			f.Do = []string{"nothing is wrong with the records", "buy for what is ordered now: countback reorder"}
		case SpoiledRuns:
			f.Why = "Spoiled pieces of print runs took more of it than before, by " + now + " of all that leaves. " + earlier + "."
			f.Do = []string{"look at those runs: countback history " + firstText(f.Events), "if that is how it is from now on, say so in the make spec (normal_spoilage)"}
		}
	}
}

func firstText(list []string) string {
	if len(list) == 0 {
		return "EVENT"
	}
	return list[0]
}

// changeOf is a change as a share: of orders the logarithm was compared.
func changeOf(c Cause, x float64) float64 {
	if c == SpoiledRuns {
		return x
	}
	return math.Exp(x) - 1
}

// NotCounted is why nothing is found where there are no two counts: no finding of chance, though chance alone is left.
const NotCounted = "It was not counted before and after this time, so nothing can be said about what nobody wrote down."

func (w *words) none(f *Finding) {
	f.Qty = "0"
	if len(w.g.list) == 0 {
		f.Why = NotCounted
		f.Do = []string{"countback count " + w.rep.Item + " N, now and in a month"}
		return
	}
	f.Why = "Usual waste, handling and the tolerance of counting can explain what is missing."
	f.Do = []string{"nothing is to be corrected; a count in a month will show whether it goes on"}
}

// tells says which record or count tells causes apart.
var tells = map[Cause]string{
	ShortPack:    "count the next delivery when it comes",
	UnitSlip:     "the supplier's paper",
	DoubleEntry:  "the supplier's papers: one or two",
	MissingEntry: "whether those orders went out",
	SpecDrift:    "one parcel taken apart, or two counts around a busy week",
	SteadyLoss:   "two counts around a quiet week: a steady loss goes on in it, and what uses take doesn't",
	OneOffLoss:   "another count in a month: what went once doesn't go again",
	CountSlip:    "the count sheet, or another count",
	None:         "another count in a month",
}

func (w *words) settle(f *Finding, all []Finding) {
	var others []string
	for i := range all {
		if all[i].Rank == f.Rank && all[i].Cause != f.Cause {
			others = append(others, string(all[i].Cause))
		}
	}
	if len(others) == 0 || tells[f.Cause] == "" {
		return
	}
	f.Settle = tells[f.Cause]
}

// again says whether the last count should be made again: nothing behind it takes a slip back.
func (w *words) again() string {
	last := w.g.last()
	if last < 0 || len(w.g.list) == 0 || last != len(w.g.list)-1 {
		return ""
	}
	if w.u.weight[None] > 0.5 {
		return ""
	}
	z := w.g.list[last].Unknown.Float()
	if math.Abs(z) < float64(2*math.Sqrt(w.g.covariance(1, nil)[last][last])) {
		return ""
	}
	return "No count stands behind that of " + w.date(w.g.list[last].To.Ms) + ", so a slip in it would look like a loss. Count again before you correct anything: countback count " + w.rep.Item + " N"
}
