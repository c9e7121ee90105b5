package main

import (
	"strings"

	"countback/cmd/countback/words"
)

// findingsText says what most likely lies behind it, rank by rank, and what to do about what stands first, or is likely beside it.
func (m *Main) findingsText(r *audited) string {
	if len(r.Findings) == 0 {
		return ""
	}
	var b strings.Builder
	b.WriteString(m.bold("What most likely lies behind it") + "\n")
	first := 0
	for _, f := range r.Findings {
		if f.Rank == 1 {
			first++
		}
	}
	for _, f := range r.Findings {
		if f.Rank > 3 {
			break
		}
		head := words.Finding(&f, r.Unit)
		b.WriteString(m.wrap(head, "") + "\n")
		if f.Rank > 1 && !words.Likely(&f) {
			continue
		}
		b.WriteString(m.wrap(f.Why, "   ") + "\n")
		if f.Settle != "" {
			b.WriteString(m.wrap("What would tell: "+f.Settle+".", "   ") + "\n")
		}
		for _, do := range f.Do {
			b.WriteString(m.wrap("- "+do, "   ") + "\n")
		}
	}
	if first > 1 {
		b.WriteString(m.wrap("Of what shares a number, any may be so, or more than one: what is recorded doesn't say which.", "") + "\n")
	}
	if r.Again != "" {
		b.WriteString("\n" + m.wrapAll(r.Again) + "\n")
	}
	return b.String()
}
