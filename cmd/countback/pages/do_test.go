package pages

import (
	"fmt"
	"strings"
	"testing"
)

func TestAdvice(t *testing.T) {
	const id = "01KC00000000000000000000R1"
	for _, x := range []struct{ text, want string }{
		{"nothing is wrong with the records", "nothing is wrong with the records"},
		{"countback count board N, once a week, until it is clear when it goes", "[count board|/record/count?item=board], once a week, until it is clear when it goes"},
		{"if there is one: countback reverse " + id + ` --reason "entered twice"`, "if there is one: [take that entry back|/record/reverse?event=" + id + "&reason=entered+twice]"},
		{"countback reverse " + id + ` --reason "wrong unit", then countback restock board N PACK --cost COST --at DAY with what came`,
			"[take that entry back|/record/reverse?event=" + id + "&reason=wrong+unit], then [record the delivery of board|/record/restock?item=board] with what came"},
		{"a pack of it waits for a decision: countback decide " + id + " keep|drop", "a pack of it waits for a decision: [decide|/record/decide?event=" + id + "]"},
		{"countback decide " + id + " keep", "[keep it|/record/decide?event=" + id + "&keep=keep]"},
		{"countback use board --apply --since 2026-04-01, which makes the line 2 instead of 1", "[put the spec right|/counting/use?item=board&since=2026-04-01], which makes the line 2 instead of 1"},
		{"countback packspec FILE or countback makespec FILE, with what it takes", "[the packing spec|/setup/packing] or [the make spec|/setup/making], with what it takes"},
		{"countback item board --unit-cost AMOUNT", "[set up board|/setup/item?item=board]"},
		{"begin with countback close 2026-03", "begin with [close 2026-03|/closing/2026-03]"},
		{"bring it up to date: countback sync", "bring it up to date: countback sync"},
	} {
		var b strings.Builder
		for _, p := range advice(x.text) {
			if p.Link == "" {
				b.WriteString(p.Text)
			} else {
				fmt.Fprintf(&b, "[%s|%s]", p.Text, p.Link)
			}
		}
		if b.String() != x.want {
			t.Errorf("%s\n got %s\nwant %s", x.text, b.String(), x.want)
		}
	}
}
