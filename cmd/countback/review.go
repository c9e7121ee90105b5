package main

import (
	"strings"

	"github.com/spf13/cobra"

	"countback/projections/review"
	"countback/sync/replicate"
)

func (m *Main) reviewCmd() *cobra.Command {
	var a asked
	var empty bool
	cmd := &cobra.Command{
		Use:   "review",
		Short: "What needs a decision",
		Long: `What needs a decision or a second look, with the event behind it and what can be done. Lines that were refused because they can stand in no log are kept until
--throw-away; so are facts of a copied device that nobody has recorded anew, and who became the keeper by whose word stays listed.`,
		Example: "  countback review",
		Args:    cobra.NoArgs,
	}
	cmd.ValidArgsFunction = nothingMore
	a.flags(cmd)
	cmd.Flags().BoolVar(&empty, emptyFlag, false, "throw the refused lines away first")
	cmd.RunE = m.reading(func(d *desk, _ []string) error {
		if empty {
			if err := replicate.EmptyRefused(d.ctx, d.store); err != nil {
				return err
			}
		}
		log, run, err := a.fold(d)
		if err != nil {
			return err
		}
		more, err := d.toReview()
		if err != nil {
			return err
		}
		r, _ := review.Of(log, run, d.style(), more...)
		return m.printReview(r)
	})
	return cmd
}

// printReview prints each question as a few lines: a table would cut them.
func (m *Main) printReview(r review.Report) error {
	g := &grid{columns: []column{{name: "event"}, {name: "topic"}, {name: "about"}, {name: "why"}, {name: "choices"}}}
	var b strings.Builder
	for i, it := range r.Items {
		g.add(plain(it.Event), plain(it.Topic), plain(it.About), plain(it.Why), plain(strings.Join(it.Choices, "; ")))
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(m.question(it))
	}
	if m.format != formatTable {
		return m.report(r, "", g, "")
	}
	lead := "Nothing needs a decision, " + asOfText(r.Head) + "."
	if len(r.Items) > 0 {
		lead = count(len(r.Items), "thing needs", "things need") + " a look, " + asOfText(r.Head) + "."
	}
	return m.printTable(lead, nil, join2(strings.TrimRight(b.String(), "\n"), incompleteText(r.Head)))
}

func (m *Main) question(it review.Item) string {
	head := strings.ReplaceAll(it.Topic, "_", " ")
	if it.About != "" {
		head += ", " + visible(it.About)
	}
	if it.Event != "" {
		head += "  " + it.Event
	}
	var b strings.Builder
	b.WriteString(head + "\n")
	b.WriteString(m.wrap(visible(it.Why), "  ") + "\n")
	for _, c := range it.Choices {
		b.WriteString(m.wrap("- "+visible(c), "  ") + "\n")
	}
	return b.String()
}

// wrap breaks a line at the terminal's width, where there is one.
func (m *Main) wrap(s, indent string) string {
	if m.Width <= 0 {
		return indent + s
	}
	var b strings.Builder
	n := 0
	for i, w := range strings.Fields(s) {
		size := len([]rune(w))
		switch {
		case i == 0:
			b.WriteString(indent)
			n = len(indent)
		case n+1+size > m.Width:
			b.WriteString("\n" + indent)
			n = len(indent)
		default:
			b.WriteByte(' ')
			n++
		}
		b.WriteString(w)
		n += size
	}
	return b.String()
}
