package pages

import (
	"slices"
	"strings"

	"countback/projections/review"
)

// decidingPages are about what needs a decision.
var decidingPages = []route{{pattern: "GET /decide", serve: serveDecide}}

// decidePage is what needs a decision or a second look.
type decidePage struct {
	Report review.Report
	Rows   []decideRow
	More   int // that aren't listed
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
