package pages

import (
	"net/url"
	"slices"
	"strings"

	"countback/ledger/event"
	"countback/projections/review"
)

// decidingPages are about what needs a decision.
var decidingPages = []route{
	{pattern: "GET /decide", serve: serveDecide},
	{pattern: "POST /decide/throw-away", serve: postThrowAway},
	{pattern: "POST /decide/anew", serve: postAnew},
}

// postAnew records once more, under its id, what a copy of a device had recorded and its log doesn't hold.
func postAnew(v *view) error {
	r, err := v.look.Review()
	if err != nil {
		return err
	}
	id := v.r.PostFormValue("event")
	for _, it := range r.Items {
		if f, _, ok := asideFact(it); ok && it.Event == id {
			_, err := v.desk().Record(v.ctx(), []event.Fact{f}, true)
			if err != nil {
				return err
			}
			return v.redirect("/event/" + url.PathEscape(id))
		}
	}
	return v.redirect("/decide") // somebody was quicker
}

// asideFact finds, among the choices of what stands aside, the fact that could be recorded anew.
func asideFact(it review.Item) (f event.Fact, choice int, ok bool) {
	for i, c := range it.Choices {
		if _, line, found := strings.Cut(c, "countback record FILE, with this line in the file: "); found && it.Topic == "aside" {
			f, err := event.ParseFact([]byte(line))
			return f, i, err == nil && f.ID.String() == it.Event
		}
	}
	return f, 0, false
}

func postThrowAway(v *view) error {
	if err := v.desk().ThrowAway(v.ctx()); err != nil {
		return err
	}
	return v.redirect("/decide")
}

// decidePage is what needs a decision or a second look.
type decidePage struct {
	Report review.Report
	Rows   []decideRow
	More   int // that aren't listed

	Refused bool // lines were refused, and can be thrown away
}

// mostQuestions is how many are listed at once.
const mostQuestions = 100

// decideRow is one question with what can be done.
type decideRow struct {
	review.Item
	Head  string
	About string
	Link  string // of what it is about
	Event *eventLink
	Anew  string // what stands aside says, where it can be recorded anew
}

func serveDecide(v *view) error {
	r, err := soon(v, "what to decide", (*Look).Review)
	if err != nil {
		return err
	}
	d := &decidePage{Report: r}
	for k, it := range r.Items {
		if k == mostQuestions {
			d.More = len(r.Items) - k
			break
		}
		row := decideRow{Item: it, Head: topicName(it.Topic), About: it.About}
		row.Why = strings.ToUpper(it.Why[:min(1, len(it.Why))]) + it.Why[min(1, len(it.Why)):]
		switch {
		case it.About == "":
		case v.look.Def(it.About) != nil:
			row.Link, row.About = "/item/"+it.About, v.look.nameOf(it.About)
		case v.look.State().Orders[it.About] != nil:
			row.Link, row.About = "/orders/"+it.About, "order "+it.About
		}
		for i, c := range row.Choices {
			if rest, ok := strings.CutPrefix(c, "count "+it.About+" again"); ok && v.look.Def(it.About) != nil {
				row.Choices = slices.Clone(row.Choices)
				row.Choices[i] = "countback count " + it.About + " N again" + rest
			}
		}
		if f, i, ok := asideFact(it); ok {
			row.Anew, row.Event = KindName(f.Data.Kind())+": "+Say(&event.Event{Kind: f.Data.Kind(), Version: 1, Time: f.Time, Data: f.Data}), nil
			row.Choices = slices.Delete(slices.Clone(row.Choices), i, i+1)
			d.Rows = append(d.Rows, row)
			continue
		}
		d.Refused = d.Refused || it.Topic == "refused"
		if it.Event != "" {
			x := v.eventLink(it.Event)
			row.Event = &x
		}
		d.Rows = append(d.Rows, row)
	}
	return v.render("decide", d)
}

// topicName is a topic of the review as people say it.
func topicName(topic string) string {
	switch topic {
	case "pending":
		return "Packed twice?"
	case "no_cost":
		return "No cost known"
	case "order_again":
		return "An order placed twice"
	case "stale_order":
		return "Open for long"
	case "refused":
		return "Lines that were refused"
	case "aside":
		return "Recorded on a copy"
	case "recovered":
		return "A desk in another's place"
	}
	s := strings.ReplaceAll(topic, "_", " ")
	return strings.ToUpper(s[:1]) + s[1:]
}
